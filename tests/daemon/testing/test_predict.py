"""Where the positions that confirm the tight spot are asked for, from readings made here."""

from __future__ import annotations

import math

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_daemon.story.events import RockAccepted
from lashmap_daemon.testing.prediction import predict

SET = GearSet(pinion_teeth=20, gear_teeth=40, outer_module_mm=4.0, face_width_mm=20.0)
MOST = 4


def measured(
    number: int, engagement: int, generator: np.random.Generator, *, confirming: bool = False
) -> RockAccepted:
    """A reading of a gear that runs out by 30 µm, with 3 µm from one setting of the tip to the next."""
    lash_mm = 0.150 - 0.015 * math.cos(2.0 * math.pi * (engagement - 11) / 40)
    lash_mm += 0.003 * float(generator.standard_normal())
    return RockAccepted(
        number=number,
        engagement=engagement,
        purpose="confirming" if confirming else "planned",
        attempt=1,
        start_s=0.0,
        end_s=1.0,
        reading_mm=lash_mm,
        normal_backlash_mm=lash_mm,
        standard_uncertainty_mm=2e-4,
        reversals=8,
        flags=(),
    )


def test_all_confirming_positions_are_asked_for_and_none_where_the_gear_stands() -> None:
    places: set[int] = set()
    for seed in range(3):
        generator = np.random.default_rng(seed)
        done = [measured(number, one, generator) for number, one in enumerate((*range(40), 26, 13, 0), 1)]
        asked: list[int] = []
        while ask := predict(SET, done, most=MOST, near=done[-1].engagement).ask:
            (engagement,) = ask
            assert (engagement - done[-1].engagement) % 40 != 0
            asked.append(engagement % 40)
            done.append(measured(len(done) + 1, engagement, generator, confirming=True))
        assert len(asked) == MOST
        places.add(len(set(asked)))
    assert min(places) < MOST  # a place that matters most comes again, the tip set anew
