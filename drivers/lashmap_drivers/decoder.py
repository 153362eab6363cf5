"""From chunks to batches: parser, clock and scale of one instrument together.

The same decoder serves the live test and the review of a logbook, so a recomputed number takes the same path.
"""

from __future__ import annotations

import numpy as np

from lashmap_drivers.line_parser import LineParser
from lashmap_drivers.profile import LineProfile
from lashmap_drivers.readings import EMPTY, Batch, Chunk
from lashmap_drivers.stream_clock import StreamClock


class Decoder:
    """Turns the raw chunks of one instrument into samples.

    Args:
        profile: What its lines look like.
        factor: From the number in the line to mm (indicator) or degrees (encoder), sign included.
    """

    def __init__(self, profile: LineProfile, factor: float) -> None:
        self._clock = StreamClock()
        self._factor = factor
        self.parser = LineParser(profile.terminator.encode("ascii"), profile.pattern, profile.group)

    @classmethod
    def for_indicator(cls, profile: LineProfile, *, sense: int = 1) -> Decoder:
        """Decoder of an indicator; ``sense`` −1 reverses its sign."""
        return cls(profile, sense * profile.mm_per_unit)

    @classmethod
    def for_encoder(cls, profile: LineProfile, *, counts_per_turn: int, sense: int = 1) -> Decoder:
        """Decoder of an incremental encoder; ``counts_per_turn`` after interpolation."""
        return cls(profile, sense * 360.0 / counts_per_turn)

    def feed(self, chunk: Chunk) -> Batch:
        """Decode the next chunk; empty when it completes no line."""
        numbers = self.parser.feed(chunk.data)
        if not numbers:
            return EMPTY
        values = np.array(numbers) * self._factor
        return Batch(self._clock.stamp(chunk.arrival_s, len(values)), values)
