"""What flows from a port: chunks of raw bytes, then samples with their times."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


class Chunk(NamedTuple):
    """Bytes as received, and when the read that brought them returned (monotonic seconds).

    A chunk without bytes marks a break: bytes are missing between what came before and what follows (the
    cable was out, or reads had to be dropped), so that half lines on either side never merge into one. The
    mark travels with the bytes into every record of them.

    Attributes:
        arrival_s: When the read returned; the middle of the transaction for an instrument that is asked.
        data: As received.
        within_s: Half the length of that transaction: the reading was taken at ``arrival_s`` ± this. nan for
            an instrument that sends of its own accord.
    """

    arrival_s: float
    data: bytes
    within_s: float = math.nan

    @property
    def is_break(self) -> bool:
        """True when this marks missing bytes instead of carrying some."""
        return not self.data


@dataclass(frozen=True, kw_only=True)
class Chunks:
    """Consecutive chunks of one instrument as columns: those of a tick, or a long piece of a record.

    Attributes:
        arrival_s: Shape (n,), as `Chunk.arrival_s`.
        within_s: Shape (n,), as `Chunk.within_s`.
        lengths: Shape (n,), bytes of each; 0 marks a break.
        data: Their bytes, one after the other.
    """

    arrival_s: Floats
    within_s: Floats
    lengths: Integers
    data: bytes

    def __len__(self) -> int:
        return len(self.arrival_s)

    def __iter__(self) -> Iterator[Chunk]:
        start = 0
        for arrival_s, length, within_s in zip(
            self.arrival_s.tolist(), self.lengths.tolist(), self.within_s.tolist(), strict=True
        ):
            # One and the same not-a-number, so that chunks compare as those that were kept.
            half_s = math.nan if math.isnan(within_s) else within_s
            yield Chunk(arrival_s, self.data[start : start + length], half_s)
            start += length

    def part(self, first: int, last: int) -> Chunks:
        """Those from ``first`` to before ``last``."""
        start = int(self.lengths[:first].sum())
        end = start + int(self.lengths[first:last].sum())
        return Chunks(
            arrival_s=self.arrival_s[first:last],
            within_s=self.within_s[first:last],
            lengths=self.lengths[first:last],
            data=self.data[start:end],
        )

    @classmethod
    def of(cls, *chunks: Chunk) -> Chunks:
        """Some chunks as columns."""
        return cls(
            arrival_s=np.array([chunk.arrival_s for chunk in chunks], dtype=np.float64),
            within_s=np.array([chunk.within_s for chunk in chunks], dtype=np.float64),
            lengths=np.array([len(chunk.data) for chunk in chunks], dtype=np.int64),
            data=b"".join([chunk.data for chunk in chunks]),
        )

    @classmethod
    def joined(cls, some: Sequence[Chunks]) -> Chunks:
        """One after the other; at least one."""
        return cls(
            arrival_s=np.concatenate([one.arrival_s for one in some]),
            within_s=np.concatenate([one.within_s for one in some]),
            lengths=np.concatenate([one.lengths for one in some]),
            data=b"".join([one.data for one in some]),
        )


def a_break(arrival_s: float) -> Chunks:
    """A mark that bytes are missing, as columns."""
    return Chunks.of(Chunk(arrival_s, b""))


@dataclass(frozen=True)
class Samples:
    """Consecutive samples of one instrument.

    Attributes:
        time_s: Shape (n,), monotonic seconds, increasing; the same clock for every instrument of a process.
        value: Shape (n,), mm for an indicator, degrees of its shaft for an encoder.
        time_uncertainty_s: Shape (n,), standard uncertainty of each time, in seconds: of a stream what it can
            tell itself (see `StreamClock.uncertainty_s`), of an instrument that is asked half the transaction
            over √3 (GUM 4.3.7); nan where nobody has stated one.
    """

    time_s: Floats
    value: Floats
    time_uncertainty_s: Floats

    def __len__(self) -> int:
        return len(self.time_s)

    @classmethod
    def of(cls, time_s: Floats, value: Floats, time_uncertainty_s: float = math.nan) -> Samples:
        """Samples whose times share one uncertainty."""
        return cls(time_s, value, np.full(len(time_s), time_uncertainty_s))

    @property
    def largest_time_uncertainty_s(self) -> float:
        """Largest standard uncertainty among their times; nan without samples, or when any is unknown."""
        return float(self.time_uncertainty_s.max()) if len(self) else math.nan

    @property
    def usual_time_uncertainty_s(self) -> float:
        """Median of the standard uncertainty of their times; as `largest_time_uncertainty_s` otherwise."""
        return float(np.median(self.time_uncertainty_s)) if len(self) else math.nan

    def part(self, kept: slice | NDArray[np.bool_]) -> Samples:
        """Some of them, in the same order."""
        return Samples(self.time_s[kept], self.value[kept], self.time_uncertainty_s[kept])

    def copy(self) -> Samples:
        """The same without holding on to what they were a part of."""
        return Samples(self.time_s.copy(), self.value.copy(), self.time_uncertainty_s.copy())

    @classmethod
    def joined(cls, some: Sequence[Samples]) -> Samples:
        """One after the other; none gives none."""
        if not some:
            return cls(np.empty(0), np.empty(0), np.empty(0))
        if len(some) == 1:
            return some[0]
        return cls(
            np.concatenate([one.time_s for one in some]),
            np.concatenate([one.value for one in some]),
            np.concatenate([one.time_uncertainty_s for one in some]),
        )
