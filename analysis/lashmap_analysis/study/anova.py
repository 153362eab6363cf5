"""Analysis of variance of a crossed study: every operator measures every part several times.

Decided here: sums of squares, degrees of freedom, mean squares and F. What they say about a gauge is decided
in `study/gauge.py`. Sums are taken of deviations from the grand mean, so that a large common part of all
values costs no digits (the reference sets NIST StRD SmLs04 to SmLs09 show what happens otherwise).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.errors import FieldError

Floats = NDArray[np.float64]


class StudyError(FieldError):
    """Measurements from which no study can be made; see `FieldError` for the attributes."""


@dataclass(frozen=True, kw_only=True)
class Source:
    """One line of an analysis of variance.

    Attributes:
        name: What varies.
        sum_of_squares: In the square of the unit of the values.
        degrees_of_freedom: At least 1.
        f: Mean square over the one that it is tested against; nan in the last line.
    """

    name: str
    sum_of_squares: float
    degrees_of_freedom: int
    f: float = nan

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.sum_of_squares / self.degrees_of_freedom


def crossed(values: Floats) -> tuple[Source, Source, Source, Source]:
    """Variation of a crossed study, parts and operators both taken as drawn from many.

    Part and operator are tested against their interaction, the interaction against the repeats
    (random-effects model; Montgomery, Design and Analysis of Experiments, *from memory*).

    Args:
        values: Shape (parts, operators, repeats), at least two of each.

    Returns:
        The lines *part*, *operator*, *part and operator together* and *repeats*.

    Raises:
        StudyError: Another shape, or a value that is not finite.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 3 or min(array.shape) < 2:
        raise StudyError("values", array.shape, "two parts, two operators and two repeats or more")
    _require_finite(array)
    parts, operators, repeats = array.shape
    centred = array - array.mean()
    part = centred.mean(axis=(1, 2))
    operator = centred.mean(axis=(0, 2))
    cell = centred.mean(axis=2)
    together = cell - part[:, np.newaxis] - operator
    repeat = Source(
        name="repeats",
        sum_of_squares=float(np.square(centred - cell[:, :, np.newaxis]).sum()),
        degrees_of_freedom=parts * operators * (repeats - 1),
    )
    interaction = Source(
        name="part and operator together",
        sum_of_squares=repeats * float(np.square(together).sum()),
        degrees_of_freedom=(parts - 1) * (operators - 1),
    )
    of_part = Source(
        name="part",
        sum_of_squares=operators * repeats * float(np.square(part).sum()),
        degrees_of_freedom=parts - 1,
    )
    of_operator = Source(
        name="operator",
        sum_of_squares=parts * repeats * float(np.square(operator).sum()),
        degrees_of_freedom=operators - 1,
    )
    return (
        _against(of_part, interaction),
        _against(of_operator, interaction),
        _against(interaction, repeat),
        repeat,
    )


def _against(source: Source, other: Source) -> Source:
    f = source.mean_square / other.mean_square if other.mean_square > 0 else nan
    return Source(
        name=source.name,
        sum_of_squares=source.sum_of_squares,
        degrees_of_freedom=source.degrees_of_freedom,
        f=f,
    )


def _require_finite(values: Floats) -> None:
    if not np.all(np.isfinite(values)):
        raise StudyError("values", values.tolist(), "finite numbers")
