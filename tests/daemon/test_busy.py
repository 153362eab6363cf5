"""A person sees that work goes on; a pipe sees nothing."""

from __future__ import annotations

import io

import pytest
from lashmap_daemon.console.busy import busy
from rich.console import Console


@pytest.mark.parametrize(
    ("terminal", "quiet", "seen"), [(True, False, True), (True, True, False), (False, False, False)]
)
def test_a_name_is_shown_as_it_is_and_only_to_a_person(terminal: bool, quiet: bool, seen: bool) -> None:  # noqa: FBT001
    screen = io.StringIO()
    with busy(Console(file=screen, force_terminal=terminal), "Reading [/b] [red]x.csv", quiet=quiet):
        pass
    assert ("Reading [/b] [red]x.csv" in screen.getvalue()) is seen
