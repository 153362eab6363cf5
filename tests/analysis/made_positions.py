"""Rock traces, positions and a lash map for the tests' made-up assessments, all invented.

Dwells and figures are put in by hand, not estimated from the traces.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.assessment import PositionResult
from lashmap_analysis.lash_map.lash_map import LashMap, Prediction, Runout, Separability, TightSpot
from lashmap_analysis.record.record import RockTrace
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.rock import Dwell, RockReading
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
READING_PER_BACKLASH = 0.93  # stands for tip radius and direction; invented
MEAN_MM, GEAR_MM, PINION_MM = 0.150, 0.014, 0.006
GEAR_HIGH_DEG, PINION_HIGH_DEG = 243.0, 95.0


@dataclass(frozen=True, kw_only=True)
class MadeMap(LashMap):
    """A lash map that predicts the invented curve instead of fitting one."""

    def predict(self, engagements: ArrayLike) -> Prediction:
        backlash = true_backlash_mm(self.gear_set, np.asarray(engagements, dtype=np.float64))
        return Prediction(backlash_mm=backlash, standard_uncertainty_mm=np.full_like(backlash, 0.0009))


def true_backlash_mm(gear_set: GearSet, engagements: Floats) -> Floats:
    """Return the invented curve: least where both members' high points meet."""
    gear = 2 * np.pi * engagements / gear_set.gear_teeth - math.radians(GEAR_HIGH_DEG)
    pinion = 2 * np.pi * engagements / gear_set.pinion_teeth - math.radians(PINION_HIGH_DEG)
    return np.asarray(MEAN_MM - GEAR_MM * np.cos(gear) - PINION_MM * np.cos(pinion), dtype=np.float64)


def made_trace(
    position: int, engagement: int, reading_mm: float, *, pitch_deg: float = 9.0, samples: int = 2000
) -> RockTrace:
    """Make a powered rock at 1 kHz: two levels, quick ramps, a bounce after contact, noise, drift."""
    rng = np.random.default_rng(position)
    time_s = np.arange(samples) / 1000.0
    phase = (time_s + 0.07 * rng.random()) % 0.5
    edge = 0.018
    level = np.where(phase < 0.25, np.clip(phase / edge, 0, 1), 1 - np.clip((phase - 0.25) / edge, 0, 1))
    since = np.where(phase < 0.25, phase, phase - 0.25) - edge
    bounce = np.where(since > 0, np.exp(-since / 0.008) * np.cos(2 * np.pi * since / 0.011), 0.0)
    sign = np.where(phase < 0.25, -1.0, 1.0)
    shape = level + 0.12 * sign * np.abs(bounce)
    indicator = 1.2 + reading_mm * shape + 0.0004 * time_s + rng.normal(0, 0.0003, samples)
    start_s = 40.0 + 9.0 * position
    return RockTrace(
        position=position,
        engagement=engagement,
        purpose="planned",
        time_s=time_s + start_s,
        indicator_mm=np.round(indicator, 4),
        encoder_time_s=time_s[::20] + start_s,
        encoder_deg=np.full(time_s[::20].shape, engagement * pitch_deg),
    )


def made_dwells(trace: RockTrace, reading_mm: float) -> tuple[Dwell, ...]:
    """Mark the settled stays, straight from the way the trace was made."""
    rng = np.random.default_rng(trace.position)
    offset = 0.07 * rng.random()
    dwells = []
    for half in range(9):
        start, end = half * 0.25 - offset + 0.07, (half + 1) * 0.25 - offset - 0.01
        if start < 0 or end > trace.time_s[-1] - trace.time_s[0]:
            continue
        high = half % 2 == 0
        level = 1.2 + reading_mm * high + 0.0004 * (start + end) / 2
        base = float(trace.time_s[0])
        dwells.append(Dwell(start_s=base + start, end_s=base + end, level_mm=level, high=high))
    return tuple(dwells)


def made_position(trace: RockTrace, gear_set: GearSet, backlash_mm: float) -> PositionResult:
    """Make one usable position that reads exactly what is asked."""
    reading_mm = backlash_mm * READING_PER_BACKLASH
    dwells = made_dwells(trace, reading_mm)
    rock = RockReading(
        reading_mm=reading_mm,
        standard_uncertainty_mm=0.0004,
        degrees_of_freedom=6.0,
        peak_to_peak_mm=reading_mm + 0.021,
        spread_mm=0.0011,
        reversals=len(dwells) - 1,
        drift_mm_per_s=0.0004,
        dwells=dwells,
        flags=(),
    )
    return PositionResult(
        position=trace.position,
        engagement=trace.engagement,
        purpose=trace.purpose,
        attempt=trace.attempt,
        gear_angle_deg=trace.engagement * 360.0 / gear_set.gear_teeth,
        rock=rock,
        normal_backlash_mm=backlash_mm,
        standard_uncertainty_mm=0.0005,
        encoder_backlash_mm=backlash_mm + 0.002,
        flags=(),
    )


def refused(position: PositionResult) -> PositionResult:
    """Turn a position into one whose rock holds no lash."""
    flag = Flag(
        name=FlagName.SINGLE_FLANK,
        disabling=True,
        sentence="Only one flank was reached: rock the gear until it stops on both sides.",
        numbers={"step_mm": 0.0007, "least_step_mm": 0.0016},
    )
    nan = math.nan
    rock = replace(
        position.rock,
        reading_mm=nan,
        standard_uncertainty_mm=nan,
        peak_to_peak_mm=nan,
        spread_mm=nan,
        degrees_of_freedom=nan,
        reversals=0,
        dwells=position.rock.dwells[:1],
        flags=(flag,),
    )
    return replace(
        position,
        rock=rock,
        normal_backlash_mm=None,
        standard_uncertainty_mm=None,
        encoder_backlash_mm=None,
        flags=(flag,),
    )


def warned(position: PositionResult) -> PositionResult:
    """Give a position a warning that does not disable it."""
    flag = Flag(
        name=FlagName.HEAVY_ROCKING,
        disabling=False,
        sentence="Rocked hard: extremes exceed the settled step by 34 um. Rock lightly.",
        numbers={"excess_mm": 0.034},
    )
    rock = replace(position.rock, flags=(flag,))
    return replace(position, rock=rock, flags=(flag,))


def made_map(gear_set: GearSet, positions: tuple[PositionResult, ...]) -> LashMap:
    """Make the map of the invented curve over a whole mesh cycle."""
    cycle = math.lcm(gear_set.pinion_teeth, gear_set.gear_teeth)
    curve = true_backlash_mm(gear_set, np.arange(cycle, dtype=np.float64))
    tightest = int(np.argmin(curve))
    least = float(curve[tightest])
    usable = [p for p in positions if p.normal_backlash_mm is not None]
    return MadeMap(
        gear_set=gear_set,
        engagements=np.array([p.engagement for p in usable], dtype=np.int64),
        backlash_mm=np.array([p.normal_backlash_mm for p in usable], dtype=np.float64),
        standard_uncertainty_mm=np.array([p.standard_uncertainty_mm for p in usable], dtype=np.float64),
        terms=("constant", "gear once per turn", "pinion once per turn"),
        mean_mm=MEAN_MM,
        tight_spot=TightSpot(
            engagement=tightest,
            backlash_mm=least,
            standard_uncertainty_mm=0.0009,
            band_mm=(least - 0.0022, least + 0.0014),
        ),
        loosest_mm=float(curve.max()),
        variation_mm=float(np.ptp(curve)),
        variation_uncertainty_mm=0.0013,
        gear_runout=Runout(
            amplitude_mm=GEAR_MM,
            standard_uncertainty_mm=0.0004,
            high_point_deg=GEAR_HIGH_DEG,
            fim_mm=0.0409,
            high_point_uncertainty_deg=2.0,
        ),
        pinion_runout=Runout(
            amplitude_mm=PINION_MM,
            standard_uncertainty_mm=0.0005,
            high_point_deg=PINION_HIGH_DEG,
            fim_mm=0.0175,
            high_point_uncertainty_deg=104.0,
        ),
        separable=Separability(gear=True, pinion=True),
        tooth_scatter_mm=0.0008,
        outliers=(),
        cause="both members",
    )
