"""A test without any cable: what is typed, what is answered, what is kept, and what is judged of it."""

from __future__ import annotations

import datetime as dt
import io
import json
import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest
from daemon.virtual_time import DEMO_BOX, load_box
from lashmap_daemon.commands.by_hand import run_by_hand
from lashmap_daemon.commands.logbook import list_tests, verify
from lashmap_daemon.commands.options import ListOptions, RunOptions, VerifyOptions
from lashmap_daemon.commands.run import run
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.frames import frames
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.preconditions import collect_by_hand
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.sequence.resume import take_up
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.gauge_file import GaugeTable
from lashmap_daemon.story import events
from lashmap_daemon.story.events import CautionsConfirmed, MadeByHand
from lashmap_daemon.story.recorded import HandSetup
from lashmap_daemon.testing.by_hand import HandOpening, HandTest
from lashmap_daemon.testing.opening import NotGoneOn, lay_out
from lashmap_daemon.testing.prediction import NO_PHASES
from rich.console import Console

BOX = load_box(positions=8, gear_turns=13.0, confirming_positions=1)
GAUGE = GaugeTable(division_mm=0.01, serial="INV-G1", calibration_uncertainty_mm=0.002, hysteresis_mm=0.001)
FILE = """[gauge]
division_mm = 0.01
serial = "INV-G1"
calibration_uncertainty_mm = 0.002
hysteresis_mm = 0.001
"""


def lash_mm(engagement: int) -> float:
    """An invented gear: 20 µm of runout on its 40 teeth, on the dial."""
    return 0.150 - 0.020 * math.cos(2.0 * math.pi * (engagement - 11) / 40)


class Bench:
    """A person at a bench, who reads to half a division; ``says`` may answer a question otherwise."""

    def __init__(self, says: Callable[[str, int], str | None] = lambda _question, _asked: None) -> None:
        self.shown: list[str] = []
        self._says, self._asked = says, 0
        self.test: HandTest | None = None

    def show(self, text: str) -> None:
        self.shown.append(text)

    def line(self, question: str, *, fresh: bool = False) -> str | None:  # noqa: ARG002 - as asked
        self._asked += 1
        said = self._says(question, self._asked)
        if said is not None:
            return None if said == "end" else said
        if "yes" in question:
            return "yes"
        assert self.test is not None
        story = self.test.story
        assert isinstance(story.awaited, events.PositionAsked)
        lash = round(lash_mm(story.awaited.engagement) / 0.005) * 0.005
        first = 0.2 + 0.005 * (self._asked % 3)
        return f"{first:.3f} {first + lash:.3f}".replace(".", ",")


def opening(*, matched: bool = True, box: BoxFile = BOX) -> HandOpening:
    setup = HandSetup(box=box.recorded(), gauge=GAUGE.recorded())
    started = events.TestStarted(
        test="t1",
        operator="Ada",
        setup=setup,
        planned=tuple(int(one) for one in lay_out(BOX.recorded())),
        version="0",
    )
    return HandOpening(
        started=started,
        cautions=CautionsConfirmed(how="typed"),
        preconditions=collect_by_hand(
            setup.box, setup.gauge, matched=matched, today=dt.date(2026, 11, 25), locked_out=True
        ),
        matched=matched,
    )


def led(path: Path, bench: Bench, *, matched: bool = True, box: BoxFile = BOX) -> events.TestClosed:
    with Logbook(path, create=True) as book:
        bench.test = HandTest(opening(matched=matched, box=box), GAUGE.recorded(), book, bench)
        return bench.test.run()


def typed_at(
    monkeypatch: pytest.MonkeyPatch, folder: Path, *lines: str, resume: bool = False
) -> tuple[int, str]:
    """The command with lines on its standard input."""
    gauge = folder / "gauge.toml"
    gauge.write_text(FILE, "utf-8")
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
    shown = io.StringIO()
    given = RunOptions(
        by_hand=DEMO_BOX,
        gauge=gauge,
        logbook=folder / "hand.logbook",
        locked_out=True,
        operator="Ada",
        resume=resume,
    )
    status = run(given, Console(file=shown, width=400))
    return status, shown.getvalue()


def test_a_whole_test_is_led_recorded_judged_and_exported(tmp_path: Path) -> None:
    path, bench = tmp_path / "hand.logbook", Bench()
    closed = led(path, bench)
    assert closed.outcome == "completed"
    with Logbook(path, create=False) as book:
        result = conclude(book, None)
        tables = frames(book, "t1")
    assert result.record.encoder is None
    assert result.record.damage == ()
    assert result.usable == 9
    assert all([flag.name.value for flag in one.flags] == ["read by eye"] for one in result.positions)
    # source: the invented gear; the tightest of its teeth is the 11th, and 0.130 mm on the dial there
    assert result.stated is not None
    normal = result.record.indicator.normal_per_reading(result.record.gear_set)
    shift = (result.positions[0].normal_backlash_mm or 0.0) - normal * result.positions[0].rock.reading_mm
    low, high = result.stated.interval_mm
    assert low <= normal * 0.130 + shift <= high
    states = {one.name: (one.state, one.detail) for one in result.record.preconditions}
    assert states["matched teeth"][0] == "proven"
    assert "as the operator said" in states["matched teeth"][1]
    assert states["matched teeth, seen again"][0] == "proven"
    assert states["calibration, indicator"][0] == "unproven"
    assert "calibration, encoder" not in states
    assert any("counted by hand" in one for one in result.verdict.cautions)
    assert tables["samples"].empty
    assert tables["positions"]["typed"].str.count("\n").eq(2).all()
    assert verify(VerifyOptions(logbook=path), Console(file=io.StringIO())) == 0


def test_what_is_shown_last_is_what_the_result_states(tmp_path: Path) -> None:
    # Rocks that scatter tell each other's scatter, so that early positions weigh otherwise in the end.
    bench = Bench()

    def shaken(question: str, asked: int) -> str | None:
        if "rock " not in question or bench.test is None:
            return None
        awaited = bench.test.story.awaited
        assert isinstance(awaited, events.PositionAsked)
        return f"{lash_mm(awaited.engagement) + 0.001 * (asked * 7 % 5) * (asked % 4):.4f}"

    bench = Bench(shaken)
    path = tmp_path / "hand.logbook"
    assert led(path, bench).outcome == "completed"
    with Logbook(path, create=False) as book:
        result = conclude(book, None)
        found = [one.event for one in book.events("t1")]
    live = [one for one in found if isinstance(one, events.TightSpotPredicted)]
    assert len(live) >= 2
    assert result.predicted is not None
    assert result.stated is not None
    assert live[-1].normal_backlash_mm == pytest.approx(result.stated.normal_backlash_mm, abs=1e-9)
    # The confirming position was not typed when the first was shown.
    assert live[0].normal_backlash_mm == pytest.approx(result.predicted.normal_backlash_mm, abs=1e-4)


def test_three_phases_of_the_roll_need_an_encoder(tmp_path: Path) -> None:
    wanted = BOX.model_copy(update={"plan": BOX.plan.model_copy(update={"roll_phases": 3})})
    assert led(tmp_path / "hand.logbook", Bench(), box=wanted).outcome == "completed"
    with Logbook(tmp_path / "hand.logbook", create=False) as book:
        record = conclude(book, None).record
    assert {one.purpose for one in record.traces} == {"planned", "confirming"}
    assert [text for _, text in record.notes].count(NO_PHASES) == 1


def test_positions_are_whole_teeth_counted_from_the_marks(tmp_path: Path) -> None:
    bench = Bench()
    led(tmp_path / "hand.logbook", bench)
    assert bench.test is not None
    with Logbook(tmp_path / "hand.logbook", create=False) as book:
        asked = [one.event for one in book.events("t1") if isinstance(one.event, events.PositionAsked)]
        looked = [one.event for one in book.events("t1") if isinstance(one.event, events.MarksCompared)]
    at = 0
    for one in asked[:8]:
        at += one.turn_teeth
        assert at == one.engagement  # source: counting
    assert looked[0].turns == round(asked[7].engagement / 40)
    second = asked[1].engagement
    teeth = f"gear tooth {second % 40 + 1} with pinion tooth {second % 13 + 1}"  # the marked ones are 1
    assert any(teeth in line for line in bench.shown)


def test_what_cannot_be_meant_is_answered_and_asked_again(tmp_path: Path) -> None:
    wrong = [
        "abc",
        "1 2 3",
        "0.25 9.9",
        "0.2 0.2",
        "",
        "note",
        "500 500.1",
        "nan 0.1",
        "note oil is warm",
        "again",
    ]

    def says(_: str, asked: int) -> str | None:
        return wrong[asked - 1] if asked <= len(wrong) else None

    bench = Bench(says)
    assert led(tmp_path / "hand.logbook", bench).outcome == "completed"
    shown = "\n".join(bench.shown)
    for answer in (
        "'abc' is not a reading",
        "3 numbers: type one rock a line",
        "a lash of 9.6500\N{NO-BREAK SPACE}mm is more than half a module",
        "both flanks read the same",
        "2 rocks or more are needed",
        "Nothing to note",
        "no dial gauge goes that far",
        "'nan 0.1' is not a reading",
        "Note: oil is warm",
        "There is no position to take again",
    ):
        assert answer in shown
    with Logbook(tmp_path / "hand.logbook", create=False) as book:
        record = conclude(book, None).record
    assert [text for _, text in record.notes] == ["oil is warm"]
    assert all(len(trace.typed.rocks_mm) == 3 for trace in record.traces if trace.typed)


def test_again_and_skip_and_enough(tmp_path: Path) -> None:
    words = {3: "again", 6: "", 7: "skip", 8: "yes"}
    bench = Bench(lambda _, asked: words.get(asked))
    assert led(tmp_path / "hand.logbook", bench).outcome == "completed"
    with Logbook(tmp_path / "hand.logbook", create=False) as book:
        record = conclude(book, None).record
        typed = [one for one in book.events("t1") if isinstance(one.event, events.RockTyped)]
    first = record.traces[0]
    assert first.typed is not None
    assert (first.position, first.attempt, len(first.typed.rocks_mm)) == (1, 2, 2)
    assert record.left_out[0].startswith("Position 2")
    assert len(typed) == 2 + 2 + 3 * 7  # nothing that was typed is lost, though two were taken again


def test_a_mark_that_is_not_where_the_count_says_bars_any_outcome(tmp_path: Path) -> None:
    bench = Bench(lambda question, _: "no" if "yes" in question else None)
    closed = led(tmp_path / "hand.logbook", bench)
    assert closed.outcome == "failed"
    with Logbook(tmp_path / "hand.logbook", create=False) as book:
        result = conclude(book, None)
    assert result.verdict.outcome == "not proven"
    assert any("the count is off" in reason for reason in result.verdict.reasons)


def test_a_count_that_was_lost_is_not_offered_to_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four positions, the rest left out, and the mark is twice not where the count says."""
    planned = [int(one) for one in lay_out(load_box(DEMO_BOX).recorded())]
    left_out = [["skip"] if one == planned[3] else ["skip", "no"] for one in planned[4:]]
    lines = ["matched", *["0,15", "0.155", "0.15"] * 4, *(word for words in left_out for word in words)]
    status, shown = typed_at(monkeypatch, tmp_path, *lines, "no", "no")
    assert "the count of teeth was lost" in shown
    assert "What was typed is kept. It cannot go on." in shown
    assert "--resume" not in shown
    assert status == 130


def test_marks_that_nobody_brought_together_are_not_proven(tmp_path: Path) -> None:
    assert led(tmp_path / "hand.logbook", Bench(), matched=False).outcome == "completed"
    with Logbook(tmp_path / "hand.logbook", create=False) as book:
        record = conclude(book, None).record
    assert next(one.state for one in record.preconditions if one.name == "matched teeth") == "unproven"
    assert not any(one.name == "matched teeth, seen again" for one in record.preconditions)


def test_every_rock_is_kept_before_the_next_is_asked(tmp_path: Path) -> None:
    path = tmp_path / "hand.logbook"
    counts = []

    def says(question: str, _: int) -> str | None:
        if "rock" in question:
            with Logbook(path, create=False) as book:
                kept = [one for one in book.events("t1") if isinstance(one.event, events.RockTyped)]
            counts.append(len(kept))
        return "end" if len(counts) > 4 else None

    assert led(path, Bench(says)).outcome == "interrupted"
    assert counts == [0, 1, 2, 3, 4]


def test_the_command_stops_and_goes_on_and_leaves_its_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    status, shown = typed_at(
        monkeypatch, tmp_path, "matched", "0,20 0,35", "0,20 0,355", "0.205 0.355", "0.15"
    )
    assert status == 130
    assert "--resume --test" in shown
    lines = ["matched", *["0.15", "0.155", "0.15"] * 3, "stop"]
    status, shown = typed_at(monkeypatch, tmp_path, *lines, resume=True)
    assert "Going on with test" in shown
    assert "Check against position 1: agrees" in shown
    assert status == 130
    with Logbook(tmp_path / "hand.logbook", create=False) as book:
        test = book.tests()[-1].test
        result = conclude(book, None)
    report = json.loads((tmp_path / f"{test}.json").read_text("utf-8"))
    assert report["encoder"] is None
    assert report["indicator"]["by_eye"] is True
    assert len(report["positions"]) == len(result.positions) == 4
    assert "Readings as typed" in (tmp_path / f"{test}.html").read_text("utf-8")
    assert (tmp_path / f"{test}.pdf").stat().st_size > 10_000
    listed = io.StringIO()
    list_tests(ListOptions(logbook=tmp_path / "hand.logbook"), Console(file=listed, width=200))
    assert "stopped by the operator" in listed.getvalue()


def test_another_gauge_or_the_files_of_a_stand_do_not_go_on_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed_at(monkeypatch, tmp_path, "matched", "0.15", "0.15", "0.15")
    monkeypatch.setattr(f"{__name__}.FILE", FILE.replace("0.01", "0.02"))
    with pytest.raises(Exception, match=r"gauge.division_mm: 0.01 → 0.02"):
        typed_at(monkeypatch, tmp_path, "matched", resume=True)
    with (
        Logbook(tmp_path / "hand.logbook", create=False) as book,
        Replay(book, book.tests()[0].test) as replay,
    ):
        assert replay.started.gauge is not None
        with pytest.raises(MadeByHand, match="made by hand"):
            _ = replay.started.stand


def test_arguments_that_do_not_fit_together_are_refused(tmp_path: Path) -> None:
    console = Console(file=io.StringIO())
    for options, said in (
        (RunOptions(), "name stand and box file, or --by-hand BOX"),
        (RunOptions(stand=tmp_path), "BOX missing"),
        (RunOptions(stand=tmp_path, by_hand=DEMO_BOX), "leave the stand file out"),
        (RunOptions(stand=tmp_path, box=DEMO_BOX, gauge=tmp_path), "belongs to --by-hand"),
    ):
        with pytest.raises(ConfigurationError, match=said):
            run(options, console)
    with pytest.raises(ConfigurationError, match="no such logbook"):
        run_by_hand(RunOptions(logbook=tmp_path / "none", resume=True, operator="A"), DEMO_BOX, console)


def test_figures_of_the_gauge_are_asked_where_no_file_names_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = ["x", "1", "0,01", "INV-G2", "tomorrow", "2030-01-31", "2", "0,002", "", "matched", "0.15"]
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in answers)))
    shown = io.StringIO()
    given = RunOptions(by_hand=DEMO_BOX, logbook=tmp_path / "hand.logbook", locked_out=True, operator="Ada")
    assert run(given, Console(file=shown, width=400)) == 130
    assert "'x' is not a length" in shown.getvalue()
    assert "gauge.division_mm: 1 mm" in shown.getvalue()
    assert "gauge.calibration_uncertainty_mm: 2 mm" in shown.getvalue()
    assert "'tomorrow' is not a date" in shown.getvalue()
    with (
        Logbook(tmp_path / "hand.logbook", create=False) as book,
        Replay(book, book.tests()[0].test) as replay,
    ):
        gauge = replay.started.gauge
    assert gauge is not None
    assert (gauge.division_mm, gauge.read_to_mm, gauge.serial) == (0.01, 0.005, "INV-G2")
    assert str(gauge.calibration_due) == "2030-01-31"


def test_what_fails_already_is_shown_before_position_1(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pinion stands 0.08 mm off its mark, which the drawing does not allow."""
    off = tmp_path / "off.toml"
    text = DEMO_BOX.read_text("utf-8")
    assert "pinion_set_mm = 105.01" in text
    off.write_text(text.replace("pinion_set_mm = 105.01", "pinion_set_mm = 105.08"), "utf-8")
    (tmp_path / "gauge.toml").write_text(FILE, "utf-8")
    given = RunOptions(
        by_hand=off, gauge=tmp_path / "gauge.toml", logbook=tmp_path / "book", locked_out=True, operator="Ada"
    )

    def typed(*lines: str) -> str:
        monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        shown = io.StringIO()
        with suppress(NotGoneOn):
            assert run(given, Console(file=shown, width=400)) == 130
        return shown.getvalue()

    for answer in ("no", "perhaps\nyes"):
        shown = typed("matched", answer, "0.15")
        before, _, after = shown.partition("Go on all the same?")
        assert "+0.080 mm" in before.replace("\N{NO-BREAK SPACE}", " ")
        assert "never conforming" in before
        assert "rock 1 of" not in before
        assert ("rock 1 of" in after) is (answer != "no")
    with Logbook(tmp_path / "book", create=False) as book:
        (begun,) = book.tests()  # the one that was wanted
        notes = [one.event.text for one in book.events(begun.test) if isinstance(one.event, events.NoteTaken)]
    assert any("Go on all the same?" in one and "Answered: 'yes'" in one for one in notes)
    assert any("0.080" in one for one in notes)


def test_rocks_that_contradict_each_other_four_times_wait_for_their_cause(tmp_path: Path) -> None:
    """A tip that slides reads anything: here half of the lash in every second rock, until it is tightened."""
    answers = ["0,25 0,40", "note the tip slid", "4", "4 the tip slid on its arm"]
    mended = False

    def says(question: str, asked: int) -> str | None:
        nonlocal mended
        if "what was it" in question:
            said = answers.pop(0)
            mended = not answers
            return said
        if mended or "rock" not in question:
            return None
        return "0.25 0.40" if asked % 2 else "0.25 0.31"

    bench = Bench(says)
    path = tmp_path / "hand.logbook"
    assert led(path, bench).outcome == "completed"
    with Logbook(path, create=False) as book:
        happened = [one.event for one in book.events("t1")]
        record = conclude(book, None).record
    asked = next(place for place, one in enumerate(happened) if isinstance(one, events.CauseAsked))
    assert sum(isinstance(one, events.RockRefused) for one in happened[:asked]) == 4
    assert [type(one) for one in happened[asked + 1 : asked + 3]] == [events.NoteTaken, events.CauseAnswered]
    assert happened[asked + 2] == events.CauseAnswered(
        number=2, refused=4, cause="other", words="the tip slid on its arm", again=(1,)
    )
    assert record.left_out == ()
    assert sum("says no cause" in line for line in bench.shown) == 2
    assert any(line.strip() == "1 the pinion was not locked" for line in bench.shown)


def test_stopped_or_broken_off_at_the_question_it_asks_again(tmp_path: Path) -> None:
    def says(question: str, asked: int) -> str | None:
        if "what was it" in question:
            return "end"
        return "0.25 0.40" if asked % 2 else "0.25 0.31"

    path = tmp_path / "hand.logbook"
    assert led(path, Bench(says)).outcome == "interrupted"
    with Logbook(path, create=False) as book:
        before = list(book.events("t1"))
        unfinished = take_up(book, "t1", HandSetup(box=BOX.recorded(), gauge=GAUGE.recorded()))
        going = replace(
            opening(),
            started=unfinished.started,
            resumed=unfinished.resumed(
                operator="Ada", version="0", now=dt.datetime.now(dt.UTC), encoder_moved_deg=None
            ),
            resumption=unfinished.resumption,
        )
        bench = Bench(lambda question, _: "2" if "what was it" in question else None)
        bench.test = HandTest(going, GAUGE.recorded(), book, bench)
        assert bench.test.run().outcome == "completed"
        since = [one.event for one in book.events("t1")][len(before) :]
    waited = [
        one for one in since if isinstance(one, events.CauseAsked | events.CauseAnswered | events.RockTyped)
    ]
    assert [type(one) for one in waited[:3]] == [events.CauseAsked, events.CauseAnswered, events.RockTyped]
