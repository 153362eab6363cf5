"""From the reading of a rock to normal backlash: one way for the live test, the review and an import.

Decided here: in which order the corrections come. The certificate's curve belongs to the reading, the
geometry to its conversion (`gears/indicator.py`), and what separates the rocked mesh from the stated one is
added last (`uncertainty/mesh_state.py`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.uncertainty.mesh_state import correction_mm

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.gears.indicator import Indicator
    from lashmap_analysis.record.conditions import Conditions
    from lashmap_analysis.rock.rock import RockReading


def as_rocked_mm(rock: RockReading, gear_set: GearSet, indicator: Indicator) -> float:
    """Normal backlash at the outer end as the box was rocked, in mm.

    Raises:
        IndicatorError: The tip touches no tooth of this gear set.
    """
    reading = rock.reading_mm
    if indicator.correction is not None and rock.dwells:
        # The curve is looked up at the levels of both flanks.
        levels = ([one.level_mm for one in rock.dwells if one.high is high] for high in (True, False))
        high, low = (sum(one) / len(one) for one in levels)
        reading += indicator.correction.between_mm(high, low)
    return indicator.normal_per_reading(gear_set) * reading


def stated_mm(rock: RockReading, gear_set: GearSet, indicator: Indicator, conditions: Conditions) -> float:
    """The same at 20 °C, at no torque and at the least roll phase.

    Raises:
        IndicatorError: The tip touches no tooth of this gear set.
    """
    return as_rocked_mm(rock, gear_set, indicator) + correction_mm(gear_set, indicator, conditions)
