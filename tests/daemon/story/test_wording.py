"""Words that a person at the stand reads."""

from __future__ import annotations

from dataclasses import replace

import pytest
from daemon.logbook.test_logbook import ONE_OF_EACH
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_daemon.story import events
from lashmap_daemon.story.marks import REMEDY, disagreement
from lashmap_daemon.story.wording import (
    FlagsOnce,
    angle_text,
    asked_sentence,
    instruction,
    sentence,
    thirds_of,
    thirds_text,
    told,
)


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


TEETH = MeshCycle(pinion_teeth=13, gear_teeth=40)


@pytest.mark.parametrize(
    ("gear_deg", "text"),
    [
        (3.0, "3.0° (a third of a tooth; pinion 9.2°)"),
        (-6.0, "6.0° (two thirds of a tooth; pinion 18.5°)"),
        (12.0, "12.0° (1 tooth and a third; pinion 36.9°)"),
        (-24.0, "24.0° (2 teeth and two thirds; pinion 73.8°)"),
    ],
)
def test_a_part_of_a_tooth_is_told_in_thirds_and_on_the_pinion(gear_deg: float, text: str) -> None:
    # by hand: a tooth of 40 is 9°; the pinion of 13 turns 40 / 13 times as far
    assert thirds_text(gear_deg, TEETH) == text
    assert thirds_text(gear_deg, None) == text.partition(" ")[0]
    assert thirds_of(gear_deg, TEETH)[2] == pytest.approx(abs(gear_deg) * 40 / 13)


def asked(**changed: object) -> events.PositionAsked:
    first = events.PositionAsked(
        number=2, engagement=3, gear_angle_deg=27.0, turn_teeth=1, turn_deg=9.0, purpose="planned", attempt=1,
        reason="",
    )  # fmt: skip
    return replace(first, **changed)  # type: ignore[arg-type] # as named


@pytest.mark.parametrize(
    ("changed", "begins", "says"),
    [
        ({}, "Turn the gear FORWARD → 1 tooth (9.0°) to engagement 3,", ""),
        ({"turn_teeth": -2, "turn_deg": -18.0}, "Turn the gear BACK ← 2 teeth (18.0°) to", ""),
        ({"turn_teeth": 0, "turn_deg": 0.0}, "Stay at engagement 3,", ""),
        ({"attempt": 2, "reason": "slip"}, "Turn the gear", "(try 2: slip)"),
        (
            {"turn_teeth": 0, "turn_deg": 3.0, "purpose": "third forward"},
            "Roll phase a third of a pitch FORWARD: turn the pinion so that the gear goes FORWARD → by 3.0°",
            "set the tip on its tooth again",
        ),
    ],
)
def test_what_to_do_for_a_position(changed: dict[str, object], begins: str, says: str) -> None:
    text = asked_sentence(asked(**changed), None)
    assert text.startswith(begins)
    assert says in text
    assert ("again" in text) == ("tip" in says)
    assert ("(try" in text) == (asked(**changed).attempt > 1)


def lost(reason: str = "gone") -> events.InstrumentLost:
    return events.InstrumentLost(
        instrument="indicator", port="/dev/x", reason=reason, patience_s=9.0, remedy="Look."
    )


def resumed(gap_s: float, **more: object) -> events.TestResumed:
    return events.TestResumed(operator="Ada", version="0", first_s=9.0, gap_s=gap_s, **more)  # type: ignore[arg-type] # as named


def compared(**changed: object) -> events.MarksCompared:
    first = events.MarksCompared(
        member="gear", attempt=1, how="mark", answer="matched", encoder_deg=720.5, turns=2, off_deg=0.5,
        off_teeth=0.06, allowed_deg=3.0, agrees=True, last=True,
    )  # fmt: skip
    return replace(first, **changed)  # type: ignore[arg-type] # as named


def set_teeth(how: str, moved_deg: float | None) -> events.MatchedTeethSet:
    return events.MatchedTeethSet(encoder_deg=37.25, how=how, moved_deg=moved_deg)  # type: ignore[arg-type] # as named


CHECKED = events.CheckedAgain(
    number=4, of=2, difference_mm=0.001, allowed_mm=0.002, difference_deg=0.25, allowed_deg=0.5
)
SWEEP = events.SweepAsked(member="gear", turns=1, attempt=1, reason="")
PASS = events.PassAsked(number=2, direction="back", engagements=524, attempt=1, reason="", other_speed=False)
SPOT = events.TightSpotPredicted(
    engagement=3, gear_angle_deg=27.0, normal_backlash_mm=0.1, low_mm=0.09, high_mm=0.11, ask=()
)


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (resumed(-1.0), "after a time that is not known (the clock was set back)"),
        (resumed(0.0), "after 0 s"),
        (resumed(119.0), "after 119 s"),
        (resumed(120.0), "after 2 min"),
        (resumed(7199.0), "after 120 min"),
        (resumed(7200.0), "after 2.0 h"),
        (resumed(9.0, check=4, check_of=2), "9 s; position 2 is measured again first, as a check"),
        (resumed(9.0, changed=("a: 1 → 2", "b: 3 → 4")), "9 s; changed: a: 1 → 2, b: 3 → 4"),
        (
            CHECKED,
            "Check against position 2: agrees (+0.00100\N{NO-BREAK SPACE}mm",
        ),  # a digit more than it is
        (CHECKED, ", +0.25° apart)"),
        (replace(CHECKED, difference_mm=0.003), "Check against position 2: DISAGREES ("),
        (events.RecordingGoesOn(paused_s=12.0, given_up_s=0.0), "goes on after 12 s"),
        (events.RecordingGoesOn(paused_s=12.0, given_up_s=3.0), "; 3 s of samples had to be given up"),
        (set_teeth("counted by hand", None), "Marked teeth together; teeth are counted by hand from here"),
        (
            set_teeth("assumed", None),
            "Marked teeth not known: teeth are counted from where the gear stood then",
        ),
        (set_teeth("assumed", -0.5), "Matched teeth at encoder 37.250° (assumed, -0.500° from before)"),
        (set_teeth("box file", None), "Matched teeth at encoder 37.250° (box file)"),
        (set_teeth("box file", 0.5), "Matched teeth at encoder 37.250° (box file, +0.500° from before)"),
        (compared(agrees=None, answer="left out"), "Nobody saw the marks again (left out)"),
        (compared(how="counted by hand"), "The mark of the gear stood in the mesh"),
        (compared(how="counted by hand", agrees=False), "The mark of the gear did NOT stand in the mesh"),
        (compared(how="index pulse", answer="came"), "its index pulse came"),
        (compared(), "The encoder still fits the mark of the gear: "),
        (compared(agrees=False, last=False), "The encoder does NOT fit the mark of the gear"),
        (compared(agrees=False), "See to the encoder's coupling"),
        (SWEEP, "a little more than one turn"),
        (replace(SWEEP, turns=2), "a little more than 2 turns"),
        (replace(SWEEP, attempt=2, reason="too fast"), "one turn (try 2: too fast)"),
        (PASS, "so that the gear goes BACK ← 524 teeth against its brake; do not stop on the way"),
        (replace(PASS, other_speed=True), "its brake, at another speed than before; do not"),
        (replace(PASS, direction="forward", attempt=3, reason="a gap"), "goes FORWARD → 524"),
        (replace(PASS, direction="forward", attempt=3, reason="a gap"), "on the way (try 3: a gap)"),
        (events.ReadyAsked(what="turn"), '"skip" leaves the cycle run out'),
        (events.ReadyAsked(what="rock"), '"repeat" makes its passes anew'),
        (events.ReadyConfirmed(what="turn", how="typed"), "The box may turn: confirmed typed"),
        (
            events.ReadyConfirmed(what="rock", how="typed"),
            "The drive is locked out; the box can be rocked: c",
        ),
        (
            events.MarksAsked(member="pinion", attempt=1),
            "Check of the encoder: turn until the marked tooth of",
        ),
        (events.MarksAsked(member="pinion", attempt=2), "check it once more. Check of the encoder"),
        (
            events.CountAsked(turn_teeth=1, turns=1, attempt=1),
            "count: turn the gear FORWARD → 1 tooth, counting",
        ),
        (
            events.CountAsked(turn_teeth=-2, turns=1, attempt=1),
            "count: turn the gear BACK ← 2 teeth, counting",
        ),
        (
            events.CountAsked(turn_teeth=0, turns=1, attempt=2),
            "Count once more. Check of the count: stay here.",
        ),
        (SPOT, "Tight spot from all positions at engagement 3, 27.0° of turn 1: "),
        (SPOT, "to measure: nothing more"),
        (replace(SPOT, ask=(0, -1)), "Tight spot predicted at"),
        (replace(SPOT, ask=(0, -1)), "to measure: 0, 1 tooth BACK ← from the matched teeth"),
    ],
)
def test_an_event_is_told_as_what_it_means(event: events.Event, words: str) -> None:
    text = sentence(event, "mm", None)
    assert text is not None
    assert words in text


def test_first_tries_are_not_counted_and_each_kind_has_its_line() -> None:
    for event in (SWEEP, PASS, asked()):
        assert "try" not in (sentence(event, "mm", None) or "")
    assert "check it once more" not in (
        sentence(events.MarksAsked(member="gear", attempt=1), "mm", None) or ""
    )
    assert "Count once more" not in (
        sentence(events.CountAsked(turn_teeth=1, turns=1, attempt=1), "mm", None) or ""
    )
    lines = {type(one).__name__: sentence(one, "mm", TEETH) for one in ONE_OF_EACH}
    silent = {"CautionsConfirmed", "PreconditionsRecorded", "RockStarted", "RockTyped", "PositionsSpared"}
    silent |= {
        "ResultStored",
        "FilesLeft",
        "ResultAnnounced",
        "PositionExcluded",
        "ExclusionUndone",
        "SignedOff",
    }
    assert {name for name, line in lines.items() if line is None} == silent
    assert len({line for line in lines.values() if line}) == len(lines) - len(silent)
    # on a screen that shows in larger letters what is to be done, that has no line of its own
    awaited = {
        "PositionAsked",
        "SweepAsked",
        "ReadyAsked",
        "PassAsked",
        "MarksAsked",
        "CountAsked",
        "CauseAsked",
    }
    assert {type(one).__name__ for one in ONE_OF_EACH if told(one, "mm", TEETH) is None} == silent | awaited
    assert instruction(asked(), "mm", TEETH) == asked_sentence(asked(), TEETH)
    assert instruction(lost(), "mm", TEETH) == sentence(lost(), "mm", None)
    off = compared(agrees=False, off_deg=-27.0, off_teeth=-3.0)
    said = disagreement(off)
    assert sentence(off, "mm", None) == f"{said[0].upper()}{said[1:]}. {REMEDY}"
    assert told(replace(SPOT, ask=()), "mm", TEETH) == (
        "Tight spot expected at gear tooth 4 with pinion tooth 4: 0.1000\N{NO-BREAK SPACE}mm; to measure: "
        "nothing more"
    )
