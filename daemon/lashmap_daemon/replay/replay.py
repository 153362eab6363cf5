"""From a logbook back to a test record: raw bytes are decoded again, once and in order, piece by piece.

Windows come from the events. A test that was resumed has several parts, each with its own reference and fresh
decoders, judged as one. Nothing decoded in one part reaches into the next, because nobody knows what the
instruments did in between. A test of any length takes the memory of its rocks and sweeps, not of its samples.

A wrapped count does not say which of its ranges the matched-teeth reference belongs to. Before a record
begins the encoder is followed from the marked teeth on; the decoder of the record begins anew with the first
bytes it keeps. Both know the same angle but for whole ranges, as long as the gear turned by less than half a
range in between.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.record import (
    Identity,
    PassTrace,
    RockTrace,
    RunoutTrace,
    Shaft,
    TestRecord,
    TypedReadings,
)
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.readings import Chunks, Floats, Samples
from lashmap_drivers.timing.angles import INDEX_SLIP, Jump

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.check import TestCheck, check_open, open_to_read
from lashmap_daemon.logbook.digests import Tally, digest_of_events
from lashmap_daemon.logbook.logbook import Logbook, stamped_of
from lashmap_daemon.logbook.pack import Archives, RawReader
from lashmap_daemon.logbook.rows import events_of
from lashmap_daemon.logbook.schema import naming
from lashmap_daemon.replay.preconditions import all_preconditions, index_in_place, record_intact
from lashmap_daemon.replay.wire_errors import LoneSamples
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped
from lashmap_daemon.story.recorded import (
    ENCODER,
    ENCODERS,
    INDICATOR,
    PINION_ENCODER,
    Gauge,
    Runout,
    Stand,
)
from lashmap_daemon.story.story import Story, story_of


def in_record_deg(
    reference_deg: float, seen_deg: float | None, first_deg: float, range_deg: float | None
) -> float:
    """The reference as the decoder of a record counts.

    Args:
        reference_deg: As it was set, at engagement 0.
        seen_deg: Where the encoder was seen last then; None when the count is the record's own.
        first_deg: First angle that the decoder of the record gives.
        range_deg: After which the count begins again; None when it never does.
    """
    if range_deg is None or seen_deg is None:
        return reference_deg
    return reference_deg - range_deg * round((seen_deg - first_deg) / range_deg)


@dataclass
class Counted:
    """The matched-teeth reference of one part, while its angles are decoded.

    Attributes:
        first_s: First moment of the part.
        encoder_deg: The reference, as set; in the count of the record after `begin_count`.
        seen_deg: Where the encoder was seen last when it was set, until then.
    """

    first_s: float
    encoder_deg: float
    seen_deg: float | None

    def begin_count(self, first_deg: float, range_deg: float | None) -> None:
        """Say with which angle the part begins; further calls change nothing."""
        self.encoder_deg = in_record_deg(self.encoder_deg, self.seen_deg, first_deg, range_deg)
        self.seen_deg = None


@dataclass
class Parts:
    """The references of one encoder in all parts of one test."""

    parts: list[Counted]

    @classmethod
    def of(cls, story: Story, channel: str = ENCODER) -> Self:
        """As they were set; where none was set, that of the part before goes on."""
        parts: list[Counted] = []
        encoder_deg = 0.0
        for part in story.parts:
            set_deg, seen_deg = (None, None) if part.matched is None else part.matched.of(channel)
            encoder_deg = encoder_deg if set_deg is None else set_deg
            parts.append(Counted(part.first_s, encoder_deg, seen_deg))
        return cls(parts)

    @property
    def starts_s(self) -> tuple[float, ...]:
        """Where parts after the first begin."""
        return tuple(part.first_s for part in self.parts[1:])

    def reference_deg(self, time_s: Floats) -> Floats:
        """The matched-teeth reference at each time; shape as ``time_s``."""
        part = np.searchsorted(np.array(self.starts_s), time_s, side="right")
        references: Floats = np.array([one.encoder_deg for one in self.parts])[part]
        return references


class Decoding:
    """Iterates over the samples of one instrument, as it reads: an encoder's from its own zero.

    Fresh decoders begin with each part; an encoder's part gets to know the angle it begins with.

    Attributes:
        index_slips: How often an encoder's index pulse came where it does not belong, so far.
    """

    def __init__(self, pieces: Iterator[Chunks], stand: Stand, channel: str, parts: Parts) -> None:
        self._pieces = pieces
        self._stand, self._channel = stand, channel
        self._parts = list(parts.parts) if channel in ENCODERS else []
        self._starts_s = [*parts.starts_s, math.inf]
        self._decoder = self._fresh()
        self._slips_before = 0

    @property
    def index_slips(self) -> int:
        """Counted over all parts."""
        return self._slips_before + self._decoder.parser.marks[INDEX_SLIP]

    @property
    def jump(self) -> Jump | None:
        """The step by which an encoder jumped in the part that was read last; None when it did not."""
        return self._decoder.jump

    def __iter__(self) -> Iterator[Samples]:
        for chunks in self._pieces:
            rest = chunks
            while len(later := np.flatnonzero(rest.arrival_s >= self._starts_s[0])):
                yield self._decoded(rest.part(0, int(later[0])))
                rest = rest.part(int(later[0]), len(rest))
                self._slips_before = self.index_slips
                self._decoder = self._fresh()
                del self._starts_s[0], self._parts[:1]
            yield self._decoded(rest)

    def _decoded(self, chunks: Chunks) -> Samples:
        samples = self._decoder.feed(chunks)
        if self._parts and len(samples):
            self._parts[0].begin_count(float(samples.value[0]), self._decoder.range_deg)
        return samples

    def _fresh(self) -> Decoder:
        return self._stand.decoder(self._channel)


class Windows:
    """Keeps the samples that lie in some stretches of time, ends included, of those that pass by."""

    def __init__(self, spans_s: Iterable[tuple[float, float]]) -> None:
        self._kept: list[tuple[float, float, list[Samples]]] = [(*span, []) for span in spans_s]

    def add(self, samples: Samples) -> None:
        """Take the next samples, in the order of time."""
        for start_s, end_s, kept in self._kept:
            first = int(np.searchsorted(samples.time_s, start_s, side="left"))
            last = int(np.searchsorted(samples.time_s, end_s, side="right"))
            if last > first:
                kept.append(samples.part(slice(first, last)).copy())

    def samples(self, number: int) -> Samples:
        """What lay in one of them."""
        return Samples.joined(self._kept[number][2])


class RawSamples:
    """Reads one test as it stands at one moment; to be closed.

    Events, samples and check come from one connection and one transaction: what is judged is what was
    digested, and what is written meanwhile is not seen.

    Attributes:
        events: What happened, in order, as it is stored.

    Raises:
        LogbookError: When the file cannot be reached, or holds anything that is not of a logbook.
    """

    def __init__(self, logbook: Path, test: str) -> None:
        self._path, self._test = logbook, test
        with naming(self._path), ExitStack() as stack:
            self._base = stack.enter_context(open_to_read(self._path))
            archives = stack.enter_context(closing(Archives(self._path)))
            self.events = tuple(events_of(self._base, self._path, test))
            self._tally = Tally(digest_of_events(self.events))
            self._reader = RawReader(self._base, self._path, archives)
            self._open = stack.pop_all()

    def pieces(self, channel: str, *, again: bool = False) -> Iterator[Chunks]:
        """All chunks of an instrument; a pack that cannot be read becomes a break.

        Args:
            channel: Of the instrument.
            again: They were read, and digested, once before.

        Raises:
            LogbookError: When the file or an archive cannot be reached.
        """
        tally = None if again else self._tally
        return self._reader.pieces(self._test, channel, gaps=True, tally=tally)

    def check(self) -> TestCheck:
        """Whether the test fits its digests, after all instruments were read.

        Raises:
            LogbookError: When the file cannot be reached.
        """
        return check_open(self._base, self._path, self._test, self._tally)

    def close(self) -> None:
        """End the reading."""
        self._open.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


SampleSink = Callable[[str, Samples], None]


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
    return _started(logbook, test, logbook.events(test))


def _started(logbook: Logbook, test: str, stream: Iterable[Stamped]) -> events.TestStarted:
    for stamped in stream:
        if isinstance(stamped.event, events.TestStarted):
            return stamped.event
    known = ", ".join(summary.test for summary in logbook.tests()[-5:]) or "none"
    raise LogbookError(f"{logbook.path}: no test {test}; the newest are: {known}")


class Replay:
    """A test to be read from its logbook: first what its events say, then once through its samples.

    To be closed; `record` does so.

    Attributes:
        started: How it began.
        events: What happened, in order: what the record follows from, and what its check has digested.

    Raises:
        LogbookError: When the test is unknown or its events cannot be read.
    """

    def __init__(self, logbook: Logbook, test: str) -> None:
        self.test = test
        self._raw = RawSamples(logbook.path, test)
        try:
            self.events = tuple(stamped_of(row, logbook.path) for row in self._raw.events)
            self.started = _started(logbook, test, self.events)
        except BaseException:
            self._raw.close()
            raise
        self._story = story_of(self.events)
        self._rocks = sorted(self._story.accepted.values(), key=lambda rock: rock.start_s)
        self._sweeps = list(self._story.swept.values())
        self._passes = sorted(self._story.passed.values(), key=lambda one: one.start_s)

    @property
    def rocks_s(self) -> tuple[tuple[float, float, int], ...]:
        """First and last moment of every accepted rock, and its position; in the order of time."""
        return tuple((rock.start_s, rock.end_s, rock.number) for rock in self._rocks)

    @property
    def channels(self) -> tuple[str, ...]:
        """The instruments that were read."""
        return self.started.stand.channels if self.started.gauge is None else ()

    @property
    def sweeps_s(self) -> tuple[tuple[float, float, Shaft], ...]:
        """First and last moment of every runout sweep, and its member."""
        return tuple((swept.start_s, swept.end_s, swept.member) for swept in self._sweeps)

    @property
    def passes_s(self) -> tuple[tuple[float, float, int], ...]:
        """First and last moment of every pass of a cycle run, and its number; in the order of time."""
        return tuple((one.start_s, one.end_s, one.number) for one in self._passes)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._raw.close()

    def record(self, sink: SampleSink | None = None) -> TestRecord:
        """The record, decoded from the raw bytes in one pass; to be asked for once.

        Args:
            sink: Receives all samples in passing: of the indicator first, then of each encoder, its angle
                past the matched teeth.

        Raises:
            LogbookError: When its samples cannot be read.
        """
        if self.started.gauge is not None:
            return self._by_hand(self.started.gauge)
        held_s = self._spans_s
        passes_s = [(start_s, end_s) for start_s, end_s, _ in self.passes_s]
        with self._raw as raw:
            indicator, _ = self._pass(raw, INDICATOR, held_s, sink)
            encoder, index_slips = self._pass(raw, ENCODER, [*held_s, *passes_s], sink)
            pinion, pinion_slips = self._pass(raw, PINION_ENCODER, [*held_s, *passes_s], sink)
            intact = raw.check()
        box, stand, story = self.started.box, self.started.stand, self._story
        both = [(indicator.samples(n), encoder.samples(n)) for n in range(len(held_s))]
        if stand.indicator is None:
            gear_set = box.gear_set.gear_set()
            both = [(as_arc(angle, gear_set), angle) for _, angle in both]
        rocks = zip(self._rocks, both, strict=False)
        sweeps = zip(self._sweeps, both[len(self._rocks) :], strict=True)
        return TestRecord(
            identity=self._identity("" if intact.sealed is None else intact.sealed.digest.hex()),
            gear_set=box.gear_set_in_contact(),
            indicator=box.indicator(stand),
            encoder=stand.encoder_for_analysis(),
            limits=box.limits_for_analysis(),
            conditions=box.conditions(),
            preconditions=(
                *all_preconditions(story, box.box.units),
                *index_in_place(index_slips + pinion_slips),
                record_intact(intact),
            ),
            traces=tuple(
                _trace(rock, *samples, pinion.samples(number)) for number, (rock, samples) in enumerate(rocks)
            ),
            units=box.box.units,
            closing=story.closing,
            notes=story.notes,
            sweeps=tuple(_sweep(swept, box.runout, *samples) for swept, samples in sweeps),
            damage=intact.problems,
            left_out=tuple(_left_out(one) for _, one in sorted(story.skipped.items())),
            causes=story.causes,
            passes=tuple(
                _pass_trace(
                    one,
                    pinion.samples(len(held_s) + number),
                    encoder.samples(len(held_s) + number),
                    latched=stand.is_latched,
                )
                for number, one in enumerate(self._passes)
            ),
            pinion_encoder=None if stand.pinion_encoder is None else stand.pinion_encoder.for_analysis(),
        )

    def _by_hand(self, gauge: Gauge) -> TestRecord:
        """The record of a test that a person typed: its events are all there is."""
        with self._raw as raw:
            for channel in (INDICATOR, ENCODER, PINION_ENCODER):
                for _ in raw.pieces(channel):  # none was written; one that is there is none of this test
                    pass
            intact = raw.check()
        box, story = self.started.box, self._story
        return TestRecord(
            identity=self._identity("" if intact.sealed is None else intact.sealed.digest.hex()),
            gear_set=box.gear_set_in_contact(),
            indicator=box.gauge(gauge),
            encoder=None,
            limits=box.limits_for_analysis(),
            conditions=box.conditions(),
            preconditions=(*all_preconditions(story, box.box.units), record_intact(intact)),
            traces=tuple(_typed(rock, story.typed.get(rock.number, ())) for rock in self._rocks),
            units=box.box.units,
            closing=story.closing,
            notes=story.notes,
            damage=intact.problems,
            left_out=tuple(_left_out(one) for _, one in sorted(story.skipped.items())),
            causes=story.causes,
        )

    @property
    def _spans_s(self) -> list[tuple[float, float]]:
        return [(start_s, end_s) for start_s, end_s, _ in (*self.rocks_s, *self.sweeps_s)]

    def _pass(
        self,
        raw: RawSamples,
        channel: str,
        spans_s: Iterable[tuple[float, float]],
        sink: SampleSink | None,
    ) -> tuple[Windows, int]:
        """Once through the samples of an instrument: what lies in some spans, and its index slips."""
        stand, parts = self.started.stand, Parts.of(self._story, channel)
        kept = Windows(spans_s)
        wire = stand.wire(channel)
        if channel != wire or channel not in stand.channels:
            for _ in raw.pieces(channel):  # none was written; one that is there is none of this test
                pass
        if channel not in stand.channels:
            return kept, 0
        decoding = Decoding(raw.pieces(wire, again=channel != wire), stand, channel, parts)
        lone = _lone_samples(self.started, channel) if channel in ENCODERS else None
        for counted in decoding:
            samples = counted
            if channel in ENCODERS:
                samples = replace(counted, value=counted.value - parts.reference_deg(counted.time_s))
            kept.add(samples if lone is None else lone.feed(samples))
            if sink is not None and len(samples):
                sink(channel, samples)
        return kept, decoding.index_slips

    def _identity(self, seal: str) -> Identity:
        box, (stand, remark) = self.started.box.box, self.started.place
        indicator, encoder = self.started.serials
        return Identity(
            test=self.test,
            box=box.type,
            serial=box.serial,
            set_number=box.set_number,
            stand=stand,
            indicator_serial=indicator,
            encoder_serial=encoder,
            operator=self.started.operator,
            started_utc=self._story.measured_utc,
            started_local=self.started.local or "",
            remark="\n".join(text for text in (box.remark, remark) if text),
            seal=seal,
        )


def as_arc(angle: Samples, gear_set: GearSet) -> Samples:
    """Angles of the gear as arcs of its outer pitch circle, in mm: s = θ r_e2."""
    return replace(angle, value=angle.value * (math.radians(1.0) * gear_set.outer_gear_pitch_radius_mm))


def end_of_encoder(logbook: Logbook, test: str, stand: Stand) -> tuple[float, float | None, float]:
    """The last reference and the last recorded angle, None when there is none; both in one count.

    The last figure is by how much the encoder jumped after that angle; 0 when it did not.
    """
    story = story_of(logbook.events(test))
    parts = Parts.of(story)
    last = None
    lone = _lone_samples(start_of(logbook, test), ENCODER)
    decoding = Decoding(logbook.raw_pieces(test, ENCODER, gaps=True), stand, ENCODER, parts)
    for samples in decoding:
        right = lone.feed(samples)
        last = float(right.value[-1]) if len(right) else last
    return parts.parts[-1].encoder_deg, last, decoding.jump.step_deg if decoding.jump else 0.0


def _lone_samples(started: events.TestStarted, channel: str) -> LoneSamples:
    """What leaves out single wrong angles of one of a test's encoders, live and in its record alike."""
    return LoneSamples.of(started.box.gear_set.gear_set(), started.stand.shaft(channel))


def seen_together(pinion: Samples, gear: Samples) -> tuple[Samples, Samples]:
    """Of counts that one frame carries: those samples that both encoders gave, the times one array."""
    both_s = np.intersect1d(pinion.time_s, gear.time_s, assume_unique=True)
    pinion, gear = (one.part(np.isin(one.time_s, both_s)) for one in (pinion, gear))
    return pinion, replace(gear, time_s=pinion.time_s)


def _pass_trace(passed: events.PassRecorded, pinion: Samples, gear: Samples, *, latched: bool) -> PassTrace:
    if latched:
        pinion, gear = seen_together(pinion, gear)
    return PassTrace(
        number=passed.number,
        direction=passed.direction,
        attempt=passed.attempt,
        brake_nm=passed.brake_nm,
        pinion_time_s=pinion.time_s,
        pinion_deg=pinion.value,
        gear_time_s=gear.time_s,
        gear_deg=gear.value,
        pinion_time_uncertainty_s=pinion.usual_time_uncertainty_s,
        gear_time_uncertainty_s=gear.usual_time_uncertainty_s,
    )


def _left_out(skipped: events.PositionSkipped) -> str:
    """What became of a position that has no rock, in a sentence; without it nobody would miss it."""
    why = " ".join(skipped.reason.split()).removesuffix(".")  # a sentence a line, as tables hold them
    return f"Position {skipped.number} (engagement {skipped.engagement}) was left out: {why}."


def _apart_s(indicator: Samples, encoder: Samples) -> float:
    """Standard uncertainty of the indicator's times against the encoder's in a window; nan when unknown."""
    if not (len(indicator) and len(encoder)):
        return math.nan
    return math.hypot(indicator.largest_time_uncertainty_s, encoder.largest_time_uncertainty_s)


def _typed(rock: events.RockAccepted, typed: Iterable[events.RockTyped]) -> RockTrace:
    rocks_mm = tuple((one.first_mm, one.other_mm) for one in typed if one.attempt == rock.attempt)
    return RockTrace.of_typed(
        TypedReadings(rocks_mm=rocks_mm),
        position=rock.number,
        engagement=rock.engagement,
        purpose=rock.purpose,
        attempt=rock.attempt,
    )


def _trace(rock: events.RockAccepted, indicator: Samples, encoder: Samples, pinion: Samples) -> RockTrace:
    return RockTrace(
        position=rock.number,
        engagement=rock.engagement,
        purpose=rock.purpose,
        attempt=rock.attempt,
        time_s=indicator.time_s,
        indicator_mm=indicator.value,
        encoder_time_s=encoder.time_s,
        encoder_deg=encoder.value,
        times_apart_uncertainty_s=_apart_s(indicator, encoder),
        pinion_time_s=pinion.time_s,
        pinion_deg=pinion.value,
    )


def _sweep(swept: events.SweepRecorded, place: Runout, indicator: Samples, encoder: Samples) -> RunoutTrace:
    of_gear, of_pinion = place.gear_indicator_from_mesh_deg, place.pinion_indicator_from_mesh_deg
    return RunoutTrace(
        member=swept.member,
        time_s=indicator.time_s,
        indicator_mm=indicator.value,
        encoder_time_s=encoder.time_s,
        encoder_deg=encoder.value,
        indicator_from_mesh_deg=of_gear if swept.member == "gear" else of_pinion,
        times_apart_uncertainty_s=_apart_s(indicator, encoder),
    )
