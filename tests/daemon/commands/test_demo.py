"""The simulated truth beside the result, and what the table ``simulated`` of a box file reaches."""

from __future__ import annotations

import re
import signal
import tomllib
from dataclasses import fields, replace
from pathlib import Path
from typing import Literal

import pytest
from daemon.command import start
from daemon.simulated_boxes import COARSE, values
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.commands.run import comparison
from lashmap_daemon.commands.simulate import simulated_box, simulated_stand, write_stand
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile, SimulatedTable
from lashmap_daemon.simulated_stand import SimulatedBox, SimulatedDrive, SimulatedInstruments, Stand

TRUTH = {
    "normal_backlash_mm": [0.130, 0.127, 0.128],
    "tight_spot": {"engagement": 1, "normal_backlash_mm": 0.127},
}


def compared(low: float, high: float) -> str:
    stated = {
        "engagement": 2,
        "normal_backlash_mm": (low + high) / 2.0,
        "interval_low_mm": low,
        "interval_high_mm": high,
    }
    return comparison(TRUTH, {"tight_spot": {"stated": stated}}, "mm")


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.1265, 0.1275, "holds the truth"),
        (0.127, 0.128, "holds the truth"),
        (0.12702, 0.1284, "MISSES the truth by 0.02 µm"),
        (0.1255, 0.1262, "MISSES the truth by 0.8 µm"),
    ],
)
def test_it_says_whether_and_by_how_much_and_how_often_that_is_no_surprise(
    low: float, high: float, said: str
) -> None:
    shown = compared(low, high)
    assert f"the interval {said}\n" in shown
    # Definition of a 95 % interval.
    assert "misses the truth in 1 of 20 tests" in shown
    assert "at the named engagement: 0.1280" in shown


def test_no_tight_spot_is_said() -> None:
    assert "no tight spot was found" in comparison(TRUTH, {"tight_spot": {"stated": None}}, "mm")


def test_each_key_of_the_table_is_a_field_of_one_part_of_the_stand() -> None:
    parts = (SimulatedBox, SimulatedInstruments, SimulatedDrive)
    for name in SimulatedTable.model_fields:
        assert sum(name in {one.name for one in fields(part)} for part in parts) == 1, name


@pytest.mark.parametrize("encoders", ["one", "apart", "latched"])
def test_the_stand_file_names_the_encoders_that_there_are(
    tmp_path: Path, encoders: Literal["one", "apart", "latched"]
) -> None:
    instruments = replace(COARSE, encoders=encoders, encoder_counts_per_turn=20_000)
    write_stand(tmp_path, tmp_path / "indicator", tmp_path / "encoder", instruments)
    encoder = tomllib.loads((tmp_path / "stand.toml").read_text("utf-8"))["encoder"]
    if encoders == "one":
        assert (encoder["shaft"], encoder["counts_per_turn"]) == ("gear", 20_000)
        return
    gear, pinion = encoder["gear"], encoder["pinion"]
    latched = encoders == "latched"
    assert pinion["port"] == str(tmp_path / ("encoder" if latched else "pinion"))
    assert (gear.get("number"), pinion.get("number")) == ((1, 2) if latched else (None, None))
    assert gear["counts_per_turn"] == pinion["counts_per_turn"] == 20_000
    # The profile reads what the stand says.
    profile = tomllib.loads((tmp_path / gear["profile"]).read_text("utf-8"))
    line = Stand(simulated_box(load_box()), instruments, seed=1).advance(0.1).encoder_lines[0].decode()
    assert re.fullmatch(profile["pattern"], line.removesuffix(profile["terminator"]))


def with_table(**keys: float) -> BoxFile:
    box = load_box()
    return box.model_copy(update={"simulated": box.simulated.model_copy(update=keys)})


def reading(box: BoxFile) -> float:
    stand = simulated_stand(box, COARSE, seed=1)
    stand.ask(3)
    stand.advance(2.0)
    shown = sorted(values(stand.advance(3.0).indicator_lines))
    # A quarter from both ends is on a flank.
    return shown[-len(shown) // 4] - shown[len(shown) // 4]


@pytest.mark.parametrize(
    ("keys", "more_mm"),
    [
        ({"hysteresis_mm": 0.004}, -0.004),  # of the instruments
        (
            {"press_torque_nm": 4.0, "flank_compliance_mm_per_nm": 0.0005, "rocks_per_s": 1.0},
            0.004,  # of drive and box
        ),
        ({"bad_tooth_mm": 0.01, "bad_tooth": 3}, -0.01),  # of the box
    ],
)
def test_the_table_reaches_box_instruments_and_drive(keys: dict[str, float], more_mm: float) -> None:
    # Hysteresis and metal take their own length from a step, a press adds twice its own; at this radius the
    # tip reads some 0.97 of it, and friction holds a part of a press.
    assert reading(with_table(**keys)) - reading(with_table()) == pytest.approx(more_mm, rel=0.25)


def test_the_demonstration_box_is_measured_with_errors_but_measured(tmp_path: Path) -> None:
    box = toml_file.load(DEMO_BOX, BoxFile)
    short = {"positions": 6, "repeats": 0, "gear_turns": 1.0, "confirming_positions": 1}
    plan = box.plan.model_copy(update=short)
    test = VirtualTest(tmp_path, box.model_copy(update={"plan": plan}), seed=2, instruments=COARSE)
    test.run()
    assessment = conclude(test.logbook, None)
    test.logbook.close()
    true_mm = test.truth.normal_backlash_mm
    errors = [
        one.normal_backlash_mm / true_mm[one.engagement % len(true_mm)] - 1.0
        for one in assessment.positions
        if one.normal_backlash_mm is not None
    ]
    assert len(errors) == 7
    # Each of the errors that the table adds is below a micrometre or so, of 150; together they are some.
    assert all(abs(error) < 0.03 for error in errors)
    assert any(abs(error) > 0.002 for error in errors)


def test_a_demonstration_that_was_stopped_is_not_offered_to_go_on(tmp_path: Path) -> None:
    """Its stand is gone with it."""
    running = start("demo", "--short", "--folder", tmp_path / "out")
    try:
        assert running.stdout is not None
        for line in running.stdout:
            if "accepted" in line:
                break
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=60.0)
    finally:
        running.kill()
    assert (running.returncode, err) == (130, "")
    assert "The test ended early and cannot go on" in out
    assert "--resume" not in out
