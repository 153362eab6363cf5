"""The files of a service: boxes, what a person adds to them, which changes of a stand file it takes over."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.running_service import short_boxes
from daemon.virtual_time import CONFIGS, DEMO_BOX, load_box
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.service.opening import BoxFolder, completed
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.same import accepted
from lashmap_daemon.setup.stand_file import Stand, load_stand


def test_settings_fill_what_the_file_leaves_open() -> None:
    box = load_box()
    lacking = box.model_copy(
        update={"mounting": toml_file.parse("tolerance_mm = 0.01", "x", type(box.mounting))}
    )
    done = completed(
        lacking,
        {
            "mounting.pinion_set_in": "3.125",
            "mounting.pinion_marked_mm": "79,375",
            "mounting.bearings_within_drawing": "true",
        },
    ).mounting
    assert done.pinion_set_mm == pytest.approx(79.375, abs=1e-12)  # 3.125 x 25.4, the inch by its definition
    assert done.pinion_marked_mm == 79.375
    assert (done.bearings_within_drawing, done.bearings) == (True, "as reported at the start of the test")
    assert done.tolerance_mm == 0.01
    for key, text in (
        ("mounting.pinion_set_mm", "-3"),
        ("mounting.pinion_set_mm", "nan"),
        ("mounting.pinion_set_mm", "about 3"),
        ("mounting.bearings_within_drawing", "perhaps"),
        ("mounting.tolerance_mm", "1"),
        ("limits.minimum_mm", "0"),
    ):
        with pytest.raises(ConfigurationError, match="--set"):
            completed(lacking, {key: text})
    with pytest.raises(ConfigurationError, match=r"--set mounting\.pinion_set_mm: expected more than 0"):
        completed(lacking, {"mounting.pinion_set_mm": "-3"})
    with pytest.raises(
        ConfigurationError, match=r"--set mounting\.pinion_marked_mm: 1050 mm .* is no mounting"
    ):
        completed(lacking, {"mounting.pinion_marked_mm": "1050"})
    with pytest.raises(ConfigurationError, match="is given already"):
        completed(box, {"mounting.pinion_set_mm": "105.0"})


def changed(tmp_path: Path, old: str, new: str) -> Stand:
    text = (
        (CONFIGS / "stands" / "bench.toml")
        .read_text("utf-8")
        .replace("../instruments", str(CONFIGS / "instruments"))
    )
    assert old in text
    path = tmp_path / "stand.toml"
    path.write_text(text.replace(old, new, 1), "utf-8")
    return load_stand(path)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('remark = "', 'remark = "newer ', "stand.remark"),
        ("2027-06-30", "2028-06-30", "indicator.calibration_due"),
        ("uncertainty_mm = 0.0005", "uncertainty_mm = 0.0004", "indicator.calibration_uncertainty_mm"),
        ("[indicator]", "reconnect_seconds = 5.0\n[indicator]", "stand.reconnect_seconds"),
    ],
)
def test_what_may_change_is_taken_over(tmp_path: Path, old: str, new: str, key: str) -> None:
    before = changed(tmp_path, "[stand]", "[stand]")
    assert accepted(before, changed(tmp_path, old, new), "stand.toml") == [key]


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('port = "/dev/ttyUSB0"', 'port = "/dev/ttyUSB7"', "indicator.port"),
        ("sense = 1", "sense = -1", "indicator.sense"),
        ('serial = "example-indicator"', 'serial = "another"', "indicator.serial"),
        ("indicator-line-mm.toml", "indicator-line-inch.toml", "indicator.profile"),
        ('shaft = "gear"', 'shaft = "pinion"', "encoder.shaft"),
    ],
)
def test_what_may_not_change_refuses_the_whole_file(tmp_path: Path, old: str, new: str, key: str) -> None:
    before = changed(tmp_path, "[stand]", "[stand]")
    after = changed(tmp_path, old, new)
    with pytest.raises(ConfigurationError, match=f"{key}: cannot change while the service runs"):
        accepted(before, after, "stand.toml")


def test_a_folder_of_boxes_names_what_is_wrong(tmp_path: Path) -> None:
    folder = short_boxes(tmp_path / "boxes")
    (folder / "bad.toml").write_text("[box]\n", "utf-8")
    boxes = BoxFolder(folder)
    assert boxes.names() == ["bad", "open", "short"]
    assert all("bad.toml" in problem for problem in boxes.problems())
    assert boxes.problems()
    assert boxes.load("short.toml") == boxes.load("short")
    assert boxes.load("short").box == toml_file.load(DEMO_BOX, type(boxes.load("short"))).box
