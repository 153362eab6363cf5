"""From chunks to samples: parser, clock and scale of one instrument together.

The same decoder serves the live test, which feeds it the chunks of a tick, and the review of a logbook, which
feeds it long pieces: however the chunks are grouped, the samples are the same to the last bit.
"""

from __future__ import annotations

import math

import numpy as np

from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.readings import Chunks, Integers, Samples
from lashmap_drivers.timing.angles import FASTEST_DEG_S, AngleTurns, Jump
from lashmap_drivers.timing.stream_clock import ArrivalClock, Stamps, StreamClock

_SURE_S = 0.05  # less may be the machine's own business
_NONE = Samples.joined([])


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
        self._clock: StreamClock | ArrivalClock = (
            StreamClock() if profile.streams else ArrivalClock(poll.interval_s if poll else None)
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

    def feed(self, chunks: Chunks) -> Samples:
        """The samples of the next chunks."""
        if np.count_nonzero(chunks.lengths) == len(chunks):  # without a break
            return self._decoded(chunks)
        found, first = [], 0
        for at in np.flatnonzero(chunks.lengths == 0).tolist():
            found.append(self._decoded(chunks.part(first, at)))
            self._start_over()
            first = at + 1
        found.append(self._decoded(chunks.part(first, len(chunks))))
        return Samples.joined([some for some in found if len(some)])

    def _decoded(self, chunks: Chunks) -> Samples:
        """Of chunks without a break."""
        if not len(chunks):
            return _NONE
        frames = self.parser.feed_reads(chunks.data, chunks.lengths)
        stamps = self._clock.stamp(chunks.arrival_s, frames.counts, frames.missed)
        times, values, uncertainty_s = stamps.time_s, frames.numbers * self._factor, stamps.uncertainty_s
        if not self._streams:
            # Any moment of a transaction may be the one at which the value was taken: a rectangular
            # distribution.
            uncertainty_s = np.repeat(chunks.within_s / math.sqrt(3.0), frames.counts)
        if self.range_deg is not None and len(times):
            known = self._known(stamps, frames.counts[frames.counts > 0])
            times, values, uncertainty_s = times[:known], values[:known], uncertainty_s[:known]
        if not len(times):
            return _NONE
        if self._turns is not None:
            values = self._turns.follow(values, times)
        samples = Samples(times, values, uncertainty_s)
        # Frames without a reading keep the pace of the stream, and end here.
        return samples if not math.isnan(values.sum()) else samples.part(~np.isnan(values))

    def _start_over(self) -> None:
        """Bytes are missing."""
        self.parser.start_over()
        self._clock.restart()
        self._broken = True
        if self._turns is not None:
            self._turns.pause()

    def _known(self, stamps: Stamps, counts: Integers) -> int:
        """How many samples come before the first for which a count with a range may be a whole one further.

        One rule for whatever was missing before it: bytes, frames that were bad, requests without an answer.
        No number that follows is known then, and the parser gives none after this call.

        Args:
            stamps: Of the samples.
            counts: Shape (reads,), samples of each read that has any.
        """
        ends = np.cumsum(counts)
        first_s, last_s = stamps.time_s[ends - counts], stamps.time_s[ends - 1]
        usual_s = stamps.period_s.copy()
        if self._broken:
            usual_s[0] = 0.0
        unseen_s = first_s - np.concatenate([[self._last_s], last_s[:-1]]) - usual_s
        long = unseen_s > _SURE_S
        long[0] = not math.isinf(self._last_s) and (self._broken or long[0])
        self._last_s, self._broken = float(last_s[-1]), False
        for read in np.flatnonzero(long).tolist():
            if self.parser.unseen(unseen_s.item(read) * FASTEST_DEG_S / abs(self._factor)):
                return int(ends[read] - counts[read])
        return len(stamps.time_s)
