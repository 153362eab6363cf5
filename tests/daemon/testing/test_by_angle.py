"""A stand with an encoder and no indicator: the rock is the gear's angle, at the pitch radius."""

from __future__ import annotations

import io
import math
from pathlib import Path

import pytest
from daemon.broken_off import BrokenOff, killed_after
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import VirtualTest, load_box, set_up, simulated_stand_file
from lashmap_analysis.facts.result import to_document
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.verdict import bars
from lashmap_analysis.uncertainty.set_up import set_up_lines
from lashmap_daemon.commands.logbook import verify
from lashmap_daemon.commands.options import VerifyOptions
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.frames import frames
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.compared import compared
from lashmap_daemon.replay.conclude import conclude, write_report
from lashmap_daemon.replay.preconditions import collect
from lashmap_daemon.screens.view import view_of
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.stand_file import INDICATOR, Stand, StandFile
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import BY_ANGLE
from lashmap_daemon.testing.opening import check_plan
from rich.console import Console

BOX = load_box(positions=9, gear_turns=6.0, confirming_positions=1)


def by_angle(folder: Path) -> VirtualTest:
    return VirtualTest(folder, BOX, seed=21, instruments=COARSE, by_angle=True)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> VirtualTest:
    test = by_angle(tmp_path_factory.mktemp("by_angle"))
    test.run()
    test.logbook.close()
    return test


def with_counts(stand: Stand, counts: int) -> Stand:
    assert stand.file.encoder is not None
    encoder = stand.file.encoder.model_copy(update={"counts_per_turn": counts})
    return stand.model_copy(update={"file": stand.file.model_copy(update={"encoder": encoder})})


def test_a_whole_test_holds_its_truth(whole: VirtualTest) -> None:
    path = whole.folder / "virtual.logbook"
    with Logbook(path, create=False) as book:
        result = conclude(book, None)
        tables = frames(book, result.record.identity.test)
        raw = [len(chunk.data) for chunk in book.raw(result.record.identity.test, INDICATOR)]
        build = compared(book, result.record.identity.test)
    record = result.record
    # source: the simulated box, whose geometry shares no code with the analysis; no tip has a part in it, so
    # that only counts and rocking are left: one count is 360°/360,000 at 80 mm, 1.4 µm of arc
    truth = whole.truth.normal_backlash_mm
    assert len(result.positions) == 10
    for one in result.positions:
        assert one.normal_backlash_mm == pytest.approx(truth[one.engagement % len(truth)], abs=0.0015)
        assert one.encoder_backlash_mm is None  # its own reading is no check of it
    assert result.stated is not None
    low, high = result.stated.interval_mm
    assert low <= min(truth) <= high
    assert result.confirmed
    assert record.damage == ()
    assert raw == []
    assert record.encoder is not None
    assert any("from the encoder alone" in one for one in result.verdict.cautions)
    states = {one.name: one.state for one in record.preconditions}
    assert "calibration, indicator" not in states
    assert states["matched teeth, seen again"] == "proven"
    document = to_document(result)
    assert document["indicator"]["direction"] == "gear angle"
    assert not any(bars(one) for one in record.preconditions)
    assert not any("Calibration" in reason for reason in result.verdict.reasons)
    names = [line["quantity"] for line in document["budget"]["lines"]]
    assert "counts of the encoder, common part" in names
    assert "encoder graduation" in names
    assert not any("touch radius" in one or "indicator" in one for one in names)
    assert len(tables["positions"]) == 10
    assert build.indicator == ""
    assert verify(VerifyOptions(logbook=path), Console(file=io.StringIO())) == 0


def test_what_was_shown_is_what_the_record_holds(whole: VirtualTest) -> None:
    with Logbook(whole.folder / "virtual.logbook", create=False) as book:
        result = conclude(book, None)
    shown = {one.number: one for one in whole.of(events.RockAccepted) if isinstance(one, events.RockAccepted)}
    for one in result.positions:
        assert one.rock.reading_mm == shown[one.position].reading_mm
        assert one.normal_backlash_mm == shown[one.position].normal_backlash_mm


def test_its_report_is_written(whole: VirtualTest, tmp_path: Path) -> None:
    with Logbook(whole.folder / "virtual.logbook", create=False) as book:
        result = conclude(book, None)
    for name in ("report.html", "report.pdf"):
        write_report(result, tmp_path / name)
    assert "arc of the outer pitch circle" in (tmp_path / "report.html").read_text("utf-8")


def test_the_angle_is_converted_as_the_standard_has_it() -> None:
    gear_set = BOX.recorded().gear_set_in_contact()
    read = Indicator.of_angle(gear_set, resolution_deg=0.001, standard_uncertainty_deg=0.0005)
    # source: ISO 23509:2016, 7.8: j_en = j_et cos α_n cos β_e with j_et = Δθ r_e2; 13:40, module 4, α_n 20°,
    # β_m 35°, cutter radius 75 mm, face 25 mm, worked out here apart from the program
    radius, pitch = 4.0 * 40 / 2, math.atan2(40, 13)
    outer = radius / math.sin(pitch)
    middle = outer - 25.0 / 2
    heel = math.asin(
        (2 * middle * 75.0 * math.sin(math.radians(35)) - middle**2 + outer**2) / (2 * outer * 75.0)
    )
    normal = math.cos(math.radians(20)) * math.cos(heel)
    assert read.normal_per_reading(gear_set) == pytest.approx(normal, rel=1e-12)
    assert read.resolution_mm == pytest.approx(radius * math.radians(0.001), rel=1e-12)
    lines = {line.quantity: line.standard_uncertainty_mm for line in set_up_lines(gear_set, read, 0.12)}
    # source: GUM F.2.2.1, twice (two counts a lash apart): count / √6
    count = normal * radius * math.radians(0.001)
    assert lines["counts of the encoder, common part"] == pytest.approx(count / math.sqrt(6), rel=1e-12)
    assert lines["encoder graduation"] == pytest.approx(normal * radius * math.radians(0.0005), rel=1e-12)


def test_an_encoder_too_coarse_for_the_limits_is_refused_with_figures(tmp_path: Path) -> None:
    stand = simulated_stand_file(tmp_path, COARSE, by_angle=True)
    assert check_plan(BOX, stand, box_name="box", sweeps=())
    # source: worked out by hand: a count of 360°/1,000 at 80 mm is 0.503 mm of arc, some 0.39 mm normal
    with pytest.raises(
        ConfigurationError, match=r"one of its 1000 counts is 0\.3\d+.mm of normal backlash"
    ) as said:
        check_plan(BOX, with_counts(stand, 1000), box_name="box", sweeps=())
    needed = int(str(said.value).partition("It takes ")[2].split()[0])
    assert check_plan(BOX, with_counts(stand, needed), box_name="box", sweeps=())
    with pytest.raises(ConfigurationError, match="too coarse"):
        check_plan(BOX, with_counts(stand, needed - needed // 100), box_name="box", sweeps=())
    unlimited = BOX.model_copy(update={"limits": type(BOX.limits)(kind="normal")})
    assert check_plan(unlimited, with_counts(stand, 1000), box_name="box", sweeps=())


def test_what_needs_an_indicator_is_refused(tmp_path: Path) -> None:
    stand = simulated_stand_file(tmp_path, COARSE, by_angle=True)
    with pytest.raises(ConfigurationError, match="needs an indicator that touches the shaft"):
        check_plan(BOX, stand, box_name="box", sweeps=("gear",))
    path = tmp_path / "stand.toml"
    text = path.read_text("utf-8")
    path.write_text(text.replace('shaft = "gear"', 'shaft = "pinion"'), "utf-8")
    with pytest.raises(ConfigurationError, match="put it on the gear's shaft, or add the indicator"):
        toml_file.load(path, StandFile)
    path.write_text('[stand]\nname = "x"\n', "utf-8")
    with pytest.raises(ConfigurationError, match=r"neither \[indicator\] nor \[encoder\]"):
        toml_file.load(path, StandFile)


def test_its_graduation_has_to_be_certified(tmp_path: Path, whole: VirtualTest) -> None:
    stand = simulated_stand_file(tmp_path, COARSE, by_angle=True)
    assert set_up(BOX, stand).version == BY_ANGLE

    def state(uncertainty_deg: float) -> str:
        assert stand.file.encoder is not None
        encoder = stand.file.encoder.model_copy(update={"standard_uncertainty_deg": uncertainty_deg})
        setup = set_up(
            BOX, stand.model_copy(update={"file": stand.file.model_copy(update={"encoder": encoder})})
        )
        today = whole.started.stand.encoder
        assert today is not None
        assert today.calibration_due is not None
        found = collect(
            setup.box, setup.stand, matched="box file", today=today.calibration_due, locked_out=True
        )
        return next(one.state for one in found if one.name == "calibration, encoder")

    assert (state(0.0), state(0.001)) == ("unproven", "proven")


def test_it_goes_on_after_it_was_killed(tmp_path: Path) -> None:
    test = BrokenOff(tmp_path, BOX, seed=22, instruments=COARSE, by_angle=True)
    killed_after(test, 2)
    test.go_on()
    test.run()
    result = conclude(test.logbook, None)
    states = {one.name: one.state for one in result.record.preconditions}
    assert states["resumed test"] == states["matched teeth"] == "proven"
    truth = test.truth.normal_backlash_mm
    for one in result.positions:
        assert one.normal_backlash_mm == pytest.approx(truth[one.engagement % len(truth)], abs=0.0015)


def test_the_screen_shows_the_arc(tmp_path: Path) -> None:
    test = by_angle(tmp_path)
    test.run_until(events.RockStarted)
    test.tick(20)
    view = view_of(test.conductor, test.now_s, "")
    assert view.is_by_angle
    assert view.indicator_mm is not None
    assert view.gear_deg is not None
    assert view.indicator_mm == pytest.approx(math.radians(view.gear_deg) * 80.0)
