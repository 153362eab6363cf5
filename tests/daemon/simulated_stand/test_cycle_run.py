"""A cycle run on the simulated stand, given to the analysis straight from the bytes, has to find the truth.

Stand and analysis share no code; that they agree is the test of both.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from daemon.simulated_boxes import PLAIN_BOX
from daemon.simulated_stand.passes import made
from lashmap_analysis.cycle.cycle import CycleFit, fit_cycle
from lashmap_analysis.cycle.passes import CyclePass
from lashmap_analysis.cycle.ties import TiedRock
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_daemon.simulated_stand import SimulatedBox, SimulatedDrive, SimulatedInstruments, Stand
from lashmap_daemon.simulated_stand.mesh import Mesh

BOX = replace(
    PLAIN_BOX,
    pinion_teeth=11,
    gear_teeth=25,
    outer_module_mm=6.4,
    matched_teeth_pinion_deg=-7.5,
    gear_eccentricity_mm=0.012,
    pinion_eccentricity_mm=0.006,
    gear_tooth_error_mm=0.001,
    pinion_tooth_error_mm=0.001,
    roll_crowning_mm=0.003,
    coast_roll_phase=0.1,
    contact_ratio=1.7,
    flank_compliance_mm_per_nm=0.0003,
)
SET = GearSet(
    pinion_teeth=11, gear_teeth=25, outer_module_mm=6.4, face_width_mm=25.0, mean_spiral_angle_deg=35.0
)
LATCHED = SimulatedInstruments(
    encoders="latched",
    indicator_rate_hz=10.0,
    encoder_rate_hz=1000.0,
    encoder_counts_per_turn=20_000,
    pinion_counts_per_turn=20_000,
    encoder_eccentric_deg=0.02,
    pinion_eccentric_deg=0.03,
)
# The fewest seconds: this is about bytes and truth, not about how slow a hand is.
DRIVE = SimulatedDrive(pass_deg_per_s=360.0, second_pass_deg_per_s=250.0, brake_nm=2.0)


def fitted(
    box: SimulatedBox, instruments: SimulatedInstruments, *, pairs: int, seed: int = 1
) -> tuple[CycleFit, np.ndarray]:
    """Run the passes, tie them by the true backlash at five places; with the truth of all."""
    stand, mesh = Stand(box, instruments, DRIVE, seed=seed), Mesh(box, seed=seed)
    truth = np.array([mesh.normal_backlash_mm(one) for one in range(275)])
    passes = []
    for number in range(1, 2 * pairs + 1):
        one = made(stand, number, engagements=277, instruments=instruments)
        gear_s = one.pinion_s if instruments.encoders == "latched" else one.gear_s
        passes.append(
            CyclePass(
                pinion_time_s=one.pinion_s,
                pinion_deg=one.pinion_deg,
                gear_time_s=gear_s,
                gear_deg=one.gear_deg,
                brake_nm=2.0,
            )
        )
    rocks = [
        TiedRock(
            engagement=one,
            transverse_mm=float(truth[one]) / SET.normal_per_transverse,
            standard_uncertainty_mm=0.0005,
        )
        for one in (5, 70, 130, 190, 260)
    ]
    return fit_cycle(SET, passes[::2], passes[1::2], rocks=rocks), truth


@pytest.mark.parametrize(
    "bad",
    [
        {"bad_tooth_mm": 0.016, "bad_tooth_flank": "coast", "bad_tooth": 23},
        {"bad_tooth_mm": 0.008, "bad_tooth_flank": "drive", "bad_tooth": 6, "bad_tooth_member": "pinion"},
    ],
)
def test_latched_counts_give_every_engagement(bad: dict[str, object]) -> None:
    box = replace(BOX, **bad)  # type: ignore[arg-type]  # one case each
    fit, truth = fitted(box, LATCHED, pairs=2)
    assert fit.good, fit.flags
    off_mm = fit.normal_mm - truth
    # What the issue of the method asks for: 2 µm for each engagement, 1 µm where it is tightest.
    assert np.sqrt(np.mean(off_mm**2)) < 0.002
    least_mm = Stand(box, LATCHED, seed=1).truth.tight_spot_normal_backlash_mm
    assert fit.tight_spot is not None
    assert fit.tight_spot.backlash_mm == pytest.approx(least_mm, abs=0.001)
    # The bad tooth meets at its own number and once in each turn from there.
    teeth = 11 if "bad_tooth_member" in bad else 25
    beyond = (fit.tight_spot.place - float(str(bad["bad_tooth"]))) % teeth
    assert min(beyond, teeth - beyond) <= 1.0


@pytest.mark.parametrize("late_s", [0.0, 0.016])
def test_two_streams_with_a_skew_give_every_engagement(late_s: float) -> None:
    streams = replace(LATCHED, encoders="apart", encoder_late_s=late_s)
    fit, truth = fitted(BOX, streams, pairs=2)
    assert fit.good, fit.flags
    assert fit.disturbances is not None
    assert fit.disturbances.skew_s.value == pytest.approx(late_s, abs=5e-5)
    assert np.sqrt(np.mean((fit.normal_mm - truth) ** 2)) < 0.002
    least_mm = Stand(BOX, streams, seed=1).truth.tight_spot_normal_backlash_mm
    assert fit.tight_spot is not None
    assert fit.tight_spot.backlash_mm == pytest.approx(least_mm, abs=0.001)
