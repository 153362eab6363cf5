"""From measured parts to the shim pack that brings a marked mounting distance.

Decided here: which pack of the stock comes nearest, the mounting distance that it leads to, how well that is
known, and whether it is inside the tolerance. What a move does to backlash is `judge/shims.py`.

The mounting distance of a member is walked from the axis of its mate to its locating face, part by part: each
step leads away from that axis (``out``) or back to it (``in``), and the shim pack is one more step, which
leads out where a thicker pack moves the member out:

    A = Σ ± L_i ± t        (a chain of dimensions)

The steps are measured one by one, so their errors are taken as uncorrelated: u_c² = Σ u_i² (GUM 5.1.2, all
sensitivities are ± 1). Errors that two parts share, such as those of the same instrument, are not modelled:
where both run the same way they add up, and the true uncertainty is larger. Nothing is corrected for
temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite
from typing import TYPE_CHECKING, Literal

from lashmap_analysis.errors import FieldError, require_finite
from lashmap_analysis.judge.shim_stock import ShimStock, pack_uncertainty_mm, packs
from lashmap_analysis.record.lengths import format_length, format_spread
from lashmap_analysis.uncertainty.budget import LEVEL, Budget, BudgetLine, combine, coverage_factor

if TYPE_CHECKING:
    from lashmap_analysis.record.record import DecisionRule, Shaft, Units

MOST_PARTS = 12
# Packs nearer to each other than this are equally good: a tenth of what a shim is known to.
_SAME_MM = 0.0002

Way = Literal["out", "in"]
Decision = Literal["inside", "outside", "not settled", "no limits"]


class ChainError(FieldError):
    """Parts from which no mounting distance follows."""


@dataclass(frozen=True, kw_only=True)
class Part:
    """One measured step between the axis of the mate and the locating face.

    Attributes:
        name: What was measured, such as ``housing``.
        length_mm: Its length, above 0.
        uncertainty_mm: Standard uncertainty of that.
        runs: The step leads ``out``, away from the axis of the mate, or ``in``, back to it.
        source: Where the uncertainty comes from.
    """

    name: str
    length_mm: float
    uncertainty_mm: float
    runs: Way
    source: str = ""

    def __post_init__(self) -> None:
        length = require_finite(ChainError, f"{self.name}.length_mm", self.length_mm, "a length in mm")
        if not 0 < length < 10_000:
            raise ChainError(f"{self.name}.length_mm", length, "a length above 0 and below 10 m")
        name = f"{self.name}.uncertainty_mm"
        spread = require_finite(ChainError, name, self.uncertainty_mm, "a standard uncertainty in mm")
        if not 0 <= spread < length:
            raise ChainError(name, spread, "0 mm or more, and less than the length")
        if self.runs not in ("out", "in"):
            raise ChainError(f"{self.name}.runs", self.runs, "'out' or 'in'")

    @property
    def step_mm(self) -> float:
        """The length with its sign: positive out."""
        return self.length_mm if self.runs == "out" else -self.length_mm


@dataclass(frozen=True, kw_only=True)
class Chain:
    """The measured parts of one member, its shims, and where it belongs.

    Attributes:
        member: Gear or pinion.
        parts: Every step but the pack.
        stock: Shims at hand, and which way a thicker pack moves the member.
        marked_mm: The mounting distance that is marked on the member.
        tolerance_mm: What it may be off by, either way; None when the drawing's is not known.
    """

    member: Shaft
    parts: tuple[Part, ...]
    stock: ShimStock
    marked_mm: float
    tolerance_mm: float | None = None

    def __post_init__(self) -> None:
        if not 1 <= len(self.parts) <= MOST_PARTS:
            raise ChainError("parts", len(self.parts), f"1 to {MOST_PARTS} measured parts")
        if not (isfinite(self.marked_mm) and self.marked_mm > 0):
            raise ChainError("marked_mm", self.marked_mm, "a distance above 0")

    @property
    def bare_mm(self) -> float:
        """The distance without any pack; negative where the pack alone leads out far enough."""
        return sum(part.step_mm for part in self.parts)

    @property
    def needed_mm(self) -> float:
        """Thickness of the pack that brings the marked distance; not above 0 when the parts leave no room."""
        return (self.marked_mm - self.bare_mm) * self._sign

    @property
    def _sign(self) -> float:
        return 1.0 if self.stock.thicker_moves == "out" else -1.0

    def distance_mm(self, pack_mm: float) -> float:
        """The mounting distance with a pack of this thickness."""
        return self.bare_mm + self._sign * pack_mm


@dataclass(frozen=True, kw_only=True)
class Reached:
    """The mounting distance that a pack leads to.

    Attributes:
        pack_mm: Thicknesses of its pieces.
        distance_mm: The mounting distance.
        deviation_mm: That less the marked one.
        budget: Of the distance, at 95 %: a line for each part and one for the pack.
        decision: Whether the whole interval of the deviation is inside the tolerance (ISO 14253-1).
    """

    pack_mm: tuple[float, ...]
    distance_mm: float
    deviation_mm: float
    budget: Budget
    decision: Decision

    @property
    def thickness_mm(self) -> float:
        """Of the whole pack."""
        return sum(self.pack_mm)


def reached(chain: Chain, pack_mm: tuple[float, ...], units: Units = "mm") -> Reached:
    """Work out where a pack of these pieces brings the member.

    Args:
        chain: Its parts.
        pack_mm: Thicknesses of the pieces, in mm; empty for none.
        units: Of the texts in the budget.

    Returns:
        The distance with its budget.
    """
    thickness = sum(pack_mm)
    distance = chain.distance_mm(thickness)
    lines = [
        BudgetLine(
            quantity=part.name,
            value=format_length(part.step_mm, units, signed=True),
            distribution="normal",
            standard_uncertainty_mm=part.uncertainty_mm,
            degrees_of_freedom=inf,
            source=part.source or "box file, no source given",
        )
        for part in chain.parts
    ]
    count = len(pack_mm)
    lines.append(
        BudgetLine(
            quantity="shim pack",
            value=format_length(distance - chain.bare_mm, units, signed=True),
            distribution="normal",
            standard_uncertainty_mm=pack_uncertainty_mm(chain.stock, count),
            degrees_of_freedom=inf,
            source=f"{count} piece{'' if count == 1 else 's'} of "
            f"{format_spread(chain.stock.thickness_uncertainty_mm, units, decimals=4)} each (box file)",
        )
    )
    budget = combine(lines)
    deviation = distance - chain.marked_mm
    tolerance = chain.tolerance_mm
    low = None if tolerance is None else -tolerance
    return Reached(
        pack_mm=pack_mm,
        distance_mm=distance,
        deviation_mm=deviation,
        budget=budget,
        decision=decide(deviation, budget.expanded_mm, low, tolerance),
    )


def nearest_pack(chain: Chain, units: Units = "mm") -> Reached:
    """The pack of the stock that comes nearest to the marked distance; of equal ones that of fewest pieces.

    Args:
        chain: Parts, stock and marked distance.
        units: Of the texts in the budget.
    """
    best: tuple[float, ...] = ()
    least = inf
    for pieces in packs(chain.stock):  # fewest pieces first, so that more must be better to be taken
        off = abs(sum(pieces) - chain.needed_mm)
        if off < least - _SAME_MM:
            best, least = pieces, off
    return reached(chain, best, units)


def guard(standard_uncertainty: float, rule: DecisionRule) -> float:
    """How far inside a limit a value has to be, by the decision rule of the box, as its backlash is judged.

    ISO 14253-1: 1.96 standard uncertainties where the whole 95 % interval has to be inside, 1.645 where 95 %
    have to be to the allowed side of a limit (GUM table G.2, last row).
    """
    level = LEVEL if rule == "two-sided" else 2.0 * LEVEL - 1.0
    return coverage_factor(inf, level) * standard_uncertainty


def decide(value: float, expanded: float, low: float | None, high: float | None) -> Decision:
    """Hold an interval value ± expanded against limits (ISO 14253-1).

    Args:
        value: What was measured.
        expanded: Its expanded uncertainty, or `guard`; 0 or more.
        low: Least allowed value; None for no limit.
        high: Largest allowed value; None for no limit.
    """
    if low is None and high is None:
        return "no limits"
    least, most = -inf if low is None else low, inf if high is None else high
    slack = 1e-9 * max(1.0, abs(value))  # figures are written in decimals: 0.02 off 0.02 is not outside
    if value + expanded < least - slack or value - expanded > most + slack:
        return "outside"
    if least - slack <= value - expanded and value + expanded <= most + slack:
        return "inside"
    return "not settled"


def what_to_look_at(chain: Chain, found: Reached, units: Units = "mm") -> tuple[str, ...]:
    """Say what is wrong with a pack and where to look; empty when the distance is inside its tolerance.

    Args:
        chain: Parts, stock and marked distance.
        found: What the pack leads to.
        units: Of the figures in the sentences.
    """
    decimals = 3 if units == "mm" else 4

    def shown(length_mm: float, *, signed: bool = False) -> str:
        return format_length(length_mm, units, decimals=decimals, signed=signed)

    said: list[str] = []
    thickest = max(chain.stock.thicknesses_mm) * chain.stock.most_pieces
    if chain.needed_mm <= 0:
        said.append(
            f"The parts of the {chain.member} leave no room for a pack ({shown(chain.needed_mm)}): one of "
            "them is measured wrong, or leads the other way. Look at its length and the way that each runs "
            f"([parts.{chain.member}]), and at shims.{chain.member}.thicker_moves."
        )
    elif chain.needed_mm > thickest and found.decision != "inside":
        said.append(
            f"The {chain.member} needs a pack of {shown(chain.needed_mm)}, and the thickest that the stock "
            f"makes is {shown(thickest)}: measure the parts again before you get thicker shims."
        )
    if found.decision == "no limits":
        said.append(
            f"No tolerance is known for the {chain.member}'s distance: record mounting.tolerance_{units} "
            "from the drawing."
        )
    if found.decision in ("inside", "no limits") or said:
        return tuple(said)
    if chain.tolerance_mm is not None and abs(found.deviation_mm) > chain.tolerance_mm:
        said.append(
            f"The nearest pack leaves the {chain.member} {shown(found.deviation_mm, signed=True)} off its "
            f"marked distance (tolerance {shown(chain.tolerance_mm)}): get shims that make "
            f"{shown(chain.needed_mm)}, or have one ground to it."
        )
    else:
        worst = max(found.budget.lines, key=lambda line: line.standard_uncertainty_mm)
        said.append(
            f"The {chain.member}'s distance is off by {shown(found.deviation_mm, signed=True)} and known "
            f"within {format_spread(found.budget.expanded_mm, units, decimals=decimals)} (95 %), which "
            "reaches over the tolerance: take a pack nearer to "
            f"{shown(chain.needed_mm)}, or measure more finely, first the {worst.quantity} (standard "
            f"uncertainty {format_spread(worst.standard_uncertainty_mm, units)})."
        )
    return tuple(said)
