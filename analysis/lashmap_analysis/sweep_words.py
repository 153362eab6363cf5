"""What a runout sweep says, in sentences for the technician.

Decided here: words only. Whether a runout explains the lash is decided in `runout_match.py`, what it takes at
the tight spot in `sweep_result.py`.
"""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING

from lashmap_analysis.lengths import format_length, format_spread

if TYPE_CHECKING:
    from lashmap_analysis.lash_map import Runout
    from lashmap_analysis.record import Shaft, Units
    from lashmap_analysis.runout import RunoutSweep
    from lashmap_analysis.runout_match import Remainder

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


def match_sentence(
    shaft: Shaft,
    *,
    predicted_mm: float,
    lash: Runout | None,
    merged: Runout | None,
    explains: bool | None,
    turn_deg: float | None,
    remainder: Remainder | None,
    units: Units,
) -> str:
    """Say what lash the runout makes and whether that is the lash map's, and if not, what to look at."""
    made = f"The {shaft}'s measured runout makes a lash amplitude of {format_length(predicted_mm, units)}"
    if lash is None:
        return f"{made}; {_without_part(shaft, predicted_mm, merged, remainder, units)}"
    place = NO_PLACE if turn_deg is None else _place(turn_deg)
    part = f"the lash map's amplitude of {format_length(lash.amplitude_mm, units)}"
    match explains:
        case True:
            if turn_deg is None:
                return f"{made}, {place}: by its size it may explain {part}."
            return f"{made}, {place}: it explains {part}."
        case None:
            u = format_spread(lash.standard_uncertainty_mm, units)
            return (
                f"{made}, {place}: it cannot be told whether it explains {part} (u = {u}), "
                "which is too little known to stand out from nothing. More positions would tell."
            )
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
