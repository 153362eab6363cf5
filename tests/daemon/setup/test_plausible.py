"""Figures that nobody can mean are refused with key, figure and reason; every shipped box is believed.

The slips are those that people made: a decimal point, radians for degrees, inches for mm. The bounds are
common practice without a source; what must pass reaches over handbook tables of recommended backlash (0.02
to 0.08 of the module, from memory).
"""

from __future__ import annotations

import pytest
from daemon.virtual_time import DEMO_BOX
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile

DEMO = DEMO_BOX.read_text("utf-8")  # outer module 4 mm, outer cone distance 84.1 mm
LIMITS = "minimum_mm = 0.10\nmaximum_mm = 0.18"


def parsed(*changes: tuple[str, str]) -> BoxFile:
    text = DEMO
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return toml_file.parse(text, "box.toml", BoxFile)


@pytest.mark.parametrize(
    ("old", "new", "key", "figure"),
    [
        (LIMITS, "minimum_in = 6.0\nmaximum_in = 10.0", "limits.minimum_in", "6 in"),
        (LIMITS, "minimum_in = 6.0\nmaximum_in = 10.0", "limits.maximum_in", "10 in"),
        (LIMITS, "minimum_mm = 1.0\nmaximum_mm = 1.8", "limits.maximum_mm", "1.8 mm"),
        (LIMITS, "minimum_mm = 0.010\nmaximum_mm = 0.018", "limits.maximum_mm", "0.018 mm"),
        ("variation_mm = 0.05", "variation_mm = 5.0", "limits.variation_mm", "5 mm"),
        (
            "normal_pressure_angle_deg = 20.0",
            "normal_pressure_angle_deg = 0.349",
            "gear_set.normal_pressure_angle_deg",
            "That would be 20.0°",
        ),
        (
            "normal_pressure_angle_deg = 20.0",
            "normal_pressure_angle_deg = 2.0",
            "gear_set.normal_pressure_angle_deg",
            "2°",
        ),
        (
            "pinion_marked_mm = 105.00",
            "pinion_marked_in = 130.175",
            "mounting.pinion_marked_in",
            "130.2 in",
        ),
        ("gear_marked_mm = 62.40", "gear_marked_mm = 0.0624", "mounting.gear_marked_mm", "0.0624 mm"),
        (
            "pinion_set_mm = 105.01",
            "pinion_set_mm = 115.17",
            "mounting.pinion_set_mm",
            "10.17 mm (0.4004 in)",
        ),
        ("gear_end_play_mm = 0.004", "gear_end_play_mm = 4.0", "mounting.gear_end_play_mm", "4 mm"),
        ("tolerance_mm = 0.02", "tolerance_mm = 2.0", "mounting.tolerance_mm", "2 mm"),
        ("mean_spiral_angle_deg = 35.0\n", "", "gear_set.mean_spiral_angle_deg", "0 for straight teeth"),
        ("normal_pressure_angle_deg = 20.0\n", "", "gear_set.normal_pressure_angle_deg", "is missing"),
    ],
)
def test_a_figure_that_nobody_can_mean(old: str, new: str, key: str, figure: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parsed((old, new))
    lines = str(caught.value).splitlines()
    assert any(line.startswith(f"box.toml: {key}: ") and figure in line for line in lines), lines


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (LIMITS, "minimum_mm = 0.0\nmaximum_mm = 0.08"),  # 0.02 of the module
        (LIMITS, "minimum_mm = 0.16\nmaximum_mm = 0.32"),  # 0.08
        (LIMITS, "maximum_mm = 0.18"),
        ("normal_pressure_angle_deg = 20.0", "normal_pressure_angle_deg = 14.5"),
        ("normal_pressure_angle_deg = 20.0", "normal_pressure_angle_deg = 25.0"),
        ("pinion_set_mm = 105.01", "pinion_set_mm = 106.0"),  # far off its mark, and a person may find that
        ("pinion_end_play_mm = 0.0", "pinion_end_play_mm = 0.1"),
    ],
)
def test_what_a_drawing_may_say_is_taken(old: str, new: str) -> None:
    parsed((old, new))
