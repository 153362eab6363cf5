"""Does the measured runout of a shaft explain the lash map's once-per-turn part?

Decided here: what lash a runout makes, when the two agree, and when nothing can be said. The relation is that
of the lash map itself: runout F (FIM, perpendicular to the pitch cone) makes a peak-to-peak lash variation of
2 F sin α_n K_c, K_c from where along the face the teeth touch (`gears/gear_set.py`). Both are compared as
vectors, amplitude and high point together, since two equal amplitudes half a turn apart explain nothing. What
it takes at the tight spot is decided in `judge/assess.py`.
"""

from __future__ import annotations

from cmath import phase, rect
from dataclasses import dataclass, replace
from math import cos, degrees, hypot, isnan, radians, sin, sqrt
from typing import Literal

import numpy as np

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.lash_map.lash_map import Runout
from lashmap_analysis.record.lengths import format_length, format_spread
from lashmap_analysis.record.record import Shaft, Units
from lashmap_analysis.runout.sweep import RunoutSweep

Look = Literal["perpendicular to the pitch cone", "radial"]
AGREEMENT_FACTOR = 2.0
# 95 % point of chi-squared with two degrees of freedom, −2 ln 0.05: along and across the amplitude.
VECTOR_LIMIT = 5.991
# The relation holds within a few per cent (flank contact by vectors, tests of the simulated stand).
RELATION_SHARE = 0.03
# Standard uncertainty of where the indicator sat, set by eye against the mesh (common practice, no source).
PLACE_DEG = 5.0
ANYWHERE_DEG = 360 / sqrt(12)  # standard uncertainty of a point anywhere on the turn (GUM 4.3.7)
LEAST_MM = 1e-6  # a nanometre: keeps the comparison of figures without uncertainty sound


@dataclass(frozen=True, kw_only=True)
class Remainder:
    """What is left for the other member of a set whose map knows only the sum of both.

    Attributes:
        amplitude_mm: Amplitude of normal backlash.
        high_point_deg: Angle past the matched teeth where it takes most backlash away, 0 … 360.
        standard_uncertainty_mm: Of either component of the difference.
    """

    amplitude_mm: float
    high_point_deg: float
    standard_uncertainty_mm: float


@dataclass(frozen=True, kw_only=True)
class RunoutMatch:
    """A shaft's runout against the lash map's.

    Attributes:
        explains: True when the lash map's part stands out from nothing and agrees with the measured runout at
            95 %, amplitude and high point together (the amplitude alone when nobody recorded where the
            indicator sat); False when they disagree; None when there is nothing to compare with, or when the
            map knows its part so badly that no runout at all would agree as well.
        predicted_amplitude_mm: Amplitude of normal backlash that the measured runout makes.
        standard_uncertainty_mm: Of that, the relation's own allowance included.
        amplitude_difference_mm: The lash map's amplitude minus that; None without one.
        high_point_difference_deg: The lash map's high point minus the measured one, −180 … 180; None
            when they cannot be compared.
        sentence: The answer in words.
        mesh_high_point_deg: Angle of the member past the matched teeth at which its measured high point is at
            the mesh, 0 … 360; None when nobody recorded where the indicator sat.
        remainder: In a 1:1 set what the sweep leaves for the other member; None otherwise, or when that
            cannot be told.
    """

    explains: bool | None
    predicted_amplitude_mm: float
    standard_uncertainty_mm: float
    amplitude_difference_mm: float | None
    high_point_difference_deg: float | None
    sentence: str
    mesh_high_point_deg: float | None = None
    remainder: Remainder | None = None


@dataclass(frozen=True, kw_only=True)
class _Wave:
    """A once-per-turn part: amplitude, uncertainty along and across itself, high point (None: unknown)."""

    amplitude_mm: float
    along_mm: float
    across_mm: float
    high_deg: float | None


def match_runout(
    sweep: RunoutSweep,
    lash_runout: Runout | None,
    *,
    gear_set: GearSet,
    shaft: Shaft,
    look: Look = "radial",
    indicator_past_mesh_deg: float | None = 0.0,
    merged: Runout | None = None,
    units: Units = "mm",
) -> RunoutMatch:
    """Compare a runout sweep with the lash map's part of the same member.

    Args:
        sweep: The sweep; its angle is that of the member past the matched teeth.
        lash_runout: The lash map's once-per-turn part of that member, or None.
        gear_set: The gear set under test.
        shaft: The member that was swept.
        look: Line of action of the indicator. A radial runout e counts as e cos δ across the pitch cone.
        indicator_past_mesh_deg: Angle from the mesh on to the indicator, in the sense of the encoder: a high
            point at β of the member is at the indicator when β + θ = φ, at the mesh when β + θ = 0. None when
            it is not known: then only the amplitudes are compared.
        merged: In a 1:1 set the lash map's sum of both members.
        units: Unit of the figures in the sentence.

    Returns:
        The comparison. Axial runout (wobble) moves the mesh too and is not in a radial sweep, so that a *no*
        means: there is more than this.
    """
    measured = _as_lash(sweep, gear_set, shaft, look, indicator_past_mesh_deg)
    explains, turn = _compared(measured, lash_runout) if lash_runout is not None else (None, None)
    difference = None if lash_runout is None else lash_runout.amplitude_mm - measured.amplitude_mm
    remainder = _remainder(measured, merged) if lash_runout is None and merged is not None else None
    match = RunoutMatch(
        explains=explains,
        predicted_amplitude_mm=measured.amplitude_mm,
        standard_uncertainty_mm=measured.along_mm,
        amplitude_difference_mm=difference,
        high_point_difference_deg=turn,
        sentence="",
        mesh_high_point_deg=measured.high_deg,
        remainder=remainder,
    )
    return replace(match, sentence=_match_sentence(match, shaft, lash_runout, merged, units))


def _as_lash(
    sweep: RunoutSweep, gear_set: GearSet, shaft: Shaft, look: Look, past_mesh_deg: float | None
) -> _Wave:
    """The lash that the measured runout makes, at the mesh."""
    angle = gear_set.gear_pitch_angle_rad if shaft == "gear" else gear_set.pinion_pitch_angle_rad
    to_cone = cos(angle) if look == "radial" else 1.0
    # FIM of the once-per-turn part is twice its amplitude, and the lash amplitude half of its peak to peak.
    factor = to_cone * gear_set.lash_per_runout
    amplitude = factor * sweep.once.amplitude_mm
    spread = factor * sweep.once.standard_uncertainty_mm
    turned = min(sweep.angle_uncertainty_deg, ANYWHERE_DEG)
    return _Wave(
        amplitude_mm=amplitude,
        along_mm=hypot(spread, hypot(RELATION_SHARE, gear_set.contact_factor_spread) * amplitude),
        across_mm=hypot(spread, radians(hypot(PLACE_DEG, turned)) * amplitude),
        high_deg=None if past_mesh_deg is None else (sweep.once.high_point_deg - past_mesh_deg) % 360,
    )


def _compared(measured: _Wave, lash: Runout) -> tuple[bool | None, float | None]:
    """Whether the measured runout explains the lash map's part, and how far apart the high points are."""
    if measured.high_deg is None:
        allowed = AGREEMENT_FACTOR * hypot(measured.along_mm, lash.standard_uncertainty_mm)
        agree = abs(lash.amplitude_mm - measured.amplitude_mm) <= allowed
        return _answer(agree=agree, stands=lash.amplitude_mm > allowed), None
    turn = (lash.high_point_deg - measured.high_deg + 180) % 360 - 180
    # In the frame of the lash map's part: along it, and across it.
    c, s = cos(radians(turn)), sin(radians(turn))
    rotated = np.array([[c, s], [-s, c]])
    own = np.diag(np.square([measured.along_mm, measured.across_mm]))
    sideways = lash.amplitude_mm * radians(lash.high_point_uncertainty_deg)
    of_map = np.diag(np.square([hypot(lash.standard_uncertainty_mm, LEAST_MM), hypot(sideways, LEAST_MM)]))
    covariance = rotated @ own @ rotated.T + of_map
    nothing = np.array([lash.amplitude_mm, 0.0])
    apart = nothing - measured.amplitude_mm * np.array([c, -s])
    agree = bool(apart @ np.linalg.solve(covariance, apart) <= VECTOR_LIMIT)
    stands = bool(nothing @ np.linalg.solve(covariance, nothing) > VECTOR_LIMIT)
    return _answer(agree=agree, stands=stands), turn


def _answer(*, agree: bool, stands: bool) -> bool | None:
    """What agrees with a part that may as well be nothing explains nothing."""
    if not agree:
        return False
    return True if stands else None


def _remainder(measured: _Wave, merged: Runout) -> Remainder | None:
    """The sum minus this member, as vectors: in a 1:1 set both turn by one angle."""
    if measured.high_deg is None:
        return None
    left = rect(merged.amplitude_mm, radians(merged.high_point_deg))
    left -= rect(measured.amplitude_mm, radians(measured.high_deg))
    sideways = merged.amplitude_mm * radians(merged.high_point_uncertainty_deg)
    larger = max(merged.standard_uncertainty_mm, sideways), max(measured.along_mm, measured.across_mm)
    return Remainder(
        amplitude_mm=abs(left),
        high_point_deg=degrees(phase(left)) % 360,
        standard_uncertainty_mm=sqrt(larger[0] ** 2 + larger[1] ** 2),
    )


OTHER: dict[Shaft, Shaft] = {"gear": "pinion", "pinion": "gear"}
NO_PLACE = "high points not compared, since nobody recorded where the indicator sat"


def sweep_sentence(sweep: RunoutSweep, units: Units) -> str:
    """Say what the indicator moved, and how well the turns repeat."""
    u = format_spread(sweep.fim_uncertainty_mm, units)
    repeats = "one turn only, so that nobody knows how it repeats"
    if not isnan(sweep.repeatability_mm):
        turns = f"{sweep.turns} turns, repeating to"
        repeats = f"{turns} {format_spread(sweep.repeatability_mm, units)}"
    return f"FIM {format_length(sweep.fim_mm, units)} (u = {u}) over {repeats}."


def _match_sentence(
    match: RunoutMatch, shaft: Shaft, lash: Runout | None, merged: Runout | None, units: Units
) -> str:
    """Say what lash the runout makes and whether that is the lash map's, and if not, what to look at."""
    predicted_mm, turn_deg = match.predicted_amplitude_mm, match.high_point_difference_deg
    made = f"The {shaft}'s measured runout makes a lash amplitude of {format_length(predicted_mm, units)}"
    if lash is None:
        return f"{made}; {_without_part(shaft, predicted_mm, merged, match.remainder, units)}"
    place = NO_PLACE if turn_deg is None else _place(turn_deg)
    part = f"the lash map's amplitude of {format_length(lash.amplitude_mm, units)}"
    match match.explains:
        case True:
            if turn_deg is None:
                return f"{made}, {place}: by its size it may explain {part}."
            return f"{made}, {place}: it explains {part}."
        case None:
            u = format_spread(lash.standard_uncertainty_mm, units)
            weak = "which is too little known to stand out from nothing. More positions would tell."
            if lash.stands_out:
                weak = "since map and sweep together are too little known. A sweep of more turns would tell."
            return f"{made}, {place}: it cannot be told whether it explains {part} (u = {u}), {weak}"
        case False:
            look = _look_elsewhere(shaft, predicted_mm, lash.amplitude_mm, turn_deg)
            return f"{made}, {place}: it does not explain {part}. {look}"


def tight_spot_sentence(part_mm: float, depth_mm: float, depth_uncertainty_mm: float, units: Units) -> str:
    """Say what share of the tight spot this runout makes.

    Args:
        part_mm: Backlash that the runout takes at the tight spot; negative where it gives.
        depth_mm: How far the tight spot lies below the mean backlash.
        depth_uncertainty_mm: Its standard uncertainty; no share is stated of a depth less than twice this.
        units: Unit of the figures.
    """
    part, depth = format_length(abs(part_mm), units), format_length(depth_mm, units)
    if part_mm <= 0:
        return f"At the tight spot this runout gives {part} rather than taking it: it did not put it there."
    share = f": {100 * part_mm / depth_mm:.0f} %" if depth_mm > 2 * depth_uncertainty_mm else ""
    return f"At the tight spot it takes {part} of the {depth} by which that lies below the mean{share}."


def _place(turn_deg: float) -> str:
    """Where the measured high point lies, seen from the lash map's, which is `turn_deg` past it."""
    apart = abs(round(turn_deg))
    if apart == 0:
        return "high point where the lash map's is"
    return f"high point {apart}° {'before' if turn_deg > 0 else 'past'} the lash map's"


def _without_part(
    shaft: Shaft, predicted_mm: float, merged: Runout | None, remainder: Remainder | None, units: Units
) -> str:
    other = OTHER[shaft]
    if merged is None:
        return f"the lash map has no {shaft} part of its own to compare it with."
    both = format_length(merged.amplitude_mm, units)
    start = f"the lash map knows only the sum of both members, whose amplitude is {both}"
    if remainder is None:
        least = format_length(abs(merged.amplitude_mm - predicted_mm), units, with_unit=False)
        most = format_length(merged.amplitude_mm + predicted_mm, units)
        return (
            f"{start}; what remains for the {other} is anything from about {least} to {most}, since nobody "
            "recorded where the indicator sat."
        )
    left = format_length(remainder.amplitude_mm, units)
    u = format_spread(remainder.standard_uncertainty_mm, units)
    if remainder.amplitude_mm <= 2 * remainder.standard_uncertainty_mm:
        return f"{start}; what remains for the {other} does not stand out from nothing ({left}, u = {u})."
    return (
        f"{start}; what remains for the {other} is {left} (u = {u}), taking most at "
        f"{remainder.high_point_deg:.0f}°."
    )


def _look_elsewhere(shaft: Shaft, predicted_mm: float, lash_mm: float, turn_deg: float | None) -> str:
    """Name what else there may be (common practice, no source)."""
    placed = "" if turn_deg is None else " and sat where it was said to sit"
    check = f"check that the indicator stood square to the pitch cone{placed}"
    if predicted_mm > lash_mm:
        return (
            f"Less reaches the mesh than was measured: {check}; else the cutting of the teeth works against "
            f"the {shaft} shaft's runout."
        )
    return (
        f"There is more than this runout: look for wobble of the {shaft} (axial runout of its back face) and "
        f"for tooth spacing that runs out with the cutting; {check}."
    )
