"""The builds of a logbook, and the history of one serial number with its first-pass yield.

A first pass is the first completed test of a build, or of the serial number where its tests name no build.
The yield is the share of first passes that conform, by the results as they were stored when the tests ended:
no test is decoded or checked against its digests here, and what reviewers found later does not count.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

from rich.console import Console

from lashmap_daemon.builds.book import BuildBook, Record, its_tests, read
from lashmap_daemon.builds.build import Build
from lashmap_daemon.builds.sheet import decided_text, state_text
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.index import Index, TestSummary
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.story.story import Story, story_of

CONFORMING = "conforming"


@dataclass(frozen=True, kw_only=True)
class Entry:
    """A build or a test.

    Attributes:
        utc: When it was begun.
        name: Of it.
        of_build: The build that a test names; empty for none, and for a build.
        state: How it stands, or ended.
    """

    utc: str
    name: str
    of_build: str
    state: str


@dataclass(frozen=True, kw_only=True)
class History:
    """All of one serial number.

    Attributes:
        entries: Oldest first.
        passed: First passes that conform.
        passes: First passes.
    """

    entries: tuple[Entry, ...]
    passed: int
    passes: int

    @property
    def yield_text(self) -> str:
        """The first-pass yield in words."""
        if not self.passes:
            return "First-pass yield: no completed test yet."
        share = 100.0 * self.passed / self.passes
        return (
            f"First-pass yield: {self.passed} of {self.passes} ({share:.0f} %), by the results as stored "
            "when the tests ended; a first pass is the first completed test of a build, or of the serial "
            "number where tests name no build."
        )


def history(logbook: Logbook, serial: str) -> History:
    """Gather the builds and tests of a serial number.

    Raises:
        ConfigurationError: When there is none.
        LogbookError: When the logbook cannot be read.
    """
    entries = [
        _build_entry(logbook, name, record) for name, record in _builds(logbook) if _is_of(record, serial)
    ]
    first: dict[str, bool] = {}
    for one in logbook.tests():
        if one.serial != serial:
            continue
        story = story_of(logbook.events(one.test))
        of_build = "" if story.build is None else story.build.build
        entries.append(
            Entry(
                utc=one.started_utc,
                name=f"test {one.test}",
                of_build=of_build,
                state=_state(story, one.closing),
            )
        )
        if story.closed is not None and story.closed.outcome == "completed" and story.stored is not None:
            first.setdefault(of_build, story.stored.outcome == CONFORMING)
    if not entries:
        known = sorted({one.serial for one in logbook.tests() if one.serial})
        problem = (
            f"no build and no test of serial number {serial}; known are: {', '.join(known[:10]) or 'none'}"
        )
        raise ConfigurationError(str(logbook.path), [f"--serial: {problem}"])
    ordered = tuple(sorted(entries, key=lambda entry: entry.utc))
    return History(entries=ordered, passed=sum(first.values()), passes=len(first))


def _builds(logbook: Logbook) -> list[tuple[str, Record]]:
    found = []
    for name in logbook.builds():
        try:
            found.append((name, read(logbook, name)))
        except LogbookError:
            continue  # `lashmap list` names it, `verify` says what is wrong
    return found


def _is_of(record: Record, serial: str) -> bool:
    return record.build.given is not None and record.build.given.serial == serial


def _build_entry(logbook: Logbook, name: str, record: Record) -> Entry:
    build = record.build
    job = "" if build.job is None or not build.job.work_order else f", work order {build.job.work_order}"
    return Entry(
        utc=build.begun_utc,
        name=f"build {name}",
        of_build="",
        state=f"{_open(build)}{job}; {state_text(build, its_tests(BuildBook(logbook, name, build)))}",
    )


def _open(build: Build) -> str:
    return "open" if build.closed is None else "closed"


def _state(story: Story, closing: str) -> str:
    state = closing if story.stored is None else f"{story.stored.outcome} ({closing})"
    return f"{state}, {story.review}" if story.review else state


def listed(logbook: Path) -> tuple[tuple[TestSummary, ...], tuple[str, ...]]:
    """The tests of a logbook, and a line for each build, oldest first; what cannot be read says so.

    What the index beside the logbook lacks is read from the events, and kept there.

    Raises:
        LogbookError: When the logbook cannot be read at all.
    """
    index = Index.of(logbook)
    with Logbook(logbook, create=False) as book:
        return index.tests(book.summary), index.builds(partial(_line, book))


def _line(logbook: Logbook, name: str) -> str:
    try:
        build = read(logbook, name).build
    except LogbookError:
        return f"build {name}: damaged, or of another version; lashmap verify {name} says what"
    given = build.given
    box = "" if given is None else f"{given.type}, serial {given.serial}, "
    decided = decided_text(build)
    return f"build {name}: {box}{_open(build)}{f', {decided}' if decided else ''}"


def print_history(logbook: Logbook, serial: str, console: Console) -> None:
    """Print what happened to a serial number, and its first-pass yield.

    Raises:
        ConfigurationError: When the logbook knows nothing of it.
        LogbookError: When the logbook cannot be read.
    """
    found = history(logbook, serial)
    say(console, f"serial number {serial}", "bold")
    for entry in found.entries:
        of = f", of {entry.of_build}" if entry.of_build else ""
        say(console, f"{entry.utc[:19]}Z  {entry.name}{of}: {entry.state}")
    say(console, found.yield_text)
