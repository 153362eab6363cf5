"""Test records that hold passes: an invented straight set, driven by brute force and rocked at a few places.

The tip touches a straight tooth along its flank normal at the outer pitch radius, so that the reading is the
normal backlash itself, cos 20° of the transverse one, and no conversion of the program is needed to know what
has to come out.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import cos, radians

import numpy as np
from analysis.cycle.cycle_runs import turned
from analysis.cycle.driven_pair import DrivenPair, Turning, ordinary_pair
from analysis.made_record import INDICATOR, KNOWN, PROVEN
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.record import (
    Encoder,
    Identity,
    Limits,
    PassTrace,
    Precondition,
    Purpose,
    RockTrace,
    TestRecord,
)
from numpy.typing import NDArray

Floats = NDArray[np.float64]
PER = cos(radians(20.0))
QUICK, SLOWER = Turning(speed_deg_per_s=360.0), Turning(speed_deg_per_s=240.0)
SPREAD = (0, 107, 211, 318, 424)
LIMITS = Limits(minimum_mm=0.10, maximum_mm=0.20, source="invented drawing")
RATE_HZ, ROCK_S, RAMP_S = 250.0, 0.4, 0.02


@dataclass(frozen=True, kw_only=True)
class CycleBench:
    """An invented box with an encoder on either shaft.

    Attributes:
        pair: Its teeth.
        seed: Fixes noise.
        setting_mm: Standard deviation between settings of the tip.
        rock_off_mm: What all rocks read wrong.
    """

    pair: DrivenPair
    seed: int = 1
    setting_mm: float = 0.0005
    rock_off_mm: float = 0.0
    passes: tuple[Turning, ...] = field(default=(QUICK, SLOWER))

    @property
    def least_mm(self) -> float:
        """Least normal backlash, by brute force over all places."""
        return PER * self.pair.least_mm[0]

    @property
    def tightest(self) -> int:
        """Engagement next to the least."""
        near = round(self.pair.least_mm[1])
        rocked = self.pair.rocked_mm
        around = [(near + step) % self.pair.length for step in (-1, 0, 1)]
        return min(around, key=lambda one: float(rocked[one]))

    def trace(self, position: int, engagement: int, purpose: Purpose = "planned") -> RockTrace:
        """One rock without the brake."""
        rng = np.random.default_rng([self.seed, position])
        backlash = PER * float(self.pair.rocked_mm[engagement % self.pair.length]) + self.rock_off_mm
        backlash += self.setting_mm * rng.standard_normal()
        time = np.arange(round(RATE_HZ * ROCK_S * 4.5)) / RATE_HZ
        half = ROCK_S / 2
        place = np.interp(
            time % ROCK_S, [0.0, half - RAMP_S, half, ROCK_S - RAMP_S, ROCK_S], [0.0, 0.0, 1.0, 1.0, 0.0]
        )
        level = place * backlash + rng.uniform(-0.3, 0.3)
        shown = np.round((level + rng.normal(0, 0.0004, time.size)) / 0.0005) * 0.0005
        radius = self.pair.module_mm * self.pair.gear_teeth / 2
        swing = np.degrees(backlash / PER / radius) * (place - 0.5)
        start = 600.0 + 10.0 * position
        return RockTrace(
            position=position,
            engagement=engagement,
            purpose=purpose,
            time_s=time + start,
            indicator_mm=shown,
            encoder_time_s=time + start,
            encoder_deg=np.round((engagement * 360 / self.pair.gear_teeth + 0.013 + swing) * 1000) / 1000,
        )

    def pass_traces(self) -> tuple[PassTrace, ...]:
        """Passes forward and back in the order of recording."""
        drive, coast = turned(self.pair, *self.passes, seed=self.seed)
        ordered = [one for both in zip(drive, coast, strict=True) for one in both]
        return tuple(
            PassTrace(
                number=number,
                direction="forward" if number % 2 else "back",
                pinion_time_s=one.pinion_time_s,
                pinion_deg=one.pinion_deg,
                gear_time_s=one.gear_time_s,
                gear_deg=one.gear_deg,
                brake_nm=one.brake_nm,
            )
            for number, one in enumerate(ordered, start=1)
        )

    def record(
        self,
        *,
        plan: tuple[int, ...] = SPREAD,
        confirm: tuple[int, ...] | None = None,
        limits: Limits = LIMITS,
        preconditions: tuple[Precondition, ...] = PROVEN,
        passes: bool = True,
    ) -> TestRecord:
        """A whole test; confirmed at the true tight spot unless said otherwise."""
        wanted: list[tuple[int, Purpose]] = [(k, "planned") for k in plan]
        wanted += [(k, "confirming") for k in ((self.tightest,) if confirm is None else confirm)]
        return TestRecord(
            identity=Identity(test="t1", box="invented", serial="0001"),
            gear_set=straight_set(self.pair),
            indicator=replace(INDICATOR, touch_radius_mm=self.pair.module_mm * self.pair.gear_teeth / 2),
            encoder=Encoder(shaft="gear", resolution_deg=0.018),
            pinion_encoder=Encoder(shaft="pinion", resolution_deg=0.018),
            limits=limits,
            preconditions=preconditions,
            conditions=KNOWN,
            traces=tuple(self.trace(n, k, purpose) for n, (k, purpose) in enumerate(wanted, start=1)),
            passes=self.pass_traces() if passes else (),
        )


def straight_set(pair: DrivenPair) -> GearSet:
    """The set as the program knows it."""
    return GearSet(
        pinion_teeth=pair.pinion_teeth,
        gear_teeth=pair.gear_teeth,
        outer_module_mm=pair.module_mm,
        face_width_mm=18.0,
        contact_from_toe=1.0,
    )


def bench(seed: int = 7, **given: object) -> CycleBench:
    """A 13:40 set of ordinary quality."""
    return CycleBench(pair=ordinary_pair((13, 40), np.random.default_rng(seed)), **given)  # type: ignore[arg-type]


def with_bad_tooth(*, tooth: int = 31, bad_mm: float = 0.020) -> CycleBench:
    """A good set, one gear tooth of which has grown on one flank."""
    pair = ordinary_pair((13, 40), np.random.default_rng(1), runout_um=6.0, tooth_um=1.0)
    pair.errors_mm[1][tooth] += bad_mm
    return CycleBench(pair=pair)
