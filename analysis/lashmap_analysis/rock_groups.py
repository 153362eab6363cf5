"""Sums, spreads and running sums over groups of neighbours in one flat array.

The dwells of many traces lie one behind the other in flat arrays, a group for each trace, so that a step of
the measurement is one operation for all traces; a single trace is a stack of one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]
Scalar = TypeVar("Scalar", bound=np.generic)


@dataclass(frozen=True, kw_only=True)
class Groups:
    """Neighbours that belong together; no group is empty.

    Attributes:
        first: Shape (g,), index of the first member of each group.
        size: Shape (g,), number of members.
    """

    first: Integers
    size: Integers

    @classmethod
    def of_sizes(cls, size: Integers) -> Groups:
        """Groups of the given sizes, shape (g,), one behind the other."""
        first = np.zeros_like(size)
        np.cumsum(size[:-1], out=first[1:])
        return cls(first=first, size=size)

    def total(self, values: Floats) -> Floats:
        """Sum over each group, shape (g,)."""
        sums: Floats = np.add.reduceat(values, self.first)
        return sums

    def mean(self, values: Floats) -> Floats:
        """Mean over each group, shape (g,)."""
        return self.total(values) / self.size

    def spread(self, per_group: NDArray[Scalar]) -> NDArray[Scalar]:
        """The group's value for every member, shape (m,)."""
        return np.repeat(per_group, self.size)

    def each(self, per_group: NDArray[Scalar]) -> NDArray[Scalar]:
        """As `spread`, for arithmetic with (m,) only: where there is one group, its value stands as (1,)."""
        return per_group if self.size.size == 1 else np.repeat(per_group, self.size)

    def later(self, values: Floats) -> Floats:
        """Sum over the later members of the same group, shape (m,); 0 for the last of each."""
        running = np.cumsum(values)
        return self.each(running[self.first + self.size - 1]) - running

    def counts(self, mask: Booleans) -> Integers:
        """Number of members of each group for which the mask holds, shape (g,)."""
        counted: Integers = np.add.reduceat(mask.astype(np.int64), self.first)
        return counted


def ratio(numerator: Floats, denominator: Floats) -> Floats:
    """Quotient, 0 where the denominator is 0; both of one shape."""
    if numerator.size == 1 and numerator.ndim == 1:
        below = float(denominator[0])
        return numerator / below if below > 0 else np.zeros_like(numerator)
    quotient = np.zeros_like(numerator)
    np.divide(numerator, denominator, out=quotient, where=denominator > 0)
    return quotient


def median_of(values: list[float]) -> float:
    """Median of a short list; numpy's takes longer to start than to finish."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    return float(ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle]))
