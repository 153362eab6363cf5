"""``lashmap build`` as it is typed: answers, wrong answers, and going on later."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.logbooks import add_test
from lashmap_analysis.record.record import Units
from lashmap_daemon.builds import events
from lashmap_daemon.builds.book import newest_open
from lashmap_daemon.builds.command import BuildRequest, keep_sheet
from lashmap_daemon.builds.questions import Asked, Left, Wrong, in_unit, length, pieces, share
from lashmap_daemon.builds.wording import bearing_text, quantity_text, quantity_unit
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.toml_file import parse
from rich.console import Console

from daemon import made_build as made

JOB = ["W-17", "C-4711", "INV-1340", "B", "P-13", "P 0042", "G-40", "G 0042", "21,5"]
PINION = [
    "",
    "104,992",
    "0.003",
    "plug gauge",
    "micrometer MC-12",
    "rolling",
    "1.1",
    "0.8",
    "1.4",
    "TG-2",
    "0.02",
]
PATTERN = ["heel", "middle", "60 %", "0.5", "", "", "centre", "mid", "55", "50", "even", ""]
GEAR = [
    "0.50 + 0.30 + 0.12",
    "62.398 mm",
    "0.003",
    "depth gauge",
    "DG-1",
    "end play",
    "0.004",
    "",
    "0.010",
    "D",
    "0.0005 mm",
]
ACCEPTED = ["yes", "R. Reviewer", ""]


@dataclass
class Typist:
    """A person at a terminal; wants to leave when all was typed."""

    answers: Iterator[str]
    shown: list[str] = field(default_factory=list)

    def show(self, text: str) -> None:
        self.shown.append(text)

    def ask(self, question: str) -> str:
        self.shown.append(question)
        return next(self.answers, "q")

    @property
    def text(self) -> str:
        return "\n".join(self.shown).replace("\N{NO-BREAK SPACE}", " ")


def typed(folder: Path, *answers: str, **request: object) -> tuple[str, str]:
    """What the person was shown, and what was printed."""
    typist = Typist(iter(answers))
    with Path(folder / "printed").open("w+", encoding="utf-8") as file:
        console = Console(file=file, width=200, highlight=False)
        wanted = BuildRequest(box=made.BUILD_BOX, logbook=folder / "book", **request)  # type: ignore[arg-type]  # of the tests
        keep_sheet(wanted, typist, console, answers_itself=True)
        file.seek(0)
        return typist.text, file.read().replace("\N{NO-BREAK SPACE}", " ")


def stepped(*steps: list[str]) -> list[str]:
    """The answers of steps in their order: Enter takes the next."""
    return [answer for step in steps for answer in step]


def everything() -> list[str]:
    """A whole sheet, each step by Enter."""
    pinion, gear = ([*[""], one[0], *[""], *one[1:5], *[""], *one[5:]] for one in (PINION, GEAR))
    return stepped([made.BY], ["", *JOB], pinion, ["", *PATTERN], gear, ["", *ACCEPTED])


def state_of(folder: Path) -> dict[str, object]:
    with Logbook(folder / "book", create=False) as logbook:
        found = newest_open(logbook, "INV-1340-08")
    assert found is not None
    return vars(found.build)


def test_a_whole_sheet_is_led_through_by_enter_alone(tmp_path: Path) -> None:
    _, printed = typed(tmp_path, *everything())
    state = state_of(tmp_path)
    assert set(state["distances"]) == {"pinion", "gear"}  # type: ignore[call-overload]  # a mapping
    assert set(state["patterns"]) == {"drive", "coast"}  # type: ignore[call-overload]  # as above
    judged = state["judged"]
    assert (judged.accepted, judged.judge) == (True, "R. Reviewer")  # type: ignore[attr-defined]  # an event
    assert " 9 Pattern accepted: done" in printed
    assert "fitted: 1.000 mm + 0.150 mm + 0.120 mm = 1.270 mm" in printed  # Enter: as proposed


def test_a_sheet_that_was_left_is_gone_on_with(tmp_path: Path) -> None:
    typed(tmp_path, made.BY, "", *JOB)
    shown, printed = typed(tmp_path, "B. Other", "")
    assert "New build" not in shown
    assert " 1 Job: done" in printed
    assert "Pack that is fitted to the pinion" in shown
    with Logbook(tmp_path / "book", create=False) as logbook:
        assert len(logbook.builds()) == 1


def test_another_box_file_is_said_to_be_one_and_the_sheet_goes_by_it(tmp_path: Path) -> None:
    typed(tmp_path, made.BY)
    changed = tmp_path / "box.toml"
    changed.write_text(made.BUILD_BOX.read_text().replace("length_mm = 33.120", "length_mm = 33.100"))
    typist = Typist(iter([made.BY]))
    request = BuildRequest(box=changed, logbook=tmp_path / "book")
    keep_sheet(request, typist, Console(quiet=True), answers_itself=True)
    assert "something else than before" in typist.text
    given = state_of(tmp_path)["given"]
    assert given.pinion.parts[1].length_mm == 33.1  # type: ignore[attr-defined]  # what the box file says


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (["", "7", made.BY], "Write the name of the person"),
        ([made.BY, "77"], "Write a number from 1 to 11"),
        ([made.BY, "1", *[""] * 8, "hot"], "Write a number in °C"),
        ([made.BY, "1", *[""] * 8, "900"], "Write a temperature from -40 to 120 °C"),
        ([made.BY, "1", "x" * 101], "Expected at most 100 characters"),
        ([made.BY, "2", "thick"], "Write a length in mm, such as 79.375"),
        ([made.BY, "2", "120"], "A shim is thinner than 100 mm"),
        ([made.BY, "3", "-1"], "Write a length of 0 or more"),
        ([made.BY, "3", "4,134"], "4.134 mm (0.1628 in) is no mounting distance of a set"),  # inches
        ([made.BY, "3", "115.01"], "from the marked 105 mm"),  # a digit mistyped
        ([made.BY, "7", "105"], "from the marked 62.4 mm"),  # the pinion's
        ([made.BY, "3", "105", "0"], "Write a length above 0"),
        ([made.BY, "3", "none", ""], "Write it down, or q to leave the step"),
        ([made.BY, "4", "play"], "Write one of: rolling torque, preload, end play"),
        ([made.BY, "4", "rolling", "1.1", "1.4", "0.8"], "The most is below the least"),
        ([made.BY, "4", "rolling", "-1"], "Write a number of 0 or more"),
        ([made.BY, "4", "rolling", "1.1", "0.8", "1.4", "TG-2", "little"], "Write a number in N m"),
        ([made.BY, "5", "end"], "Write one of: heel, centre, toe"),
        ([made.BY, "5", "toe", "top", "140 %"], "Write a share of the face"),
        ([made.BY, "5", "toe", "top", "60", "50", "", "nowhere.jpg"], "nowhere.jpg: no such file"),
        ([made.BY, "5", "toe", "top", "60", "50", "", "'open"], "A quotation mark has no partner"),
        ([made.BY, "close", "perhaps"], "Write yes or no"),
    ],
)
def test_a_wrong_answer_is_explained_and_asked_again(tmp_path: Path, answers: list[str], said: str) -> None:
    shown, _ = typed(tmp_path, *answers)
    lines = shown.splitlines()
    at = next(number for number, line in enumerate(lines) if said in line)
    assert lines[at].startswith("  Not taken: ")
    assert lines[at + 1] == lines[at - 1]  # the same question again


def test_a_pattern_can_be_accepted_only_when_both_sides_were_looked_at(tmp_path: Path) -> None:
    shown, _ = typed(tmp_path, made.BY, "9")
    assert "Both sides of the contact pattern have to be recorded" in shown
    assert "accepted; yes or no" not in shown


def test_a_box_can_be_decided_on_only_after_a_test(tmp_path: Path) -> None:
    shown, _ = typed(tmp_path, made.BY, "11")
    assert "No test of this build has a result yet" in shown
    assert "Is the box accepted" not in shown


@pytest.mark.parametrize(
    ("outcome", "answers", "said"),
    [
        ("conforming", ["yes", "C. Chief", ""], "accepted on test t1 (conforming) by C. Chief"),
        (
            "not proven",
            ["yes", "C. Chief", "", "drawing office agrees"],
            "accepted on test t1 (not proven) by C. Chief: drawing office agrees",
        ),
        (
            "nonconforming",
            ["no", "C. Chief", "", "thicker pack"],
            "NOT ACCEPTED on test t1 (nonconforming) by C. Chief, next: thicker pack",
        ),
    ],
)
def test_what_is_decided_after_a_test_stands_on_the_sheet(
    tmp_path: Path, outcome: str, answers: list[str], said: str
) -> None:
    shown, _ = typed(tmp_path, made.BY)
    name = shown.partition("New build ")[2].split()[0]
    with Logbook(tmp_path / "book", create=False) as logbook:
        add_test(logbook, tmp_path, "t1", outcome, name, box=made.box_file())
    shown, printed = typed(tmp_path, made.BY, "11", *answers, "sheet")
    assert f"Test t1: {outcome} (completed" in shown
    assert f"11 Box accepted after the test: {'look' if answers[0] == 'no' else 'done'}" in printed
    assert f"state: {said}" in printed
    listed = lashmap("list", "--serial", "INV-1340-08", "--logbook", tmp_path / "book").stdout
    assert f"build {name}: open; {said}" in listed
    assert f"open, {said}" in lashmap("list", "--logbook", tmp_path / "book").stdout


def test_a_distance_that_cannot_be_measured_asks_for_an_accepted_pattern(tmp_path: Path) -> None:
    shown, printed = typed(tmp_path, made.BY, "3", "none", "no bore to it")
    assert "a contact pattern that somebody accepts by name stands for it" in shown
    assert "cannot be measured here: no bore to it" in printed


def test_what_a_move_takes_away_is_said_at_once(tmp_path: Path) -> None:
    shown, _ = typed(tmp_path, *everything(), "2", "1.0 + 0.3")
    assert "The contact pattern does not hold any more: another pack was fitted to the pinion" in shown
    shown, printed = typed(tmp_path, made.BY, "sheet")
    assert " 3 Pinion position: distance: open" in printed


def test_a_step_that_is_left_leaves_nothing_half_done(tmp_path: Path) -> None:
    shown, _ = typed(tmp_path, made.BY, "3", "105.00", "0.003", "q", "note", "seat re-ground")
    state = state_of(tmp_path)
    assert state["distances"] == {}
    assert [note.text for note in state["notes"]] == ["seat re-ground"]  # type: ignore[attr-defined]  # events
    assert "Left; what was entered before is kept." in shown


def test_whoever_never_gives_an_answer_is_not_asked_for_ever() -> None:
    def never(answer: str) -> str:
        raise Wrong(f"{answer!r} will not do")

    nobody = Typist(iter([""] * 100))
    with pytest.raises(Left):
        Asked(nobody).question("What", never)
    assert nobody.shown.count("What") == 10


def test_a_closed_build_takes_nothing_more_and_the_next_is_a_new_one(tmp_path: Path) -> None:
    shown, _ = typed(tmp_path, made.BY, "close", "yes", "done")
    name = shown.partition("New build ")[2].split()[0]
    with pytest.raises(ConfigurationError, match="is closed, so nothing can be entered"):
        typed(tmp_path, build=name)
    _, printed = typed(tmp_path, build=name, show=True)
    assert f"{name}: closed by {made.BY}" in printed
    shown, _ = typed(tmp_path, made.BY)
    assert "New build" in shown


def test_the_build_of_another_box_and_a_build_that_is_not_there_are_refused(tmp_path: Path) -> None:
    box = made.box_file()
    other = made.begun(
        tmp_path / "book", box.model_copy(update={"box": box.box.model_copy(update={"serial": "X"})})
    )
    other.logbook.close()
    with pytest.raises(ConfigurationError, match="is the build of serial number X"):
        typed(tmp_path, build=other.name)
    with pytest.raises(LogbookError, match="no build build-77"):
        typed(tmp_path, build="build-77")
    with pytest.raises(ConfigurationError, match="no open build of serial number INV-1340-08"):
        typed(tmp_path, show=True)


def test_measured_parts_may_be_in_inches_and_wrong_ones_are_named_by_their_key() -> None:
    text = made.BUILD_BOX.read_text()
    inch = text.replace("length_mm = 33.120", f"length_in = {33.12 / 25.4!r}")
    assert parse(inch, "box", BoxFile).parts.pinion["bearing"].length_mm == pytest.approx(33.12)
    with pytest.raises(ConfigurationError, match=r"parts\.pinion\.bearing\.length_mm: expected more than 0"):
        parse(text.replace("length_mm = 33.120", "length_mm = -33.12"), "box", BoxFile)
    with pytest.raises(ConfigurationError, match=r"parts\.gear\.bearing\.runs: expected 'out' or 'in'"):
        parse(text[::-1].replace('"tuo" = snur', '"pu" = snur', 1)[::-1], "box", BoxFile)
    with pytest.raises(ConfigurationError, match=r"parts\.pinion\.bearing\.uncertainty_mm: expected 0 mm"):
        parse(
            text.replace(
                "length_mm = 33.120\nuncertainty_mm = 0.002", "length_mm = 33.12\nuncertainty_mm = 90"
            ),
            "box",
            BoxFile,
        )


# As a command of its own, from a file of answers.


def build(folder: Path, *words: str | Path) -> tuple[int, str, str]:
    done = lashmap("build", made.BUILD_BOX, "--logbook", folder / "book", *words)
    return done.returncode, done.stdout.replace("\N{NO-BREAK SPACE}", " "), done.stderr


def test_a_file_of_answers_fills_the_sheet_in(tmp_path: Path) -> None:
    answers = tmp_path / "answers.txt"
    (tmp_path / "drive side.png").write_bytes(made.png())
    lines = everything()
    lines[lines.index("60 %") + 3] = f"'{tmp_path / 'drive side.png'}'"
    answers.write_text("# invented\n" + "\n".join(lines) + "\nclose\nyes\n\n")
    status, out, err = build(tmp_path, "--answers", answers)
    assert (status, err) == (0, "")
    assert "photograph 1" in out
    verified = lashmap("verify", "--logbook", tmp_path / "book")
    assert verified.returncode == 0
    assert "build build-" in verified.stdout
    assert ": good, " in verified.stdout
    listed = lashmap("list", "--logbook", tmp_path / "book")
    assert "serial INV-1340-08, closed" in listed.stdout


def test_a_wrong_answer_in_a_file_is_named_with_its_line(tmp_path: Path) -> None:
    answers = tmp_path / "answers.txt"
    answers.write_text(f"# invented\n{made.BY}\n3\nabout 105\n")
    status, _, err = build(tmp_path, "--answers", answers)
    assert status == 2
    assert f"{answers}: line 4, Mounting distance of the pinion as measured, in mm: 'about 105': Write" in err
    status, out, _ = build(tmp_path, "--show")
    assert status == 0
    assert " 3 Pinion position: distance: open" in out


def test_nobody_at_the_keyboard_and_files_that_are_none_are_said(tmp_path: Path) -> None:
    status, _, err = build(tmp_path)
    assert status == 2
    assert "nobody is at the keyboard; run it in a terminal, give --answers FILE" in err
    assert not (tmp_path / "book").exists()
    status, _, err = build(tmp_path, "--answers", tmp_path / "none.txt")
    assert status == 2
    assert "none.txt: no such file; check the path" in err


# Single answers.


@pytest.mark.parametrize(
    ("answer", "mm"),
    [("79.375", 79.375), ("79,375 mm", 79.375), ("3.125 in", 79.375), ("3.125in", 79.375)],
)
def test_a_length_is_read_in_its_unit(answer: str, mm: float) -> None:
    assert length(answer, "mm") == pytest.approx(mm)


def test_a_length_without_unit_is_one_of_the_box() -> None:
    assert length("3.125", "in") == pytest.approx(79.375)
    assert pieces("0.02 + 0.01 in", "mm") == pytest.approx((0.508, 0.254))
    assert pieces("0", "mm") == ()
    with pytest.raises(Wrong):
        pieces("0.50, 0.20", "mm")
    with pytest.raises(Wrong, match=r"thinner than 4 in; .* such as 0\.020 \+ 0\.008"):
        pieces("20", "in")


@pytest.mark.parametrize(("answer", "expected"), [("60", 0.6), ("60 %", 0.6), ("0,6", 0.6), ("0.6 %", 0.006)])
def test_a_share_is_read_in_percent_or_as_a_part_of_one(answer: str, expected: float) -> None:
    assert share(answer) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("quantity", "units", "answer", "kept"),
    [
        # source: NIST SP 811, B.8: 1 lbf·in = 0.112 984 8 N m, 1 lbf = 4.448 222 N
        ("rolling torque", "in", "10", 1.129848),
        ("rolling torque", "in", "10 lbf in", 1.129848),
        ("rolling torque", "in", "10 in-lb", 1.129848),
        ("rolling torque", "in", "1,1 N m", 1.1),
        ("rolling torque", "mm", "10 lbf·in", 1.129848),
        ("rolling torque", "mm", "1.1Nm", 1.1),
        ("preload", "in", "100", 444.8222),
        ("preload", "in", "100 lb", 444.8222),
        ("preload", "mm", "100 N", 100.0),
    ],
)
def test_torque_and_force_are_in_the_units_of_the_paperwork(
    quantity: events.Quantity, units: Units, answer: str, kept: float
) -> None:
    here, there = (quantity_unit(quantity, one) for one in (units, "in" if units == "mm" else "mm"))
    assert in_unit(answer, here, there) == pytest.approx(kept, rel=1e-6)
    shown = quantity_text(quantity, in_unit(answer, here, there), units)
    assert shown.replace("\N{NO-BREAK SPACE}", " ").endswith(f" {here[0]}")
    if answer.isdigit():
        assert shown.startswith(f"{answer}\N{NO-BREAK SPACE}")


@pytest.mark.parametrize("answer", ["10 ft lb", "10 kg", "lbf", "", "1.2.3 N m", "-1"])
def test_another_unit_of_torque_is_not_guessed(answer: str) -> None:
    with pytest.raises(Wrong, match=r"in lbf in or N m|of 0 or more|a number in"):
        in_unit(answer, quantity_unit("rolling torque", "in"), quantity_unit("rolling torque", "mm"))


def test_bearings_on_the_sheet_of_an_inch_box_are_in_lbf_in() -> None:
    measured = made.bearings("pinion", 1.129848, low=0.9038787, high=1.581788)
    words = bearing_text(measured, "in").replace("\N{NO-BREAK SPACE}", " ")
    assert words.startswith("rolling torque 10 lbf in, ")
    assert "(8 to 14 lbf in" in words
