"""A stand with an indicator and no encoder: a person counts the teeth, and says where the gear is."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from daemon.broken_off import BrokenOff, killed_after
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box, set_up, simulated_stand_file
from lashmap_analysis.facts.result import to_document
from lashmap_daemon.commands.logbook import verify
from lashmap_daemon.commands.options import RunOptions, ServeOptions, VerifyOptions
from lashmap_daemon.commands.run import run
from lashmap_daemon.commands.serve import serve
from lashmap_daemon.errors import ConfigurationError, ReferenceDisproved
from lashmap_daemon.exchange.frames import frames
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude, write_report
from lashmap_daemon.screens.plain import PlainScreen
from lashmap_daemon.screens.view import view_of
from lashmap_daemon.sequence.resume import ResumeError, take_up
from lashmap_daemon.sequence.sequence import Phase, Skip
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.stand_file import ENCODER, StandFile, load_stand
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import COUNTED, OtherVersion, must_be_of_this_version
from lashmap_daemon.testing.opening import check_plan
from lashmap_drivers.errors import PortNotOpened
from rich.console import Console

BOX = load_box(positions=9, gear_turns=6.0, confirming_positions=1)


def counted(folder: Path, **more: object) -> VirtualTest:
    return VirtualTest(folder, BOX, seed=11, instruments=COARSE, counted=True, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> VirtualTest:
    test = counted(tmp_path_factory.mktemp("counted"))
    test.run()
    test.logbook.close()
    return test


def test_a_whole_test_holds_its_truth(whole: VirtualTest) -> None:
    path = whole.folder / "virtual.logbook"
    with Logbook(path, create=False) as book:
        result = conclude(book, None)
        tables = frames(book, result.record.identity.test)
        raw = [len(chunk.data) for chunk in book.raw(result.record.identity.test, ENCODER)]
    record = result.record
    # source: the simulated box, whose geometry shares no code with the analysis; the tip's radius is off by
    # its own uncertainty, 4 of 0.15 mm on 76 mm is 0.8 %
    truth = whole.truth.normal_backlash_mm
    assert len(result.positions) == 10
    for one in result.positions:
        assert one.normal_backlash_mm == pytest.approx(truth[one.engagement % len(truth)], rel=0.008)
    assert result.stated is not None
    low, high = result.stated.interval_mm
    assert low <= min(truth) <= high
    assert result.confirmed
    assert record.encoder is None
    assert record.damage == ()
    assert raw == []
    assert not record.indicator.by_eye
    states = {one.name: one for one in record.preconditions}
    assert states["matched teeth"].state == "proven"
    assert "as the operator said" in states["matched teeth"].detail
    assert states["matched teeth, seen again"].state == "proven"
    assert "calibration, encoder" not in states
    [caution] = [one for one in result.verdict.cautions if "counted by hand" in one]
    assert "miscount by a tooth" in caution
    assert "read by eye" not in caution
    assert to_document(result)["encoder"] is None
    assert set(tables["samples"]["channel"]) == {"indicator"}
    assert verify(VerifyOptions(logbook=path), Console(file=io.StringIO())) == 0


def test_its_report_is_written(whole: VirtualTest, tmp_path: Path) -> None:
    with Logbook(whole.folder / "virtual.logbook", create=False) as book:
        result = conclude(book, None)
    for name in ("report.html", "report.pdf"):
        write_report(result, tmp_path / name)
    assert "counted by hand from the marks" in (tmp_path / "report.html").read_text("utf-8")
    assert (tmp_path / "report.pdf").stat().st_size > 10_000


def test_positions_are_whole_teeth_from_where_the_gear_was_said_to_stand(whole: VirtualTest) -> None:
    asked = [one for one in whole.of(events.PositionAsked) if isinstance(one, events.PositionAsked)]
    [look] = [one for one in whole.of(events.CountAsked) if isinstance(one, events.CountAsked)]
    at = 0
    for one in asked[:9]:
        at += one.turn_teeth
        assert at == one.engagement  # source: counting
    assert at + look.turn_teeth == 40 * look.turns
    assert asked[9].engagement == 40 * look.turns + asked[9].turn_teeth


def test_nothing_is_recorded_before_somebody_says_that_the_gear_is_there(tmp_path: Path) -> None:
    test = counted(tmp_path)
    test.follow = False
    test._simulated.ask(0, by_eye=True)  # it is rocked already
    test.tick(500)
    assert test.of(events.RockStarted) == []
    view = view_of(test.conductor, test.now_s, "")
    assert view.is_counted
    assert "then Enter (or the pedal)" in " ".join(view.cue.details)
    test.conductor.arrived()
    test.run_until(events.RockAccepted)


def test_a_key_pressed_twice_measures_no_tooth_twice(tmp_path: Path) -> None:
    test = counted(tmp_path)
    test.run_until(events.RockStarted)
    test.follow = False  # the gear stays, and is rocked on
    test.run_until(events.RockAccepted)
    test.tick(50)
    assert test.conductor.state.phase is Phase.TURNING
    test.conductor.arrived()
    test.tick(200)
    assert test.conductor.state.phase is Phase.TURNING
    notes = [one.text for one in test.of(events.NoteTaken) if isinstance(one, events.NoteTaken)]
    assert any("the gear was not turned" in text for text in notes)


def test_a_skipped_position_says_from_where_the_count_goes_on(tmp_path: Path) -> None:
    test = counted(tmp_path)
    test.run_until(events.RockAccepted)
    test.tick()
    test.conductor.happen(Skip())
    notes = [one.text for one in test.of(events.NoteTaken) if isinstance(one, events.NoteTaken)]
    assert any("goes on from gear tooth 1 with pinion tooth 1" in text for text in notes)
    last = test.of(events.PositionAsked)[-1]
    assert isinstance(last, events.PositionAsked)
    assert last.turn_teeth == last.engagement
    test.run()


def test_a_mark_that_is_not_where_the_count_has_it_bars_any_outcome(tmp_path: Path) -> None:
    test = counted(tmp_path, sees_mark=False)
    with pytest.raises(ReferenceDisproved, match="the count is off"):
        test.run()
    test.conductor.emit(events.TestClosed(outcome="failed", reason="as a live test ends"))
    asked = [one for one in test.of(events.CountAsked) if isinstance(one, events.CountAsked)]
    assert [one.attempt for one in asked] == [1, 2]
    result = conclude(test.logbook, None)
    assert result.verdict.outcome == "not proven"
    assert any("the count is off" in reason for reason in result.verdict.reasons)
    with pytest.raises(ResumeError, match="cannot go on: the mark of the gear was not in the mesh"):
        take_up(test.logbook, test.started.test, set_up(test.box, test.stand))


@pytest.mark.parametrize("marks", [0, None])
def test_it_goes_on_after_it_was_killed(tmp_path: Path, marks: int | None) -> None:
    test = BrokenOff(tmp_path, BOX, seed=12, instruments=COARSE, counted=True)
    killed_after(test, 3)
    before = test.conductor.story.newest
    test.go_on(marks=marks)
    assert before is not None
    stands = 0 if marks == 0 else before.engagement
    test.tick()
    asked = test.of(events.PositionAsked)[-1]
    assert isinstance(asked, events.PositionAsked)
    assert asked.engagement == before.engagement  # measured once more
    assert asked.turn_teeth == before.engagement - stands
    test.run()
    result = conclude(test.logbook, None)
    states = {one.name: one.state for one in result.record.preconditions}
    assert states["resumed test"] == "proven"
    assert states["matched teeth"] == ("proven" if marks == 0 else "unproven")
    truth = test.truth.normal_backlash_mm
    if marks == 0:
        for one in result.positions:
            assert one.normal_backlash_mm == pytest.approx(truth[one.engagement % len(truth)], rel=0.008)


def test_what_needs_an_encoder_is_refused_with_what_to_do(tmp_path: Path) -> None:
    stand = simulated_stand_file(tmp_path, COARSE, counted=True)
    path = tmp_path / "stand.toml"
    with pytest.raises(ConfigurationError, match="needs an encoder that says how far the shaft turned"):
        check_plan(load_box(), stand, box_name="box", sweeps=("gear",))
    with pytest.raises(ConfigurationError, match="run it at a terminal, or add the encoder"):
        run(RunOptions(stand=path, box=DEMO_BOX, logbook=tmp_path / "book"), Console(file=io.StringIO()))
    with pytest.raises(ConfigurationError, match="a person counts the teeth at a terminal"):
        serve(
            ServeOptions(stand=path, boxes=tmp_path, logbook=tmp_path / "book"), Console(file=io.StringIO())
        )
    path.write_text(path.read_text("utf-8") + '\n[hands_free]\ngestures = ["matched"]\n', "utf-8")
    with pytest.raises(ConfigurationError, match=r"there is no \[encoder\]"):
        toml_file.load(path, StandFile)
    assert not (tmp_path / "book").exists()


def test_a_recorded_test_without_an_encoder_plays_none(whole: VirtualTest, tmp_path: Path) -> None:
    text = f"""[stand]
name = "replay"
[indicator]
port = "{whole.folder / "virtual.logbook"}"
profile = "replay.toml"
resolution_mm = 0.001
[encoder]
port = "{whole.folder / "virtual.logbook"}"
profile = "replay.toml"
counts_per_turn = 360000
"""
    (tmp_path / "replay.toml").write_text('kind = "logbook replay"\n', "utf-8")
    (tmp_path / "stand.toml").write_text(text, "utf-8")
    with pytest.raises(PortNotOpened, match="was made without an encoder"):
        load_stand(tmp_path / "stand.toml")


def test_programs_that_know_no_stand_without_an_encoder_refuse_its_version(whole: VirtualTest) -> None:
    assert whole.started.setup.version == COUNTED
    _, body = events.to_json(whole.started)
    must_be_of_this_version(body)  # this one knows it
    with pytest.raises(OtherVersion):
        must_be_of_this_version(body.replace(COUNTED, "3 with neither"))
    assert events.from_json("TestStarted", body) == whole.started


def test_plain_lines_take_what_is_asked_for(monkeypatch: pytest.MonkeyPatch, whole: VirtualTest) -> None:
    shown: list[str] = []
    screen = PlainScreen("mm", whole.box.gear_set, shown.append, counted=True)
    asked = whole.of(events.PositionAsked)[0]
    screen.hear(events.Stamped(time_s=1.0, utc="", event=asked))
    assert "Press Enter there" in shown[-1]
    typed = iter(["\n", "Yes\n", "no\n", "whatever\n", None])
    monkeypatch.setattr("lashmap_daemon.system.TypedLines.next", lambda _: next(typed))
    assert [screen.commands() for _ in range(5)] == [["arrived"], ["matched"], ["unmatched"], [], []]
