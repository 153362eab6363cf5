"""The simulated technician rolls the pair on by a third of a pitch: encoder, indicator and play follow."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from daemon.simulated_boxes import COARSE, PLAIN_BOX, values
from lashmap_daemon.simulated_stand import Stand
from lashmap_daemon.simulated_stand.serve import Prompts

CROWNED = replace(PLAIN_BOX, roll_crowning_mm=0.003, roll_phase_at_marks=0.0)
STEADY = replace(COARSE, indicator_noise_mm=0.0)
PITCH_DEG = 360.0 / CROWNED.gear_teeth


def rocked_at(rolled: float) -> tuple[float, float, float]:
    """Middle of the gear's angle, lash and middle of the indicator while it is rocked at engagement 5."""
    stand = Stand(CROWNED, STEADY, seed=1)
    stand.ask(5, rolled=rolled)
    stand.advance(3.0)
    wire = stand.advance(3.0)
    angle = [360.0 * count / STEADY.encoder_counts_per_turn for count in values(wire.encoder_lines)]
    tip = values(wire.indicator_lines)
    return (max(angle) + min(angle)) / 2.0, max(tip) - min(tip), (max(tip) + min(tip)) / 2.0


@pytest.mark.parametrize("rolled", [-1 / 3, 1 / 3])
def test_the_gear_goes_on_by_a_third_and_the_tip_is_set_there_again(rolled: float) -> None:
    whole, other = rocked_at(0.0), rocked_at(rolled)
    # The technician places the pinion to 0.1° and less (the drive's position error).
    assert other[0] - whole[0] == pytest.approx(rolled * PITCH_DEG, abs=0.35)
    # A third of a pitch is 5 mm on the gear: the tip was moved along, or it would be out of its range.
    assert other[2] - whole[2] == pytest.approx(0.0, abs=0.7)
    # 4 · 3 µm · (1/3)² more play than on the crests, which is what the box's crowning means.
    assert other[1] - whole[1] == pytest.approx(0.00133, abs=0.0007)


def test_a_prompt_says_by_its_angle_how_far_the_pair_is_to_be_rolled(tmp_path: Path) -> None:
    path = tmp_path / "prompts"
    stand = Stand(CROWNED, STEADY, seed=1)
    for third in (-1, 0, 1):
        asked = {"show": "", "engagement": 7, "gear_angle_deg": (7 + third / 3) * PITCH_DEG, "closed": False}
        path.write_text(json.dumps(asked) + "\n", "utf-8")
        prompt = Prompts(path).latest()
        assert prompt is not None
        assert prompt.gear_angle_deg is not None
        assert stand.rolled(7, prompt.gear_angle_deg) == pytest.approx(third / 3)
