"""The tight spot of the positions so far, and the positions that would confirm it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.stopping import looks, may_stop
from lashmap_analysis.lash_map.confirming import next_position
from lashmap_analysis.lash_map.lash_map import LashMap, LashMapError, TightSpot, fit_lash_map
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.record.record import Limits, Purpose

from lashmap_daemon.story.events import RockAccepted


@dataclass(frozen=True, kw_only=True)
class Measured:
    """An accepted position."""

    engagement: int
    purpose: Purpose
    backlash_mm: float
    standard_uncertainty_mm: float


@dataclass(frozen=True, kw_only=True)
class Found:
    """The tight spot as known now.

    Attributes:
        tight_spot: From the lash map of all positions so far.
        ask: Engagements to measure next, in order; empty when nothing more is to be asked.
    """

    tight_spot: TightSpot
    ask: tuple[int, ...]


def measured(accepted: Iterable[RockAccepted]) -> list[Measured]:
    """Accepted rocks as the lash map takes them."""
    return [
        Measured(
            engagement=done.engagement,
            purpose=done.purpose,
            backlash_mm=done.normal_backlash_mm,
            standard_uncertainty_mm=done.standard_uncertainty_mm,
        )
        for done in accepted
    ]


def find_tight_spot(gear_set: GearSet, done: list[Measured], *, most: int, near: int) -> Found:
    """Fit the lash map and choose the next confirming position.

    Args:
        gear_set: The gear set under test.
        done: Accepted positions.
        most: How many confirming positions the plan allows.
        near: Engagement the gear stands at; the equivalent engagement with the shortest way is asked for.

    Raises:
        LashMapError: When the positions do not allow a fit.
    """
    fitted = _fitted(gear_set, done)
    confirmed = sum(one.purpose == "confirming" for one in done)
    if confirmed >= most:
        return Found(tight_spot=fitted.tight_spot, ask=())
    cycle = gear_set.mesh_cycle
    spot = fitted.tight_spot.engagement
    known = {one.engagement % cycle for one in done if one.purpose == "confirming"}
    # The named tight spot itself is confirmed first; further ones go where they settle the minimum most. That
    # may be a place again that the gear has left since: the tip is then set anew.
    wanted = spot if spot not in known else next_position(fitted, leave_out=done[-1].engagement)
    return Found(tight_spot=fitted.tight_spot, ask=(_nearest(wanted, near, cycle),))


def settles(
    gear_set: GearSet,
    indicator: Indicator,
    conditions: Conditions,
    *,
    limits: Limits,
    done: list[Measured],
) -> bool:
    """Whether the accepted positions settle the verdict, so that no further planned one is needed."""
    if not looks(len(done)):
        return False
    try:
        return may_stop(_fitted(gear_set, done), indicator, conditions, limits)
    except LashMapError:
        return False


def _fitted(gear_set: GearSet, done: list[Measured]) -> LashMap:
    return fit_lash_map(
        gear_set,
        np.array([one.engagement for one in done], dtype=np.int64),
        np.array([one.backlash_mm for one in done]),
        np.array([one.standard_uncertainty_mm for one in done]),
    )


def _nearest(engagement: int, near: int, cycle: int) -> int:
    """The equivalent of ``engagement`` that is the least turning away from ``near``."""
    return near + (engagement - near + cycle // 2) % cycle - cycle // 2
