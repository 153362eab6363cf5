"""Test records made up for the tests of the assessment: an invented straight set with a known truth.

The tip touches a straight tooth along its flank normal at the outer pitch radius, so that the reading is the
normal backlash itself and no conversion is needed to know what has to come out. The gear turns by
j_n / (cos α r_e2), from the arc that closes the gap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.record.record import (
    ROLLED,
    Encoder,
    Identity,
    Limits,
    Precondition,
    Purpose,
    RockTrace,
    Shaft,
    TestRecord,
)
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GEAR_SET = GearSet(
    pinion_teeth=17, gear_teeth=36, outer_module_mm=3.0, face_width_mm=16.0, contact_from_toe=1.0
)
INDICATOR = Indicator(
    resolution_mm=0.0005,
    touch_radius_mm=54.0,
    touch_radius_uncertainty_mm=0.05,
    angle_uncertainty_deg=1.0,
    calibration_uncertainty_mm=0.0,
    hysteresis_mm=0.0,
    height_mm=0.0,
    height_uncertainty_mm=0.0,
)
KNOWN = Conditions(
    housing_c=20.0,
    gears_c=20.0,
    temperature_uncertainty_c=0.0,
    housing_expansion_um_per_m_k=11.5,
    rock_nm=0.0,
    compliance_um_per_nm=0.0,
    roll_variation_mm=0.0,
)
"""Conditions under which the rocked mesh is the stated one: nothing is corrected, nothing left open."""
LIMITS = Limits(minimum_mm=0.10, maximum_mm=0.20, source="invented drawing")
PROVEN = tuple(
    Precondition(name=name, state="proven", detail="recorded")
    for name in ("mounting distance, pinion", "matched teeth", "bearings", "calibration, indicator")
)
PLAN = (0, 5, 11, 16, 22, 27, 33, 38, 44, 50, 55, 61, 67, 72, 78, 84, 89, 95, 101, 106)
"""Engagements that spread over both members' turns."""
RATE_HZ, ROCK_S, RAMP_S = 500.0, 0.4, 0.02


@dataclass(frozen=True, kw_only=True)
class Bench:
    """The invented box and what is wrong with the bench.

    Attributes:
        seed: Fixes noise and teeth.
        mean_mm, gear_mm, pinion_mm: Mean normal backlash and both once-per-turn amplitudes.
        tooth_mm: Standard deviation of single teeth.
        reading_scale: Factor on what the indicator reads, for a tip that is set wrongly.
        pinion_slip_deg: How far the pinion gives in every rock.
        encoder_counts: Counts in a turn of its shaft.
        shaft: Shaft of the encoder.
        pinion_counts: Counts in a turn of a second encoder, on the pinion; 0 for none.
        roll_mm: Variation of the backlash within a pitch, a wave, least a fifth of a pitch forward.
    """

    seed: int = 1
    mean_mm: float = 0.150
    gear_mm: float = 0.012
    pinion_mm: float = 0.006
    tooth_mm: float = 0.0003
    reading_scale: float = 1.0
    pinion_slip_deg: float = 0.0
    encoder_counts: int = 360_000
    shaft: Shaft = "gear"
    pinion_counts: int = 0
    roll_mm: float = 0.0

    def truth_mm(self, engagements: NDArray[np.int64]) -> Floats:
        """True normal backlash at whole engagements."""
        rng = np.random.default_rng(self.seed)
        gear = rng.normal(0, self.tooth_mm, GEAR_SET.gear_teeth)
        pinion = rng.normal(0, self.tooth_mm, GEAR_SET.pinion_teeth)
        turn = 2 * np.pi * engagements
        return np.asarray(
            self.mean_mm
            - self.gear_mm * np.cos(turn / GEAR_SET.gear_teeth - 2.0)
            - self.pinion_mm * np.cos(turn / GEAR_SET.pinion_teeth - 4.0)
            + gear[engagements % GEAR_SET.gear_teeth]
            + pinion[engagements % GEAR_SET.pinion_teeth]
        )

    def tightest(self) -> tuple[int, float]:
        """True tight spot: engagement and backlash."""
        whole = self.truth_mm(np.arange(GEAR_SET.mesh_cycle))
        return int(whole.argmin()), float(whole.min())

    def trace(self, position: int, engagement: int, purpose: Purpose = "planned") -> RockTrace:
        """One position: four full rocks and a bit, ramps between two levels, noise, rounding."""
        rng = np.random.default_rng([self.seed, position])
        rolled = ROLLED.get(purpose, 0.0)
        backlash = float(self.truth_mm(np.array([engagement]))[0])
        backlash += self.roll_mm * math.sin(math.pi * (rolled - 0.2)) ** 2
        time = np.arange(round(RATE_HZ * ROCK_S * 4.5)) / RATE_HZ
        place = np.interp(time % ROCK_S, *_cycle())
        level = place * backlash * self.reading_scale + rng.uniform(-0.3, 0.3)
        shown = np.round((level + rng.normal(0, 0.0004, time.size)) / 0.0005) * 0.0005
        pitch = 360 / (GEAR_SET.gear_teeth if self.shaft == "gear" else GEAR_SET.pinion_teeth)
        if self.shaft == "gear":
            arm = GEAR_SET.outer_module_mm * GEAR_SET.gear_teeth / 2
            rock = math.degrees(backlash / (math.cos(math.radians(20)) * arm)) * (place - 0.5)
        else:
            rock = self.pinion_slip_deg * place
        count = 360 / self.encoder_counts
        start = 10.0 * position
        step = 360 / (self.pinion_counts or 1)
        at = engagement + rolled
        pinion_deg = at * 360 / GEAR_SET.pinion_teeth + 0.007 + self.pinion_slip_deg * place
        sent = slice(None if self.pinion_counts else 0)
        return RockTrace(
            position=position,
            engagement=engagement,
            purpose=purpose,
            time_s=time + start,
            indicator_mm=shown,
            encoder_time_s=time + start,
            encoder_deg=np.round((at * pitch + 0.013 + rock) / count) * count,
            pinion_time_s=(time + start)[sent],
            pinion_deg=(np.round(pinion_deg / step) * step)[sent],
        )

    def record(
        self,
        *,
        plan: tuple[int, ...] = PLAN,
        confirm: tuple[int, ...] = (),
        roll: tuple[tuple[int, Purpose], ...] = (),
        indicator: Indicator = INDICATOR,
        limits: Limits = LIMITS,
        preconditions: tuple[Precondition, ...] = PROVEN,
    ) -> TestRecord:
        """A whole test."""
        wanted: list[tuple[int, Purpose]] = [(k, "planned") for k in plan]
        wanted += [(k, "confirming") for k in confirm]
        wanted += roll
        return TestRecord(
            identity=Identity(test="t1", box="invented", serial="0001"),
            gear_set=GEAR_SET,
            indicator=indicator,
            encoder=Encoder(shaft=self.shaft, resolution_deg=360 / self.encoder_counts),
            pinion_encoder=Encoder(shaft="pinion", resolution_deg=360 / self.pinion_counts)
            if self.pinion_counts
            else None,
            limits=limits,
            preconditions=preconditions,
            conditions=KNOWN,
            traces=tuple(self.trace(n, k, purpose) for n, (k, purpose) in enumerate(wanted, start=1)),
        )


def confirmed_record(bench: Bench, limits: Limits = LIMITS) -> TestRecord:
    """A test whose last position confirms the tight spot that the others predict."""
    predicted = assess(bench.record()).stated
    assert predicted is not None
    return bench.record(confirm=(predicted.engagement,), limits=limits)


def _cycle() -> tuple[list[float], list[float]]:
    half = ROCK_S / 2
    return [0.0, half - RAMP_S, half, ROCK_S - RAMP_S, ROCK_S], [0.0, 0.0, 1.0, 1.0, 0.0]
