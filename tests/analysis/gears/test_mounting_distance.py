"""Mounting distance and backlash: the advice's relations against involute flanks from first principles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from analysis.spherical_involute import BevelPair
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.shims import backlash_per_move, roll_per_move, shift_mm, shift_uncertainty_mm
from lashmap_analysis.record.record import Shaft

TEETH = [(20, 20), (20, 40), (13, 40), (17, 46)]


def normal_mm(
    pair: BevelPair, *, pinion_out_mm: float = 0.0, gear_out_mm: float = 0.0, phase: float = 0.0
) -> float:
    """Normal backlash at the outer end, from the angle the gear can turn."""
    play = pair.play_rad(pinion_out_mm=pinion_out_mm, gear_out_mm=gear_out_mm, phase=phase)
    return play * pair.gear_radius_mm * math.cos(math.radians(pair.pressure_deg))


def slope(pair: BevelPair, member: Shaft, *, phase: float = 0.0, move_mm: float = 0.1) -> float:
    if member == "gear":
        moved = normal_mm(pair, gear_out_mm=move_mm, phase=phase)
    else:
        moved = normal_mm(pair, pinion_out_mm=move_mm, phase=phase)
    return (moved - normal_mm(pair, phase=phase)) / move_mm


def same_set(pair: BevelPair) -> GearSet:
    return GearSet(
        pinion_teeth=pair.pinion_teeth,
        gear_teeth=pair.gear_teeth,
        outer_module_mm=pair.module_mm,
        face_width_mm=pair.face_mm,
        normal_pressure_angle_deg=pair.pressure_deg,
        contact_from_toe=1.0,  # without crowning a pair that is moved out touches at its heel
    )


@pytest.mark.parametrize(("pinion", "gear"), TEETH)
@pytest.mark.parametrize("phase", [-1.0, -0.4, 0.0, 1.0])
def test_model_has_the_play_it_was_given(pinion: int, gear: int, phase: float) -> None:
    # The flanks are conjugate: with the apexes together the play is that of the pitch circle however far the
    # pair is rolled. A model that were no involute pair would show it here.
    pair = BevelPair(pinion_teeth=pinion, gear_teeth=gear)
    assert pair.play_rad(phase=phase) * pair.gear_radius_mm == pytest.approx(pair.play_mm, rel=2e-3)


@pytest.mark.parametrize(("pinion", "gear"), TEETH)
@pytest.mark.parametrize("member", ["gear", "pinion"])
@pytest.mark.parametrize("pressure", [17.5, 20.0, 25.0])
def test_relation_agrees_where_the_teeth_touch_at_the_pitch_line(
    pinion: int, gear: int, member: Shaft, pressure: float
) -> None:
    pair = BevelPair(pinion_teeth=pinion, gear_teeth=gear, pressure_deg=pressure)
    assert slope(pair, member) == pytest.approx(backlash_per_move(same_set(pair), member), rel=0.01)


@pytest.mark.parametrize(("pinion", "gear"), TEETH)
@pytest.mark.parametrize(("member", "sign"), [("gear", -1), ("pinion", 1)])
@pytest.mark.parametrize("phase", [-1.0, 1.0])
def test_roll_of_the_pair_adds_and_takes_what_the_budget_allows_for(
    pinion: int, gear: int, member: Shaft, sign: int, phase: float
) -> None:
    pair = BevelPair(pinion_teeth=pinion, gear_teeth=gear)
    gear_set = same_set(pair)
    expected = backlash_per_move(gear_set, member) + sign * phase * roll_per_move(gear_set, member)
    assert slope(pair, member, phase=phase) == pytest.approx(expected, rel=0.015)


@pytest.mark.parametrize("phase", [-1.0, -0.5, 0.0, 0.5, 1.0])
@pytest.mark.parametrize(("gear_move", "pinion_move"), [(0.1, 0.0), (0.0, 0.2), (0.1, 0.1), (0.15, -0.1)])
def test_stated_uncertainty_covers_any_roll(phase: float, gear_move: float, pinion_move: float) -> None:
    pair = BevelPair(pinion_teeth=17, gear_teeth=46)
    gear_set = same_set(pair)
    moves = np.array([gear_move]), np.array([pinion_move])
    nothing = np.zeros(1)
    seen = normal_mm(pair, gear_out_mm=gear_move, pinion_out_mm=pinion_move, phase=phase) - normal_mm(pair)
    stated = float(shift_mm(gear_set, *moves)[0])
    allowed = 1.96 * float(shift_uncertainty_mm(gear_set, moves, (nothing, nothing))[0])
    assert abs(seen - stated) <= allowed


def test_both_members_count_alike_at_one_to_one_and_as_the_teeth_otherwise() -> None:
    # Common practice, no source; here it comes out of the flanks themselves.
    mitre = BevelPair(pinion_teeth=20, gear_teeth=20)
    assert slope(mitre, "gear") == pytest.approx(slope(mitre, "pinion"), rel=0.01)
    double = BevelPair(pinion_teeth=20, gear_teeth=40)
    assert slope(double, "gear") / slope(double, "pinion") == pytest.approx(2.0, rel=0.01)


def test_moving_out_adds_backlash() -> None:
    pair = BevelPair(pinion_teeth=20, gear_teeth=40)
    assert normal_mm(pair, gear_out_mm=0.1) > normal_mm(pair) > normal_mm(pair, gear_out_mm=-0.1)
    assert normal_mm(pair, pinion_out_mm=0.1) > normal_mm(pair) > normal_mm(pair, pinion_out_mm=-0.1)
