"""A person sees that work goes on; a pipe sees nothing."""

from __future__ import annotations

import io

import pytest
from lashmap_daemon.screens.terminal import busy
from rich.console import Console


class Screen(io.StringIO):
    """A file that says whether a person looks at it."""

    def __init__(self, *, seen: bool) -> None:
        super().__init__()
        self._seen = seen

    def isatty(self) -> bool:
        return self._seen


@pytest.mark.parametrize(
    ("terminal", "quiet", "seen"), [(True, False, True), (True, True, False), (False, False, False)]
)
def test_a_name_is_shown_as_it_is_and_only_to_a_person(terminal: bool, quiet: bool, seen: bool) -> None:  # noqa: FBT001
    screen = Screen(seen=terminal)
    with busy(Console(file=screen, force_terminal=True), "Reading [/b] [red]x.csv", quiet=quiet):
        pass
    assert ("Reading [/b] [red]x.csv" in screen.getvalue()) is seen
