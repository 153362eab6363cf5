from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from daemon.virtual_time import load_box
from lashmap_daemon.errors import GearTurns
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.story.wording import CAUTIONS
from lashmap_daemon.testing.opening import (
    CautionsNotConfirmed,
    Nobody,
    complete_box,
    confirm_cautions,
    matched_teeth,
)
from lashmap_daemon.testing.resume_opening import Reference, find_again


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


def test_without_a_person_the_command_line_must_carry_the_confirmation() -> None:
    shown: list[str] = []
    with pytest.raises(CautionsNotConfirmed, match="--locked-out"):
        confirm_cautions(Nobody(show=shown.append), confirmed_before=False)
    assert "--locked-out" in confirm_cautions(Nobody(show=shown.append), confirmed_before=True).how


def test_what_the_box_file_lacks_is_asked_and_only_that() -> None:
    person = Someone(["105,00", "not a length", "-3", "105.01 mm", "yes"])
    box = complete_box(unmeasured(), person)
    assert (box.mounting.pinion_marked_mm, box.mounting.pinion_set_mm) == (105.0, 105.01)
    assert box.mounting.bearings_within_drawing is True
    assert not any("Gear mounting" in question for question in person.asked)
    assert sum("is not a length" in line for line in person.shown) == 2
    assert complete_box(load_box(), Someone()) == load_box()


def test_inches_are_asked_in_inches() -> None:
    box = complete_box(unmeasured("in"), Someone(["4.0"]))
    assert box.mounting.pinion_marked_mm == pytest.approx(101.6)


def test_what_is_not_answered_stays_open() -> None:
    box = complete_box(unmeasured(), Someone())
    assert box.mounting.pinion_set_mm is None
    assert box.mounting.bearings_within_drawing is None


def test_matched_teeth_from_the_file_from_the_stand_or_assumed() -> None:
    box = load_box()
    unknown = box.matched_teeth.model_copy(update={"encoder_deg": None})
    bare = box.model_copy(update={"matched_teeth": unknown})
    assert matched_teeth(box.recorded(), Someone(), encoder_deg=lambda: 1.0)[1].encoder_deg == 37.25
    how, found = matched_teeth(bare.recorded(), Someone(["matched"]), encoder_deg=lambda: 12.5)
    assert (how, found.encoder_deg) == ("set at the stand", 12.5)
    how, found = matched_teeth(bare.recorded(), Someone(), encoder_deg=lambda: 12.5)
    assert (how, found.how) == ("assumed", "assumed")


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


def test_matched_teeth_are_not_taken_from_a_gear_that_turns_but_asked_for_again() -> None:
    person = Someone(["matched", "matched"])
    how, found = matched_teeth(bare_box().recorded(), person, encoder_deg=turning(None, 12.5))
    assert (how, found.encoder_deg) == ("set at the stand", 12.5)
    assert person.shown == ["The gear is turning; hold it still with the marked teeth together."]
    assert len(person.asked) == 2


def test_nobody_holds_a_gear_that_turns() -> None:
    with pytest.raises(GearTurns):
        matched_teeth(bare_box().recorded(), Nobody(show=Someone().show), encoder_deg=turning(None, 12.5))
    with pytest.raises(GearTurns):  # nor somebody who only says so
        matched_teeth(bare_box().recorded(), Someone(["matched"] * 99), encoder_deg=turning(*[None] * 99))


def test_going_on_the_marks_are_asked_for_again_while_the_gear_turns() -> None:
    gear_set = load_box().gear_set.gear_set()
    reference = Reference(encoder_deg=10.0, end_deg=100.0, gear_set=gear_set, shaft="gear")
    person = Someone(["", "matched", "matched"])
    found, moved_deg = find_again(reference, person, encoder_deg=turning(None, 100.0, None, 10.0))
    assert (found.matched.encoder_deg, found.precondition.state, moved_deg) == (10.0, "proven", 0.0)
    assert person.asked[0] == "The gear is turning. Hold it still, then press Enter"
    assert person.shown == ["The gear is turning; hold it still with the marked teeth together."]
