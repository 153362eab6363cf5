from __future__ import annotations

import numpy as np
import pytest
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.record import Limits
from lashmap_daemon.testing.arrival import is_near, is_still, still_limits
from lashmap_drivers.readings import Samples

GEAR_SET = GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0)
LIMITS = still_limits(GEAR_SET, Limits(maximum_mm=0.18))
TIME_S = np.linspace(0.0, 0.4, 200)


def trace(middle: float, swing: float) -> Samples:
    return Samples.of(TIME_S, middle + swing / 2.0 * np.sign(np.sin(2.0 * np.pi * 5.0 * TIME_S + 0.1)))


@pytest.mark.parametrize(
    ("gear", "indicator", "expected"),
    [
        (trace(90.05, 0.15), trace(0.0, 0.14), True),  # rocking at the position, 0.2 mm at radius 80 mm
        (trace(90.0, 0.0), trace(0.0, 0.0), True),  # at rest at the position
        (trace(99.0, 0.15), trace(0.0, 0.14), False),  # a whole tooth (9°) off
        (trace(90.0, 1.5), trace(0.0, 0.14), False),  # still turning
        (trace(90.0, 0.15), trace(0.0, 4.0), False),  # tip still coming down
        (Samples.joined([]), trace(0.0, 0.1), False),
        (trace(90.0, 0.15), Samples.joined([]), False),
    ],
)
def test_still(gear: Samples, indicator: Samples, expected: bool) -> None:  # noqa: FBT001 - a table
    assert is_still(gear, indicator, 90.0, LIMITS) is expected


def test_half_a_tooth_away_is_never_near() -> None:
    assert not is_near(trace(94.5, 0.1), 90.0, LIMITS)
    assert not is_near(trace(85.5, 0.1), 90.0, LIMITS)
    assert is_near(trace(91.0, 0.1), 90.0, LIMITS)
