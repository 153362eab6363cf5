"""The walk of a new user: each command of the README from an empty folder to the file of a gearbox.

Everything is typed at a pseudo-terminal, as the README has it: a command that is not in it fails here. A box
is described and built, tested by hand (too much lash), its shims asked for, tested again on (simulated)
stands, with an indicator only and with both instruments, and what is left for the file is made. After each
command the one that it proposes has to be the next one, or to work. The figures typed are invented; whether
results are right is asked elsewhere.
"""

from __future__ import annotations

import json
import re
import shlex
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import typer
from daemon.at_terminal import AtTerminal, at_terminal
from daemon.command import start, wait_for
from daemon.virtual_time import CONFIGS
from lashmap_daemon.cli import app

README = CONFIGS.parent / "README.md"
BOX = CONFIGS / "boxes" / "spiral-13x40-short.toml"
PLAN = {"positions": 4, "repeats": 0, "gear_turns": 2.0, "reversals": 4, "confirming_positions": 1}
GAUGE = """[gauge]
name = "Dial gauge of bench 2"
division_mm = 0.002
serial = "G-7"
calibration_due = 2099-12-31
calibration_uncertainty_mm = 0.001
hysteresis_mm = 0.0005
"""
BOOK = "--logbook gearboxes.logbook"
END_OF_QUESTION = r"(?:: | = )$"


def commands_of(text: str) -> set[str]:
    """Commands in the code of a guide, without their comments."""
    blocks = re.findall(r"(?ms)^ *```sh\n(.*?)^ *```", text)
    lines = [line.split(" #")[0] for block in blocks for line in block.splitlines()]
    spans = re.findall(r"`([^`]+)`", re.sub(r"(?ms)^ *```.*?^ *```", "", text))
    plain = (" ".join(one.replace(".venv/bin/", "").split()) for one in (*lines, *spans))
    return {one for one in plain if one.startswith("lashmap ")}


def proposed(shown: str) -> list[str]:
    """Commands that a command proposes: at the end of a line."""
    return [found[1].strip() for found in re.finditer(r"(?m)(?::|^) +(lashmap [a-z]+ .*)$", shown)]


@dataclass
class Desk:
    """A folder, a person, and what the person has typed."""

    folder: Path
    readme: set[str] = field(default_factory=lambda: commands_of(README.read_text("utf-8")))

    @contextmanager
    def typing(self, command: str, **names: str) -> Iterator[AtTerminal]:
        """A command of the README, with other names for those that stand there for any."""
        assert command in self.readme, f"not in the README: {command}"
        words = [names.get(word, word) for word in shlex.split(command)[1:]]
        with at_terminal(self.folder, *words) as terminal:
            yield terminal

    def typed(self, command: str, **names: str) -> str:
        """The same to its end, with nothing to answer; what it showed."""
        with self.typing(command, **names) as terminal:
            assert terminal.end() == 0, terminal.shown
        assert "Traceback" not in terminal.shown
        return terminal.shown

    def follow(self, command: str) -> str:
        """A command that was proposed, as it stands."""
        with at_terminal(self.folder, *shlex.split(command)[1:]) as terminal:
            assert terminal.end() == 0, terminal.shown
        return terminal.shown

    @property
    def results(self) -> list[dict[str, Any]]:
        """Of all tests, the oldest first."""
        files = sorted(self.folder.glob("20*.json"), key=lambda path: path.stat().st_mtime_ns)
        return [json.loads(path.read_text("utf-8")) for path in files]


def answer(terminal: AtTerminal, answers: Mapping[str, str], until: str) -> str:
    """Answer each question by the first pattern found in it, until ``until`` is shown."""
    for _ in range(200):
        new = terminal.wait_for(rf"{END_OF_QUESTION}|{until}")
        if re.search(until, new):
            return new
        question = new.strip().splitlines()[-1]
        found = next((said for pattern, said in answers.items() if re.search(pattern, question)), None)
        assert found is not None, f"nobody knows what to answer to {question!r}"
        terminal.type(found)
    pytest.fail(terminal.shown[-2000:])


def converse(terminal: AtTerminal, answers: Mapping[str, str]) -> str:
    """Answer the questions of ``lashmap new`` by table and key; what was shown at the end."""
    table = ""
    while True:
        new = terminal.wait_for(r"(?:\n  [\w ]+ = |lashmap check \S+\n)$")
        assert "NOT TAKEN" not in new, new
        if "Written: " in new:
            assert terminal.end() == 0
            return new
        table = ([table, *re.findall(r"(?m)^\[([\w.]+)\]", new)])[-1]
        key = re.findall(r"  ([\w ]+) = $", new)[-1]
        wanted = any(name.startswith(f"{table}.") for name in answers)
        gate = {"mm or in": "mm", "yes or no": "yes" if wanted else ""}
        terminal.type(gate.get(key, answers.get(f"{table}.{key}", "")))


def typed_in(tree: Mapping[str, Any], prefix: str = "") -> dict[str, str]:
    """What a person types to say what a file says."""
    said: dict[str, str] = {}
    for key, value in tree.items():
        if isinstance(value, dict):
            said |= typed_in(value, f"{prefix}{key}.")
        elif isinstance(value, bool):
            said[prefix + key] = "yes" if value else "no"
        else:
            said[prefix + key] = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return said


# The steps of the walk -------------------------------------------------------------------------------------


def describes_the_box(desk: Desk) -> None:
    tree = tomllib.loads(BOX.read_text("utf-8"))
    del tree["simulated"]
    tree["plan"] |= PLAN
    with desk.typing("lashmap new box my-box.toml") as terminal:
        end = converse(terminal, typed_in(tree) | {"gear_set.straight or spiral": "spiral"})
    assert proposed(end) == ["lashmap check my-box.toml"]
    shown = desk.typed("lashmap check my-box.toml")
    assert "nothing in this file" in shown.partition("Missing for a verdict")[2]
    assert f"lashmap build my-box.toml {BOOK}" in proposed(shown)


BUILD = [
    ("Who enters this", "A. Builder"),
    ("Enter = Job", ""),
    *zip(
        ("Work order", "Customer", "Drawing", "Revision", "Part", "Serial", "Part", "Serial", "Temperature"),
        ("W-17", "C-4711", "INV-1340", "B", "P-13", "P 0042", "G-40", "G 0042", "21,5"),
        strict=True,
    ),
    ("Enter = Pinion position: shims", ""),
    ("Pack that is fitted to the pinion", "0.50 + 0.30"),
    ("Enter = Pinion position: distance", ""),
    ("Mounting distance of the pinion", "105,01"),
    ("Standard uncertainty", "0.003"),
    ("How it was measured", "plug gauge"),
    ("Instrument and its serial", "micrometer MC-12"),
    ("Enter = Pinion bearings", ""),
    ("Bearings of the pinion", "rolling"),
    ("Rolling torque", "1.1"),
    ("Least that the drawing", "0.8"),
    ("Most that the drawing", "1.4"),
    ("Instrument and its serial", "TG-2"),
    ("Standard uncertainty of the rolling torque", "0.05"),
    ("Enter = Contact pattern", ""),
    *zip(("Drive side", "Drive side", "Length", "Height"), ("centre", "middle", "60 %", "0.5"), strict=True),
    ("Remark", ""),
    ("Photograph", ""),
    *zip(("Coast side", "Coast side", "Length", "Height"), ("centre", "mid", "55", "50"), strict=True),
    ("Remark", "even"),
    ("Photograph", ""),
]
GEAR = [
    ("Enter = Gear position: shims", ""),
    ("Pack that is fitted to the gear", "0.50 + 0.30"),
    ("Enter = Gear position: distance", ""),
    ("Mounting distance of the gear", "62,39"),
    ("Standard uncertainty", "0.003"),
    ("How it was measured", "depth gauge"),
    ("Instrument and its serial", "DG-1"),
    ("Enter = Gear bearings", ""),
    ("Bearings of the gear", "end play"),
    ("End play", "0.004"),
    ("Least that the drawing", ""),
    ("Most that the drawing", "0.010"),
    ("Instrument and its serial", "DG-1"),
    ("Standard uncertainty of the end play", "0.001"),
    ("Enter = Pattern accepted", ""),
    ("Is the contact pattern accepted", "yes"),
    ("Name of who decides", "R. Reviewer"),
    ("Remark", ""),
]


CHANGED = [
    ("Who enters this", "A. Builder"),
    ("q to leave", "6"),
    ("Pack that is fitted to the gear", "0.50 + 0.28"),
    ("Enter = Gear position: distance", ""),
    ("Mounting distance of the gear", "62,40"),
    *GEAR[4:7],
    ("Enter = Pattern accepted", ""),
    *GEAR[15:],
]
CLOSED = [("q to leave", "close"), ("Close the build", "yes"), ("Remark", "")]


def keeps_the_sheet(desk: Desk, answers: list[tuple[str, str]]) -> str:
    """Type the answers in the order in which the sheet asks, and leave."""
    with desk.typing(f"lashmap build my-box.toml {BOOK}") as terminal:
        leave = () if answers[-3:] == CLOSED else (("q to leave", "q"),)
        for question, said in (*answers, *leave):
            assert question in terminal.wait_for(r": $").splitlines()[-1]
            terminal.type(said)
        assert terminal.end() == 0
    return terminal.shown


def measures_by_hand(desk: Desk) -> None:
    """Too much lash: 0.30 mm where 0.18 is allowed."""
    (desk.folder / "my-gauge.toml").write_text(GAUGE, "utf-8")
    rocks = iter(["5,210 5,510", "0,301", "0.299"] * 20)
    with desk.typing(f"lashmap run --by-hand my-box.toml --gauge my-gauge.toml {BOOK}") as terminal:
        terminal.wait_for(END_OF_QUESTION)
        terminal.type("locked out")
        assert "Who tests" in terminal.wait_for(END_OF_QUESTION)
        terminal.type("A. Tester")
        assert 'type "matched"' in terminal.wait_for(END_OF_QUESTION)
        terminal.type("yes")  # as people do: asked again, not taken for "not known"
        assert '"yes" is neither' in terminal.wait_for(END_OF_QUESTION)
        terminal.type("matched")
        while True:
            question = terminal.wait_for(rf"{END_OF_QUESTION}|Test completed")
            if "Test completed" in question:
                break
            terminal.type("yes" if "does it?" in question else next(rocks))
        assert terminal.end() == 0
    result = desk.results[-1]
    assert result["verdict"]["outcome"] == "nonconforming"
    assert terminal.shown.count("VERDICT: NONCONFORMING") == 1
    test = result["test"]
    *steps, decide = proposed(terminal.shown.partition("NEXT")[2])
    assert steps == [
        f"lashmap shims {test} {BOOK}",
        f"lashmap review {test} {BOOK}",
        f"lashmap compare {test} NEWTEST {BOOK}",
    ]
    assert decide.startswith("lashmap build my-box.toml --build build-")
    assert desk.follow(f"lashmap shims {test} {BOOK}") == desk.typed(f"lashmap shims {BOOK}")
    desk.follow(f"lashmap review {test} {BOOK}")


def measures_with_the_indicator_only(desk: Desk) -> None:
    """No encoder, as the stand file says: Enter says that the gear stands where it was asked for."""
    # The simulated tip is lifted to -4 mm while the gear is turned; 2.5 s of redraws are enough without it.
    there = r"Enter there(?s:.*indicator -4\..*indicator [+-][0-3]\.|(?:.*?indicator [+-]){10})"
    names = {"my-stand.toml": "one-cable.toml"}
    with simulated_stand(desk, "--no-encoder", "--rate", "200") as wired:
        answers = typed_in(wired) | {"indicator.profile": "4", ".instruments": "indicator"}
        with desk.typing("lashmap new stand my-stand.toml", **names) as terminal:
            assert proposed(converse(terminal, answers)) == ["lashmap check one-cable.toml"]
        with desk.typing(f"lashmap run my-stand.toml my-box.toml {BOOK}", **names) as terminal:
            for said in ("locked out", "A. Tester", "matched"):
                terminal.wait_for(END_OF_QUESTION)
                terminal.type(said)
            while "NEXT" not in (new := terminal.wait_for(rf"m it is there|{there}|NEXT")):
                terminal.press("m" if "m it is there" in new else "\r")
            assert terminal.end() == 0
    result = desk.results[-1]
    assert result["encoder"] is None
    assert "THE SHIMS WERE CHANGED" in terminal.shown  # by the sheet, since the test by hand
    assert result["identity"]["operator"] == "A. Tester"
    states = {one["name"]: one["state"] for one in result["preconditions"]}
    assert states["matched teeth, seen again"] == "proven"
    assert f"VERDICT: {result['verdict']['outcome'].upper()}" in terminal.shown


@contextmanager
def simulated_stand(desk: Desk, *options: str) -> Iterator[dict[str, Any]]:
    """What would be wired: two ports, and a technician who follows the prompts."""
    folder, rocked = desk.folder / "wired", desk.folder / "rocked.toml"
    box = (desk.folder / "my-box.toml").read_text("utf-8")
    # As slowly as a hand, so that a machine that stands still for a moment does not look like a slow gear.
    rocked.write_text(f"{box}\n[simulated]\nrocks_per_s = 1.5\n", "utf-8")
    process = start("simulate", rocked, "--folder", folder, "--seed", "3", *options)
    try:
        wait_for(folder / "stand.toml")
        yield tomllib.loads((folder / "stand.toml").read_text("utf-8"))
    finally:
        process.terminate()
        process.communicate(timeout=60.0)
        (folder / "stand.toml").unlink()  # of the next one


def describes_the_stand(desk: Desk, wired: Mapping[str, Any]) -> None:
    answers = typed_in(wired) | {"stand.name": "Bench 1", "encoder.profile": "3", "indicator.profile": "4"}
    with desk.typing("lashmap new stand my-stand.toml") as terminal:
        end = converse(terminal, answers)
    assert proposed(end) == ["lashmap check my-stand.toml"]
    with desk.typing("lashmap check my-stand.toml") as terminal:
        terminal.wait_for(r"read as +┃")
        terminal.wait_for(r"│ encoder +│ b'[^│]*│ +[\d.]+° +│")
        assert terminal.interrupt() in {0, 130}


def measures_on_the_stand(desk: Desk) -> bool:
    """Whether each position of the plan was measured: a machine that stands still may miss one."""
    with desk.typing(f"lashmap run my-stand.toml my-box.toml {BOOK}") as terminal:
        terminal.wait_for(r"locked out: $")
        terminal.type("locked out")
        terminal.wait_for(r"Who tests, as the report names them; Enter = .*: $")
        terminal.type("A. Tester")
        assert terminal.end(300.0) == 0
    result = desk.results[-1]
    test, outcome = result["test"], result["verdict"]["outcome"]
    assert f"VERDICT: {outcome.upper()}" in terminal.shown
    assert f"lashmap review {test} {BOOK}" in proposed(terminal.shown) or outcome == "conforming"
    return len(result["positions"]) > PLAN["positions"]


def keeps_the_file(desk: Desk) -> None:
    by_hand, *_, on_stand = (one["test"] for one in desk.results)
    listed = desk.typed(f"lashmap list {BOOK}")
    assert by_hand in listed
    assert on_stand in listed
    assert desk.typed(f"lashmap review {BOOK} --json").lstrip().startswith("{")
    leaving_out = f'lashmap review {BOOK} --exclude 7 --reason "tip on a burr" --by "R. Nobody"'
    left_out = desk.typed(leaving_out, **{"7": "2"})
    assert "tip on a burr" in left_out
    desk.typed(f"lashmap review {BOOK} --report box.pdf")
    changed = desk.typed(
        f"lashmap compare BEFORE AFTER {BOOK} --report change.pdf", BEFORE=by_hand, AFTER=on_stand
    )
    assert "change.pdf" in changed
    assert "A. Reviewer" in desk.typed(f'lashmap review {BOOK} --sign-off "A. Reviewer"')
    desk.typed(f"lashmap review {BOOK} --dossier dossier.pdf")
    assert "INV-1340-07" in desk.typed(f"lashmap list {BOOK} --serial INV-1340-07")
    desk.typed(f"lashmap export --to csv --output a-test {BOOK}")
    assert "All good" in desk.typed(f"lashmap verify {BOOK}")
    for name in ("box.pdf", "change.pdf", "dossier.pdf"):
        assert (desk.folder / name).read_bytes().startswith(b"%PDF")
    signed = (desk.folder / "a-test" / "signatures.csv").read_text("utf-8")
    assert "A. Reviewer" in signed
    assert (desk.folder / "a-test" / "positions.csv").is_file()


@pytest.mark.begins_first
@pytest.mark.timeout(900)
def test_from_an_empty_folder_to_the_file_of_a_gearbox(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    describes_the_box(desk)
    assert " 9 Pattern accepted: done" in keeps_the_sheet(desk, BUILD + GEAR)
    measures_by_hand(desk)
    assert "does not hold any more: another pack" in keeps_the_sheet(desk, CHANGED)
    measures_with_the_indicator_only(desk)
    for attempt in range(3):
        with simulated_stand(desk) as wired:
            if not attempt:
                describes_the_stand(desk, wired)
            if measures_on_the_stand(desk):
                break
    else:
        pytest.fail("the simulated stand missed positions three times")
    closed = keeps_the_sheet(desk, [("Who enters this", "A. Builder"), *CLOSED])
    assert "closed by A. Builder" in closed
    keeps_the_file(desk)


def test_the_commands_of_a_guide_are_found() -> None:
    block = "   ```sh\n   .venv/bin/lashmap list   --logbook b   # c\n   ```\n"
    text = f"Type `.venv/bin/lashmap new box\n  a.toml`.\n{block}"
    assert commands_of(text) == {"lashmap new box a.toml", "lashmap list --logbook b"}
    assert len(commands_of(README.read_text("utf-8"))) > 25


@pytest.mark.parametrize("command", sorted(commands_of(README.read_text("utf-8"))))
def test_each_command_of_the_readme_is_taken_by_the_command_line(command: str) -> None:
    """Names and options are known, and nothing is lacking; what it does is asked by the walk."""
    words = shlex.split(command)[1:]
    found: Any = typer.main.get_command(app)
    while words and words[0] in getattr(found, "commands", {}):
        found = found.commands[words.pop(0)]
    if words and words[0] not in {"--help", "--install-completion"}:  # otherwise the command is only named
        assert found.make_context(command, words).command is found
        assert not getattr(found, "commands", {}), f"no command {words[0]}"
