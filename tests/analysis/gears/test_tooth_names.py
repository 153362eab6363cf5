"""Teeth counted from the marks, against turning two numbered wheels by hand."""

from __future__ import annotations

from collections import deque

import numpy as np
import pytest
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_analysis.gears.tooth_names import teeth_met


@pytest.mark.parametrize(("pinion_teeth", "gear_teeth"), [(13, 40), (20, 20), (12, 36), (9, 41)])
@pytest.mark.parametrize("way", [1, -1])
def test_teeth_are_those_of_two_chalked_wheels_turned_tooth_by_tooth(
    pinion_teeth: int, gear_teeth: int, way: int
) -> None:
    # Chalk 1 on the marked teeth and count up; the tooth in front stands in the mesh. Nothing is calculated.
    gear, pinion = deque(range(1, gear_teeth + 1)), deque(range(1, pinion_teeth + 1))
    cycle = MeshCycle(pinion_teeth=pinion_teeth, gear_teeth=gear_teeth)
    for turned in range(2 * cycle.length):
        met = teeth_met(cycle, way * turned)
        assert (met.gear_tooth, met.pinion_tooth) == (gear[0], pinion[0])
        gear.rotate(-way)
        pinion.rotate(-way)


def test_names_are_one_more_than_the_counts_of_the_mesh_cycle() -> None:
    cycle = MeshCycle(pinion_teeth=13, gear_teeth=40)
    gear, pinion = cycle.teeth(np.arange(-50, 600, dtype=np.int64))
    met = [teeth_met(cycle, engagement) for engagement in range(-50, 600)]
    assert [one.gear_tooth for one in met] == (gear + 1).tolist()
    assert [one.pinion_tooth for one in met] == (pinion + 1).tolist()


def test_the_marked_teeth_are_the_first_ones() -> None:
    cycle = MeshCycle(pinion_teeth=13, gear_teeth=40)
    assert str(teeth_met(cycle, 0)) == "gear tooth 1 with pinion tooth 1"
    assert str(teeth_met(cycle, 26)) == "gear tooth 27 with pinion tooth 1"
    assert str(teeth_met(cycle, -1)) == "gear tooth 40 with pinion tooth 13"
