"""The command as a user types it: real processes, real pseudo-terminals, real exit statuses."""

from __future__ import annotations

import itertools
import json
import re
import signal
import subprocess
import sys
import time
from importlib import import_module
from importlib.metadata import version
from inspect import signature
from pathlib import Path

import pytest
from daemon.command import lashmap, least, simulated_stand, start
from daemon.virtual_time import CONFIGS, DEMO_BOX, demo_text
from lashmap_daemon import cli
from lashmap_daemon.builds.book import begin, given_by
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from typer.testing import CliRunner

SHORT_PLAN = {"positions = 26": "positions = 5\nrepeats = 0", "gear_turns = 13": "gear_turns = 1"}


@pytest.fixture
def short_box(tmp_path: Path) -> Path:
    text = demo_text()
    for old, new in {**SHORT_PLAN, "confirming_positions = 3": "confirming_positions = 1"}.items():
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "box.toml"
    path.write_text(text, "utf-8")
    return path


def test_help_names_every_command() -> None:
    done = lashmap("--help")
    assert done.returncode == 0
    for command in ("run", "review", "list", "check", "simulate", "demo"):
        assert re.search(rf"\b{command}\b", done.stdout)


def test_every_command_stands_in_one_group_of_the_help() -> None:
    placed = [name for names in cli.PANELS.values() for name in names]
    assert len(placed) == len(set(placed))
    there = {name for group, name in cli._COMMANDS if group is cli.app}
    there |= {group.name for group in cli.app.registered_groups if group.name}
    assert set(placed) == there
    lines = lashmap("--help", COLUMNS="80").stdout.splitlines()
    assert [line.rstrip(":") for line in lines if line.rstrip(":") in cli.PANELS] == list(cli.PANELS)
    assert {line.split()[0] for line in lines if line.startswith("  ") and line.split()[0] in there} == there


def test_the_shell_can_complete_a_command() -> None:
    asked = {"_LASHMAP_COMPLETE": "complete_bash", "COMP_WORDS": "lashmap re", "COMP_CWORD": "1"}
    done = CliRunner().invoke(cli.app, [], prog_name="lashmap", env=asked)
    assert done.stdout.split() == ["review", "rescue"]


def test_the_version_is_that_of_the_installed_package() -> None:
    assert lashmap("--version").stdout == f"lashmap {version('lashmap')}\n"


@pytest.mark.begins_first
def test_a_whole_test_then_review_and_list(tmp_path: Path, short_box: Path) -> None:
    book = tmp_path / "book"
    with Logbook(book, create=True) as logbook:
        build = begin(logbook, given_by(toml_file.load(short_box, BoxFile)), "A. Nobody").name
    with simulated_stand(tmp_path / "stand", box=short_box) as stand:
        done = lashmap("run", stand, short_box, "--logbook", book, "--locked-out", "--operator", "Ada")
    assert done.returncode == 0, done.stderr
    assert "VERDICT: " in done.stdout
    assert "Enter on the build's sheet who accepts the box, or what must be done next:" in done.stdout
    assert f"lashmap build {short_box} --build {build} --logbook {book}" in done.stdout
    history = lashmap("list", "--serial", "INV-1340-07", "--logbook", book).stdout
    assert "and nobody decided on it yet" in history
    result = json.loads(next(tmp_path.glob("*-INV-1340-07.json")).read_text("utf-8"))
    assert len(result["positions"]) == 6
    report = next(tmp_path.glob("*-INV-1340-07.html")).read_text("utf-8")
    assert report.count("<svg") >= 6
    pdf = next(tmp_path.glob("*-INV-1340-07.pdf")).read_bytes()
    assert pdf.startswith(b"%PDF")
    assert result["review"]["stored"]["outcome"] == result["verdict"]["outcome"]
    assert result["review"]["changes"][0].startswith("The same result as stored when the test ran")

    reviewed = lashmap("review", "--logbook", book, "--json")
    assert reviewed.returncode == 0
    assert json.loads(reviewed.stdout) == result
    by_name = lashmap("review", result["test"], "--logbook", book, "--report", tmp_path / "again.html")
    assert by_name.returncode == 0
    assert "Positions" in by_name.stdout
    assert (tmp_path / "again.html").read_text("utf-8") == report
    again = lashmap("review", result["test"], "--logbook", book, "--report", tmp_path / "again.pdf")
    assert again.returncode == 0
    assert (tmp_path / "again.pdf").read_bytes() == pdf

    listed = lashmap("list", "--logbook", book)
    assert "INV-1340-07" in listed.stdout.replace("\n", "")

    truth = json.loads((tmp_path / "truth.json").read_text("utf-8"))["normal_backlash_mm"]
    for one in result["positions"]:
        # The tip's radius is off by its own uncertainty; 4 of 0.15 mm on 76 mm is 0.8 %.
        assert one["normal_backlash_mm"] == pytest.approx(truth[one["engagement"] % 520], rel=0.008)


@pytest.mark.parametrize(
    ("number", "closing"),
    [
        (signal.SIGINT, "stopped: by the operator"),
        (signal.SIGTERM, "interrupted: the program was ended (SIGTERM)"),
        (signal.SIGHUP, "interrupted: the terminal went away (SIGHUP)"),
    ],
)
def test_a_signal_leaves_a_closed_record_that_review_opens(
    tmp_path: Path, short_box: Path, number: signal.Signals, closing: str
) -> None:
    books = (tmp_path / f"book{count}" for count in itertools.count())
    book = tmp_path

    def run_and_end() -> float:
        nonlocal book
        book = next(books)
        running = start("run", stand, short_box, "--logbook", book, "--locked-out")
        assert running.stdout is not None
        for line in running.stdout:
            if "  accepted: " in line:  # on a machine that is held up, others may be refused before
                break
        sent_s = time.monotonic()
        running.send_signal(number)
        for line in running.stdout:
            if f"Test {closing}" in line:
                break
        took_s = time.monotonic() - sent_s
        _, err = running.communicate(timeout=60.0)
        assert running.returncode == 130, err
        assert "Traceback" not in err
        assert ("--resume" in err) == closing.startswith("interrupted")
        with Logbook(book, create=False) as opened:
            assert opened.tests()[0].closing == closing
            assert opened.tests()[0].positions >= 1
        return took_s

    with simulated_stand(tmp_path / "stand", box=short_box) as stand:
        assert least(run_and_end, below=2.0) < 2.0
    reviewed = lashmap("review", "--logbook", book, "--json")
    assert reviewed.returncode == 0
    assert json.loads(reviewed.stdout)["verdict"]["outcome"] == "not proven"


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("garbage", "no line that fits the profile"),
        ("silent", "no bytes for"),
        ("frozen encoder", "has not moved"),
        ("lost indicator", "the port stopped working"),
    ],
)
def test_a_failing_stand_ends_with_status_3_and_a_whole_logbook(
    tmp_path: Path, short_box: Path, fault: str, expected: str
) -> None:
    book = tmp_path / "book"
    with simulated_stand(tmp_path / "stand", "--fault", fault, box=short_box) as stand:
        text = stand.read_text("utf-8")
        # Patience enough that a stand that is held up is not taken for a silent one, whatever else ails it.
        patience = (
            "[stand]\nreconnect_seconds = 1.0\n"
            if fault == "silent"
            else "[stand]\nreconnect_seconds = 4.0\n"
        )
        stand.write_text(text.replace("[stand]\n", patience), "utf-8")
        done = lashmap("run", stand, short_box, "--logbook", book, "--locked-out")
    assert done.returncode == 3, done.stdout + done.stderr
    assert expected in done.stderr
    assert str(tmp_path / "stand") in done.stderr  # the port is named
    assert "Traceback" not in done.stderr
    with Logbook(book, create=False) as opened:
        for summary in opened.tests():
            assert summary.closing.startswith("failed: ")
            assert lashmap("review", summary.test, "--logbook", book).returncode == 0


def test_ports_that_do_not_open_are_all_named(tmp_path: Path) -> None:
    stand = tmp_path / "stand.toml"
    text = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")
    text = text.replace("../instruments", str(CONFIGS / "instruments")).replace(
        "/dev/ttyUSB", "/dev/no-such-"
    )
    stand.write_text(text, "utf-8")
    run = ("run", stand, DEMO_BOX, "--locked-out", "--logbook", tmp_path / "book")
    for words in (("check", stand), run):
        done = lashmap(*words)
        assert done.returncode == 3
        assert "indicator on /dev/no-such-0: cannot open the port" in done.stderr
        assert "encoder on /dev/no-such-1: cannot open the port" in done.stderr


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("run", "nowhere.toml", DEMO_BOX), "nowhere.toml: no such file"),
        (("run", CONFIGS / "stands" / "bench.toml", "nowhere.toml"), "nowhere.toml: no such file"),
        (("run", CONFIGS / "stands" / "bench.toml", DEMO_BOX), "cautions were not confirmed"),
        (("simulate", DEMO_BOX, "--fault", "gremlins"), "--fault: expected one of none, garbage"),
        (("simulate", DEMO_BOX, "--shaft", "both"), "--shaft: expected gear or pinion"),
        (("simulate", DEMO_BOX, "--encoders", "two"), "--encoders: expected one, apart or latched"),
        (("simulate", DEMO_BOX, "--encoders", "apart", "--no-encoder"), "which --no-encoder contradicts"),
        (("simulate", DEMO_BOX, "--encoders", "latched", "--shaft", "pinion"), "which --shaft contradicts"),
        (("demo", "nowhere.toml"), "nowhere.toml: no such file"),
        (("measure",), "No such command"),
    ],
)
def test_wrong_words_end_with_status_2(words: tuple[str | Path, ...], expected: str) -> None:
    done = lashmap(*words)
    assert done.returncode == 2
    assert expected in done.stderr
    assert "Traceback" not in done.stderr


def test_the_value_of_an_option_is_refused_without_the_librarys_prefixes() -> None:
    no_choice = lashmap("export", "--to", "doc")
    assert (no_choice.returncode, no_choice.stderr.splitlines()[-1]) == (
        2,
        "Error: Invalid value for '--to': 'doc' is not one of 'csv', 'parquet', 'json', 'xlsx', 'mat'.",
    )
    no_number = lashmap("review", "--exclude", "five")
    assert no_number.returncode == 2
    assert "Invalid value for '--exclude': expected a whole number" in no_number.stderr


@pytest.mark.parametrize("command", ["review", "list"])
def test_a_missing_logbook_is_named(tmp_path: Path, command: str) -> None:
    done = lashmap(command, "--logbook", tmp_path / "absent")
    assert done.returncode != 0
    assert f"{tmp_path / 'absent'}: no such logbook" in done.stderr


def test_check_shows_both_instruments(tmp_path: Path) -> None:
    with simulated_stand(tmp_path / "stand", rate_hz=1000.0) as stand:

        def off() -> float:
            """How far the rates are from streams of 1000 and 500 lines a second, or the ages from nothing."""
            done = lashmap("check", stand, "--seconds", "3")
            assert done.returncode == 0, done.stderr
            shown = re.findall(r"samples/s (\d+\.\d), age (\d+\.\d\d) s", done.stdout)
            assert len(shown) == 2
            rates = [float(rate) / true for (rate, _), true in zip(shown, (1000.0, 500.0), strict=True)]
            return max(*(abs(rate - 1.0) for rate in rates), *(0.1 * float(age) for _, age in shown))

        assert least(off, below=0.1) < 0.1


def test_the_simulated_stand_leaves_no_links_behind(tmp_path: Path) -> None:
    with simulated_stand(tmp_path / "stand"):
        assert (tmp_path / "stand" / "indicator").is_symlink()
    deadline_s = time.monotonic() + 60.0
    while (tmp_path / "stand" / "indicator").is_symlink():
        assert time.monotonic() < deadline_s
        time.sleep(0.02)


def test_the_words_of_the_command_line_load_no_library_that_computes() -> None:
    code = (
        "import sys; from lashmap_daemon import cli;"
        "print([name for name in ('numpy', 'pandas', 'scipy', 'jinja2') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(("kind", "place"), cli._COMMANDS.values(), ids=str)
def test_every_command_calls_a_function_that_takes_its_options(kind: type[object], place: str) -> None:
    module, _, name = place.partition(":")
    function = getattr(import_module(f"lashmap_daemon.commands.{module}"), name)
    first = next(iter(signature(function).parameters.values()))
    assert first.annotation.rpartition(".")[2] == kind.__name__


@pytest.mark.parametrize("words", [(), ("new", "--help"), ("tell", "--help"), ("study", "--help")])
def test_no_sentence_of_the_help_is_cut(words: tuple[str, ...]) -> None:
    assert not re.search(r"[\w,]\.\.\.", lashmap(*words).stdout)  # but [ARGS]... of the usage
