"""From a logbook back to a test record: raw bytes are decoded again, windows come from the events."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from lashmap_analysis.record import (
    Identity,
    RockTrace,
    RunoutTrace,
    Shaft,
    TestRecord,
)
from lashmap_drivers.count_tracker import INDEX_SLIP
from lashmap_drivers.readings import EMPTY, Floats

from lashmap_daemon import events
from lashmap_daemon.box_file import RunoutTable
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.preconditions import index_in_place, record_intact
from lashmap_daemon.replay_parts import Parts
from lashmap_daemon.seal_check import check_test
from lashmap_daemon.stand_file import ENCODER, INDICATOR, Stand

NOT_CLOSED = "not closed: the record ends without its closing event"


@dataclass
class _Story:
    """What the events of one test add up to."""

    started_utc: str = ""
    parts: Parts = field(default_factory=Parts)
    rocks: dict[int, events.RockAccepted] = field(default_factory=dict)
    sweeps: dict[Shaft, events.SweepRecorded] = field(default_factory=dict)
    notes: list[tuple[float, str]] = field(default_factory=list)
    closing: str = NOT_CLOSED


def newest_test(logbook: Logbook) -> str:
    """Identifier of the test that was started last.

    Raises:
        LogbookError: When there is none.
    """
    tests = logbook.tests()
    if not tests:
        raise LogbookError(f"{logbook.path}: holds no test yet; run one first")
    return tests[-1].test


def start_of(logbook: Logbook, test: str) -> events.TestStarted:
    """The start record of ``test``.

    Raises:
        LogbookError: When the test is unknown or cannot be read.
    """
    for stamped in logbook.events(test):
        if isinstance(stamped.event, events.TestStarted):
            return stamped.event
    known = ", ".join(summary.test for summary in logbook.tests()[-5:]) or "none"
    raise LogbookError(f"{logbook.path}: no test {test}; the newest are: {known}")


def read_record(logbook: Logbook, test: str) -> TestRecord:
    """Everything recorded about ``test``, decoded anew from its raw bytes.

    Raises:
        LogbookError: When the test is unknown or cannot be read.
    """
    started = start_of(logbook, test)
    intact = check_test(logbook.path, test)
    story = _read_story(logbook, test)
    box, stand = started.box, started.stand
    indicator = _decode(logbook, test, stand, INDICATOR, story.parts)
    encoder = _decode(logbook, test, stand, ENCODER, story.parts)
    encoder = replace(encoder, value=encoder.value - story.parts.reference_deg(encoder.time_s))
    rocks = sorted(story.rocks.values(), key=lambda rock: rock.start_s)
    return TestRecord(
        identity=Identity(
            test=test,
            box=box.box.type,
            serial=box.box.serial,
            set_number=box.box.set_number,
            stand=stand.file.stand.name,
            operator=started.operator,
            started_utc=story.started_utc,
            remark="\n".join(text for text in (box.box.remark, stand.file.stand.remark) if text),
            seal="" if intact.sealed is None else intact.sealed.digest.hex(),
        ),
        gear_set=box.gear_set.gear_set(),
        indicator=box.indicator(stand.file),
        encoder=stand.file.encoder_for_analysis(),
        limits=box.limits_for_analysis(),
        preconditions=(
            *story.parts.all_preconditions(),
            *index_in_place(encoder.index_slips),
            record_intact(intact),
        ),
        traces=tuple(_trace(rock, indicator, encoder) for rock in rocks),
        units=box.box.units,
        closing=story.closing,
        notes=tuple(story.notes),
        sweeps=tuple(_sweep(swept, box.runout, indicator, encoder) for swept in story.sweeps.values()),
        damage=intact.problems,
    )


def _read_story(logbook: Logbook, test: str) -> _Story:
    story = _Story()
    for stamped in logbook.events(test):
        story.parts.hear(stamped.event)
        match stamped.event:
            case events.TestStarted():
                story.started_utc = stamped.utc
            case events.TestResumed():
                story.closing = NOT_CLOSED
            case events.RockAccepted() as accepted:
                story.rocks[accepted.number] = accepted  # a repeat replaces what it repeats
            case events.SweepRecorded() as swept:
                story.sweeps[swept.member] = swept
            case events.PositionSkipped(number=number):
                story.rocks.pop(number, None)
            case events.NoteTaken(text=text):
                story.notes.append((stamped.time_s, text))
            case events.TestClosed(outcome=outcome, reason=reason):
                story.closing = outcome if outcome == "completed" else f"{outcome}: {reason}"
    return story


@dataclass(frozen=True)
class _Decoded:
    """All samples of one instrument, each with the standard uncertainty of its time; shapes (n,).

    Also how often an encoder's index pulse came where it does not belong.
    """

    time_s: Floats
    value: Floats
    time_uncertainty_s: Floats
    index_slips: int


def end_of_encoder(logbook: Logbook, test: str, stand: Stand) -> tuple[float, float | None]:
    """The last reference and the last recorded angle, None when there is none; both in one count."""
    parts = _read_story(logbook, test).parts
    value = _decode(logbook, test, stand, ENCODER, parts).value
    return parts.parts[-1].encoder_deg, float(value[-1]) if len(value) else None


def _decode(logbook: Logbook, test: str, stand: Stand, channel: str, parts: Parts) -> _Decoded:
    decoder = stand.decoders()[channel]
    starts_s = [*parts.starts_s, math.inf]
    batches = [EMPTY]
    part = slips = 0
    for chunk in logbook.raw(test, channel, gaps=True):
        while chunk.arrival_s >= starts_s[0]:
            slips += decoder.parser.marks[INDEX_SLIP]
            decoder = stand.decoders()[channel]
            del starts_s[0]
            part += 1
        batch = decoder.feed(chunk)
        if len(batch):
            batches.append(batch)
            if channel == ENCODER:
                parts.parts[part].begin_count(float(batch.value[0]), decoder.range_deg)
    return _Decoded(
        np.concatenate([batch.time_s for batch in batches]),
        np.concatenate([batch.value for batch in batches]),
        np.repeat([batch.time_uncertainty_s for batch in batches], [len(batch) for batch in batches]),
        slips + decoder.parser.marks[INDEX_SLIP],
    )


def _apart_s(indicator: _Decoded, heard: slice, encoder: _Decoded, turned: slice) -> float:
    """Standard uncertainty of the indicator's times against the encoder's in a window; nan when unknown."""
    both = (indicator.time_uncertainty_s[heard], encoder.time_uncertainty_s[turned])
    if not all(len(one) for one in both):
        return math.nan
    return math.hypot(*(float(np.max(one)) for one in both))


def _trace(rock: events.RockAccepted, indicator: _Decoded, encoder: _Decoded) -> RockTrace:
    heard = _within(indicator, rock.start_s, rock.end_s)
    turned = _within(encoder, rock.start_s, rock.end_s)
    return RockTrace(
        position=rock.number,
        engagement=rock.engagement,
        purpose=rock.purpose,
        attempt=rock.attempt,
        time_s=indicator.time_s[heard],
        indicator_mm=indicator.value[heard],
        encoder_time_s=encoder.time_s[turned],
        encoder_deg=encoder.value[turned],
        times_apart_uncertainty_s=_apart_s(indicator, heard, encoder, turned),
    )


def _sweep(
    swept: events.SweepRecorded, place: RunoutTable, indicator: _Decoded, encoder: _Decoded
) -> RunoutTrace:
    heard = _within(indicator, swept.start_s, swept.end_s)
    turned = _within(encoder, swept.start_s, swept.end_s)
    of_gear, of_pinion = place.gear_indicator_from_mesh_deg, place.pinion_indicator_from_mesh_deg
    return RunoutTrace(
        member=swept.member,
        time_s=indicator.time_s[heard],
        indicator_mm=indicator.value[heard],
        encoder_time_s=encoder.time_s[turned],
        encoder_deg=encoder.value[turned],
        indicator_from_mesh_deg=of_gear if swept.member == "gear" else of_pinion,
        times_apart_uncertainty_s=_apart_s(indicator, heard, encoder, turned),
    )


def _within(channel: _Decoded, start_s: float, end_s: float) -> slice:
    first = int(np.searchsorted(channel.time_s, start_s, side="left"))
    last = int(np.searchsorted(channel.time_s, end_s, side="right"))
    return slice(first, last)
