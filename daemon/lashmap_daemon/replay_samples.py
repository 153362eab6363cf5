"""The samples of one instrument of a test, decoded anew from its raw bytes: once, in order, piece by piece.

Decided here: where fresh decoders begin, and what is kept. A test of any
length takes the memory of its rocks and sweeps, not of its samples.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np
from lashmap_drivers.angle_turns import Jump
from lashmap_drivers.count_tracker import INDEX_SLIP
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.readings import Chunks, Samples

from lashmap_daemon.replay_parts import Parts
from lashmap_daemon.stand_file import ENCODER, Stand


class Decoding:
    """Iterates over the samples of one instrument, as it reads: an encoder's from its own zero.

    Args:
        pieces: All its chunks, in order.
        stand: How its bytes are read.
        channel: Which instrument.
        parts: Where fresh decoders begin; an encoder's get to know the angle they begin with.

    Attributes:
        index_slips: How often an encoder's index pulse came where it does not belong, so far.
    """

    def __init__(self, pieces: Iterator[Chunks], stand: Stand, channel: str, parts: Parts) -> None:
        self._pieces = pieces
        self._stand, self._channel = stand, channel
        self._parts = list(parts.parts) if channel == ENCODER else []
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
        samples = self._decoder.feed_many(chunks)
        if self._parts and len(samples):
            self._parts[0].begin_count(float(samples.value[0]), self._decoder.range_deg)
        return samples

    def _fresh(self) -> Decoder:
        return self._stand.decoders()[self._channel]


class Windows:
    """Keeps the samples that lie in some stretches of time, ends included, of those that pass by.

    Args:
        spans_s: First and last moment of each.
    """

    def __init__(self, spans_s: Iterable[tuple[float, float]]) -> None:
        self._kept: list[tuple[float, float, list[Samples]]] = [(*span, []) for span in spans_s]

    def hear(self, samples: Samples) -> None:
        """Take the next samples, in the order of time."""
        for start_s, end_s, kept in self._kept:
            first = int(np.searchsorted(samples.time_s, start_s, side="left"))
            last = int(np.searchsorted(samples.time_s, end_s, side="right"))
            if last > first:
                kept.append(samples.part(slice(first, last)).copy())

    def samples(self, number: int) -> Samples:
        """What lay in one of them."""
        return Samples.joined(self._kept[number][2])
