"""The command that moves the raw samples of old tests out of a logbook."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from rich.console import Console

from lashmap_daemon.console.lines import say
from lashmap_daemon.errors import EXIT_STAND
from lashmap_daemon.logbook_archive import archive


def archive_old(logbook: Path, to: Path, older_than_days: float, console: Console) -> int:
    """Move and say what was moved; returns the exit status, 0 also when nothing was old enough.

    Raises:
        LogbookError: When either file cannot be used.
    """
    now = dt.datetime.now(dt.UTC)
    outcome = archive(logbook, to, older_than=dt.timedelta(days=older_than_days), now=now)
    for one in outcome.tests:
        if one.stays:
            say(console, f"test {one.test}: STAYS, {one.stays}", "bold")
        else:
            say(console, f"test {one.test}: {one.packs} packs of raw samples moved and checked")
    moved = sum(bool(one.packs) for one in outcome.tests)
    if not outcome.tests:
        say(
            console,
            f"No test with raw samples in {logbook} was closed more than {older_than_days:g} days ago.",
        )
        return 0
    sizes = f"{outcome.bytes_before / 1e6:.1f} MB before, {outcome.bytes_after / 1e6:.1f} MB now"
    say(console, f"{moved} of {len(outcome.tests)} old tests archived in {to}; {logbook}: {sizes}.")
    if outcome.not_smaller:
        say(console, f"note: the file was not made smaller: {outcome.not_smaller}")
    if moved:
        say(
            console,
            f"Keep {to}: the raw samples are nowhere else. lashmap review finds them there, or beside",
        )
        say(console, "the logbook under the same name.")
    return 0 if moved == len(outcome.tests) else EXIT_STAND
