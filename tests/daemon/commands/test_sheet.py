"""The sheet of a test by hand: what is printed, and a filled sheet that is typed in later."""

from __future__ import annotations

import datetime as dt
import io
import math
import re
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from analysis.pdf_reading import pdf_text, word_sizes
from daemon.virtual_time import demo_text
from lashmap_daemon.commands.by_hand import sheet
from lashmap_daemon.commands.logbook import verify
from lashmap_daemon.commands.options import RunOptions, SheetOptions, VerifyOptions
from lashmap_daemon.commands.run import run
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.story import events
from lashmap_daemon.testing.bench_sheet import SheetCode
from lashmap_daemon.testing.typed_line import Note, Wrong, moment_typed, understood_row
from rich.console import Console
from tools import tool

# Measured three days before it is typed; the calibration ran out in between.
MEASURED = dt.datetime.now().astimezone().replace(second=0, microsecond=0) - dt.timedelta(days=3)
GAUGE = """[gauge]
division_mm = 0.01
serial = "INV-G1"
calibration_due = {due}
calibration_uncertainty_mm = 0.002
hysteresis_mm = 0.001
"""
Says = Callable[[str], str | None]


def lash_mm(gear_tooth: int, pinion_tooth: int) -> float:
    """An invented pair on the dial: 20 µm of runout on the gear, 4 on the pinion; by the numbers of teeth."""
    gear = 0.020 * math.cos(2.0 * math.pi * (gear_tooth - 12) / 40)
    return 0.150 - gear - 0.004 * math.cos(2.0 * math.pi * (pinion_tooth - 3) / 13)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with box and gauge file."""
    text = demo_text()
    for old, new in {
        "positions = 26": "positions = 9\nrepeats = 0",
        "confirming_positions = 3": "confirming_positions = 1",
    }.items():
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "box.toml").write_text(text, "utf-8")
    due = (MEASURED + dt.timedelta(days=1)).date()
    (tmp_path / "gauge.toml").write_text(GAUGE.format(due=due.isoformat()), "utf-8")
    return tmp_path


def printed(folder: Path, **more: object) -> tuple[bytes, str]:
    """The sheet and its code."""
    shown = io.StringIO()
    options = SheetOptions(box=folder / "box.toml", gauge=folder / "gauge.toml", output=folder / "sheet.pdf")
    assert sheet(replace(options, **more), Console(file=shown, width=400)) == 0  # type: ignore[arg-type]
    code = re.search(r"sheet (\d[FL]-\w{4}-\w{4})", shown.getvalue())
    assert code is not None
    return (folder / "sheet.pdf").read_bytes(), code[1]


def lines_of(pdf: bytes) -> list[tuple[int, int, int]]:
    """Line, gear tooth and pinion tooth as they are printed."""
    done = subprocess.run(
        [tool("pdftotext"), "-layout", "-", "-"], input=pdf, capture_output=True, check=True
    )
    found = re.findall(
        r"^\s*(\d+)\s+(?:stay|\w+ . \d+)\s+(\d+)\s+(\d+)\s+\d+\s*$", done.stdout.decode(), re.MULTILINE
    )
    return [(int(line), int(gear), int(pinion)) for line, gear, pinion in found]


class AtDesk:
    """Standard input of somebody who types a filled sheet; ``says`` may answer a question otherwise."""

    def __init__(self, shown: io.StringIO, rows: dict[int, str], says: Says = lambda _: None) -> None:
        self._shown, self._rows, self._says = shown, rows, says
        self.asked: list[str] = []

    def isatty(self) -> bool:
        return False

    def readline(self) -> str:
        question = self._shown.getvalue().splitlines()[-1].strip()
        self.asked.append(question)
        assert len(self.asked) < 100, self.asked[-5:]  # nobody is asked for ever
        said = self._says(question)
        return "" if said == "end" else f"{self._answer(question) if said is None else said}\n"

    def _answer(self, question: str) -> str:
        line = re.match(r"line (\d+), gear tooth (\d+) with pinion tooth (\d+)", question)
        if line is not None:
            number = int(line[1])
            return self._rows.get(number) or row(int(line[2]), int(line[3]))
        answers = {
            "Measured by": "Grace",
            "Begun": f"{MEASURED:%Y-%m-%d %H:%M}",
            "Housing": "21,4",
            'Is "': "yes",
            "does it": "yes",
        }
        return next((answer for begins, answer in answers.items() if question.startswith(begins)), "")


def row(gear_tooth: int, pinion_tooth: int, *, lash: bool = False) -> str:
    """Three rocks of an invented pair, read to half a division."""
    read = round(lash_mm(gear_tooth, pinion_tooth) / 0.005) * 0.005
    if lash:
        return f"{read:.3f} {read + 0.005:.3f} {read:.3f}".replace(".", ",")
    return f"0.200 {0.2 + read:.3f}  0.205/{0.21 + read:.3f}  0,195 {0.195 + read:.3f}"


def typed(
    monkeypatch: pytest.MonkeyPatch,
    folder: Path,
    code: str,
    *,
    rows: dict[int, str] | None = None,
    says: Says = lambda _: None,
    **more: object,
) -> tuple[int, str, AtDesk]:
    """The command that types a sheet in."""
    shown = io.StringIO()
    desk = AtDesk(shown, rows or {}, says)
    monkeypatch.setattr("sys.stdin", desk)
    given = RunOptions(
        by_hand=folder / "box.toml",
        gauge=folder / "gauge.toml",
        sheet=code,
        logbook=folder / "hand.logbook",
        operator="Ada",
    )
    status = run(replace(given, **more), Console(file=shown, width=400))  # type: ignore[arg-type]
    return status, shown.getvalue(), desk


def test_the_sheet_holds_the_plan_by_teeth_and_how_to_type_it_in(bench: Path) -> None:
    pdf, code = printed(bench)
    text, lines = pdf_text(pdf), lines_of(pdf)
    assert [line for line, _, _ in lines] == list(range(1, 10))
    assert text.count(code) >= 2
    assert "--sheet" in text
    for words in (
        "Isolate and lock out the drive",
        "licensed to sign",
        "INV-1340-07",
        "low",
        "high",
        "INV-G1",
    ):
        assert words in text
    # source: counting; the way is walked tooth by tooth on 40 and 13 chalk numbers
    way = re.findall(r"(?:(FORWARD|BACK) \S (\d+)|stay) (\d+) (\d+) \d+", text)
    gear = pinion = 0
    for sense, teeth, gear_tooth, pinion_tooth in way[: len(lines)]:
        for _ in range(int(teeth or 0)):
            gear = (gear + (1 if sense == "FORWARD" else -1)) % 40
            pinion = (pinion + (1 if sense == "FORWARD" else -1)) % 13
        assert (gear + 1, pinion + 1) == (int(gear_tooth), int(pinion_tooth))
    assert [(int(one[2]), int(one[3])) for one in way[: len(lines)]] == [one[1:] for one in lines]


@pytest.mark.parametrize("more", [{}, {"rocks": 5}, {"rocks": 2, "lash": True}])
def test_nothing_on_the_sheet_is_small_and_the_same_files_give_the_same_bytes(
    bench: Path, more: dict[str, object]
) -> None:
    pdf, _ = printed(bench, **more)
    assert printed(bench, **more)[0] == pdf
    small = [(size, word) for page in word_sizes(pdf) for size, word in page if size < 7.99]
    assert small == []
    assert len(word_sizes(pdf)) == 2


def test_a_filled_sheet_is_typed_in_a_line_a_position(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pdf, code = printed(bench)
    rows = {line: row(gear, pinion) for line, gear, pinion in lines_of(pdf)}
    status, _, desk = typed(monkeypatch, bench, code, rows=rows)
    assert status == 0
    lines = [one for one in desk.asked if one.startswith("line")]
    assert len(lines) == 10  # nine of the sheet and the confirming one
    with Logbook(bench / "hand.logbook", create=False) as book:
        result = conclude(book, None)
        stream = list(book.events(result.record.identity.test))
        listed = book.tests()[-1]
    assert all(one.rock.reversals == 3 for one in result.positions)
    # source: the invented pair, at the teeth that were printed; read to 5 µm
    for one in result.positions:
        true = lash_mm(one.engagement % 40 + 1, one.engagement % 13 + 1)
        assert one.rock.reading_mm == pytest.approx(true, abs=0.0025 + 0.005 / 3)
    utc = MEASURED.astimezone(dt.UTC)
    identity = result.record.identity
    assert identity.started_utc == listed.started_utc == f"{utc:%Y-%m-%dT%H:%M:%SZ}"
    assert identity.operator == "Grace"
    assert identity.test.startswith(f"{utc:%Y%m%d-%H%M}")
    read = [one for one in stream if isinstance(one.event, events.SheetRead)]
    assert len(read) == 2  # the sheet, and the line that the program asked for
    assert (read[0].event.measured_by, read[0].event.typed_by) == ("Grace", "Ada")  # type: ignore[union-attr]
    assert read[0].utc > identity.started_utc  # when it was typed
    said = {one.name: one for one in result.record.preconditions}
    later = said["typed in from a sheet"]
    assert f"{utc:%Y-%m-%d %H:%M} UTC by Grace" in later.detail
    assert "by Ada" in later.detail
    assert said["calibration, indicator"].state == "proven"  # on the day of measuring it still was
    assert said["cautions"].state == said["matched teeth"].state == "proven"
    assert result.record.conditions.housing_c == 21.4
    assert result.confirmed
    assert verify(VerifyOptions(logbook=bench / "hand.logbook"), Console(file=io.StringIO())) == 0


def test_the_lash_alone_is_typed_where_the_sheet_has_one_box_a_rock(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pdf, code = printed(bench, lash=True)
    assert code.startswith("3L-")
    rows = {line: row(gear, pinion, lash=True) for line, gear, pinion in lines_of(pdf)}
    status, _, _ = typed(
        monkeypatch, bench, code, rows=rows, says=lambda said: "skip" if "line 10" in said else None
    )
    assert status == 0
    with Logbook(bench / "hand.logbook", create=False) as book:
        result = conclude(book, None)
    assert [len(trace.typed.rocks_mm) for trace in result.record.traces if trace.typed] == [3] * 9
    assert not result.confirmed


def test_a_sheet_of_another_plan_or_box_is_refused(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, code = printed(bench)
    file = bench / "box.toml"
    file.write_text(file.read_text("utf-8").replace("positions = 9", "positions = 10"), "utf-8")
    with pytest.raises(ConfigurationError, match="printed for another box or plan"):
        typed(monkeypatch, bench, code)
    with pytest.raises(ConfigurationError, match="no code of a sheet"):
        typed(monkeypatch, bench, "3F-HCYT")
    with pytest.raises(ConfigurationError, match="belongs to --by-hand"):
        run(RunOptions(stand=file, box=file, sheet=code), Console(file=io.StringIO()))
    with pytest.raises(ConfigurationError, match=r"name it \.pdf"):
        sheet(SheetOptions(box=file, output=bench / "sheet.txt"), Console(file=io.StringIO()))
    assert not (bench / "hand.logbook").exists()


def test_without_its_date_nothing_is_typed_in(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, code = printed(bench)
    answers = iter(["", "yesterday", "2999-01-01 10:00"])
    with pytest.raises(ConfigurationError, match="the time of typing is not the time of measuring"):
        typed(monkeypatch, bench, code, says=lambda said: next(answers) if said.startswith("Begun") else None)
    with Logbook(bench / "hand.logbook", create=False) as book:
        assert book.tests() == []


def test_what_is_not_ticked_is_not_proven_and_an_empty_line_is_left_out(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, code = printed(bench)

    def says(question: str) -> str | None:
        if question.startswith('Is "'):
            return ""
        return "skip" if question.startswith(("line 4", "line 10")) else None

    status, _, _ = typed(monkeypatch, bench, code, says=says)
    assert status == 0
    with Logbook(bench / "hand.logbook", create=False) as book:
        result = conclude(book, None)
    states = {one.name: one.state for one in result.record.preconditions}
    assert (states["cautions"], states["matched teeth"]) == ("unproven", "unproven")
    assert result.record.left_out[0].startswith("Position 4")
    assert result.verdict.outcome == "not proven"


def test_the_rest_of_a_sheet_is_typed_in_another_day(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pdf, code = printed(bench)
    rows = {line: row(gear, pinion) for line, gear, pinion in lines_of(pdf)}
    status, shown, _ = typed(
        monkeypatch, bench, code, rows=rows, says=lambda said: "end" if said.startswith("line 6") else None
    )
    assert status == 130
    assert f"--sheet {code}" in shown
    with pytest.raises(ConfigurationError, match=f"typed in from sheet {code}"):
        typed(monkeypatch, bench, code, sheet=None, resume=True)
    other = printed(bench, rocks=4)[1]
    with pytest.raises(ConfigurationError, match=f"give --sheet {code}"):
        typed(monkeypatch, bench, other, resume=True)
    status, _, desk = typed(monkeypatch, bench, code, rows=rows, resume=True)
    assert status == 0
    assert desk.asked[0].startswith("line 6")  # nothing is measured again, nothing is asked twice
    with Logbook(bench / "hand.logbook", create=False) as book:
        result = conclude(book, None)
        [test] = book.tests()
    assert len(result.positions) == 10
    assert "resumed test" not in {one.name for one in result.record.preconditions}
    assert test.closing.startswith("completed")


def test_a_mark_that_was_not_there_bars_any_outcome(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, code = printed(bench)
    status, _, _ = typed(
        monkeypatch, bench, code, says=lambda said: "no" if said.startswith("does it") else None
    )
    assert status != 0
    with Logbook(bench / "hand.logbook", create=False) as book:
        result = conclude(book, None)
    assert result.verdict.outcome == "not proven"
    assert any("the count is off" in reason for reason in result.verdict.reasons)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("abc", "no line of the sheet"),
        ("0.2 0.35 0.2", "each rock of this sheet has two"),
        ("0.2 0.35", "1 rock: the sheet has boxes for 3"),
        ("0.2/0.35 0.2/0.35 0.2/0.35 0.2/0.35", "4 rocks: the sheet has boxes for 3"),
        ("0.2/0.35/0.2 0.35", "one slash between"),
        ("0.2 0.35 0.2 0.2", "Rock 2: .* is no lash"),
        ("0.2 0.35 0.2 9.9", "Rock 2: .* half a module"),
    ],
)
def test_a_line_that_cannot_be_meant_is_answered(line: str, said: str) -> None:
    found = understood_row(line, units="mm", most_lash_mm=2.0, both=True, fewest=2, most=3)
    assert isinstance(found, Wrong)
    assert re.search(said, found.answer)


def test_the_boxes_of_a_line_are_read_in_their_order() -> None:
    wanted = [(0.2, 0.35), (0.21, 0.355)]
    for line in ("0.2 0.35 0.21 0.355", "0,2/0,35  0,21 / 0,355", "0.2, 0.35; 0.21, 0.355 mm"):
        found = understood_row(line, units="mm", most_lash_mm=2.0, both=True, fewest=2, most=3)
        assert isinstance(found, tuple)
        assert [(rock.first_mm, rock.other_mm) for rock in found] == wanted
    found = understood_row("0.01 0.012", units="in", most_lash_mm=2.0, both=False, fewest=2, most=3)
    assert isinstance(found, tuple)
    assert found[0].first_mm == 0.0
    assert found[0].other_mm == pytest.approx(0.254)  # source: 25.4 mm to the inch
    assert understood_row("skip", units="mm", most_lash_mm=2.0, both=True, fewest=2, most=3) == "skip"
    note = understood_row("note oil", units="mm", most_lash_mm=2.0, both=True, fewest=2, most=3)
    assert note == Note(text="oil")


def test_a_moment_is_local_and_not_to_come() -> None:
    now = dt.datetime(2031, 5, 17, 12, 0, tzinfo=dt.UTC)
    assert moment_typed("2031-05-17 13:30+02:00", now=now) == "2031-05-17T11:30:00Z"  # source: ISO 8601
    assert moment_typed("", now=now) == "2031-05-17T12:00:00Z"
    for wrong, said in (
        ("2031-05-17", "no time of day"),
        ("soon", "no date"),
        ("2031-05-18 12:00Z", "to come"),
    ):
        found = moment_typed(wrong, now=now)
        assert isinstance(found, Wrong)
        assert said in found.answer


def test_a_code_is_read_as_somebody_copies_it() -> None:
    code = SheetCode(rocks=3, both=True, plan="HCYT2G24")
    assert str(code) == "3F-HCYT-2G24"
    assert SheetCode.read(" 3f hcyt 2g24 ") == code
    for wrong in ("", "3X-HCYT-2G24", "6F-HCYT-2G24", "3F-HCYT-2G2O"):
        assert SheetCode.read(wrong) is None
