"""The sentence that says where the tight spot lies and what moved it there.

Decided here: words only; the cause itself is the lash map's (`lash_map.py`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.lengths import format_length

if TYPE_CHECKING:
    from lashmap_analysis.gear_set import GearSet
    from lashmap_analysis.lash_map import LashMap, Runout
    from lashmap_analysis.record import Units


def cause_sentence(lash_map: LashMap, *, units: Units = "mm") -> str:
    """Say where the tight spot lies, in teeth and degrees from the matched teeth, and what moved it there."""
    where = place(lash_map.gear_set, lash_map.tight_spot.engagement)
    return f"The tight spot lies {where}. {_what_moved_it(lash_map, units)}".strip()


def place(gear_set: GearSet, engagement: int) -> str:
    """Say where an engagement is: the shorter way from the matched teeth, in teeth and degrees."""
    cycle = gear_set.mesh_cycle
    steps = (engagement + cycle // 2) % cycle - cycle // 2
    if steps == 0:
        return "at the matched teeth"
    way = "past" if steps > 0 else "before"
    count = abs(steps)
    noun = "engagement" if count == 1 else "engagements"
    gear = _on_member("gear", count, gear_set.gear_teeth)
    pinion = _on_member("pinion", count, gear_set.pinion_teeth)
    return f"{count} {noun} {way} the matched teeth: {gear}, {pinion}"


def _on_member(member: str, count: int, teeth: int) -> str:
    turns, rest = divmod(count, teeth)
    whole = "" if turns == 0 else f"{turns} turn{'s' if turns > 1 else ''} and "
    return f"{member} {whole}{rest} {'tooth' if rest == 1 else 'teeth'} ({rest * 360 / teeth:.1f}°)"


def _what_moved_it(lash_map: LashMap, units: Units) -> str:
    gear = _runout_text("gear", lash_map.gear_runout, units)
    pinion = _runout_text("pinion", lash_map.pinion_runout, units)
    scatter = format_length(lash_map.tooth_scatter_mm, units)
    separable = lash_map.separable
    match lash_map.cause:
        case "gear side":
            return f"The gear side moved it there: {gear}."
        case "pinion side":
            return f"The pinion side moved it there: {pinion}."
        case "both members":
            return f"Both members moved it there: {gear}; {pinion}."
        case "tooth-to-tooth":
            return f"Single teeth moved it there: backlash scatters by {scatter} from tooth to tooth."
        case "none":
            return "Nothing stands out that moved it there: backlash varies little around the mesh cycle."
    return " ".join(part for part in (separable.sentence, separable.remedy) if part) or (
        f"What moved it there: {lash_map.cause}."
    )


def _runout_text(member: str, runout: Runout | None, units: Units) -> str:
    if runout is None:
        return f"the {member}'s part does not stand by itself"
    amplitude = format_length(runout.amplitude_mm, units)
    return (
        f"the {member}'s once-per-turn part has an amplitude of {amplitude} and takes most at "
        f"{runout.high_point_deg:.0f}° of its turn"
    )
