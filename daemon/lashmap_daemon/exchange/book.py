"""An imported recording in the logbook: its rocks and sweeps as events, its file as raw bytes.

It stands there like any other test: file and mapping are kept whole, under channels of their own, and every
sample is kept as the text that stands in the file, so that `replay.Replay` decodes it as any other. Remark,
note and a precondition say that it was imported, from which file, with its digest; nothing claims that
lashmap was there. A review computes every reading anew from the raw samples.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, replace
from typing import Any

from lashmap_analysis.judge.assess import position_result, sweep_result
from lashmap_analysis.judge.assessment import PositionResult, SweepResult
from lashmap_analysis.record.record import Identity, Precondition, RockTrace, RunoutTrace, TestRecord
from lashmap_drivers.readings import Chunk

from lashmap_daemon.exchange.files import program_version
from lashmap_daemon.exchange.rocks import Found, Pass, Rock, Sweep
from lashmap_daemon.exchange.source import Recording, Signals, Source, chunks, refusal
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.preconditions import MatchedHow, collect
from lashmap_daemon.replay.replay import start_of
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, PINION_ENCODER, Stand
from lashmap_daemon.setup.toml_file import MOST_IN_NAME
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped
from lashmap_daemon.story.recorded import Setup
from lashmap_daemon.story.story import story_of


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Every rock and sweep with its result, and every pass with the pinion's speed, in the order of time."""

    rocks: tuple[tuple[Rock, PositionResult], ...]
    sweeps: tuple[tuple[Sweep, SweepResult], ...]
    passes: tuple[events.PassRecorded, ...]

    @property
    def events(self) -> list[tuple[float, events.Event]]:
        """What happened, each with its time."""
        stream: list[tuple[float, events.Event]] = []
        for position, (rock, result) in enumerate(self.rocks, 1):
            begun = events.RockStarted(number=position, engagement=rock.engagement, start_s=rock.start_s)
            stream.append((rock.start_s, begun))
            stream += [(rock.end_s, event) for event in _rock_events(position, rock, result)]
        stream += [(sweep.end_s, _sweep_event(sweep, result)) for sweep, result in self.sweeps]
        stream += [(one.end_s, one) for one in self.passes]
        return sorted(stream, key=lambda one: one[0])


def measure(signals: Signals, found: Found, setup: Setup) -> Measured:
    """Measure every rock and sweep that was found; what passes say is the review's."""
    box, stand = setup.box, setup.stand
    record = TestRecord(
        identity=Identity(test="", box=box.box.type, serial=box.box.serial),
        gear_set=box.gear_set_in_contact(),
        indicator=box.indicator(stand),
        encoder=stand.encoder_for_analysis(),
        limits=box.limits_for_analysis(),
        conditions=box.conditions(),
        preconditions=(),
        traces=(),
        units=box.box.units,
        pinion_encoder=None if stand.pinion_encoder is None else stand.pinion_encoder.for_analysis(),
    )
    rocks = []
    for position, rock in enumerate(found.rocks, 1):
        held = rock.of(signals.pinion_time_s)
        trace = RockTrace(
            position=position,
            engagement=rock.engagement,
            purpose="planned",
            **_within(signals, rock, found.matched_deg),
            pinion_time_s=signals.pinion_time_s[held],
            pinion_deg=signals.pinion_deg[held] - (found.pinion_matched_deg or 0.0),
        )
        rocks.append((rock, position_result(trace, record)))
    sweeps = []
    for sweep in found.sweeps:
        samples = _within(signals, sweep, found.matched_deg)
        # Where the indicator sat is for the comparison with a lash map, which the review makes.
        swept = RunoutTrace(member=sweep.member, indicator_from_mesh_deg=None, **samples)
        sweeps.append((sweep, sweep_result(swept, record, None)))
    teeth = record.gear_set.pinion_teeth
    passes = tuple(_pass_event(one, signals, teeth) for one in found.passes)
    return Measured(rocks=tuple(rocks), sweeps=tuple(sweeps), passes=passes)


def _pass_event(one: Pass, signals: Signals, pinion_teeth: int) -> events.PassRecorded:
    held = one.of(signals.pinion_time_s)
    lasts_s, went_deg = (
        float(all_of[held][-1] - all_of[held][0]) if len(all_of[held]) else 0.0
        for all_of in (signals.pinion_time_s, signals.pinion_deg)
    )
    return events.PassRecorded(
        number=one.number,
        direction=one.direction,
        attempt=1,
        start_s=one.start_s,
        end_s=one.end_s,
        brake_nm=one.brake_nm,
        engagements=int(abs(went_deg) / 360.0 * pinion_teeth),
        pinion_deg_per_s=went_deg / lasts_s if lasts_s else 0.0,
    )


def _within(signals: Signals, stretch: Rock | Sweep, matched_deg: float) -> dict[str, Any]:
    """The samples of a stretch as the traces of the analysis hold them."""
    kept, turned = stretch.of(signals.time_s), stretch.of(signals.encoder_time_s)
    return {
        "time_s": signals.time_s[kept],
        "indicator_mm": signals.indicator_mm[kept],
        "encoder_time_s": signals.encoder_time_s[turned],
        "encoder_deg": signals.encoder_deg[turned] - matched_deg,
    }


def _sweep_event(sweep: Sweep, result: SweepResult) -> events.Event:
    if result.sweep is None:
        return events.SweepRefused(member=sweep.member, attempt=1, reasons=(result.refusal,))
    return events.SweepRecorded(
        member=sweep.member,
        start_s=sweep.start_s,
        end_s=sweep.end_s,
        fim_mm=result.sweep.fim_mm,
        fim_uncertainty_mm=result.sweep.fim_uncertainty_mm,
    )


def _rock_events(position: int, rock: Rock, result: PositionResult) -> list[events.Event]:
    flags = tuple(flag.name.value for flag in result.flags)
    if result.normal_backlash_mm is None or result.standard_uncertainty_mm is None:
        reasons = tuple(flag.sentence for flag in result.flags if flag.disabling)
        return [
            events.RockRefused(
                number=position,
                engagement=rock.engagement,
                attempt=1,
                start_s=rock.start_s,
                end_s=rock.end_s,
                reasons=reasons,
            ),
            events.PositionSkipped(
                number=position,
                engagement=rock.engagement,
                reason=" ".join((*reasons, "The recording holds no other try.")),
            ),
        ]
    return [
        events.RockAccepted(
            number=position,
            engagement=rock.engagement,
            purpose="planned",
            attempt=1,
            start_s=rock.start_s,
            end_s=rock.end_s,
            reading_mm=result.rock.reading_mm,
            normal_backlash_mm=result.normal_backlash_mm,
            standard_uncertainty_mm=result.standard_uncertainty_mm,
            reversals=result.rock.reversals,
            flags=flags,
        )
    ]


FILE_CHANNEL, MAPPING_CHANNEL = "imported file", "mapping file"
_PIECE = 1 << 20
_TOGETHER = 1000


def refuse_twice(book: Logbook, source: Source) -> set[str]:
    """Names that are taken; refuses a recording that is there already with the same mapping."""
    tests = {one.test for one in book.tests()}
    for test in tests:
        before = start_of(book, test)
        if before.gauge is not None or before.stand.port(before.stand.channels[0]) != source.path.name:
            continue
        story = story_of(book.events(test))
        if story.closed is None:
            continue  # an import that was killed half way is no reason to refuse a whole one
        if any(source.digest in note and source.mapping_digest in note for _, note in story.notes):
            known = f"is in {book.path} already, as test {test}; open it with: lashmap review {test}"
            raise refusal(source.path, known)
    return tests


def start_record(source: Source, stand: Stand, found: Found, taken: set[str]) -> events.TestStarted:
    """The start record of the test, its origin in the remark."""
    mapping, box = source.mapping, source.box.recorded()
    remark = "\n".join(
        text for text in (box.box.remark, f"{source.origin[:1].upper()}{source.origin[1:]}.") if text
    )
    slug = re.sub(r"[^A-Za-z0-9]+", "-", box.box.serial)[:MOST_IN_NAME].strip("-") or "box"
    name = first = f"{mapping.test.recorded.astimezone(dt.UTC):%Y%m%d-%H%M%S}-{slug}"
    number_of = 2
    while name in taken:
        name, number_of = f"{first}-{number_of}", number_of + 1
    places: dict[str, Any] = {
        f"{swept.member}_indicator_from_mesh_deg": swept.indicator_from_mesh_deg
        for swept in mapping.sweep
        if swept.indicator_from_mesh_deg is not None
    }
    return events.TestStarted(
        test=name,
        operator=mapping.test.operator or "not recorded",
        setup=Setup.of(
            box=replace(box, box=replace(box.box, remark=remark), runout=replace(box.runout, **places)),
            stand=stand.recorded(),
        ),
        planned=tuple(dict.fromkeys(rock.engagement for rock in found.rocks)),
        sweeps=tuple(sweep.member for sweep in found.sweeps),
        version=program_version(),
    )


def keep(
    book: Logbook,
    started: events.TestStarted,
    source: Source,
    recording: Recording,
    found: Found,
    *,
    measured: Measured,
    operator: str,
) -> None:
    """Write the test with what `measure` returned; ``operator`` imports it."""
    test, recorded = started.test, source.mapping.test.recorded

    def emit(time_s: float, event: events.Event) -> None:
        utc = (recorded + dt.timedelta(seconds=time_s)).astimezone(dt.UTC).isoformat(timespec="milliseconds")
        book.append(test, Stamped(time_s=time_s, utc=utc, event=event))

    emit(0.0, started)
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    words = f"{source.origin}, with {source.mapping_path.name}, SHA-256 {source.mapping_digest}"
    emit(0.0, events.NoteTaken(text=f"{words}, by {operator} at {now}"))
    emit(0.0, events.PreconditionsRecorded(preconditions=_preconditions(source, started)))
    if recording.encoder is not None:
        how: MatchedHow = "box file" if _matched_known(source) else "assumed"
        of_gear, of_pinion = found.matched_deg, found.pinion_matched_deg
        emit(0.0, events.MatchedTeethSet(encoder_deg=of_gear, how=how, pinion_encoder_deg=of_pinion))
    if found.passes:
        planned = (events.PlannedPass(direction=one.direction, brake_nm=one.brake_nm) for one in found.passes)
        emit(0.0, events.PassesPlanned(passes=tuple(planned)))
    for channel, data in ((FILE_CHANNEL, source.data), (MAPPING_CHANNEL, source.mapping_data)):
        for at in range(0, len(data), _PIECE):
            book.keep(test, channel, [Chunk(0.0, data[at : at + _PIECE])])
    for channel, column in (
        (INDICATOR, recording.indicator),
        (ENCODER, recording.encoder),
        (PINION_ENCODER, recording.pinion),
    ):
        samples = [] if column is None else chunks(column)
        for at in range(0, len(samples), _TOGETHER):  # a logbook is made for what comes bit by bit
            book.keep(test, channel, samples[at : at + _TOGETHER])
    for time_s, event in measured.events:
        emit(time_s, event)
    end = float(recording.time_s[-1])
    emit(end, events.TestClosed(outcome="completed", reason="the imported recording ends here"))


def _matched_known(source: Source) -> bool:
    mapping = source.mapping
    if mapping.positions.find_by is None:
        return bool(mapping.positions.counted_from_matched_teeth)
    return not _turn_unknown(source) and not _angle_not_believed(source)


def _angle_not_believed(source: Source) -> bool:
    """The zero is the box file's angle, of an encoder that may show any other angle there today."""
    turned = source.mapping.encoder
    return turned is not None and turned.matched_deg is None and not turned.absolute


def _turn_unknown(source: Source) -> bool:
    """The angle begins again, and the box file's does not say in which turn the marked teeth are together."""
    turned = source.mapping.encoder
    return turned is not None and turned.wraps_at_deg is not None and turned.matched_deg is None


def _preconditions(source: Source, started: events.TestStarted) -> tuple[Precondition, ...]:
    """As at the stand, but for the cautions, which nobody can read any more, and with where it comes from."""
    mapping = source.mapping
    known = _matched_known(source)
    date = mapping.test.recorded.date()
    as_at_stand = collect(
        started.box,
        started.stand,
        matched="box file" if known else "assumed",
        today=date,
        locked_out=True,
    )
    kept = []
    for one in as_at_stand:
        if one.name == "cautions" or (one.name == "calibration, encoder" and mapping.encoder is None):
            continue
        if one.name == "matched teeth":
            kept.append(_matched_precondition(source))
            continue
        kept.append(replace(one, remedy=one.remedy.replace("the stand file", "the mapping file")))
    return (*kept, _recording_precondition(source))


def _matched_precondition(source: Source) -> Precondition:
    name = "matched teeth"
    if _matched_known(source):
        detail = "engagements count from the matched teeth, as the mapping file says"
        return Precondition(name=name, state="proven", detail=detail)
    if source.mapping.positions.find_by is not None and _turn_unknown(source):
        return Precondition(
            name=name,
            state="unproven",
            detail="the encoder's angle begins again, and the box file's does not say in which turn",
            remedy="Write encoder.matched_deg in the mapping, of the turn in which the recording begins.",
        )
    if source.mapping.positions.find_by is not None:
        return Precondition(
            name=name,
            state="unproven",
            detail="engagements count from the box file's angle, and the encoder is not declared absolute",
            remedy="Write encoder.matched_deg of this recording in the mapping, or encoder.absolute = true "
            "of an encoder that keeps its angle while it is switched off.",
        )
    return Precondition(
        name=name,
        state="unproven",
        detail="the mapping file does not say that engagements count from the matched teeth",
        remedy="Say so in the mapping (positions), when the recording shows it.",
    )


def _recording_precondition(source: Source) -> Precondition:
    name, origin = "recording", source.origin
    if source.mapping.test.vouched_by:
        who = source.mapping.test.vouched_by
        return Precondition(name=name, state="proven", detail=f"{origin}; vouched for by {who}")
    return Precondition(
        name=name,
        state="unproven",
        detail=f"{origin}; no person vouches that it is of this gearbox",
        remedy="The person who knows puts their name into the mapping: test.vouched_by.",
    )
