"""Words that a person at the stand reads."""

from __future__ import annotations

from dataclasses import replace

import pytest
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import FlagsOnce, angle_text, asked_sentence, sentence


@pytest.mark.parametrize(
    ("gear_deg", "text"),
    [
        (0.0, "0.0° of turn 1"),
        (-0.0, "0.0° of turn 1"),
        (-0.04, "0.0° of turn 1"),
        (359.96, "0.0° of turn 2"),
        (12.0 + 3 * 360.0, "12.0° of turn 4"),
        (-9.0, "351.0° of turn 1 before the matched teeth"),
        (-360.0, "0.0° of turn 1 before the matched teeth"),
        (-2000.0, "160.0° of turn 6 before the matched teeth"),
    ],
)
def test_turns_are_counted_from_one_on_either_side_of_the_matched_teeth(gear_deg: float, text: str) -> None:
    assert angle_text(gear_deg, decimals=1) == text


def test_a_confirming_position_before_the_matched_teeth_is_asked_for_in_these_words() -> None:
    asked = events.PositionAsked(
        number=27, engagement=-3, gear_angle_deg=-27.0, turn_teeth=-8, turn_deg=-72.0, purpose="confirming",
        attempt=1, reason="",
    )  # fmt: skip
    # 13:40: three teeth before the marked ones are gear tooth 38 of 40 and pinion tooth 11 of 13.
    assert asked_sentence(asked, MeshCycle(pinion_teeth=13, gear_teeth=40)) == (
        "Confirm the tight spot: turn the gear BACK ← 8 teeth (72.0°) to gear tooth 38 with pinion tooth "
        "11 (engagement -3, 333.0° of turn 1 before the matched teeth); hold the pinion and rock the gear "
        "lightly"
    )


def test_a_predicted_place_before_the_matched_teeth_is_told_without_a_minus() -> None:
    predicted = events.TightSpotPredicted(
        engagement=333,
        gear_angle_deg=2997.0,
        normal_backlash_mm=0.1,
        low_mm=0.09,
        high_mm=0.11,
        ask=(-187, 24),
    )
    told = sentence(predicted, "mm", None)
    assert told is not None
    assert told.endswith("to measure: 187 teeth BACK ← from the matched teeth, 24")


def test_a_lost_instrument_is_told_with_the_remedy_for_its_own_reason() -> None:
    lost = events.InstrumentLost(
        instrument="indicator",
        port="/dev/x",
        reason="it sends, but there is no reading for 3.0 s (overload)",
        patience_s=120.0,
        remedy="Look at its display: range, hold, battery.",
    )
    assert sentence(lost, "mm", None) == (
        "The indicator on /dev/x was lost (it sends, but there is no reading for 3.0 s (overload)). Look at "
        "its display: range, hold, battery. Leave the gear where it is. Waiting up to 120 s"
    )


def test_a_warning_that_each_rock_brings_is_said_once_a_test() -> None:
    accepted = events.RockAccepted(
        number=1, engagement=0, purpose="planned", attempt=1, start_s=0.0, end_s=2.0, reading_mm=0.14,
        normal_backlash_mm=0.143, standard_uncertainty_mm=0.001, reversals=9, flags=("heavy rocking",),
    )  # fmt: skip
    flags_once = FlagsOnce()
    said = [
        sentence(flags_once(one), "mm", None) or ""
        for one in (accepted, accepted, replace(accepted, flags=("heavy rocking", "spikes")))
    ]
    assert [line.partition("reversals")[2] for line in said] == [
        "; heavy rocking (said once a test)",
        "",
        "; spikes (said once a test)",
    ]
    assert "heavy rocking" in (sentence(FlagsOnce()(accepted), "mm", None) or "")  # another test
