"""The command that copies what is left of a damaged logbook into a new one."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console

from lashmap_daemon.bus.outbox import waiting_in
from lashmap_daemon.console.lines import say
from lashmap_daemon.errors import EXIT_STAND
from lashmap_daemon.logbook_rescue import rescue
from lashmap_daemon.seal_check_file import check_file


def rescue_logbook(damaged: Path, new: Path, console: Console) -> int:
    """Copy and say what became of each test; returns the exit status, 0 when nothing was lost.

    Raises:
        LogbookError: When nothing can be read, or the new file cannot be made.
    """
    tests = rescue(damaged, new)
    for one in tests:
        state = "DAMAGED" if one.problems else "whole" if one.kept else "whole, not sealed"
        say(console, f"test {one.test}: {state}, {one.rows} rows", "bold" if one.problems else "")
        for seal in one.kept:
            say(console, f"  seal {seal.number} still holds: {seal.digest.hex()}")
        for number in one.dropped:
            say(console, f"  seal {number} does not fit what is left and was dropped", "bold")
        for problem in one.problems:
            say(console, f"  - {problem}")
    for topic, count in waiting_in(new).items():
        say(console, f"{count} records wait to be published below {topic}, as in {damaged}.")
    check = check_file(new)
    for damage in check.damage:
        say(console, f"WRONG: {damage}", "bold")
    if check.not_carried:
        say(console, f"NOT CARRIED OVER: {check.not_carried}.", "bold")
    whole = sum(not one.problems for one in tests)
    say(console, f"{whole} of {len(tests)} tests are whole in {new}; {damaged} was not touched, keep it.")
    if whole == len(tests) and not check.damage and not check.not_carried:
        return 0
    say(console, "Tests that nothing is left of are not named above: compare with reports and older copies.")
    return EXIT_STAND
