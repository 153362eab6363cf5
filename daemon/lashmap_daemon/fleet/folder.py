"""Logbooks and archives of a folder as records: as the broker would have brought them, from the file itself.

A test is held against its digests and seals first; one that does not fit is not taken. A test that announced
its result to a broker brings that result, byte for byte, so that folder and broker may both be gathered. One
that announced none brings what was stored when it ended, which has no runout: nothing is judged here.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.tooth_names import teeth_met

from lashmap_daemon.bus import messages
from lashmap_daemon.bus.messages import RESULT, ROOT, level, outgoing
from lashmap_daemon.clean_text import visible
from lashmap_daemon.errors import LashmapError
from lashmap_daemon.fleet.rows import NotBelieved, Row, day_of
from lashmap_daemon.logbook.check import check_rows
from lashmap_daemon.logbook.digests import EventRow
from lashmap_daemon.logbook.logbook import Logbook, stamped_of
from lashmap_daemon.logbook.schema import BUILD, connect, is_logbook, must_be_logbook, naming
from lashmap_daemon.story.events import ResultAnnounced, ResultStored, Stamped, TestStarted
from lashmap_daemon.story.story import story_of

_READING = (LashmapError, OSError, sqlite3.Error, ValueError, TypeError, OverflowError)


@dataclass(frozen=True, kw_only=True)
class Read:
    """One test as it stands in a file.

    Attributes:
        state: Digest of the last row of its chain, in hexadecimal digits.
        records: Topic and payload of each, as a broker would have brought them; empty when it was refused.
        source: Row of the table of sources; None when it was refused.
        refused: Why nothing of it is taken; empty when it is.
    """

    test: str
    place: str
    state: str
    records: tuple[tuple[str, bytes], ...] = ()
    source: Row | None = None
    refused: str = ""


def logbooks_below(folder: Path) -> list[Path]:
    """Every logbook and archive in a folder and the folders in it, in the order of their names.

    Links are not followed: a folder that somebody else can write must not lead to other files.
    """
    found = [one for one in folder.rglob("*") if one.is_file() and not one.is_symlink() and is_logbook(one)]
    return sorted(found)


def read_tests(logbook: Path, known: set[tuple[str, str]], now: dt.datetime) -> Iterator[Read]:
    """Its tests, oldest first, without those that were read in this state before.

    Raises:
        LogbookError: When it cannot be read at all.
    """
    for test, state in _states(logbook):
        if (test, state) in known:
            continue
        try:
            yield _read(logbook, test, state, now)
        except NotBelieved as error:
            yield Read(test=test, place=str(logbook), state=state, refused=str(error))
        except _READING as error:
            why = visible(str(error)) or type(error).__name__
            yield Read(test=test, place=str(logbook), state=state, refused=why)


def _states(logbook: Path) -> list[tuple[str, str]]:
    """Every test with the digest of the last event of its chain; names begin with when a test began."""
    with naming(logbook), closing(connect(logbook)) as base:
        must_be_logbook(base, logbook)
        # SQLite: beside max() a plain column is that of the row with the greatest.
        rows = base.execute("SELECT test, hex(digest), max(place) FROM event GROUP BY test ORDER BY test")
        return [(str(test), str(digest)) for test, digest, _ in rows if not str(test).startswith(BUILD)]


def _read(logbook: Path, test: str, state: str, now: dt.datetime) -> Read:
    day = day_of(test)
    rows, check = check_rows(logbook, test)
    if check.problems:
        raise NotBelieved(f"it is not as it was written ({check.problems[0]}); see: lashmap verify {test}")
    stamped = [stamped_of(row, logbook) for row in rows]
    started = stamped[0].event if stamped else None
    if not isinstance(started, TestStarted):
        raise NotBelieved("its record does not begin with the start of a test")
    announced = [one.event.topic for one in stamped if isinstance(one.event, ResultAnnounced)]
    base = announced[-1] if announced else f"{ROOT}/{level(started.place[0])}"
    records = [
        (f"{base}/{made.topic.name}", made.payload)
        for row in rows
        if (made := outgoing(row, base)) is not None
    ]
    if not announced:
        records += [(f"{base}/{RESULT.name}", made) for made in _stored(rows, stamped, started, base)]
    with Logbook(logbook, create=False) as book:
        here = book.moved_to(test) is None
    source: Row = {
        "day": day,
        "stand": base.rpartition("/")[2],
        "test": test,
        "state": state,
        "place": str(logbook.resolve()),
        "events": len(rows),
        "raw": here,
        "utc": now,
    }
    return Read(test=test, place=str(logbook), state=state, records=tuple(records), source=source)


def _stored(rows: list[EventRow], stamped: list[Stamped], started: TestStarted, base: str) -> Iterator[bytes]:
    """The results that were stored when the test ended, as messages that say no more than was stored."""
    story = story_of(stamped)
    box, recorded = started.box, list(story.preconditions.values())
    for row, one in zip(rows, stamped, strict=True):
        stored = one.event
        if not isinstance(stored, ResultStored):
            continue
        yield messages.payload(
            messages.Result(
                stand=base.rpartition("/")[2],
                id=f"{started.test}/{row.number}",
                test=started.test,
                utc=row.utc,
                started_utc=rows[0].utc,
                box=box.box.type[:200],
                serial=box.box.serial[:200],
                set_number=box.box.set_number[:200],
                operator=started.operator[:200],
                closing=story.closing[:2000],
                analysis_version=stored.analysis_version,
                outcome=stored.outcome,  # type: ignore[arg-type]  # checked by the model
                reasons=[],
                would_settle=[],
                cautions=[],
                tight_spot_stated=_spot(stored, box.gear_set_in_contact()),
                tight_spot_measured=None,
                tight_spot_predicted=None,
                confirmed=stored.confirmed,
                cause="",
                positions=stored.positions,
                sweeps=[],
                gear_teeth=box.gear_set.gear_teeth,
                pinion_teeth=box.gear_set.pinion_teeth,
                preconditions=[
                    messages.Precondition(name=one.name[:200], state=one.state, detail=one.detail[:2000])
                    for one in recorded[:100]
                ],
            )
        )


def _spot(stored: ResultStored, gear_set: GearSet) -> messages.Spot | None:
    if stored.engagement is None or stored.normal_backlash_mm is None:
        return None
    met = teeth_met(gear_set, stored.engagement)
    return messages.Spot(
        engagement=stored.engagement,
        gear_tooth=met.gear_tooth,
        pinion_tooth=met.pinion_tooth,
        gear_angle_deg=gear_set.gear_angle_deg(stored.engagement),
        normal_backlash_mm=stored.normal_backlash_mm,
        standard_uncertainty_mm=None,
        expanded_uncertainty_mm=None,
        interval_low_mm=stored.low_mm,
        interval_high_mm=stored.high_mm,
    )
