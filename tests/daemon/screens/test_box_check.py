"""A box file checked without a stand."""

from __future__ import annotations

import io
from math import asin, atan2, cos, degrees, radians, sin
from pathlib import Path

import pytest
from daemon.virtual_time import CONFIGS
from lashmap_daemon.commands.check import check
from lashmap_daemon.commands.options import CheckOptions
from lashmap_daemon.errors import ConfigurationError
from rich.console import Console

SPIRAL = CONFIGS / "boxes" / "spiral-13x40.toml"


def said(path: Path) -> str:
    console = Console(file=io.StringIO(), width=80)
    check(CheckOptions(stand=path), console)
    assert isinstance(console.file, io.StringIO)
    return " ".join(console.file.getvalue().split())


def changed(tmp_path: Path, shipped: Path, *changes: tuple[str, str]) -> Path:
    text = shipped.read_text("utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "box.toml"
    path.write_text(text, "utf-8")
    return path


def test_geometry_is_that_of_the_standard() -> None:
    # ISO 23509:2016: delta2 = 90 deg - atan(z1/z2), Re = de2 / (2 sin delta2), eq. 193 for the spiral angle,
    # j_en = j_et cos(alpha_n) cos(beta_e); the plane of rotation reads the arc at the touch radius.
    text = said(CONFIGS / "boxes" / "spiral-15x45-inch.toml")
    outer = 45 / 6.0 / 2.0
    cone = outer / sin(atan2(45, 15))
    mean, cutter = cone - 1.1 / 2, 3.0
    spiral = asin((2 * mean * cutter * sin(radians(35)) - mean**2 + cone**2) / (2 * cone * cutter))
    factor = outer / 3.6 * cos(radians(20)) * cos(spiral)
    assert 36 < degrees(spiral) < 45
    assert f"normal backlash = {factor:.4f} x reading" in text
    assert "ratio 45:15 = 3.0000; not hunting: each gear tooth meets 1 of the 15 pinion teeth" in text
    assert "mesh cycle 45 engagements, 1 turn of the gear" in text


def test_a_hunting_set_and_its_plan() -> None:
    text = said(SPIRAL)
    assert "hunting: each pinion tooth meets each gear tooth" in text
    assert "mesh cycle 520 engagements, 13 turns of the gear" in text
    assert "26 positions, 3 of them measured again" in text
    assert "Missing for a verdict, or failing already nothing in this file" in text
    assert "marked teeth together, unless the stand's encoder is absolute: then 37.25° counts" in text


def test_what_fails_and_what_is_missing_is_said(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        SPIRAL,
        ("pinion_set_mm = 105.01", "pinion_set_mm = 105.03"),
        ("gear_set_mm = 62.39", ""),
        ("bearings_within_drawing = true", ""),
        ("encoder_deg = 37.25", ""),
        ("minimum_mm = 0.10", ""),
        ("maximum_mm = 0.18", ""),
        ("variation_mm = 0.05", ""),
    )
    text = said(path)
    assert "mounting distance, pinion FAILED: marked 105.000 mm, set 105.030 mm" in text
    assert "mounting distance, gear UNPROVEN: distance as set not recorded" in text
    assert "bearings UNPROVEN" in text
    assert "limits: none, so there is no verdict" in text
    asked = text.partition("Asked at the start")[2].partition("Missing")[0]
    assert "gear mounting distance as set" in asked
    assert "whether bearing preload or end play is within the drawing" in asked
    assert "to bring the marked teeth together" in asked
    assert "absolute" not in asked


def test_a_wrong_box_is_refused_as_a_run_would(tmp_path: Path) -> None:
    path = changed(tmp_path, SPIRAL, ("pinion_teeth = 13", "pinion_teeth = 41"))
    with pytest.raises(ConfigurationError, match="the pinion is the smaller member"):
        said(path)
    path = changed(tmp_path, SPIRAL, ("positions = 26", "positions = 26.5"))
    with pytest.raises(ConfigurationError, match=r"plan\.positions"):
        said(path)


def test_a_profile_is_not_proposed_from_a_box() -> None:
    with pytest.raises(ConfigurationError, match="is a box file"):
        check(CheckOptions(stand=SPIRAL, profile_from_capture=True), Console(file=io.StringIO()))
