"""Box and stand files written by answering questions: what is asked, refused, and left on the disk."""

from __future__ import annotations

import io
import re
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from daemon.at_terminal import at_terminal
from daemon.virtual_time import CONFIGS
from lashmap_daemon.commands.new import BACK, new_box, new_stand
from lashmap_daemon.commands.options import NewBoxOptions, NewStandOptions
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import load_stand
from lashmap_daemon.setup.toml_file import load
from rich.console import Console

BOXES = sorted((CONFIGS / "boxes").glob("*.toml"))


class Technician(Console):
    """Answers each question from a table of the file's keys; several answers to one are given in turn."""

    def __init__(self, answers: Mapping[str, Any], units: str) -> None:
        super().__init__(file=io.StringIO(), width=80)
        self.answers, self.units, self.asked = dict(answers), units, list[str]()

    def input(self, prompt: object = "", **_: object) -> str:
        key = str(prompt).strip().removesuffix(" =")
        table = re.findall(r"(?m)^\[([\w.]+)\]", self.said)[-1:] or [""]
        name = f"{table[0]}.{key}"
        self.asked.append(name)
        assert self.asked.count(name) < 4, self.said[-1000:]
        if key == "mm or in":
            return self.units
        if key == "yes or no":
            return "yes" if any(one.startswith(f"{table[0]}.") for one in self.answers) else ""
        answer = self.answers.get(name, "")
        if isinstance(answer, list):
            answer = answer.pop(0)
        return str(answer)

    @property
    def said(self) -> str:
        assert isinstance(self.file, io.StringIO)
        return self.file.getvalue()

    @property
    def words(self) -> str:
        """What was said, wherever its lines were broken."""
        return " ".join(self.said.split())


def typed(tree: Mapping[str, Any], prefix: str = "") -> dict[str, str]:
    """What a person types to say what a file says."""
    answers: dict[str, str] = {}
    for key, value in tree.items():
        if isinstance(value, dict):
            answers |= typed(value, f"{prefix}{key}.")
        elif isinstance(value, bool):
            answers[prefix + key] = "yes" if value else "no"
        elif isinstance(value, list):
            answers[prefix + key] = ", ".join(map(str, value))
        else:
            answers[prefix + key] = str(value)
    return answers


def box_answers(path: Path) -> tuple[dict[str, Any], str]:
    tree = tomllib.loads(path.read_text("utf-8"))
    tree.pop("simulated")
    units = tree["box"].get("units", "mm")
    spiral = tree["gear_set"]["mean_spiral_angle_deg"] != 0.0
    return {**typed(tree), "gear_set.straight or spiral": "spiral" if spiral else "straight"}, units


@pytest.mark.parametrize("shipped", BOXES, ids=lambda path: path.stem)
def test_a_shipped_box_typed_in_again_is_the_same_box(shipped: Path, tmp_path: Path) -> None:
    answers, units = box_answers(shipped)
    person, path = Technician(answers, units), tmp_path / "new.toml"
    new_box(NewBoxOptions(file=path), person)
    assert "NOT TAKEN" not in person.said
    made, meant = load(path, BoxFile), load(shipped, BoxFile)
    assert made.recorded() == meant.recorded()


STANDS: list[tuple[str, dict[str, str]]] = [
    ("bench", {"encoder.profile": "3"}),
    ("two-encoders", {"encoder.gear.profile": "3", "encoder.pinion.profile": "3"}),
    ("latched-encoders", {"encoder.gear.profile": "2"}),  # the board's, of those with two counts
]


@pytest.mark.parametrize(("name", "profiles"), STANDS)
def test_a_shipped_stand_typed_in_again_is_the_same_stand(
    name: str, profiles: dict[str, str], tmp_path: Path
) -> None:
    shipped = CONFIGS / "stands" / f"{name}.toml"
    answers: dict[str, Any] = typed(tomllib.loads(shipped.read_text("utf-8")))
    answers |= {"indicator.profile": "4", **profiles}
    person, path = Technician(answers, "mm"), tmp_path / "new.toml"
    new_stand(NewStandOptions(file=path), person)
    assert "NOT TAKEN" not in person.said
    made, meant = load_stand(path), load_stand(shipped)
    for role in ("indicator", "encoder", "pinion_encoder"):
        one, other = getattr(made.file, role), getattr(meant.file, role)
        assert one is other is None or one.model_copy(update={"profile": other.profile}) == other
        assert getattr(made, f"{role}_profile") == getattr(meant, f"{role}_profile")
    text = path.read_text("utf-8")
    assert ("[encoder]\n" in text) is (name == "bench")
    assert ("[encoder.pinion]\n" in text) is (name != "bench")
    # The profiles are the person's own, beside the stand file, and survive another version of the program.
    assert (tmp_path / "indicator-line-mm.toml").is_file()


def test_what_is_left_out_stands_in_the_file_with_what_that_means(tmp_path: Path) -> None:
    answers, units = box_answers(CONFIGS / "boxes" / "spiral-13x40.toml")
    del answers["mounting.tolerance_mm"]
    path = tmp_path / "new.toml"
    new_box(NewBoxOptions(file=path), Technician(answers, units))
    text = " ".join(path.read_text("utf-8").replace("\n# ", " ").split())
    assert "Left out: both mounting distances are unproven, and nothing is conforming. tolerance_mm =" in text


# Each a slip that a person makes, beside words that name it. The bounds are those of `plausible`.
WRONG = {
    "gear_set.gear_teeth": ("12", "the pinion is the smaller member"),
    "gear_set.pinion_teeth": ("13.5", "expected a whole number"),
    "gear_set.outer_module_mm": ("4.0.", "expected a number"),
    "gear_set.face_width_mm": ("25 mm", "without its unit"),
    "gear_set.normal_pressure_angle_deg": ("0.349", "Is it in radians?"),
    "gear_set.straight or spiral": ("curved", "expected straight or spiral"),
    "gear_set.mean_spiral_angle_deg": ("0", "0 is straight"),
    "tip.touch_radius_mm": ("7.6", "expected a radius on the gear's teeth"),
    "tip.direction": ("axial", "expected normal or plane of rotation"),
    "limits.minimum_mm": ("10", "is no backlash of a set of outer module"),
    "limits.maximum_mm": ("0.09", "is not below maximum"),
    "mounting.pinion_set_mm": ("105,010", "105,010 is 105.010 where a comma is decimal and 105010 where not"),
    "mounting.gear_set_mm": ("26.39", "one of the two is mistyped"),
    "mounting.bearings_within_drawing": ("perhaps", "expected yes or no"),
    "contact.place": ("1.5", "place"),
    "shims.gear.thicknesses_mm": ("0,03,0,05", "a space or a semicolon between the numbers"),
    "torque.second_adds_mm": ("", "together"),
    "plan.positions": ("3", "4 or more"),
}


@pytest.mark.parametrize(("name", "slip"), WRONG.items(), ids=list(WRONG))
def test_a_wrong_answer_is_refused_at_once_and_asked_again(
    name: str, slip: tuple[str, str], tmp_path: Path
) -> None:
    wrong, words = slip
    shipped = CONFIGS / "boxes" / "spiral-13x40.toml"
    answers, units = box_answers(shipped)
    person, path = Technician(answers | {name: [wrong, answers[name]]}, units), tmp_path / "new.toml"
    new_box(NewBoxOptions(file=path), person)
    assert person.said.count("NOT TAKEN") == 1
    assert words in person.words.partition("NOT TAKEN")[2]
    assert person.asked.count(name) == 2
    assert load(path, BoxFile).recorded() == load(shipped, BoxFile).recorded()


def test_the_direction_of_the_plunger_is_never_taken_unsaid(tmp_path: Path) -> None:
    answers, units = box_answers(CONFIGS / "boxes" / "spiral-13x40.toml")
    person = Technician(answers | {"tip.direction": ["", "plane of rotation"]}, units)
    path = tmp_path / "new.toml"
    new_box(NewBoxOptions(file=path), person)
    assert "NOT TAKEN: direction has to be given" in person.words
    assert load(path, BoxFile).tip.direction == "plane of rotation"


def test_what_is_typed_before_a_question_is_no_answer(tmp_path: Path) -> None:
    with at_terminal(tmp_path, "new", "box", "new.toml") as person:
        person.wait_for("mm or in =")
        person.press("in\nToo early\nToo early\n")  # the first line answers
        person.wait_for("type =")
        person.type("")
        person.wait_for("NOT TAKEN: type has to be given", within_s=30.0)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("between", [" ", ", ", "; ", ";"])
def test_a_decimal_comma_is_a_decimal_point(between: str, tmp_path: Path) -> None:
    shipped = CONFIGS / "boxes" / "spiral-13x40.toml"
    answers, units = box_answers(shipped)
    lists = {name: said.split(", ") for name, said in answers.items() if re.match(r"[\d.]+, ", said)}
    assert lists
    answers = {name: re.sub(r"^(-?\d+)\.(\d{1,2})$", r"\1,\2", said) for name, said in answers.items()}
    answers |= {
        name: between.join(one.replace(".", ",") for one in several) for name, several in lists.items()
    }
    person, path = Technician(answers, units), tmp_path / "new.toml"
    new_box(NewBoxOptions(file=path), person)
    assert "NOT TAKEN" not in person.said
    assert load(path, BoxFile).recorded() == load(shipped, BoxFile).recorded()


@pytest.mark.parametrize(("left", "other"), [("indicator", "encoder"), ("encoder", "indicator")])
def test_a_stand_may_have_one_instrument(left: str, other: str, tmp_path: Path) -> None:
    shipped = CONFIGS / "stands" / "bench.toml"
    answers: dict[str, Any] = typed(tomllib.loads(shipped.read_text("utf-8")))
    answers |= {"indicator.profile": "4", "encoder.profile": "3"}
    answers |= {".instruments": ["neither", BACK, other], ".mm or in": "mm"}
    person, path = Technician(answers, "mm"), tmp_path / "new.toml"
    new_stand(NewStandOptions(file=path), person)
    assert person.said.count("NOT TAKEN") == 1
    assert "expected both, indicator or encoder" in person.words
    assert not [one for one in person.asked if one.startswith(left)]
    made, meant = load_stand(path), load_stand(shipped)
    assert getattr(made.file, left) is None
    one, two = getattr(made.file, other), getattr(meant.file, other)
    assert one.model_copy(update={"profile": ""}) == two.model_copy(update={"profile": ""})
    assert not list(tmp_path.glob(f"{left}*"))
    assert f"\n# [{left}]\n" in path.read_text("utf-8")  # to be filled in when it is bought


def test_an_earlier_answer_can_be_changed(tmp_path: Path) -> None:
    answers, units = box_answers(CONFIGS / "boxes" / "spiral-13x40.toml")
    answers |= {"gear_set.pinion_teeth": ["31", "13"], "gear_set.gear_teeth": [BACK, "40"]}
    path = tmp_path / "new.toml"
    new_box(NewBoxOptions(file=path), Technician(answers, units))
    assert load(path, BoxFile).gear_set.pinion_teeth == 13


def test_a_file_that_is_there_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("mine", "utf-8")
    link = tmp_path / "link.toml"
    link.symlink_to(tmp_path / "nowhere")
    for taken in (path, link):
        with pytest.raises(ConfigurationError, match="not touched"):
            new_box(NewBoxOptions(file=taken), Technician({}, "mm"))
    assert path.read_text("utf-8") == "mine"
    assert not (tmp_path / "nowhere").exists()


def test_answers_that_end_early_leave_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("mm\nA drive\n"))
    with pytest.raises(ConfigurationError, match="no file was written"):
        new_box(NewBoxOptions(file=tmp_path / "new.toml"), Console(file=io.StringIO()))
    assert not list(tmp_path.iterdir())


def test_a_profile_of_the_same_name_that_says_something_else_is_kept(tmp_path: Path) -> None:
    (tmp_path / "indicator-line-mm.toml").write_text("# mine\n", "utf-8")
    answers = typed(tomllib.loads((CONFIGS / "stands" / "bench.toml").read_text("utf-8")))
    answers |= {"indicator.profile": "4", "encoder.profile": "3"}
    path = tmp_path / "new.toml"
    new_stand(NewStandOptions(file=path), Technician(answers, "mm"))
    assert (tmp_path / "indicator-line-mm.toml").read_text("utf-8") == "# mine\n"
    indicator = load_stand(path).file.indicator
    assert indicator is not None
    assert indicator.profile == "indicator-line-mm-2.toml"


def test_a_list_may_have_one_word(tmp_path: Path) -> None:
    answers: dict[str, Any] = typed(tomllib.loads((CONFIGS / "stands" / "bench.toml").read_text("utf-8")))
    answers |= {"indicator.profile": "4", "encoder.profile": "3", "hands_free.gestures": "matched"}
    person = Technician(answers, "mm")
    new_stand(NewStandOptions(file=tmp_path / "new.toml"), person)
    assert "NOT TAKEN" not in person.said
    found = load_stand(tmp_path / "new.toml").file.hands_free
    assert found is not None
    assert found.gestures == ["matched"]


def test_a_word_is_no_port(tmp_path: Path) -> None:
    answers: dict[str, Any] = typed(tomllib.loads((CONFIGS / "stands" / "bench.toml").read_text("utf-8")))
    answers |= {"indicator.profile": "4", "encoder.profile": ["indicator.toml", "3"]}
    answers["indicator.port"] = ["the left one", "usb:xyz", "/dev/ttyUSB0"]
    person = Technician(answers, "mm")
    new_stand(NewStandOptions(file=tmp_path / "new.toml"), person)
    assert person.said.count("NOT TAKEN") == 3
    assert "expected usb:vendor:product" in person.words
    assert "no such file" in person.words
