"""What to do after a verdict that does not let the box go, with the command to type."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

from lashmap_daemon.errors import LashmapError
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.sequence.resume import started_and_unfinished
from lashmap_daemon.story.story import story_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.judge.assessment import Assessment
    from rich.console import Console

    from lashmap_daemon.logbook.logbook import Logbook


_COMPLETED = "completed"


def print_next_step(
    assessment: Assessment,
    logbook: Path,
    console: Console,
    *,
    go_on: str | None = None,
    reviewed: bool = False,
    decide: str = "",
) -> None:
    """Print what to do next; nothing when the box conforms and belongs to no build.

    Args:
        assessment: What was concluded.
        logbook: Where the test is.
        console: To print on.
        go_on: The command that goes on with a test that ended early, empty where it cannot; by default what
            the logbook allows, with the files' names left open.
        reviewed: It is the review that this stands under, so that it is not named.
        decide: The command of the sheet of the test's build; empty where it names none.
    """
    steps = list(next_steps(assessment, logbook, go_on=go_on, reviewed=reviewed))
    if decide:
        steps.append(("Enter on the build's sheet who accepts the box, or what must be done next", decide))
    if not steps:
        return
    console.print()
    say(console, "NEXT", "bold")
    for words, command in steps:
        say(console, f"  - {words}{':' if command else '.'}")
        if command:
            say(console, f"    {command}")


def decision_command(logbook: Logbook, test: str, box: Path) -> str:
    """The command of the sheet on which somebody decides after a test; empty where it names no build."""
    built = story_of(logbook.events(test)).build
    if built is None:
        return ""
    return shlex.join(("lashmap", "build", str(box), "--build", built.build, "--logbook", str(logbook.path)))


def next_steps(
    assessment: Assessment, logbook: Path, *, go_on: str | None = None, reviewed: bool = False
) -> Iterator[tuple[str, str]]:
    """Each as words and a command, which may be empty."""
    test, outcome = assessment.record.identity.test, assessment.verdict.outcome

    def command(name: str, *more: str) -> str:
        return shlex.join(("lashmap", name, test, *more, "--logbook", str(logbook)))

    if outcome == "conforming":
        return
    if assessment.record.damage:
        yield "The record is not as it was written; find out what changed", command("verify")
        return
    early = () if assessment.record.closing.startswith(_COMPLETED) else (_early(logbook, test, go_on),)
    words = "Look at every position with its flags, and leave one out only for a reason"
    look = () if reviewed else ((words, command("review")),)
    if outcome == "nonconforming":
        yield (
            "See which shims bring the tight spot into the limits, or what to measure first",
            command("shims"),
        )
        yield from look
        yield "Test again after the change, and set both tests beside each other", _compare(test, logbook)
        yield from early
        return
    yield from early
    if assessment.verdict.would_settle:
        yield "Do what would settle it, as listed above, then test again", ""
    yield from look


def _going_on(logbook: Path, test: str) -> str:
    """The command that goes on with a test, its files' names left open; empty where it cannot go on."""
    try:
        started, _ = started_and_unfinished(logbook, test)
    except LashmapError:
        return ""
    files = "STAND BOX" if started.gauge is None else "--by-hand BOX"
    return f"lashmap run {files} {shlex.join(('--resume', '--test', test, '--logbook', str(logbook)))}"


def _early(logbook: Path, test: str, go_on: str | None) -> tuple[str, str]:
    go_on = _going_on(logbook, test) if go_on is None else go_on
    if go_on:
        return "The test ended early; go on with it, what was accepted stays", go_on
    return "The test ended early and cannot go on; test again from the start", ""


def _compare(test: str, logbook: Path) -> str:
    return f"{shlex.join(('lashmap', 'compare', test))} NEWTEST {shlex.join(('--logbook', str(logbook)))}"
