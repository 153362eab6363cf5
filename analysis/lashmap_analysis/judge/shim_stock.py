"""The stock of shims: which changes of a pack it allows, and how far each moves the member.

Decided here: what can be made from the thicknesses at hand. Not decided here: which change is wanted
(`judge/shims.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations_with_replacement
from math import sqrt
from typing import Literal

from lashmap_analysis.errors import FieldError

# With three pieces 24 thicknesses make 2,924 packs; more would only make the search slow, not finer.
MOST_THICKNESSES = 24
# Kept of each member's changes, smallest moves first, so that a pair of members stays searchable.
MOST_CHANGES = 1500


class ShimError(FieldError):
    """A stock that cannot be."""


@dataclass(frozen=True, kw_only=True)
class ShimStock:
    """Shims at hand for one member.

    Attributes:
        thicknesses_mm: What is in stock, each above 0.
        thicker_moves: Which way a thicker pack moves the member: ``out``, away from the apex (the crossing of
            the axes), or ``in``. It follows from where the shim sits, and is never guessed.
        fitted_mm: Thickness of the pack that is in the box now, to be replaced; None when shims are added to
            it or taken from it.
        most_pieces: Largest number of shims in a new pack, or added or taken away.
        thickness_uncertainty_mm: Standard uncertainty of one shim's thickness.
    """

    thicknesses_mm: tuple[float, ...]
    thicker_moves: Literal["out", "in"]
    fitted_mm: float | None = None
    most_pieces: int = 2
    thickness_uncertainty_mm: float = 0.002

    def __post_init__(self) -> None:
        if not 1 <= len(self.thicknesses_mm) <= MOST_THICKNESSES:
            expected = f"1 to {MOST_THICKNESSES} thicknesses"
            raise ShimError("thicknesses_mm", len(self.thicknesses_mm), expected)
        if not all(0 < one < 100 for one in self.thicknesses_mm):
            raise ShimError("thicknesses_mm", self.thicknesses_mm, "thicknesses above 0 and below 100 mm")
        if not 1 <= self.most_pieces <= 3:
            raise ShimError("most_pieces", self.most_pieces, "1, 2 or 3 shims")
        if self.thicker_moves not in ("out", "in"):
            raise ShimError("thicker_moves", self.thicker_moves, "'out' or 'in'")
        if self.fitted_mm is not None and not 0 <= self.fitted_mm < 1000:
            raise ShimError("fitted_mm", self.fitted_mm, "a thickness of 0 mm or more, or nothing")


@dataclass(frozen=True, kw_only=True)
class MountingDistance:
    """Where a member stands.

    Attributes:
        marked_mm: As marked on it.
        set_mm: As measured in the box.
        tolerance_mm: Of the drawing, to both sides of the marked value.
    """

    marked_mm: float
    set_mm: float
    tolerance_mm: float


@dataclass(frozen=True, kw_only=True)
class Change:
    """One change of a pack.

    Attributes:
        move_mm: Move of the member away from the apex.
        shims_mm: The new pack, or what is added or taken away.
        added: True when shims are added or a pack replaced, False when they are taken away.
        uncertainty_mm: Standard uncertainty of the move.
    """

    move_mm: float
    shims_mm: tuple[float, ...]
    added: bool
    uncertainty_mm: float


NO_CHANGE = Change(move_mm=0.0, shims_mm=(), added=True, uncertainty_mm=0.0)


def packs(stock: ShimStock) -> Iterator[tuple[float, ...]]:
    """Every pack the stock allows, as the thicknesses of its pieces in mm; those of fewest pieces first."""
    for count in range(1, stock.most_pieces + 1):
        yield from combinations_with_replacement(sorted(set(stock.thicknesses_mm)), count)


def pack_uncertainty_mm(stock: ShimStock, pieces: int) -> float:
    """Standard uncertainty of the thickness of a pack of so many pieces, in mm: GUM 5.1.2, uncorrelated."""
    return stock.thickness_uncertainty_mm * sqrt(pieces)


def changes(stock: ShimStock | None) -> tuple[Change, ...]:
    """List every change the stock allows, by size of the move; of equal moves the one with fewest shims.

    No change at all comes first.

    Args:
        stock: Shims at hand, or None for a member that must stay.
    """
    if stock is None:
        return (NO_CHANGE,)
    found = {0.0: NO_CHANGE}
    for pieces in packs(stock):
        for change in _made_of(pieces, stock):
            found.setdefault(round(change.move_mm, 6), change)
    ordered = sorted(found.values(), key=lambda one: abs(one.move_mm))
    return tuple(ordered[:MOST_CHANGES])


def _made_of(pieces: tuple[float, ...], stock: ShimStock) -> tuple[Change, ...]:
    """A new pack of these pieces, or these pieces added to and taken from the pack that is in the box."""
    sign = 1.0 if stock.thicker_moves == "out" else -1.0
    thickness = sum(pieces)
    spread = pack_uncertainty_mm(stock, len(pieces))
    if stock.fitted_mm is not None:
        move = sign * (thickness - stock.fitted_mm)
        return (Change(move_mm=move, shims_mm=pieces, added=True, uncertainty_mm=spread),)
    return (
        Change(move_mm=sign * thickness, shims_mm=pieces, added=True, uncertainty_mm=spread),
        Change(move_mm=-sign * thickness, shims_mm=pieces, added=False, uncertainty_mm=spread),
    )
