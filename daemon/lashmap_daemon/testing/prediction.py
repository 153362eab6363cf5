"""What the lash map of the accepted positions predicts while a test runs, and what is to be measured next."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.lash_map.confirming import next_position
from lashmap_analysis.lash_map.lash_map import LashMap, LashMapError, fit_lash_map
from lashmap_analysis.record.record import ROLLED, Purpose

from lashmap_daemon.story import events
from lashmap_daemon.story.story import Story


def predict(
    gear_set: GearSet, accepted: Collection[events.RockAccepted], *, most: int, near: int
) -> events.TightSpotPredicted:
    """The tight spot of the positions so far, and the next position that would confirm it.

    Args:
        gear_set: The gear set under test.
        accepted: Positions so far.
        most: How many confirming positions the plan allows.
        near: Engagement the gear stands at; the equivalent engagement with the shortest way is asked for.

    Raises:
        LashMapError: When the positions do not allow a fit.
    """
    found = fitted(gear_set, accepted)
    spot, cycle = found.tight_spot, gear_set.mesh_cycle
    known = [one.engagement % cycle for one in accepted if one.purpose == "confirming"]
    ask: tuple[int, ...] = ()
    if len(known) < most:
        # The named tight spot itself is confirmed first; further ones go where they settle the minimum most.
        # That may be a place again that the gear has left since: the tip is then set anew.
        wanted = spot.engagement if spot.engagement not in known else next_position(found, leave_out=near)
        ask = (nearest(wanted, near, cycle),)
    return events.TightSpotPredicted(
        engagement=spot.engagement,
        gear_angle_deg=gear_set.gear_angle_deg(spot.engagement),
        normal_backlash_mm=spot.backlash_mm,
        low_mm=spot.band_mm[0],
        high_mm=spot.band_mm[1],
        ask=ask,
    )


_COUNTS_A_PITCH = 24  # of an encoder that shows where within a pitch the gear stands: two in a twelfth of it


def phases_to_rock(started: events.TestStarted) -> tuple[Purpose, ...]:
    """Phases of the roll beside the whole engagement that the plan asks for, if an encoder shows them."""
    encoder = started.stand.encoder_for_analysis()
    if started.box.plan.roll_phases is None or encoder is None:
        return ()
    gear_set = started.box.gear_set
    teeth = gear_set.gear_teeth if encoder.shaft == "gear" else gear_set.pinion_teeth
    return tuple(ROLLED) if encoder.resolution_deg * teeth * _COUNTS_A_PITCH <= 360.0 else ()


NO_PHASES = (
    "The three phases of the roll are not rocked: no encoder shows well enough where the gear stands between "
    "two teeth. What the roll takes stays uncertain in the budget."
)


def confirming_left(story: Story, most: int) -> int:
    """How many positions may confirm: one that was left out is not asked for again under another number."""
    planned = 0 if story.started is None else len(story.started.planned)
    return most - len({one for one in story.skipped if one > planned} - story.checks)


def no_prediction(accepted: int, error: LashMapError) -> str:
    """Why so many accepted positions name no tight spot."""
    return (
        f"No tight spot is predicted, since the {accepted} accepted positions give no lash map: "
        f"{error.expected}"
    )


def nearest(wanted: int, near: int, cycle: int) -> int:
    """The engagement at which the same teeth meet as at ``wanted``, with the shortest way from ``near``."""
    return near + (wanted - near + cycle // 2) % cycle - cycle // 2


def fitted(gear_set: GearSet, accepted: Collection[events.RockAccepted]) -> LashMap:
    """The lash map of accepted positions.

    Raises:
        LashMapError: When they do not allow a fit.
    """
    return fit_lash_map(
        gear_set,
        np.array([one.engagement for one in accepted], dtype=np.int64),
        np.array([one.normal_backlash_mm for one in accepted]),
        np.array([one.standard_uncertainty_mm for one in accepted]),
    )
