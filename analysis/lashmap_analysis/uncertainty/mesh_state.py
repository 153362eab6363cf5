"""From the mesh as it was rocked to the mesh that is stated: corrections, and what they leave open.

Stated is the normal backlash at the outer end, least over the mesh cycle and over the roll within a pitch, at
20 °C (ISO 1), at no torque, members seated as their bearings hold them. Rocked is a box at some temperature,
pressed by some torque, at one roll phase, with members that end play lets float. Decided here: one budget
line each for these four, with its correction; and what is assumed where nobody recorded anything. All of them
shift the backlash of every engagement alike. Not decided here: what the indicator's set-up contributes
(`uncertainty/set_up.py`).

**Temperature.** The housing carries the locating face of a member away from the crossing of the axes by
α_h ΔT_h A, A the mounting distance; the member grows from that face towards the crossing by α_g ΔT_g A. It
has moved out by the difference, ΔA = (α_h ΔT_h − α_g ΔT_g) A, which changes backlash as a shim does: Δj_n = 2
sin α_n K_c (sin δ1 ΔA1 + sin δ2 ΔA2) (derived). Taken for granted: one temperature for the housing and one
for both gears; bearing seats at the locating faces; a gear set grows in all its dimensions alike, which keeps
its angles and changes its own play by a ten-thousandth only.

**End play.** A member may sit anywhere within its end play e: half of it to either side, as a move of the
member. With spiral teeth the two flanks push it to opposite ends besides, along its teeth, and the rock
reads up to e cos δ cos α_n sin β K_c too much (derived).

**Torque.** Each press bends teeth, shafts and bearings on; what the reading grows by for each N m, found by
rocking one position with two torques, is taken back to none.

**Roll phase.** Positions are whole teeth of the gear, so that all are read at one phase of the roll; the
least within a pitch lies below by anything up to the variation there. Where the tight spot was rocked at
three phases, `uncertainty/roll.py` says by how much.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from math import cos, hypot, inf, radians, sin, sqrt
from typing import TYPE_CHECKING

from lashmap_analysis.record.conditions import EXPANSION
from lashmap_analysis.record.lengths import format_length, format_rate
from lashmap_analysis.record.record import ROLLED, Purpose
from lashmap_analysis.uncertainty.budget import BudgetLine

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.gears.indicator import Indicator
    from lashmap_analysis.record.conditions import Conditions
    from lashmap_analysis.record.record import Units


REFERENCE_C = 20.0  # ISO 1
# Half-width of a coefficient of expansion, in µm per metre and kelvin (from memory; GUM H.1.3.3 allows ± 2
# for a piece of steel of which nothing else is known).
EXPANSION_HALF_WIDTH = 1.0
# A temperature that nobody recorded: a hall at 20 °C give or take 5 K, gears within 2 K of the housing, as
# after a night in it (from memory).
HALL_HALF_WIDTH_K = 5.0
APART_HALF_WIDTH_K = 2.0
# A mounting distance that nobody recorded: the back face lies about a third of the cone distance behind the
# pitch circle's plane (from memory); known to a fifth.
BACK_FACE_PER_CONE = 0.35
DISTANCE_SHARE = 0.2
# Bearings said to have end play, without a figure (from memory).
END_PLAY_MM = 0.02
# A light rock by hand opens up to a micrometre (from memory).
LIGHT_ROCK_MM = 0.001
LIGHT_ROCK_NM = 2.0  # a hand on a short bar (from memory, no source)
# Standard uncertainty of a torque by hand, and of a compliance, as a part of it (from memory).
TORQUE_SHARE = 0.2
# Variation of the play within one pitch of usual crowning is 1 to 3 µm (from memory): the least lies 1 µm
# below what is read on average, with a standard deviation of 0.75 µm.
ROLL_MEAN_MM = 0.001
ROLL_DEVIATION_MM = 0.00075

TEMPERATURE = "temperature"
END_PLAY = "end play of the bearings"
TORQUE = "rock torque"
ROLL = "roll phase within a pitch"
SHIFTS = frozenset({TEMPERATURE, END_PLAY, TORQUE, ROLL})
"""Lines that shift every engagement alike, so that differences between engagements do not feel them."""


def mesh_lines(
    gear_set: GearSet,
    indicator: Indicator,
    conditions: Conditions,
    *,
    units: Units = "mm",
    over_roll: bool = False,
) -> tuple[BudgetLine, ...]:
    """List what separates the rocked mesh from the stated one, each with its correction.

    Args:
        gear_set: The gear set under test.
        indicator: The indicator, whose reading the torque's compliance is said in.
        conditions: How the box was when it was tested.
        units: Unit the figures in the table are written in.
        over_roll: The least over the roll was measured, as a cycle run does: then the roll has no line.

    Returns:
        Lines in the order they are shown; what has no uncertainty at all has none.
    """
    return (
        _temperature_line(gear_set, conditions, units),
        *_end_play_lines(gear_set, conditions, units),
        _torque_line(gear_set, indicator, conditions, units),
        *(() if over_roll else (_roll_line(conditions, units),)),
    )


def shifts_of(purpose: Purpose) -> frozenset[str]:
    """Lines that correct a position: where the pair was rolled on, the roll is what is measured."""
    return SHIFTS - {ROLL} if purpose in ROLLED else SHIFTS


def correction_mm(
    gear_set: GearSet, indicator: Indicator, conditions: Conditions, *, of: Collection[str] = SHIFTS
) -> float:
    """What is added to every backlash as rocked, to state it as the module text says, in mm.

    `of` names the lines that are asked for.
    """
    lines = mesh_lines(gear_set, indicator, conditions)
    return sum(line.correction_mm for line in lines if line.quantity in of)


@dataclass(frozen=True, kw_only=True)
class _Warmth:
    """Deviations from 20 °C and their standard uncertainties: common to both, and of each by itself."""

    housing_k: float
    gears_k: float
    common_k: float
    housing_own_k: float
    gears_own_k: float


def _temperature_line(gear_set: GearSet, conditions: Conditions, units: Units) -> BudgetLine:
    warmth = _warmth(conditions)
    housing, housing_u = _expansion(conditions.housing_expansion_um_per_m_k)
    gears, gears_u = _expansion(conditions.gears_expansion_um_per_m_k)
    reach, reach_u = _reach_mm(gear_set, conditions)
    opened = housing * warmth.housing_k - gears * warmth.gears_k
    # Products of two uncertain factors to second order (GUM 5.1.2, note): temperature times coefficient.
    spread = hypot(
        (housing - gears) * warmth.common_k,
        housing * warmth.housing_own_k,
        gears * warmth.gears_own_k,
        housing_u * hypot(warmth.housing_k, warmth.common_k, warmth.housing_own_k),
        gears_u * hypot(warmth.gears_k, warmth.common_k, warmth.gears_own_k),
    )
    given = conditions.housing_c is not None or conditions.gears_c is not None
    figures = [
        f"{name} {REFERENCE_C + kelvin:.1f} °C"
        for name, kelvin in (("housing", warmth.housing_k), ("gears", warmth.gears_k))
    ]
    material = _material(conditions.housing_expansion_um_per_m_k, units)
    change = reach * opened
    told = f"{', '.join(figures)}; housing {material}; {_corrected(-change, units)}"
    assumed = f"not given, taken as 20 °C ± {HALL_HALF_WIDTH_K:g} K; housing {material}"
    return BudgetLine(
        quantity=TEMPERATURE,
        value=told if given else assumed,
        distribution="normal" if given else "rectangular",
        standard_uncertainty_mm=hypot(reach * spread, reach_u * opened),
        degrees_of_freedom=inf,
        source="thermometer and expansion coefficients (type B)" if given else "a hall (type B, from memory)",
        remedy="record the temperature of housing and gears, and the housing's material",
        correction_mm=-change,
    )


def _warmth(conditions: Conditions) -> _Warmth:
    own = conditions.temperature_uncertainty_c
    apart = APART_HALF_WIDTH_K / sqrt(3)
    housing, gears = conditions.housing_c, conditions.gears_c
    if housing is None and gears is None:
        return _Warmth(
            housing_k=0.0,
            gears_k=0.0,
            common_k=HALL_HALF_WIDTH_K / sqrt(3),
            housing_own_k=0.0,
            gears_own_k=apart,
        )
    # One of them alone stands for the other too, within what gears and housing are apart.
    return _Warmth(
        housing_k=(housing if housing is not None else gears or 0.0) - REFERENCE_C,
        gears_k=(gears if gears is not None else housing or 0.0) - REFERENCE_C,
        common_k=0.0,
        housing_own_k=own if housing is not None else hypot(own, apart),
        gears_own_k=own if gears is not None else hypot(own, apart),
    )


def _expansion(um_per_m_k: float | None) -> tuple[float, float]:
    """Coefficient and its standard uncertainty, in 1/K; any from cast iron to aluminium when not given."""
    figure, half_width = um_per_m_k, EXPANSION_HALF_WIDTH
    if figure is None:
        low, high = EXPANSION["cast iron"], EXPANSION["aluminium"]
        figure, half_width = (low + high) / 2, (high - low) / 2
    return 1e-6 * figure, 1e-6 * half_width / sqrt(3)


def _material(um_per_m_k: float | None, units: Units) -> str:
    if um_per_m_k is None:
        return "of unknown material"
    return next((f"of {name}" for name, figure in EXPANSION.items() if figure == um_per_m_k), "") or (
        f"of {format_rate(um_per_m_k, 'µm/(m K)', units)}"
    )


def _reach_mm(gear_set: GearSet, conditions: Conditions) -> tuple[float, float]:
    """Sum of change of backlash per move times mounting distance over both members, and its uncertainty."""
    total = variance = 0.0
    for per_move, distance, angle in (
        (gear_set.lash_per_pinion_move, conditions.pinion_distance_mm, gear_set.pinion_pitch_angle_rad),
        (gear_set.lash_per_gear_move, conditions.gear_distance_mm, gear_set.gear_pitch_angle_rad),
    ):
        # The plane of a member's outer pitch circle lies R_e cos δ from the crossing.
        assumed = (cos(angle) + BACK_FACE_PER_CONE) * gear_set.outer_cone_distance_mm
        total += per_move * (assumed if distance is None else distance)
        variance += 0.0 if distance is not None else (DISTANCE_SHARE * per_move * assumed) ** 2
    return total, hypot(gear_set.contact_factor_spread * total, sqrt(variance))


def _end_play_lines(gear_set: GearSet, conditions: Conditions, units: Units) -> tuple[BudgetLine, ...]:
    given = (conditions.pinion_end_play_mm, conditions.gear_end_play_mm)
    unknown = conditions.has_end_play and None in given  # of the other member, too, when one has a figure
    plays = [END_PLAY_MM if one is None and conditions.has_end_play else one or 0.0 for one in given]
    if not any(plays):
        return ()
    moves = (gear_set.lash_per_pinion_move, gear_set.lash_per_gear_move)
    half_widths = [move * play / 2 for move, play in zip(moves, plays, strict=True)]
    half_widths += [push * play for push, play in zip(pushed_per_end_play(gear_set), plays, strict=True)]
    decimals = 3 if units == "mm" else 4
    figures = ", ".join(
        f"{member} {format_length(play, units, decimals=decimals)}"
        for member, play in zip(("pinion", "gear"), plays, strict=True)
    )
    line = BudgetLine(
        quantity=END_PLAY,
        value=f"not given of both, taken as {figures}" if unknown else figures,
        distribution="rectangular",
        standard_uncertainty_mm=hypot(*half_widths) / sqrt(3),
        degrees_of_freedom=inf,
        source="bearings said to have end play (type B, from memory)" if unknown else "the box file (type B)",
        remedy="measure the end play of pinion and gear (mounting.gear_end_play_mm), or preload the bearings",
    )
    return (line,)


def pushed_per_end_play(gear_set: GearSet) -> tuple[float, float]:
    """What end play of pinion and gear adds to a rock whose flanks push the member to opposite ends."""
    spiral = abs(gear_set.spiral_angle_rad(gear_set.contact_cone_distance_mm))
    alpha = radians(gear_set.normal_pressure_angle_deg)
    along = cos(alpha) * sin(spiral) * gear_set.contact_factor
    return along * cos(gear_set.pinion_pitch_angle_rad), along * cos(gear_set.gear_pitch_angle_rad)


def _torque_line(gear_set: GearSet, indicator: Indicator, conditions: Conditions, units: Units) -> BudgetLine:
    torque, compliance = conditions.rock_nm, conditions.compliance_um_per_nm
    remedy = "rock one position with two torques and record both (torque.second_nm, torque.second_adds_mm)"
    if torque is None or compliance is None:
        opens = LIGHT_ROCK_MM * max((torque or 0.0) / LIGHT_ROCK_NM, 1.0)
        given = "not given" if torque is None else f"{torque:g} N m, compliance not given"
        return BudgetLine(
            quantity=TORQUE,
            value=f"{given}, opens up to {format_length(opens, units)}",
            distribution="rectangular",
            standard_uncertainty_mm=opens / sqrt(3),
            degrees_of_freedom=inf,
            source="a light rock by hand (type B, from memory)",
            remedy=remedy,
        )
    torque_u = conditions.rock_uncertainty_nm
    compliance_u = conditions.compliance_uncertainty_um_per_nm
    torque_u = TORQUE_SHARE * torque if torque_u is None else torque_u
    compliance_u = TORQUE_SHARE * compliance if compliance_u is None else compliance_u
    per_um = 1e-3 * indicator.normal_per_reading(gear_set)
    opened = per_um * compliance * torque
    return BudgetLine(
        quantity=TORQUE,
        value=f"{torque:g} N m at {format_rate(compliance, 'µm/(N m)', units)}, {_corrected(-opened, units)}",
        distribution="normal",
        standard_uncertainty_mm=per_um * hypot(compliance * torque_u, torque * compliance_u),
        degrees_of_freedom=inf,
        source="rocks with two torques (type B)",
        remedy="rock more lightly",
        correction_mm=-opened,
    )


def _roll_line(conditions: Conditions, units: Units) -> BudgetLine:
    variation, seen = conditions.roll_variation_mm, conditions.roll_seen
    if seen is not None:
        back, forward = (format_length(one, units, signed=True) for one in (seen.back_mm, seen.forward_mm))
        return BudgetLine(
            quantity=ROLL,
            value=f"a third back {back}, a third forward {forward}, {_corrected(seen.correction_mm, units)}",
            distribution="normal",
            standard_uncertainty_mm=seen.standard_uncertainty_mm,
            degrees_of_freedom=inf,
            source="rocks at three phases of the roll (type A) and usual crowning (type B, from memory)",
            remedy="make the tip's setting repeat better, then rock the three phases again",
            correction_mm=seen.correction_mm,
        )
    if variation is None:
        least, most = (format_length(one, units) for one in (0.001, 0.003))
        # The mean is not corrected, being from memory, so its square is added (GUM F.2.4.5).
        return BudgetLine(
            quantity=ROLL,
            value=f"not given, varies by {least} to {most}",
            distribution="normal",
            standard_uncertainty_mm=hypot(ROLL_MEAN_MM, ROLL_DEVIATION_MM),
            degrees_of_freedom=inf,
            source="usual crowning (type B, from memory), not corrected",
            remedy="rock the tight spot at three phases of the roll (plan.roll_phases = 3, with an encoder), "
            "or record how the play varies within a pitch (contact.roll_variation_mm)",
        )
    return BudgetLine(
        quantity=ROLL,
        value=f"varies by {format_length(variation, units)}, {_corrected(-variation / 2, units)}",
        distribution="rectangular",
        standard_uncertainty_mm=variation / 2 / sqrt(3),
        degrees_of_freedom=inf,
        source="rocks within one pitch (type B)",
        correction_mm=-variation / 2,
    )


def _corrected(length_mm: float, units: Units) -> str:
    shown = format_length(length_mm, units, signed=True)
    return (
        f"corrected by {shown}" if shown != format_length(0.0, units, signed=True) else "nothing to correct"
    )
