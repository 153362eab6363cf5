"""Where along the face the teeth touch, against crowned flanks from first principles (`crowned_pair.py`)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from analysis.crowned_pair import CrownedPair
from lashmap_analysis.gears.gear_set import GearSet, GearSetError
from lashmap_analysis.judge.shims import backlash_per_move, shift_mm, shift_uncertainty_mm
from lashmap_analysis.lash_map.lash_map import Runout
from lashmap_analysis.record.record import Shaft
from lashmap_analysis.runout.match import match_runout
from lashmap_analysis.runout.sweep import measure_runout

PAIRS = [
    CrownedPair(pinion_teeth=z1, gear_teeth=z2, face_mm=face, contact_from_toe=place, spiral_deg=spiral)
    for z1, z2, face in ((13, 40, 25.0), (20, 20, 18.0))
    for place in (0.05, 0.5, 0.95)
    for spiral in (0.0, 35.0)
]
NOTHING = np.zeros(3)


def same_set(pair: CrownedPair, *, known: bool = True) -> GearSet:
    return GearSet(
        pinion_teeth=pair.pinion_teeth,
        gear_teeth=pair.gear_teeth,
        outer_module_mm=pair.module_mm,
        face_width_mm=pair.face_mm,
        mean_spiral_angle_deg=pair.spiral_deg,
        contact_from_toe=pair.contact_from_toe if known else None,
    )


def changed_mm(pair: CrownedPair, member: Shaft, move_mm: float) -> float:
    return pair.moved_out_mm(member, move_mm) - pair.moved_out_mm(member, 0.0)


@pytest.mark.parametrize("pair", PAIRS)
def test_pair_has_the_play_it_was_given_wherever_it_touches(pair: CrownedPair) -> None:
    # Conjugate flanks: with the apexes together the play is the pitch circle's.
    wanted = pair.play_mm * math.cos(math.radians(20)) * math.cos(math.radians(pair.spiral_deg))
    assert pair.moved_out_mm("gear", 0.0) == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("member", ["gear", "pinion"])
@pytest.mark.parametrize("move_mm", [0.05, -0.05])
def test_a_move_changes_the_backlash_by_the_relation(
    pair: CrownedPair, member: Shaft, move_mm: float
) -> None:
    relation = backlash_per_move(same_set(pair), member)
    assert changed_mm(pair, member, move_mm) / move_mm == pytest.approx(relation, rel=0.005)


@pytest.mark.parametrize("pair", PAIRS)
def test_runout_square_to_the_pitch_cone_does_what_the_lash_map_is_read_by(pair: CrownedPair) -> None:
    delta = math.atan2(pair.gear_teeth, pair.pinion_teeth)
    out = np.array([math.sin(delta), 0.0, -math.cos(delta)])
    ends = [pair.normal_mm(pinion_mm=NOTHING, gear_mm=way * 0.01 * out) for way in (1.0, -1.0)]
    assert (ends[0] - ends[1]) / 0.02 == pytest.approx(same_set(pair).lash_per_runout, rel=0.005)


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("crown_mm", [0.01, 0.05])
def test_stated_uncertainty_covers_any_place(pair: CrownedPair, crown_mm: float, known: bool) -> None:  # noqa: FBT001
    # 10 µm is little crowning: the contact walks along the face when a member is moved. Nobody saw the
    # pattern, or it was seen 0.1 of the face width beside where it is.
    pair = replace(pair, crown_mm=crown_mm)
    gear_set = same_set(pair, known=known)
    if known:
        gear_set = replace(gear_set, contact_from_toe=abs(pair.contact_from_toe - 0.1))
    for move in (0.1, -0.1):
        moves = np.array([move]), np.zeros(1)
        allowed = 1.96 * float(shift_uncertainty_mm(gear_set, moves, (np.zeros(1), np.zeros(1)))[0])
        assert abs(changed_mm(pair, "gear", move) - float(shift_mm(gear_set, *moves)[0])) <= allowed


@pytest.mark.parametrize("spiral_deg", [0.0, 35.0])
def test_a_true_runout_explains_its_lash_wherever_the_teeth_touch(spiral_deg: float) -> None:
    # A gear whose teeth run 40 µm FIM across the pitch cone: its lash comes from the flanks, not from a
    # relation.
    pair = CrownedPair(
        pinion_teeth=13, gear_teeth=40, face_mm=25.0, contact_from_toe=0.4, spiral_deg=spiral_deg
    )
    delta = math.atan2(40, 13)
    out = 0.020 * np.array([math.sin(delta), 0.0, -math.cos(delta)])
    ends = [pair.normal_mm(pinion_mm=NOTHING, gear_mm=way * out) for way in (1.0, -1.0)]
    lash = Runout(
        amplitude_mm=(ends[0] - ends[1]) / 2,
        standard_uncertainty_mm=0.0003,
        high_point_deg=140.0,
        fim_mm=math.nan,
        high_point_uncertainty_deg=2.0,
    )
    angle = np.arange(0.0, 720.0, 2.0)
    sweep = measure_runout(angle, 0.020 * np.cos(np.radians(angle - 140.0)))
    answers = [
        match_runout(
            sweep, lash, gear_set=gear_set, shaft="gear", look="perpendicular to the pitch cone"
        ).explains
        for gear_set in (
            same_set(pair),
            same_set(pair, known=False),
            replace(same_set(pair), contact_from_toe=1.0),
        )
    ]
    # Taken for contact at the heel, a true runout would not be believed.
    assert answers == [True, True, False]


def test_factor_at_heel_mean_and_toe() -> None:
    # Pencil: 13:40, m 4: R_e = 2 √(13² + 40²) = 84.12; R_e / (R_e − 12.5) = 1.1745, R_e / (R_e − 25) =
    # 1.4229.
    straight = GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0)
    seen = [replace(straight, contact_from_toe=place).contact_factor for place in (1.0, 0.5, 0.0)]
    assert seen == pytest.approx([1.0, 1.1745, 1.4229], abs=1e-4)
    assert straight.contact_factor == pytest.approx((1.0 + 1.4229) / 2, abs=1e-4)
    assert straight.contact_factor_half_width == pytest.approx(0.4229 / 2, abs=1e-4)
    # Two sets that differ only in how they are built in are the same set.
    assert straight == replace(straight, contact_from_toe=0.5)


def test_place_beyond_the_face_is_refused() -> None:
    with pytest.raises(GearSetError) as caught:
        GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0, contact_from_toe=1.5)
    assert caught.value.field == "contact_from_toe"
