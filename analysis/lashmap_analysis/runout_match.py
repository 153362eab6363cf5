"""Does the measured runout of a shaft explain the lash map's once-per-turn part?

Decided here: what lash a runout makes, and when the two agree. The relation is that of the lash map itself:
runout F (FIM, perpendicular to the pitch cone) makes a peak-to-peak lash variation of 2 F sin α_n
(DESIGN §3).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, hypot, radians, sin
from typing import TYPE_CHECKING, Literal

from lashmap_analysis.lengths import format_length

if TYPE_CHECKING:
    from lashmap_analysis.gear_set import GearSet
    from lashmap_analysis.lash_map import Runout
    from lashmap_analysis.record import Shaft, Units
    from lashmap_analysis.runout import RunoutSweep

Look = Literal["perpendicular to the pitch cone", "radial"]
AGREEMENT_FACTOR = 2.0
# The relation holds within a few per cent (flank contact by vectors, tests of the simulated stand).
RELATION_SHARE = 0.03


@dataclass(frozen=True, kw_only=True)
class RunoutMatch:
    """A shaft's runout against the lash map's.

    Attributes:
        explains: True when amplitude and high point both agree within twice their combined standard
            uncertainties, the relation's own allowance included; the amplitude alone when nobody recorded
            where the indicator sat; None when the lash map has no part of that member to compare with.
        predicted_amplitude_mm: Amplitude of normal backlash that the measured runout makes.
        standard_uncertainty_mm: Of that.
        amplitude_difference_mm: The lash map's amplitude minus that; None without one.
        high_point_difference_deg: The lash map's high point minus the measured one, −180 … 180; None
            when they cannot be compared.
        sentence: The answer in words.
    """

    explains: bool | None
    predicted_amplitude_mm: float
    standard_uncertainty_mm: float
    amplitude_difference_mm: float | None
    high_point_difference_deg: float | None
    sentence: str


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
            point seen there was at the mesh that much earlier. None when it is not known: then only the
            amplitudes are compared.
        merged: In a 1:1 set the lash map's sum of both members, for the sentence.
        units: Unit of the figures in the sentence.

    Returns:
        The comparison. Axial runout (wobble) moves the mesh too and is not in a radial sweep, so that a *no*
        means: there is more than this.
    """
    angle = gear_set.gear_pitch_angle_rad if shaft == "gear" else gear_set.pinion_pitch_angle_rad
    across = cos(angle) if look == "radial" else 1.0
    # FIM of the once-per-turn part is twice its amplitude, and the lash amplitude is half of 2 F sin α_n.
    factor = 2 * across * sin(radians(gear_set.normal_pressure_angle_deg))
    predicted = factor * sweep.once.amplitude_mm
    spread = factor * sweep.once.standard_uncertainty_mm
    made = f"The {shaft}'s measured runout makes a lash amplitude of {format_length(predicted, units)}"
    if lash_runout is None:
        alone = f"the lash map has no {shaft} part of its own to compare it with"
        if merged is not None:
            both = format_length(merged.amplitude_mm, units)
            alone = f"the lash map knows only the sum of both members, whose amplitude is {both}"
        return RunoutMatch(
            explains=None,
            predicted_amplitude_mm=predicted,
            standard_uncertainty_mm=spread,
            amplitude_difference_mm=None,
            high_point_difference_deg=None,
            sentence=f"{made}; {alone}.",
        )
    difference = lash_runout.amplitude_mm - predicted
    combined = hypot(spread, lash_runout.standard_uncertainty_mm, RELATION_SHARE * predicted)
    turn = None
    across_mm = 0.0
    if indicator_past_mesh_deg is not None:
        seen = sweep.once.high_point_deg - indicator_past_mesh_deg
        turn = (lash_runout.high_point_deg - seen + 180) % 360 - 180
        # As vectors: the part of the difference that lies across the amplitude, at the smaller of both.
        across_mm = 2 * min(predicted, lash_runout.amplitude_mm) * sin(radians(abs(turn) / 2))
    explains = hypot(difference, across_mm) <= AGREEMENT_FACTOR * combined
    verb = "explains" if explains else "does not explain"
    place = (
        "high points not compared, since nobody recorded where the indicator sat"
        if turn is None
        else f"high point {turn:+.0f}° away from the lash map's"
    )
    return RunoutMatch(
        explains=explains,
        predicted_amplitude_mm=predicted,
        standard_uncertainty_mm=spread,
        amplitude_difference_mm=difference,
        high_point_difference_deg=turn,
        sentence=f"{made}, {place}: it {verb} the lash map's "
        f"amplitude of {format_length(lash_runout.amplitude_mm, units)}.",
    )
