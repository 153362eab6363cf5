"""From a logbook back to a test record: raw bytes are decoded again, windows come from the events."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Self

from lashmap_analysis.record.record import Identity, RockTrace, RunoutTrace, Shaft, TestRecord
from lashmap_drivers.readings import Samples

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.logbook import Logbook, stamped_of
from lashmap_daemon.replay.preconditions import index_in_place, record_intact
from lashmap_daemon.replay.samples import Decoding, Parts, RawSamples, Windows, all_preconditions
from lashmap_daemon.replay.wire_errors import LoneSamples
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped
from lashmap_daemon.story.recorded import ENCODER, INDICATOR, Runout, Stand
from lashmap_daemon.story.story import story_of

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

    Args:
        logbook: Holds the test.
        test: Identifier.

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
        self._parts = Parts.of(self._story)
        self._rocks = sorted(self._story.accepted.values(), key=lambda rock: rock.start_s)
        self._sweeps = list(self._story.swept.values())

    @property
    def rocks_s(self) -> tuple[tuple[float, float, int], ...]:
        """First and last moment of every accepted rock, and its position; in the order of time."""
        return tuple((rock.start_s, rock.end_s, rock.number) for rock in self._rocks)

    @property
    def sweeps_s(self) -> tuple[tuple[float, float, Shaft], ...]:
        """First and last moment of every runout sweep, and its member."""
        return tuple((swept.start_s, swept.end_s, swept.member) for swept in self._sweeps)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._raw.close()

    def record(self, sink: SampleSink | None = None) -> TestRecord:
        """The record, decoded from the raw bytes in one pass; to be asked for once.

        Args:
            sink: Receives all samples in passing: of the indicator first, then of the encoder, its angle
                past the matched teeth.

        Raises:
            LogbookError: When its samples cannot be read.
        """
        with self._raw as raw:
            indicator, _ = self._pass(raw, INDICATOR, sink)
            encoder, index_slips = self._pass(raw, ENCODER, sink)
            intact = raw.check()
        both = [(indicator.samples(n), encoder.samples(n)) for n in range(len(self._spans_s))]
        rocks = zip(self._rocks, both, strict=False)
        sweeps = zip(self._sweeps, both[len(self._rocks) :], strict=True)
        box, stand, story = self.started.box, self.started.stand, self._story
        return TestRecord(
            identity=self._identity("" if intact.sealed is None else intact.sealed.digest.hex()),
            gear_set=box.gear_set_in_contact(),
            indicator=box.indicator(stand),
            encoder=stand.encoder_for_analysis(),
            limits=box.limits_for_analysis(),
            conditions=box.conditions(),
            preconditions=(
                *all_preconditions(story, box.box.units),
                *index_in_place(index_slips),
                record_intact(intact),
            ),
            traces=tuple(_trace(rock, *samples) for rock, samples in rocks),
            units=box.box.units,
            closing=story.closing,
            notes=story.notes,
            sweeps=tuple(_sweep(swept, box.runout, *samples) for swept, samples in sweeps),
            damage=intact.problems,
            left_out=tuple(_left_out(one) for _, one in sorted(story.skipped.items())),
        )

    @property
    def _spans_s(self) -> list[tuple[float, float]]:
        return [(start_s, end_s) for start_s, end_s, _ in (*self.rocks_s, *self.sweeps_s)]

    def _pass(self, raw: RawSamples, channel: str, sink: SampleSink | None) -> tuple[Windows, int]:
        """Once through the samples of an instrument: what lies in rocks and sweeps, and its index slips."""
        parts = self._parts
        kept = Windows(self._spans_s)
        decoding = Decoding(raw.pieces(channel), self.started.stand, channel, parts)
        lone = _lone_samples(self.started)
        for counted in decoding:
            samples = counted
            if channel == ENCODER:
                samples = replace(counted, value=counted.value - parts.reference_deg(counted.time_s))
            kept.add(lone.feed(samples) if channel == ENCODER else samples)
            if sink is not None and len(samples):
                sink(channel, samples)
        return kept, decoding.index_slips

    def _identity(self, seal: str) -> Identity:
        box, stand = self.started.box.box, self.started.stand.stand
        return Identity(
            test=self.test,
            box=box.type,
            serial=box.serial,
            set_number=box.set_number,
            stand=stand.name,
            operator=self.started.operator,
            started_utc=self._story.started_utc,
            remark="\n".join(text for text in (box.remark, stand.remark) if text),
            seal=seal,
        )


def end_of_encoder(logbook: Logbook, test: str, stand: Stand) -> tuple[float, float | None, float]:
    """The last reference and the last recorded angle, None when there is none; both in one count.

    The last figure is by how much the encoder jumped after that angle; 0 when it did not.
    """
    story = story_of(logbook.events(test))
    parts = Parts.of(story)
    last = None
    lone = _lone_samples(start_of(logbook, test))
    decoding = Decoding(logbook.raw_pieces(test, ENCODER, gaps=True), stand, ENCODER, parts)
    for samples in decoding:
        right = lone.feed(samples)
        last = float(right.value[-1]) if len(right) else last
    return parts.parts[-1].encoder_deg, last, decoding.jump.step_deg if decoding.jump else 0.0


def _lone_samples(started: events.TestStarted) -> LoneSamples:
    """What leaves out single wrong angles of a test's encoder, live and in its record alike."""
    return LoneSamples.of(started.box.gear_set.gear_set(), started.stand.encoder.shaft)


def _left_out(skipped: events.PositionSkipped) -> str:
    """What became of a position that has no rock, in a sentence; without it nobody would miss it."""
    why = " ".join(skipped.reason.split()).removesuffix(".")  # a sentence a line, as tables hold them
    return f"Position {skipped.number} (engagement {skipped.engagement}) was left out: {why}."


def _apart_s(indicator: Samples, encoder: Samples) -> float:
    """Standard uncertainty of the indicator's times against the encoder's in a window; nan when unknown."""
    if not (len(indicator) and len(encoder)):
        return math.nan
    return math.hypot(indicator.largest_time_uncertainty_s, encoder.largest_time_uncertainty_s)


def _trace(rock: events.RockAccepted, indicator: Samples, encoder: Samples) -> RockTrace:
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
