"""Before the first position: what is asked, what stays open, and where the matched teeth are found again."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from daemon.broken_off import BrokenOff, accepted
from daemon.virtual_time import CONFIGS, load_box, set_up, simulated_stand_file
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.record.record import Precondition, moment
from lashmap_daemon.errors import GearTurns
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.preconditions import collect
from lashmap_daemon.replay.replay import Replay, in_record_deg
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import ENCODER, load_stand
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import Setup
from lashmap_daemon.story.wording import CAUTIONS
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.opening import (
    CautionsNotConfirmed,
    Nobody,
    NotedPerson,
    NotGoneOn,
    Reference,
    ask_operator,
    ask_to_go_on,
    complete_box,
    confirm_cautions,
    find_again,
    judge,
    matched_teeth,
    start_record,
)
from lashmap_drivers.kinds import build
from lashmap_drivers.readings import Chunk


@dataclass
class Someone:
    """Gives prepared answers, in order; an exhausted list is Enter."""

    answers: list[str] = field(default_factory=list)
    shown: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def show(self, text: str) -> None:
        self.shown.append(text)

    def ask(self, question: str) -> str:
        self.asked.append(question)
        return self.answers.pop(0) if self.answers else ""


def unmeasured(units: str = "mm") -> BoxFile:
    box = load_box()
    bare = {"pinion_marked_mm": None, "pinion_set_mm": None, "bearings_within_drawing": None, "bearings": ""}
    return box.model_copy(
        update={
            "mounting": box.mounting.model_copy(update=bare),
            "box": box.box.model_copy(update={"units": units}),
        }
    )


@pytest.mark.parametrize("answer", ["locked out", ' "Locked Out" '])
def test_all_cautions_are_shown_before_the_confirmation(answer: str) -> None:
    person = Someone([answer])
    assert confirm_cautions(person, confirmed_before=False).how == "typed at the stand"
    assert all(any(caution in line for line in person.shown) for caution in CAUTIONS)


@pytest.mark.parametrize("answer", ["", "yes", "y", "locked"])
def test_anything_else_starts_nothing(answer: str) -> None:
    with pytest.raises(CautionsNotConfirmed, match="nothing was started"):
        confirm_cautions(Someone([answer]), confirmed_before=False)


def test_a_slip_of_the_keys_is_asked_again_once() -> None:
    person = Someone(["locked iut", "locked out"])
    assert confirm_cautions(person, confirmed_before=False).how == "typed at the stand"
    assert "'locked iut' is not \"locked out\"; it is asked once more." in person.shown
    person = Someone(["locked iut", "locked ouz", "locked out"])
    with pytest.raises(CautionsNotConfirmed, match="nothing was started"):
        confirm_cautions(person, confirmed_before=False)
    assert len(person.asked) == 2
    refused = Someone(["", "locked out"])  # Enter says no
    with pytest.raises(CautionsNotConfirmed):
        confirm_cautions(refused, confirmed_before=False)
    assert len(refused.asked) == 1


def test_without_a_person_the_command_line_must_carry_the_confirmation() -> None:
    shown: list[str] = []
    with pytest.raises(CautionsNotConfirmed, match="--locked-out"):
        confirm_cautions(Nobody(show=shown.append), confirmed_before=False)
    assert "--locked-out" in confirm_cautions(Nobody(show=shown.append), confirmed_before=True).how


def test_who_tests_is_asked_where_nobody_is_named() -> None:
    person = Someone(["x" * 300, "A. \x1b[31mB", " A. Tester "])
    assert ask_operator(person, "", "bench2") == "A. Tester"
    assert len(person.asked) == 3
    assert all("Enter = bench2" in one for one in person.asked)
    assert ask_operator(Someone([""]), "", "bench2") == "bench2"
    assert ask_operator(Nobody(show=print), "", "bench2") == "bench2"
    named = Someone()
    assert ask_operator(named, "Ada", "bench2") == "Ada"
    assert not named.asked


def test_a_test_remembers_the_clock_on_the_wall() -> None:
    there = dt.datetime(2031, 5, 17, 23, 12, 40, tzinfo=dt.timezone(dt.timedelta(hours=-5)))
    box, stand = load_box(), load_stand(CONFIGS / "stands" / "bench.toml")

    def begun(now: dt.datetime) -> events.TestStarted:
        return start_record(box, stand, operator="Ada", version="0", box_name="box.toml", now=now)

    started = begun(there)
    assert started.test.startswith("20310518-041240")
    assert started.local == "2031-05-17T23:12:40-05:00"
    assert events.from_json(*events.to_json(started)) == started
    # Where only UTC is known the record is what it was before there was such a field.
    known = begun(there.astimezone(dt.UTC))
    assert "local" not in json.loads(events.to_json(known)[1])
    assert events.from_json(*events.to_json(known)) == known


@pytest.mark.parametrize(
    ("local", "beside"),
    [
        ("2031-05-17T23:12:40-05:00", " (2031-05-17 23:12 -05:00)"),
        ("2031-05-18T09:57:40+05:45", " (09:57 +05:45)"),
        ("2031-05-18T04:12:40+00:00", ""),
        ("", ""),
    ],
)
def test_local_time_stands_beside_utc(local: str, beside: str) -> None:
    assert moment("2031-05-18T04:12:40Z", local) == f"2031-05-18 04:12 UTC{beside}"


def test_what_the_box_file_lacks_is_asked_and_only_that() -> None:
    person = Someone(["105,00", "not a length", "-3", "105.01 mm", "yes"])
    box = complete_box(unmeasured(), person)
    assert (box.mounting.pinion_marked_mm, box.mounting.pinion_set_mm) == (105.0, 105.01)
    assert box.mounting.bearings_within_drawing is True
    assert not any("Gear mounting" in question for question in person.asked)
    assert sum("is not a length" in line for line in person.shown) == 2
    assert complete_box(load_box(), Someone()) == load_box()


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        (["1050.0", "105.0", "105.01"], "mounting.pinion_marked_mm: 1050 mm"),
        (["105.0", "1.0501", "105.0", "105.01"], "mounting.pinion_set_mm: 1.05 mm"),
        # The slip was in the first answer, and only the second shows it: both are asked for again.
        (["150.0", "105.01", "105.0", "105.01"], "one of the two is mistyped"),
    ],
)
def test_an_answer_that_cannot_be_meant_is_asked_for_again(answers: list[str], told: str) -> None:
    person = Someone([*answers, "yes"])
    box = complete_box(unmeasured(), person)
    assert (box.mounting.pinion_marked_mm, box.mounting.pinion_set_mm) == (105.0, 105.01)
    assert len(person.shown) == 1
    assert told in person.shown[0]


def test_one_answer_beside_a_figure_of_the_file_is_compared_with_it() -> None:
    box = load_box()
    lacking = box.model_copy(update={"mounting": box.mounting.model_copy(update={"pinion_set_mm": None})})
    person = Someone(["150.1"])
    assert complete_box(lacking, person).mounting.pinion_set_mm is None
    assert "no shim" in person.shown[0]


FAILS = Precondition(
    name="mounting distance, pinion",
    state="failed",
    detail="0.08 mm off its mark",
    remedy="Correct the shim.",
)
GOOD = Precondition(name="bearings", state="proven", detail="preloaded")


@pytest.mark.parametrize("answers", [[""], ["yes"], ["what", "y"]])
def test_what_fails_already_is_shown_and_asked_before_the_first_position(answers: list[str]) -> None:
    someone = Someone(list(answers))
    person = NotedPerson(person=someone)
    assert ask_to_go_on((FAILS, GOOD), person) == ()
    assert "mounting distance, pinion: 0.08 mm off its mark. Correct the shim." in someone.shown[0]
    assert "never conforming" in someone.shown[1]
    assert len(someone.asked) == len(person.notes) == len(answers)
    assert all(text in person.notes[0] for text in (FAILS.detail, "never conforming", "Go on all the same?"))
    assert person.notes[-1].endswith(f"Answered: {answers[-1] or 'Enter'!r}.")


def test_who_does_not_want_such_a_test_ends_there() -> None:
    with pytest.raises(NotGoneOn, match="nothing was recorded"):
        ask_to_go_on((FAILS,), Someone(["no"]))
    assert ask_to_go_on((GOOD,), Someone(["no"])) == ()


def test_without_a_person_it_is_said_and_recorded_and_goes_on() -> None:
    shown: list[str] = []
    (note,) = ask_to_go_on((FAILS,), Nobody(show=shown.append))
    assert FAILS.detail in shown[0]
    assert FAILS.detail in note
    assert "nobody to ask" in note


def test_inches_are_asked_in_inches() -> None:
    box = complete_box(unmeasured("in"), Someone(["4.0"]))
    assert box.mounting.pinion_marked_mm == pytest.approx(101.6)


def test_what_is_not_answered_stays_open() -> None:
    box = complete_box(unmeasured(), Someone())
    assert box.mounting.pinion_set_mm is None
    assert box.mounting.bearings_within_drawing is None


def on_a_stand(box: BoxFile, folder: Path, *, absolute: bool = True) -> Setup:
    """The set-up of a box on the simulated stand, whose encoder is absolute or not."""
    made = set_up(box, simulated_stand_file(folder, SimulatedInstruments()))
    assert made.stand.encoder is not None
    encoder = replace(made.stand.encoder, absolute=absolute)
    return replace(made, stand=replace(made.stand, encoder=encoder))


def test_matched_teeth_from_the_file_from_the_stand_or_assumed(tmp_path: Path) -> None:
    setup, bare = (on_a_stand(box, tmp_path) for box in (load_box(), bare_box()))
    assert matched_teeth(setup, Someone(), encoder_deg=lambda: 1.0)[1].encoder_deg == 37.25
    how, found = matched_teeth(bare, Someone(["matched"]), encoder_deg=lambda: 12.5)
    assert (how, found.encoder_deg) == ("set at the stand", 12.5)
    how, found = matched_teeth(bare, Someone(), encoder_deg=lambda: 12.5)
    assert (how, found.how) == ("assumed", "assumed")


@pytest.mark.parametrize(("answer", "state"), [("matched", "proven"), ("", "unproven")])
def test_the_angle_of_a_box_file_proves_nothing_where_the_encoder_is_not_absolute(
    tmp_path: Path, answer: str, state: str
) -> None:
    setup, person = on_a_stand(load_box(), tmp_path, absolute=False), Someone([answer])
    how, found = matched_teeth(setup, person, encoder_deg=lambda: 12.5)
    assert found.encoder_deg == 12.5
    assert found.how == how != "box file"
    unused = "37.250°) was not used, since the encoder is not declared absolute in the stand file"
    assert unused in person.asked[0]
    assert unused in person.shown[0]
    assert "12.500°" in person.shown[0]
    of = {
        one.name: one
        for one in collect(setup.box, setup.stand, matched=how, today=dt.date(2026, 11, 25), locked_out=True)
    }["matched teeth"]
    assert of.state == state
    assert unused in of.detail


def test_a_record_that_took_the_angle_of_such_an_encoder_proves_nothing(tmp_path: Path) -> None:
    setup = on_a_stand(load_box(), tmp_path, absolute=False)
    found = collect(setup.box, setup.stand, matched="box file", today=dt.date(2026, 11, 25), locked_out=True)
    assert {one.name: one.state for one in found}["matched teeth"] == "unproven"


def test_the_bench_example_leaves_its_encoder_undeclared() -> None:
    encoder = load_stand(CONFIGS / "stands" / "bench.toml").file.encoder
    assert encoder is not None
    assert not encoder.absolute


def turning(*angles: float | None) -> Callable[[], float]:
    """An encoder read again and again; None while the gear turns."""
    row = list(angles)

    def read() -> float:
        angle = row.pop(0)
        if angle is None:
            raise GearTurns("the gear is turning; hold it still with the marked teeth together")
        return angle

    return read


def bare_box() -> BoxFile:
    box = load_box()
    return box.model_copy(
        update={"matched_teeth": box.matched_teeth.model_copy(update={"encoder_deg": None})}
    )


def test_another_word_than_matched_is_not_taken_for_not_known(tmp_path: Path) -> None:
    person, setup = Someone(["yes", "matched"]), on_a_stand(bare_box(), tmp_path)
    assert matched_teeth(setup, person, encoder_deg=lambda: 12.5)[0] == "set at the stand"


def test_matched_teeth_are_not_taken_from_a_gear_that_turns_but_asked_for_again(tmp_path: Path) -> None:
    person, setup = Someone(["matched", "matched"]), on_a_stand(bare_box(), tmp_path)
    how, found = matched_teeth(setup, person, encoder_deg=turning(None, 12.5))
    assert (how, found.encoder_deg) == ("set at the stand", 12.5)
    assert person.shown[0] == "The gear is turning; hold it still with the marked teeth together."
    assert len(person.asked) == 2


def test_nobody_holds_a_gear_that_turns(tmp_path: Path) -> None:
    setup = on_a_stand(bare_box(), tmp_path)
    with pytest.raises(GearTurns):
        matched_teeth(setup, Nobody(show=Someone().show), encoder_deg=turning(None, 12.5))
    with pytest.raises(GearTurns):  # nor somebody who only says so
        matched_teeth(setup, Someone(["matched"] * 99), encoder_deg=turning(*[None] * 99))


def test_going_on_the_marks_are_asked_for_again_while_the_gear_turns() -> None:
    gear_set = load_box().gear_set.gear_set()
    reference = Reference(encoder_deg=10.0, end_deg=100.0, gear_set=gear_set, shaft="gear")
    person = Someone(["", "matched", "matched"])
    found, moved_deg = find_again(reference, person, encoder_deg=turning(None, 100.0, None, 10.0))
    assert (found.matched.encoder_deg, found.precondition.state, moved_deg) == (10.0, "proven", 0.0)
    assert person.asked[0] == "The gear is turning. Hold it still, then press Enter"
    assert person.shown == ["The gear is turning; hold it still with the marked teeth together."]


TURN = 360_000  # counts of the simulated stand
SET = load_box().gear_set.gear_set()  # 13:40


@given(
    range_deg=st.floats(1.0, 1e5),
    true_deg=st.floats(-1e5, 1e5),
    since_deg=st.floats(-1e4, 1e4),
    jitter=st.floats(-0.49, 0.49),
)
def test_the_reference_is_found_in_any_range(
    range_deg: float, true_deg: float, since_deg: float, jitter: float
) -> None:
    # By construction: the record's count is the true angle less whole ranges, the reference as far from both.
    first_deg = math.fmod(true_deg, range_deg)
    seen_deg = true_deg + jitter * range_deg
    found = in_record_deg(true_deg - since_deg, seen_deg, first_deg, range_deg)
    assert first_deg - found == pytest.approx(since_deg, abs=1e-6)


def test_a_reference_that_is_the_records_own_is_left_as_it_is() -> None:
    assert in_record_deg(12.0, None, 350.0, 360.0) == 12.0
    assert in_record_deg(1092.0, 1092.0, 12.0, None) == 1092.0


@pytest.mark.parametrize(
    ("first", "engagement"), [(12_000, 0.0), (11_000, -1.0 / 9.0), (359_000, -13.0 / 9.0)]
)
def test_a_gear_turned_over_the_wrap_before_the_test_counts_from_its_marks(
    tmp_path: Path, first: int, engagement: float
) -> None:
    stand = simulated_stand_file(tmp_path, SimulatedInstruments())
    board = build({"kind": "counter board", "pattern": r"(?P<count>\d+)", "wraps_at": TURN})
    channels = Channels(stand.model_copy(update={"encoder_profile": board}).recorded(), SET)
    # Followed for three turns to the marks at 12 degrees; then the record's own decoder begins.
    channels.count_from(events.MatchedTeethSet(encoder_deg=1092.0, how="set at the stand", seen_deg=1092.0))
    channels.feed(ENCODER, [Chunk(0.1 * count, b"%d\r\n" % first) for count in range(3)])
    latest = channels.latest_gear_deg
    assert latest is not None
    assert latest[1] / 9.0 == pytest.approx(engagement)


def test_a_test_on_a_count_that_wraps_each_turn_goes_on_in_the_turn_it_was_in(tmp_path: Path) -> None:
    box = load_box(positions=6, gear_turns=13.0, confirming_positions=1)
    test = BrokenOff(tmp_path, box, seed=4, wraps_at=TURN)
    while max((one.engagement for one in accepted(test).values()), default=0) < 80:  # two whole turns
        test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.go_on()  # the encoder kept its count; followed over many turns to the marks, and judged from there
    assert test.shown == []
    test.run()
    record = Replay(test.logbook, test.started.test).record()
    found = test.of(events.PreconditionsRecorded)[-1]
    assert isinstance(found, events.PreconditionsRecorded)
    # At first the box file's angle, which says nothing on such a count; then the marks.
    assert {one.name: one.state for one in found.preconditions}["matched teeth"] == "proven"
    assert {one.name: one.state for one in record.preconditions}["matched teeth"] == "unproven"
    for trace in record.traces:
        middle_deg = (np.max(trace.encoder_deg) + np.min(trace.encoder_deg)) / 2.0
        assert middle_deg == pytest.approx(trace.engagement * 9.0, abs=0.5)
    shown = accepted(test)
    for one in conclude(test.logbook, None).positions:
        assert one.normal_backlash_mm == shown[one.position].normal_backlash_mm


def test_whole_ranges_are_forgiven_where_the_encoder_was_not_followed() -> None:
    # A count that repeats after 16,384 of 10,000 counts a turn; nobody followed it for one range and a bit.
    reference = Reference(
        encoder_deg=37.25, end_deg=400.0, gear_set=SET, shaft="gear", range_deg=360.0 * 1.6384
    )
    before = reference.before(400.0 - 360.0 * 1.6384)
    assert before.count == "kept"
    assert before.moved_deg == pytest.approx(0.0)
    found_deg = 37.25 - 2.0 * 360.0 * 1.6384
    assert judge(reference, before, found_deg, followed=False).precondition.state == "proven"
    assert judge(reference, before, found_deg, followed=True).precondition.state == "failed"
    assert judge(reference, before, found_deg + 30.0, followed=False).precondition.state == "failed"
