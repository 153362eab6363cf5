"""The program as the golden set sees it: the only module here that knows its names.

When modules move or are renamed, this file follows and no other.
"""

from __future__ import annotations

import datetime as dt
import itertools
import json
import math
import pickle
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

from daemon.command import in_process
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.record import Shaft, TestRecord
from lashmap_daemon.builds.evidence import take
from lashmap_daemon.bus import from_test, messages
from lashmap_daemon.bus.connection import Identity
from lashmap_daemon.bus.messages import LIVE, RESULT, STATE, Topic, outgoing
from lashmap_daemon.bus.outbox import Outbox, enrol
from lashmap_daemon.bus.stand_bus import announce_result
from lashmap_daemon.commands import simulate as simulate_command
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay import conclude as conclude_module
from lashmap_daemon.replay.conclude import conclude, store_result
from lashmap_daemon.replay.preconditions import collect_by_hand
from lashmap_daemon.sequence.sequence import Full, Repeat, Skip, Space
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.gauge_file import GaugeTable
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.simulated_stand import Fault, SimulatedDrive, SimulatedInstruments, Stand
from lashmap_daemon.story import events
from lashmap_daemon.story.cause import Found
from lashmap_daemon.story.recorded import HandSetup
from lashmap_daemon.testing.bench_sheet import SheetCode
from lashmap_daemon.testing.by_hand import FilledSheet, HandOpening, HandTest
from lashmap_daemon.testing.conductor import Conductor
from lashmap_daemon.testing.opening import lay_out
from lashmap_drivers.readings import Chunk

from daemon import made_build

__all__ = [
    "ENCODER",
    "INDICATOR",
    "Chunk",
    "Fault",
    "Found",
    "Full",
    "Repeat",
    "Shaft",
    "SimulatedDrive",
    "Skip",
    "Space",
    "events",
]

KINDS = {kind.__name__ for kind in events.KINDS}
STAND = "golden"
_BASE = f"lashmap/{STAND}"


def lashmap(*words: str | Path, status: int | None = 0) -> str:
    """What a command prints; it must end with this status, None allows any."""
    done = in_process(*words, catch_exceptions=False)
    assert status in {None, done.exit_code}, f"{words}: {done.exit_code}: {done.output}"
    return done.output


@contextmanager
def judging_once() -> Iterator[None]:
    """Judge a record that was judged already by what came of it.

    Each of five commands judges the record that it read: the same one, which would be a third of the work.
    """
    known = dict[bytes, Assessment]()

    def judge(record: TestRecord) -> Assessment:
        read = pickle.dumps(record)
        return known[read] if read in known else known.setdefault(read, assess(record))

    with patch.object(conclude_module, "assess", judge):
        yield


def taken_from_a_build(path: Path, box: BoxFile) -> tuple[BoxFile, events.BuildNamed]:
    """A build of a box, entered in a logbook, and what a test of that box takes from it."""
    some = (
        made_build.fitted("pinion", 1.0, 0.2),
        made_build.not_measurable("pinion"),
        made_build.bearings("pinion", 1.2, 0.8, 1.5),
        made_build.seen("drive", "heel"),
        made_build.seen("coast"),
        made_build.measured("gear", box.mounting.gear_marked_mm or 0.0),
        made_build.bearings("gear", 0.004, None, 0.01, play=True),
        made_build.judged(),
    )
    book = made_build.entered(made_build.begun(path, box), some)
    found = take(book.logbook, box, None)
    book.logbook.close()
    assert found.named is not None
    return found.box, found.named


def faulty_stand(
    box: BoxFile, instruments: SimulatedInstruments, fault: Fault, *, seed: int, until_s: float
) -> Stand:
    """A simulated stand that comes to its senses."""
    simulated = simulate_command.simulated_box(box)
    return Stand(simulated, instruments, seed=seed, fault=fault, fault_until_s=until_s)


def keep_result(path: Path) -> None:
    """What a live test of a stand on the bus does at its end."""
    with Logbook(path, create=False) as logbook:
        (test,) = [one.test for one in logbook.tests()]
        told = list(logbook.events(test))
        assessment = conclude(logbook, test)
        store_result(logbook, told, assessment)
    announce_result(path, Identity(root="lashmap", stand=STAND, name=STAND, version="0"), assessment)


def events_of(path: Path) -> list[dict[str, Any]]:
    """Every event of the one test in a logbook."""
    with Logbook(path, create=False) as logbook:
        (test,) = [one.test for one in logbook.tests()]
        stream = list(logbook.events(test))
    return [
        {"time_s": one.time_s, "utc": one.utc, "kind": kind, "body": json.loads(body)}
        for one in stream
        for kind, body in [events.to_json(one.event)]
    ]


def records_on_the_bus(path: Path) -> list[dict[str, Any]]:
    """What the outbox of a logbook sends, and the result; the logbook is written to."""
    with Logbook(path, create=False) as logbook:
        (test,) = [one.test for one in logbook.tests()]
        assessment = conclude(logbook, test)
    started_utc = enrol(path, _BASE, test)
    sent = []
    with closing(Outbox(path, _BASE)) as outbox:
        while rows := outbox.take(10):
            made = [record for row in rows if (record := outgoing(row, STAND)) is not None]
            sent += [_message(record.topic, record.payload) for record in made]
    result = from_test.result(assessment, STAND, identifier=f"{test}/result", utc=started_utc)
    return [*sent, _message(RESULT, messages.payload(result))]


class Onlooker:
    """What somebody at the bus sees of a running test whenever something happens."""

    def __init__(self, started: events.TestStarted) -> None:
        self._started = started
        self._snapshots = from_test.SnapshotTaker(started, 1e9)
        self.seen: list[dict[str, Any]] = []

    def hear(self, stamped: events.Stamped) -> None:
        """An event of the test."""
        self._snapshots.hear(stamped)

    def look(self, conductor: Conductor, now_s: float) -> None:
        """A tick of the test."""
        seen = self._snapshots.take(conductor, now_s)
        if seen is not None:
            live = from_test.live(seen, STAND, self._started.test)
            state = from_test.state(seen, STAND, "Golden", self._started, "2026-11-25T08:00:00Z")
            self.seen += [_message(LIVE, messages.payload(live)), _message(STATE, messages.payload(state))]


def _message(topic: Topic, payload: bytes) -> dict[str, Any]:
    return {
        "topic": f"{_BASE}/{topic.name}",
        "qos": topic.qos,
        "retain": topic.retain,
        "expiry_s": topic.expiry_s,
        "payload": json.loads(payload),
    }


class _AtDesk:
    """A person who types the sheet of that gear in, one line wrong at first."""

    def __init__(self) -> None:
        self.test: HandTest | None = None
        self._asked = 0

    def show(self, text: str) -> None:
        """Look at nothing."""

    def line(self, question: str, *, fresh: bool = False) -> str:  # noqa: ARG002 - as it is asked
        """A line of the sheet, or what stands beside it."""
        self._asked += 1
        if "yes" in question or "when" in question:
            return "yes" if "yes" in question else "2026-11-24 17:20Z"
        awaited = self.test.story.awaited if self.test else None
        if self._asked == 2 or not isinstance(awaited, events.PositionAsked):
            return "0,25 0,39 0,25"
        if awaited.number == 4:
            return "skip"
        lash = 0.14 - 0.012 * math.cos(2.0 * math.pi * (awaited.engagement - 3) / 20.0)
        read = round(lash / 0.005) * 0.005
        return f"0.25/{0.25 + read:.3f}  0.26/{0.265 + read:.3f}"


class _Reader:
    """A person who reads an invented gear of 12 µm runout, and begins one position anew."""

    def __init__(self) -> None:
        self.test: HandTest | None = None
        self._asked = 0

    def show(self, text: str) -> None:
        """Look at nothing."""

    def line(self, question: str, *, fresh: bool = False) -> str:  # noqa: ARG002 - as it is asked
        """A reading, or a word."""
        self._asked += 1
        awaited = self.test.story.awaited if self.test else None
        if "yes" in question:
            return "yes"
        if self._asked in {1, 8} or not isinstance(awaited, events.PositionAsked):
            return "again" if self._asked == 8 else "note the oil is cold"
        lash = 0.14 - 0.012 * math.cos(2.0 * math.pi * (awaited.engagement - 3) / 20.0)
        return f"0,25 {0.25 + round(lash / 0.005) * 0.005:.3f}"


def typed(path: Path, box: BoxFile, *, from_sheet: bool = False) -> None:
    """A test by hand, measured as it is typed or read off a sheet."""
    gauge = GaugeTable(division_mm=0.01, serial="INV-G1", calibration_uncertainty_mm=0.002).recorded()
    setup = HandSetup(box=box.recorded(), gauge=gauge)
    today = dt.date(2026, 12, 1)
    planned = tuple(int(one) for one in lay_out(setup.box))
    code = SheetCode.of(setup.box, planned, rocks=3, both=True)
    read = events.SheetRead(
        sheet=str(code), measured_utc="2026-11-24T15:05:00Z", measured_by="A. Nobody", typed_by="B. Nobody"
    )
    opening = HandOpening(
        started=events.TestStarted(
            test="typed",
            operator="A. Nobody",
            setup=setup,
            planned=planned,
            version="0.0.0",
        ),
        cautions=events.CautionsConfirmed(how="typed at the stand"),
        preconditions=collect_by_hand(setup.box, gauge, matched=True, today=today, locked_out=True),
        matched=True,
        sheet=FilledSheet(code=code, read=read) if from_sheet else None,
    )
    reader: _AtDesk | _Reader = _AtDesk() if from_sheet else _Reader()
    seconds = itertools.count()
    with Logbook(path, create=True) as book:
        reader.test = HandTest(opening, gauge, book, reader, now_s=lambda: float(next(seconds)))
        reader.test.run()
