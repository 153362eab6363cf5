"""From chunks to batches: parser, clock and scale of one instrument together.

The same decoder serves the live test and the review of a logbook, so a recomputed number takes the same path.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.readings import EMPTY, Batch, Chunk, Chunks, Floats, Samples
from lashmap_drivers.timing.angles import FASTEST_DEG_S, AngleTurns, Jump
from lashmap_drivers.timing.stream_clock import StreamClock
from lashmap_drivers.wire.ascii_line import LineParser

_SURE_S = 0.05  # less may be the machine's own business
_FEWEST_CHUNKS = 16  # fewer are as quickly fed one by one


class Decoder:
    """Turns the raw chunks of one instrument into samples.

    Args:
        profile: What it does on the wire.
        factor: From the number its parser gives to mm (indicator) or degrees (encoder), sign included.
        range_deg: Of an encoder: after how much turning a fresh decoder may give the same angle again; None
            when it never does.
    """

    def __init__(self, profile: InstrumentProfile, factor: float, range_deg: float | None = None) -> None:
        poll = None if profile.streams else profile.poll()
        self._clock: StreamClock | _AsTheyCome = (
            StreamClock() if profile.streams else _AsTheyCome(poll.interval_s if poll else None)
        )
        self._streams = profile.streams
        self._factor = factor
        self.range_deg = range_deg
        self._last_s = -math.inf
        self._broken = False  # since then bytes are known to be missing
        self.parser = profile.make_parser()
        self._turns: AngleTurns | None = None
        if profile.quantity == "angle":
            in_degrees = profile.unit != "count"
            self._turns = AngleTurns(profile.wraps_at_deg, self.parser.marks, in_degrees=in_degrees)

    @property
    def jump(self) -> Jump | None:
        """Of an encoder: the step by which it went further than any shaft turns; None when it never did.

        From there on it gives no angle.
        """
        return None if self._turns is None else self._turns.jump

    @classmethod
    def for_indicator(cls, profile: InstrumentProfile, *, sense: int = 1) -> Decoder:
        """Decoder of an indicator; ``sense`` −1 reverses its sign.

        Raises:
            ValueError: When the instrument measures no length.
        """
        if profile.quantity != "length":
            raise ValueError(f"an indicator measures a length, this instrument's unit is {profile.unit}")
        return cls(profile, sense * profile.mm_per_unit)

    @classmethod
    def for_encoder(cls, profile: InstrumentProfile, *, counts_per_turn: int, sense: int = 1) -> Decoder:
        """Decoder of an encoder; ``counts_per_turn`` after interpolation, unused when it sends degrees.

        Raises:
            ValueError: When the instrument measures no angle.
        """
        if profile.quantity != "angle":
            raise ValueError(f"an encoder measures an angle, this instrument's unit is {profile.unit}")
        if profile.unit != "count":
            return cls(profile, float(sense), profile.wraps_at_deg)
        count_deg = 360.0 / counts_per_turn
        repeats_after = profile.repeats_after(counts_per_turn)
        range_deg = None if repeats_after is None else repeats_after * count_deg
        return cls(profile, sense * count_deg, range_deg)

    def feed(self, chunk: Chunk) -> Batch:
        """Decode the next chunk; empty when it completes no frame."""
        if chunk.is_break:
            self._start_over()
            self._clock.restart()
            return EMPTY
        bad_before = self.parser.bad_frames
        numbers = self.parser.feed(chunk.data)
        missed = self.parser.bad_frames - bad_before
        if not len(numbers):
            self._clock.miss(missed)
            return EMPTY
        values = np.asarray(numbers, dtype=np.float64) * self._factor
        times = self._clock.stamp(chunk.arrival_s, len(values), missed=missed)
        if self._may_have_gone_round(times):
            return EMPTY
        if self._turns is not None:
            values = self._turns.follow(values, times)
        # Any moment of a transaction may be the one at which the value was taken: a rectangular distribution.
        uncertainty_s = self._clock.uncertainty_s if self._streams else chunk.within_s / math.sqrt(3.0)
        if not math.isnan(values.sum()):
            return Batch(times, values, uncertainty_s)
        there = ~np.isnan(values)  # frames without a reading keep the pace of the stream, and end here
        return Batch(times[there], values[there], uncertainty_s)

    def _start_over(self) -> None:
        """Bytes are missing."""
        self.parser.start_over()
        self._broken = True
        if self._turns is not None:
            self._turns.pause()

    def _may_have_gone_round(self, times: Floats) -> bool:
        """Samples were missing for so long that a count with a range may be a whole one further.

        One rule for whatever was missing: bytes, frames that were bad, requests without an answer.
        """
        usual_s, last_s, broken = self._clock.period_s, self._last_s, self._broken
        self._last_s, self._broken = float(times[-1]), False
        if self.range_deg is None or math.isinf(last_s) or (usual_s is None and not broken):
            return False
        unseen_s = float(times[0]) - last_s - (0.0 if broken or usual_s is None else usual_s)
        if unseen_s <= _SURE_S and not broken:
            return False
        return self.parser.unseen(unseen_s * FASTEST_DEG_S / abs(self._factor))

    def feed_many(self, chunks: Chunks) -> Samples:
        """What `feed` gives for one chunk after another, to the last bit, many times as quick where it can.

        Long stretches of plain lines are read at once; where anything is odd (a break, a bad line, the start
        of the stream) the chunks around it are fed one by one.
        """
        breaks = np.flatnonzero(chunks.lengths == 0).tolist()
        found: list[Samples] = []
        for first, last in pairwise([-1, *breaks, len(chunks)]):
            if first >= 0:
                self.feed(Chunk(float(chunks.arrival_s[first]), b""))
            found += self._stretch(chunks.part(first + 1, last))
        return Samples.joined(found)

    def _stretch(self, chunks: Chunks) -> list[Samples]:
        """Chunks without a break."""
        parser, clock = self.parser, self._clock
        if not (isinstance(parser, LineParser) and parser.reads_many and isinstance(clock, StreamClock)):
            return self._one_by_one(chunks)
        if self.range_deg is not None:  # a count that may have gone round is followed read by read
            return self._one_by_one(chunks)
        if len(chunks) < _FEWEST_CHUNKS:
            return self._one_by_one(chunks)
        read = parser.feed_many(chunks.data, chunks.lengths)
        if read is None:
            middle = len(chunks) // 2
            return self._stretch(chunks.part(0, middle)) + self._stretch(chunks.part(middle, len(chunks)))
        numbers, counts = read
        times, uncertainty_s = clock.stamp_many(chunks.arrival_s, counts)
        values = numbers * self._factor
        if self._turns is not None and len(values):
            values = self._turns.follow(values, times)
        samples = Samples(time_s=times, value=values, time_uncertainty_s=uncertainty_s)
        return [samples if not math.isnan(values.sum()) else samples.part(~np.isnan(values))]

    def _one_by_one(self, chunks: Chunks) -> list[Samples]:
        batches = [batch for chunk in chunks if len(batch := self.feed(chunk))]
        if not batches:
            return []
        uncertainties = [batch.time_uncertainty_s for batch in batches]
        return [
            Samples(
                time_s=np.concatenate([batch.time_s for batch in batches]),
                value=np.concatenate([batch.value for batch in batches]),
                time_uncertainty_s=np.repeat(uncertainties, [len(batch) for batch in batches]),
            )
        ]


class _AsTheyCome:
    """The clock of an instrument that is asked or sends on its button: a sample is as old as its chunk.

    Args:
        period_s: From request to request; None when it is not asked.
    """

    uncertainty_s = math.nan  # of the stream nothing can be said; a transaction tells its own

    def __init__(self, period_s: float | None) -> None:
        self.period_s = period_s
        self._last_s = -math.inf

    def restart(self) -> None:
        """A break changes nothing: no pace is kept."""

    def miss(self, count: int) -> None:
        """Unusable samples change nothing either."""

    def stamp(self, arrival_s: float, count: int, *, missed: int = 0) -> Floats:  # noqa: ARG002 - as StreamClock
        """Times of ``count`` samples, all at ``arrival_s`` but for nanoseconds that keep their order."""
        start_s = max(arrival_s, self._last_s + 1e-9)
        times: Floats = start_s + 1e-9 * np.arange(count, dtype=np.float64)
        self._last_s = float(times[-1])
        return times
