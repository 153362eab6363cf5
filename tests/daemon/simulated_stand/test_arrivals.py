"""What differs from one arrival of the simulated stand to the next, and what holds during a rock."""

from __future__ import annotations

import itertools
from dataclasses import replace
from statistics import pstdev

import pytest
from daemon.simulated_boxes import COARSE, values
from daemon.simulated_stand.test_bytes import step_between_plateaus
from daemon.simulated_stand.test_mesh import STRAIGHT
from lashmap_daemon.simulated_stand import SimulatedBox, SimulatedDrive, Stand


def settled_lashes(box: SimulatedBox, arrivals: int, drive: SimulatedDrive | None = None) -> list[float]:
    """The step that every other arrival shows, each 3 s after the one before."""
    stand, found = Stand(box, COARSE, drive, seed=3), []
    for turn in range(arrivals):
        stand.ask(7 + turn % 2)
        stand.advance(0.8)
        lines = values(stand.advance(0.7).indicator_lines)
        if turn % 2 == 0:
            found.append(step_between_plateaus(lines))
    return found


@pytest.mark.parametrize(
    ("changes", "expected_mm"),
    [
        ({}, 0.0),
        # Reading proportional to the radius.
        ({"setting_radius_mm": 2.0}, 0.15 * 2.0 / 76.0),
        # Handbook relation Δj_n = 2 ΔA sin α_n sin δ (memory), as the tip reads it below the heel.
        ({"gear_seating_mm": 0.01}, 2.0 * 0.01 * 0.383 * 0.786 * 76.0 / 80.0),
    ],
)
def test_settings_differ_from_arrival_to_arrival(changes: dict[str, float], expected_mm: float) -> None:
    found = settled_lashes(replace(STRAIGHT, **changes), 30)  # type: ignore[arg-type]  # one value per case
    assert pstdev(found) == pytest.approx(expected_mm, rel=0.5, abs=1.5e-4)


def test_a_setting_holds_during_its_rock() -> None:
    stand = Stand(replace(STRAIGHT, setting_radius_mm=2.0, gear_seating_mm=0.01), seed=3)
    stand.ask(7)
    stand.advance(1.5)
    found = [step_between_plateaus(values(stand.advance(0.8).indicator_lines)) for _ in range(4)]
    assert all(abs(a - b) < 3e-4 for a, b in itertools.pairwise(found))


def test_where_the_pinion_is_locked_decides_how_far_its_pair_has_rolled() -> None:
    crowned = replace(STRAIGHT, touch_radius_mm=80.0, roll_crowning_mm=0.02, roll_phase_at_marks=0.0)
    drive = SimulatedDrive(position_error_deg=2.0)
    found = settled_lashes(crowned, 24, drive)
    # Pitches of 9°: 2° are 0.22 of one; play 4 c x² more than at the crests, and never more than c = 20 µm.
    assert min(found) == pytest.approx(0.15, abs=0.001)
    assert 0.155 < max(found) < 0.1705
    assert max(settled_lashes(replace(crowned, roll_crowning_mm=0.0), 4, drive)) < 0.1505


def test_a_housing_that_gets_warmer_opens_the_gap_from_arrival_to_arrival() -> None:
    box = replace(
        STRAIGHT,
        touch_radius_mm=80.0,
        temperature_drift_k_per_h=90.0,
        housing_expansion_um_per_m_k=1000.0,  # as no material has: the test would last for hours
        gears_expansion_um_per_m_k=0.0,
        gear_mounting_distance_mm=60.0,
        pinion_mounting_distance_mm=1e-6,
    )
    found = settled_lashes(box, 8)
    # 0.075 K in the 3 s between two of them, so 4.5 µm; handbook relation 2 ΔA sin α_n sin δ (memory).
    steps = [later - before for before, later in itertools.pairwise(found)]
    assert steps == pytest.approx([2.0 * 0.0045 * 0.383 * 0.786] * 3, rel=0.1)
