"""Small logbooks to write, meddle with and damage."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from daemon.virtual_time import load_box, set_up, simulated_stand_file
from lashmap_daemon.logbook.digests import Tally
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped
from lashmap_drivers.readings import Chunk

CLOSE = Stamped(
    time_s=200.0,
    utc="2026-11-25T09:00:00Z",
    event=events.TestClosed(outcome="completed", reason="all positions done"),
)


def note(text: str, time_s: float = 0.0) -> Stamped:
    """An event of a few bytes."""
    return Stamped(time_s=time_s, utc="2026-11-25T08:00:00Z", event=events.NoteTaken(text=text))


def start_of(folder: Path, test: str, box: BoxFile | None = None) -> Stamped:
    """A start record, larger than a page of the database."""
    started = events.TestStarted(
        test=test,
        operator="Ada",
        setup=set_up(box or load_box(), simulated_stand_file(folder / "stand", SimulatedInstruments())),
        planned=(0, 5),
        version="0",
    )
    return Stamped(time_s=0.0, utc=f"2026-11-25T08:00:0{test[-1]}Z", event=started)


def _result(outcome: str) -> Stamped:
    stored = events.ResultStored(
        analysis_version="0", outcome=outcome, engagement=None, normal_backlash_mm=None, low_mm=None,
        high_mm=None, confirmed=False, positions=2, usable=1,
    )  # fmt: skip
    return replace(CLOSE, event=stored)


def add_test(
    book: Logbook,
    folder: Path,
    test: str,
    outcome: str,
    build: str = "",
    *,
    closed: bool = True,
    box: BoxFile | None = None,
) -> None:
    """A test of which only its course is told."""
    book.append(test, start_of(folder, test, box))
    if build:
        named = events.BuildNamed(build=build, how="named by a person", entries=1, digest="ab")
        book.append(test, replace(CLOSE, time_s=1.0, event=named))
    if closed:
        book.append(test, CLOSE)
        book.append(test, _result(outcome))


def closed_test(book: Logbook, folder: Path, test: str, *, notes: int = 6) -> None:
    """A start record, samples and a note for every second, a closing record."""
    book.append(test, start_of(folder, test))
    for second in range(notes):
        for channel in ("indicator", "encoder"):
            line = b"%s %s %d\r\n" % (test.encode(), channel.encode(), second)
            book.keep(test, channel, [Chunk(second + 0.01 * at, line + b"%d\r\n" % at) for at in range(20)])
        book.append(test, note(f"note {second}", float(second)))
    book.append(test, CLOSE)


def two_tests(folder: Path) -> Path:
    """A logbook of two closed tests, t1 and t2."""
    path = folder / "filled.logbook"
    with Logbook(path, create=True) as book:
        closed_test(book, folder, "t1")
        closed_test(book, folder, "t2")
    return path


def read_back(path: Path, test: str) -> Tally:
    """What a replay reads of a test."""
    tally = Tally()
    with Logbook(path, create=False) as logbook:
        for channel in ("indicator", "encoder"):
            list(logbook.raw_pieces(test, channel, gaps=True, tally=tally))
    return tally
