"""How the simulated stand goes about a runout sweep: pause, turning, what comes after, the prompts for it."""

from __future__ import annotations

import json
from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING, Literal

import numpy as np
import pytest
from daemon.simulated_boxes import PLAIN_BOX, values
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_daemon.simulated_stand import (
    SimulatedBox,
    SimulatedDrive,
    SimulatedInstruments,
    Stand,
    StandError,
)
from lashmap_daemon.simulated_stand.serve import Prompts

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

Member = Literal["gear", "pinion"]
MEMBERS: tuple[Member, Member] = ("gear", "pinion")
BOX = replace(
    PLAIN_BOX,
    gear_eccentricity_mm=0.02,
    pinion_eccentricity_mm=0.01,
)
COARSE = SimulatedInstruments(indicator_rate_hz=200.0, encoder_rate_hz=200.0)
COUNTS_PER_DEG = 1000.0


def gear_deg(lines: Sequence[bytes]) -> np.ndarray:
    return np.array([int(line) for line in lines]) / COUNTS_PER_DEG - 12.5


def longest_rest(counts: Sequence[bytes]) -> tuple[int, int]:
    """Return first and last sample of the longest stretch in which the encoder did not count."""
    best, start = (0, 0), 0
    for now in range(1, len(counts)):
        if counts[now] != counts[now - 1]:
            start = now
        if now - start > best[1] - best[0]:
            best = start, now
    return best


@pytest.mark.parametrize("member", MEMBERS)
def test_everything_rests_for_about_a_second_with_the_tip_set_down_anew(member: Member) -> None:
    stand = Stand(BOX, COARSE, seed=1)
    stand.ask(5)
    before = median(values(stand.advance(3.0).indicator_lines))
    zeros = []
    for _ in range(2):
        stand.sweep(member)
        wire = stand.advance(3.0)
        first, last = longest_rest(wire.encoder_lines)
        rest = np.array(values(wire.indicator_lines[first : last + 1]))
        touching = rest > -1.0
        assert touching.sum() / 200.0 == pytest.approx(1.0, abs=0.15)
        # Once down, the tip stays down and still: 0.15 µm of noise and 0.1 µm of display.
        settled = rest[-int(0.8 * 200) :]
        assert np.ptp(settled) < 0.0015
        zeros.append(float(settled.mean()))
        stand.rest()
        stand.advance(0.5)
    assert abs(zeros[0] - zeros[1]) > 0.001
    assert abs(zeros[0] - before) > 0.001


@pytest.mark.parametrize("member", MEMBERS)
def test_the_member_is_turned_forward_steadily_but_not_evenly(member: Member) -> None:
    stand = Stand(BOX, COARSE, seed=2)
    stand.sweep(member)
    stand.advance(2.0)
    wire = stand.advance(10.0)
    # The shafts turn in the inverse ratio of the teeth: seen from the gear, a pinion turn is 13/40 of one.
    ratio = 1.0 if member == "gear" else 13.0 / 40.0
    speed = np.diff(gear_deg(wire.encoder_lines)) * 200.0 / 360.0 / ratio
    assert speed.mean() == pytest.approx(0.6, rel=0.05)
    assert 0.4 < speed.min() < 0.59
    assert 0.61 < speed.max() < 0.8
    assert all(abs(v) < 1.0 for v in values(wire.indicator_lines))


def test_no_jump_of_the_shaft_from_first_to_last() -> None:
    stand = Stand(BOX, COARSE, seed=2)
    stand.ask(3)
    stand.advance(2.0)
    stand.sweep("gear")
    lines = list(stand.advance(4.0).encoder_lines)
    stand.sweep("pinion")
    lines += stand.advance(4.0).encoder_lines
    stand.rest()
    lines += stand.advance(1.0).encoder_lines
    step = np.diff(gear_deg(lines))
    # From full speed to none takes at least some samples: no step differs from the one before by much.
    assert step.max() < 0.8 * 360.0 / 200.0
    assert np.abs(np.diff(step)).max() < 0.1 * 360.0 / 200.0
    assert step.min() >= -0.1
    assert not step[-100:].any()


@pytest.mark.parametrize("asked_after_s", [0.05, 0.2, 0.7, 1.5, 4.0, 9.0])
@pytest.mark.parametrize("member", MEMBERS)
def test_an_engagement_asked_for_later_is_found_again(member: Member, asked_after_s: float) -> None:
    stand = Stand(BOX, COARSE, SimulatedDrive(position_error_deg=0.0), seed=1)
    stand.ask(45)
    stand.advance(3.0)
    stand.sweep(member)
    stand.advance(asked_after_s)
    stand.ask(-7)
    stand.advance(6.0)
    wire = stand.advance(2.0)
    # Counting: engagement k is k / 40 of a gear turn past the matched teeth, turns and sign kept. The middle
    # of the rock wanders with eccentricity, by less than both lengths together, twice, on the pitch radius.
    angles = gear_deg(wire.encoder_lines)
    assert (angles.min() + angles.max()) / 2.0 == pytest.approx(-7 * 9.0, abs=0.06)
    shown = np.array(values(wire.indicator_lines))
    middle = (shown.min() + shown.max()) / 2.0
    lash = np.median(shown[shown > middle]) - np.median(shown[shown < middle])
    assert lash == pytest.approx(stand.truth.normal_backlash_mm[-7], abs=5e-4)


def test_the_indicator_may_go_straight_from_one_member_to_the_other() -> None:
    stand = Stand(BOX, COARSE, seed=1)
    stand.sweep("gear")
    stand.advance(4.0)
    stand.sweep("pinion")
    wire = stand.advance(1.0)
    # Lifted to its lower stop on the way.
    assert min(values(wire.indicator_lines)) < -3.9
    stand.advance(1.0)
    assert np.ptp(values(stand.advance(2.0).indicator_lines)) == pytest.approx(
        stand.truth.pinion_runout_fim_mm, abs=0.002
    )


@pytest.mark.parametrize("rested_after_s", [0.05, 0.2, 0.7, 2.0])
def test_rest_ends_a_sweep(rested_after_s: float) -> None:
    stand = Stand(BOX, COARSE, seed=1)
    stand.sweep("gear")
    stand.advance(rested_after_s)
    stand.rest()
    stand.advance(0.5)
    wire = stand.advance(2.0)
    assert max(values(wire.indicator_lines)) < -3.9
    assert len(set(wire.encoder_lines)) == 1


def test_asking_again_for_the_sweep_in_hand_goes_on_with_it() -> None:
    one, two = Stand(BOX, COARSE, seed=1), Stand(BOX, COARSE, seed=1)
    for stand in (one, two):
        stand.sweep("gear")
        stand.advance(3.0)
    two.sweep("gear")
    assert one.advance(1.0) == two.advance(1.0)


@settings(max_examples=15, deadline=None)
@given(cuts=st.lists(st.integers(1, 799), max_size=12, unique=True))
def test_bytes_of_a_sweep_do_not_depend_on_how_time_is_cut(cuts: list[int]) -> None:
    whole = Stand(BOX, COARSE, seed=6)
    whole.sweep("pinion")
    expected = whole.advance(800 / 256)
    stand, parts, last = Stand(BOX, COARSE, seed=6), [], 0
    stand.sweep("pinion")
    for cut in [*sorted(cuts), 800]:
        parts.append(stand.advance((cut - last) / 256))
        last = cut
    assert b"".join(part.indicator for part in parts) == expected.indicator
    assert b"".join(part.encoder for part in parts) == expected.encoder


def test_no_third_member_and_no_sweep_at_an_impossible_speed_or_place() -> None:
    with pytest.raises(StandError, match="member"):
        Stand(BOX, COARSE, seed=1).sweep("idler")  # type: ignore[arg-type]  # that is what is refused
    with pytest.raises(StandError, match="sweep_turns_per_s"):
        SimulatedDrive(sweep_turns_per_s=0.0)
    with pytest.raises(StandError, match="runout_indicator_from_mesh_deg"):
        SimulatedBox(
            pinion_teeth=13,
            gear_teeth=40,
            outer_module_mm=4.0,
            face_width_mm=25.0,
            touch_radius_mm=80.0,
            mean_normal_backlash_mm=0.15,
            runout_indicator_from_mesh_deg=float("nan"),
        )


def test_prompts_may_ask_for_a_sweep(tmp_path: Path) -> None:
    path = tmp_path / "prompts.jsonl"
    prompts = Prompts(path)

    def heard(**said: object) -> tuple[int | None, str | None] | None:
        line = {"show": "", "engagement": None, "closed": False} | said
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(line) + "\n")
        prompt = prompts.latest()
        return None if prompt is None else (prompt.engagement, prompt.sweep)

    assert heard(sweep="gear") == (None, "gear")
    assert heard(sweep="pinion") == (None, "pinion")
    assert heard(sweep=None, engagement=3) == (3, None)
    assert heard(engagement=4) == (4, None)
    assert prompts.bad_lines == 0
    assert heard(sweep="idler") is None
    assert heard(sweep=True) is None
    assert heard(sweep="gear", engagement=4) is None  # two wishes at once
    assert prompts.bad_lines == 3
