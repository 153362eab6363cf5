from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from daemon.virtual_time import TODAY, load_box, simulated_stand_file
from lashmap_analysis.record.record import Precondition
from lashmap_daemon.replay.preconditions import collect
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import Stand
from lashmap_daemon.simulated_stand import SimulatedInstruments


@pytest.fixture
def stand(tmp_path: Path) -> Stand:
    return simulated_stand_file(tmp_path, SimulatedInstruments())


def mounted(**values: object) -> BoxFile:
    box = load_box()
    return box.model_copy(update={"mounting": box.mounting.model_copy(update=values)})


def state(name: str, box: BoxFile, stand: Stand, today: dt.date = TODAY) -> Precondition:
    found = collect(box.recorded(), stand.recorded(), matched="box file", today=today, locked_out=True)
    return next(one for one in found if one.name == name)


@pytest.mark.parametrize(
    ("set_mm", "expected"),
    # Marked 105.00, tolerance 0.02: the limits themselves are inside.
    [
        (105.00, "proven"),
        (105.02, "proven"),
        (104.98, "proven"),
        (105.021, "failed"),
        (104.9, "failed"),
        (None, "unproven"),
    ],
)
def test_pinion_mounting_distance(stand: Stand, set_mm: float | None, expected: str) -> None:
    found = state("mounting distance, pinion", mounted(pinion_set_mm=set_mm), stand)
    assert found.state == expected
    assert bool(found.remedy) == (expected != "proven")


def test_lengths_are_written_in_the_units_of_the_box(stand: Stand) -> None:
    box = mounted(pinion_marked_mm=101.6, pinion_set_mm=101.6127)
    inches = box.model_copy(update={"box": box.box.model_copy(update={"units": "in"})})
    found = state("mounting distance, pinion", inches, stand)
    assert "4.0000\N{NO-BREAK SPACE}in" in found.detail
    assert "+0.0005\N{NO-BREAK SPACE}in" in found.detail


@pytest.mark.parametrize(("within", "expected"), [(True, "proven"), (False, "failed"), (None, "unproven")])
def test_bearings(stand: Stand, within: bool | None, expected: str) -> None:  # noqa: FBT001 - a table
    assert state("bearings", mounted(bearings_within_drawing=within), stand).state == expected


@pytest.mark.parametrize(
    ("due", "expected"),
    [(TODAY, "proven"), (TODAY - dt.timedelta(days=1), "failed"), (None, "unproven")],
)
def test_calibration_is_valid_up_to_its_due_date(stand: Stand, due: dt.date | None, expected: str) -> None:
    assert stand.file.indicator is not None
    indicator = stand.file.indicator.model_copy(update={"calibration_due": due})
    changed = stand.model_copy(update={"file": stand.file.model_copy(update={"indicator": indicator})})
    assert state("calibration, indicator", load_box(), changed).state == expected
    assert state("calibration, encoder", load_box(), changed).state == "proven"


def test_a_certificate_without_its_figure_proves_no_calibration(stand: Stand) -> None:
    assert stand.file.indicator is not None
    indicator = stand.file.indicator.model_copy(update={"calibration_uncertainty_mm": None})
    changed = stand.model_copy(update={"file": stand.file.model_copy(update={"indicator": indicator})})
    found = state("calibration, indicator", load_box(), changed)
    assert found.state == "unproven"
    assert "indicator.calibration_uncertainty_mm" in found.remedy


def test_a_distance_without_a_tolerance_is_not_proven(stand: Stand) -> None:
    for member in ("pinion", "gear"):
        found = state(f"mounting distance, {member}", mounted(tolerance_mm=None), stand)
        assert found.state == "unproven"
        assert "mounting.tolerance_mm" in found.remedy


def test_an_assumed_reference_is_not_proven(stand: Stand) -> None:
    found = collect(load_box().recorded(), stand.recorded(), matched="assumed", today=TODAY, locked_out=True)
    matched = next(one for one in found if one.name == "matched teeth")
    assert matched.state == "unproven"
    assert "marked teeth" in matched.remedy


@pytest.mark.parametrize(
    ("wraps_at", "expected"), [(None, "proven"), (360_000, "unproven"), (4_680_000, "proven")]
)
def test_an_angle_in_the_box_file_tells_the_teeth_only_where_the_count_lasts_a_mesh_cycle(
    stand: Stand, wraps_at: int | None, expected: str
) -> None:
    # 13:40 meets again after 13 turns of the gear; 360,000 counts a turn.
    assert stand.encoder_profile is not None
    profile = stand.encoder_profile.model_copy(update={"wraps_at": wraps_at})
    found = state("matched teeth", load_box(), stand.model_copy(update={"encoder_profile": profile}))
    assert found.state == expected
    assert ("begins again 13.0 times in a mesh cycle" in found.detail) == (expected == "unproven")
