"""What moving a member along its axis does to backlash, how well that is known, and which move is advised.

Never advised while a mounting distance is unproven or wrong, nor to one outside its tolerance, because the
right backlash can be had at a wrong mounting distance; nor from a test that proves nothing: then what to
measure comes first.

A move ΔA out, away from the apex, shifts a flank by ΔA (sin α_n sin δ) along its normal when the teeth touch
at the pitch line; both sides together give Δj_n ≈ 2 ΔA sin α_n sin δ (handbook, from memory) where they
touch. Quoted at the outer end that is K_c times as much, K_c from where along the face they touch
(`gears/gear_set.py`): 1 at the heel, 1.1 to 1.2 at mid-face, up to 1.5 at the toe. Flanks built from first
principles in the tests agree within 1 %; with little crowning a move carries the contact along the face, out
towards the heel and in towards the toe, which 0.1 mm and a crown of 10 µm make 2 to 5 % of the change.

The same model shows what the handbook leaves out: the member's teeth also slide along the pitch line by
ΔA cos δ, where they are thicker or thinner in proportion to the cone distance. A pinion tooth that stands
centred in its space gains by it what a gear tooth centred in its own loses: ± (π m_et / 2) cos α_n cos β_e
ΔA cos δ / R_c. Which of the two it is depends on how far the pair is rolled when the backlash is measured, so
it is an uncertainty: some 3 % of the change for the gear of a 3:1 set, 15 % at 1:1, 30 % for a 3:1 pinion.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import cos, pi, sqrt
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.shim_stock import (
    NO_CHANGE,
    Change,
    MountingDistance,
    ShimError,
    ShimStock,
    changes,
)
from lashmap_analysis.judge.tight_spot import budget_against, two_sided
from lashmap_analysis.judge.verdict import MOUNTING_DISTANCE, Interval
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Limits, Precondition, Shaft, Units
from lashmap_analysis.uncertainty.budget import coverage_factor

Floats = NDArray[np.float64]

# Half-width of what is left, as a part of the change: the model's 1 %, and room for crowned and spiral teeth.
RELATION_HALF_WIDTH = 0.03


def backlash_per_move(gear_set: GearSet, member: Shaft) -> float:
    """Change of normal backlash for a move of a member out, dimensionless: 2 sin α_n sin δ K_c."""
    return gear_set.lash_per_gear_move if member == "gear" else gear_set.lash_per_pinion_move


def roll_per_move(gear_set: GearSet, member: Shaft) -> float:
    """Half-width of what the roll of the pair adds or takes, per move out, dimensionless (module text)."""
    tooth = pi * gear_set.outer_module_mm / 2 * gear_set.normal_per_transverse
    return tooth * cos(_pitch_angle(gear_set, member)) / gear_set.contact_cone_distance_mm


def shift_mm(gear_set: GearSet, gear_move_mm: Floats, pinion_move_mm: Floats) -> Floats:
    """Change of normal backlash for moves out of both members, in mm; shapes are broadcast."""
    gear, pinion = (backlash_per_move(gear_set, member) for member in ("gear", "pinion"))
    return np.asarray(gear * gear_move_mm + pinion * pinion_move_mm)


def shift_uncertainty_mm(
    gear_set: GearSet, moves_mm: tuple[Floats, Floats], thickness_mm: tuple[Floats, Floats]
) -> Floats:
    """Standard uncertainty of that change, in mm.

    Args:
        gear_set: The gear set under test.
        moves_mm: Moves out of gear and pinion.
        thickness_mm: Standard uncertainties of those moves, from the shims.

    Returns:
        Relation (rectangular), place of contact (`GearSet.contact_factor_spread`), roll of the pair (anywhere
        between its two ends and most often near them, taken as U-shaped, a / √2: the arcsine distribution of
        GUM H.1.3.4) and shims (normal) in quadrature, in the shape the moves broadcast to. The roll counts
        with opposite signs for the two members, since both slide along the same line.
    """
    gear, pinion = (backlash_per_move(gear_set, member) for member in ("gear", "pinion"))
    relation = RELATION_HALF_WIDTH / sqrt(3) * (np.abs(gear * moves_mm[0]) + np.abs(pinion * moves_mm[1]))
    contact = gear_set.contact_factor_spread * (gear * moves_mm[0] + pinion * moves_mm[1])
    along = roll_per_move(gear_set, "gear") * moves_mm[0] - roll_per_move(gear_set, "pinion") * moves_mm[1]
    shims = np.hypot(gear * thickness_mm[0], pinion * thickness_mm[1])
    return np.asarray(np.sqrt(relation**2 + contact**2 + along**2 / 2 + shims**2))


def _pitch_angle(gear_set: GearSet, member: Shaft) -> float:
    return gear_set.gear_pitch_angle_rad if member == "gear" else gear_set.pinion_pitch_angle_rad


Answer = Literal["no move needed", "move", "no stock reaches it", "refused"]

OUT_OF_TOLERANCE = (
    "Only a move out of the tolerance of a mounting distance brings the tight spot into the limits, so none "
    "is advised."
)
WHERE_TO_LOOK = (
    "Look for what makes the backlash wrong at the right mounting distances: parts of different sets, a "
    "misread mark, worn or reground teeth, a housing out of its drawing, a bearing that is not seated. The "
    "drawing and the maker's instructions come first."
)
PATTERN_CAUTION = (
    "A move away from the marked mounting distance moves the contact pattern: check the pattern afterwards, "
    "and measure the backlash again."
)


NOWHERE: Mapping[Shaft, MountingDistance] = MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class ShimMove:
    """What to do to one member.

    Attributes:
        member: Gear or pinion.
        move_mm: Move away from the apex; negative towards it.
        shims_mm: The new pack, or the shims added or taken away.
        sentence: The instruction, and the mounting distance that it leads to.
        distance_mm: That distance; None where nobody gave the present one.
    """

    member: Shaft
    move_mm: float
    shims_mm: tuple[float, ...]
    sentence: str
    distance_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class ShimAdvice:
    """The advice.

    Attributes:
        answer: What kind of advice it is.
        moves: One for each member that moves; empty unless `answer` is ``move``.
        backlash_mm: Predicted normal backlash at the tight spot after the moves; None when refused.
        interval_mm: Its 95 % interval.
        sentences: The advice in words, or why there is none and what to measure first.
        cautions: What else to do.
    """

    answer: Answer
    moves: tuple[ShimMove, ...]
    backlash_mm: float | None
    interval_mm: Interval | None
    sentences: tuple[str, ...]
    cautions: tuple[str, ...] = ()


def shim_advice(
    *,
    gear_set: GearSet,
    backlash_mm: float,
    interval_mm: Interval,
    limits: Limits,
    preconditions: Iterable[Precondition],
    stocks: Mapping[Shaft, ShimStock],
    distances: Mapping[Shaft, MountingDistance] = NOWHERE,
    units: Units = "mm",
    conforming: bool = False,
) -> ShimAdvice:
    """Advise the smallest move that brings the whole 95 % interval of the tight spot into the limits.

    A member of ``distances`` is not moved out of its tolerance.

    Args:
        gear_set: The gear set under test.
        backlash_mm: Normal backlash at the tight spot.
        interval_mm: Its 95 % interval.
        limits: What the drawing allows at the tight spot.
        preconditions: Both mounting distances must be among them, and proven.
        stocks: Shims at hand for each member that may be moved.
        distances: Where the members stand now.
        units: Unit of the figures in the sentences.
        conforming: The verdict is *conforming*.

    Returns:
        The advice. When no combination brings the whole interval inside, the answer is
        ``no stock reaches it`` and the sentences say how near the nearest one comes.

    Raises:
        ShimError: No stock is given.
    """
    if not stocks:
        raise ShimError("stocks", stocks, "shims for the gear, the pinion or both")
    refusals = _refusals(tuple(preconditions), limits)
    if refusals:
        return _refused(*refusals)
    allowed = limits.normal_mm(gear_set)
    least, most = inside = allowed.get("minimum", -np.inf), allowed.get("maximum", np.inf)
    if conforming or (least <= interval_mm[0] and interval_mm[1] <= most):
        return ShimAdvice(
            answer="no move needed",
            moves=(),
            backlash_mm=backlash_mm,
            interval_mm=interval_mm,
            sentences=("The tight spot is inside the limits as it is: leave the shims alone.",),
        )
    plan = _search(gear_set, _options(stocks, distances), backlash_mm, interval_mm, inside)
    if not plan.inside and distances:
        anywhere = _search(gear_set, _options(stocks, NOWHERE), backlash_mm, interval_mm, inside)
        if anywhere.inside:
            leads_to = _out_of_tolerance(anywhere, distances, units)
            return _refused(OUT_OF_TOLERANCE, *leads_to, WHERE_TO_LOOK)
    return _advice(plan, stocks, distances, units, inside)


def _refused(*sentences: str) -> ShimAdvice:
    return ShimAdvice(answer="refused", moves=(), backlash_mm=None, interval_mm=None, sentences=sentences)


def shim_advice_for(
    assessment: Assessment,
    stocks: Mapping[Shaft, ShimStock],
    distances: Mapping[Shaft, MountingDistance] = NOWHERE,
) -> ShimAdvice | None:
    """The same for the stated tight spot of a test; None when it states none.

    The interval is the one that the verdict holds against the limits, at 95 % two-sided. What conforms by the
    box's decision rule is left alone, also where that interval reaches over a limit. A test that is *not
    proven*, stopped early or without a confirmed tight spot is no ground to move anything: what it lacks is
    said instead.

    Raises:
        ShimError: No stock is given.
    """
    record, stated = assessment.record, assessment.stated
    lash = assessment.judged
    if stated is None or lash is None or assessment.budget is None:
        return None
    total = budget_against(record.limits, assessment.budget, lash, record.indicator)
    advice = shim_advice(
        gear_set=record.gear_set,
        backlash_mm=stated.normal_backlash_mm,
        interval_mm=two_sided(lash, total),
        limits=record.limits,
        preconditions=record.preconditions,
        stocks=stocks,
        distances=distances,
        units=record.units,
        conforming=assessment.verdict.outcome == "conforming",
    )
    if advice.answer != "no move needed" and (lacking := _lacking(assessment)):
        return _refused(*lacking)
    return advice


def _lacking(assessment: Assessment) -> tuple[str, ...]:
    """What has to be measured before a shim may be advised, most important first; empty when nothing."""
    record, verdict = assessment.record, assessment.verdict
    if verdict.outcome == "conforming":
        return ()
    unproven = [one for one in record.preconditions if one.state != "proven"]
    remedies = {one.remedy for one in unproven}  # said below, with what they are for
    settling = verdict.would_settle if verdict.outcome == "not proven" else ()
    found = [one for one in settling if one not in remedies]
    if record.closing != "completed":
        found.append("The test ended early: go on with it to its end.")
    if not assessment.confirmed:
        found.append("No confirming position agrees with the tight spot: measure one there.")
    found += [
        f"{one.name[:1].upper()}{one.name[1:]} is {one.state} ({one.detail}). {one.remedy}".rstrip()
        for one in unproven
    ]
    if not found:
        return ()
    return ("Measure first: this test is no ground to move a member.", *dict.fromkeys(found))


def _out_of_tolerance(
    plan: _Plan, distances: Mapping[Shaft, MountingDistance], units: Units
) -> tuple[str, ...]:
    """Where the move that would be needed leads each member that leaves its tolerance."""
    return tuple(
        f"The {member} would come to {_place(distances[member], change.move_mm, units)}."
        for member, change in plan.chosen.items()
        if member in distances and not _within(distances[member], change.move_mm)
    )


def _within(distance: MountingDistance, move_mm: float) -> bool:
    # A micrometre of slack, as the precondition has: marked values have two or three decimals.
    return abs(distance.set_mm + move_mm - distance.marked_mm) <= distance.tolerance_mm + 1e-6


def _place(distance: MountingDistance, move_mm: float, units: Units) -> str:
    decimals = 3 if units == "mm" else 4
    after, marked, tolerance = (
        format_length(one, units, decimals=decimals)
        for one in (distance.set_mm + move_mm, distance.marked_mm, distance.tolerance_mm)
    )
    return f"a mounting distance of {after} (marked {marked}, tolerance {tolerance})"


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """The chosen change of each member and what it leads to."""

    chosen: dict[Shaft, Change]
    backlash_mm: float
    interval_mm: Interval
    inside: bool


def _options(
    stocks: Mapping[Shaft, ShimStock], distances: Mapping[Shaft, MountingDistance]
) -> Iterator[tuple[Change, ...]]:
    """Changes of the gear's pack and of the pinion's that keep the mounting distances, no change first."""
    members: tuple[Shaft, Shaft] = ("gear", "pinion")
    for member in members:
        found = changes(stocks.get(member))
        where = distances.get(member)
        yield (
            found
            if where is None
            else tuple(one for one in found if one is NO_CHANGE or _within(where, one.move_mm))
        )


def _search(
    gear_set: GearSet,
    options: Iterable[tuple[Change, ...]],
    backlash_mm: float,
    interval_mm: Interval,
    limits: Interval,
) -> _Plan:
    """Try every pair of changes: the smallest that lands inside, else the one that lands nearest."""
    gear, pinion = options
    moves = (_column(gear)[:, np.newaxis], _column(pinion)[np.newaxis, :])
    thickness = (_spreads(gear)[:, np.newaxis], _spreads(pinion)[np.newaxis, :])
    centre = backlash_mm + shift_mm(gear_set, *moves)
    spread = coverage_factor(np.inf) * shift_uncertainty_mm(gear_set, moves, thickness)
    low = centre - np.hypot(backlash_mm - interval_mm[0], spread)
    high = centre + np.hypot(interval_mm[1] - backlash_mm, spread)
    shortfall = np.maximum(np.maximum(limits[0] - low, high - limits[1]), 0.0)
    inside = shortfall <= 0.0
    size = moves[0] ** 2 + moves[1] ** 2
    cost = np.where(inside, size, np.inf) if inside.any() else shortfall
    best = np.unravel_index(int(np.argmin(cost)), cost.shape)
    return _Plan(
        chosen={"gear": gear[best[0]], "pinion": pinion[best[1]]},
        backlash_mm=float(centre[best]),
        interval_mm=(float(low[best]), float(high[best])),
        inside=bool(inside[best]),
    )


def _column(options: tuple[Change, ...]) -> Floats:
    return np.array([one.move_mm for one in options], dtype=np.float64)


def _spreads(options: tuple[Change, ...]) -> Floats:
    return np.array([one.uncertainty_mm for one in options], dtype=np.float64)


def _advice(
    plan: _Plan,
    stocks: Mapping[Shaft, ShimStock],
    distances: Mapping[Shaft, MountingDistance],
    units: Units,
    limits: Interval,
) -> ShimAdvice:
    moves = tuple(
        _move(member, change, stocks[member], distances.get(member), units)
        for member, change in plan.chosen.items()
        if change.move_mm != 0
    )
    low, high = (format_length(end, units) for end in plan.interval_mm)
    centre = format_length(plan.backlash_mm, units)
    result = f"normal backlash of {centre} at the tight spot ({low} to {high}, 95 %)"
    if not plan.inside:
        wanted = " to ".join(format_length(end, units) if np.isfinite(end) else "any" for end in limits)
        nearest = " ".join(move.sentence for move in moves) or "No change."
        return ShimAdvice(
            answer="no stock reaches it",
            moves=(),
            backlash_mm=plan.backlash_mm,
            interval_mm=plan.interval_mm,
            sentences=(
                f"No shims in stock bring the whole interval inside the limits ({wanted}).",
                f"The nearest would give a {result}: {nearest}",
                "Get other thicknesses, or narrow the uncertainty of the backlash first.",
            ),
        )
    return ShimAdvice(
        answer="move",
        moves=moves,
        backlash_mm=plan.backlash_mm,
        interval_mm=plan.interval_mm,
        sentences=(*(move.sentence for move in moves), f"This predicts a {result}."),
        cautions=(PATTERN_CAUTION,),
    )


def _move(
    member: Shaft, change: Change, stock: ShimStock, distance: MountingDistance | None, units: Units
) -> ShimMove:
    way = "out, away from the apex," if change.move_mm > 0 else "in, towards the apex,"
    pieces = " + ".join(
        format_length(one, units, decimals=3 if units == "mm" else 4) for one in change.shims_mm
    )
    if stock.fitted_mm is not None:
        old = format_length(stock.fitted_mm, units, decimals=3 if units == "mm" else 4)
        action = f"replace the pack of {old} by {pieces}"
    else:
        action = f"{'add' if change.added else 'take away'} {pieces}"
    size = format_length(abs(change.move_mm), units, decimals=3 if units == "mm" else 4)
    leads = "" if distance is None else f" This leads to {_place(distance, change.move_mm, units)}."
    return ShimMove(
        member=member,
        move_mm=change.move_mm,
        shims_mm=change.shims_mm,
        sentence=f"Move the {member} {way} by {size}: {action}.{leads}",
        distance_mm=None if distance is None else distance.set_mm + change.move_mm,
    )


def _refusals(preconditions: tuple[Precondition, ...], limits: Limits) -> tuple[str, ...]:
    """Why no move may be advised, and what to do first; empty when one may."""
    found = []
    for member in ("pinion", "gear"):
        named = [
            one
            for one in preconditions
            if one.name.lower().startswith(MOUNTING_DISTANCE) and member in one.name.lower()
        ]
        if not named:
            found.append(
                f"The {member}'s mounting distance was not recorded: measure it against the marked value "
                "first."
            )
        found += [
            f"The {member}'s mounting distance is {one.state} ({one.detail}): a shim would hide that. "
            f"{one.remedy}".rstrip()
            for one in named
            if one.state != "proven"
        ]
    if limits.minimum_mm is None and limits.maximum_mm is None:
        found.append("No limits for the tight spot were given: enter those of the box's drawing first.")
    return tuple(found)
