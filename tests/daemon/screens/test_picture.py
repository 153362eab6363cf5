"""The map around the gear, the scale of the limits, and the rock, as they stand on the screen."""

from __future__ import annotations

import math

import numpy as np
import pytest
from lashmap_daemon.screens.letters import tall
from lashmap_daemon.screens.picture import Around, draw, rock_picture, scale
from lashmap_daemon.screens.view import Mark, RockTrace

BLANK = 0x2800
NOWHERE = Around(gear_deg=None, next_deg=None, tight_deg=None)


def find(picture: str, letter: str) -> tuple[float, float]:
    """(right, down) of a letter from the middle, as shares of the half width."""
    rows = picture.splitlines()
    row = next(number for number, text in enumerate(rows) if letter in text)
    height, width = len(rows), len(rows[0])
    return 2.0 * rows[row].index(letter) / (width - 1) - 1.0, 2.0 * row / (height - 1) - 1.0


@pytest.mark.parametrize("angle_deg", [0.0, 45.0, 90.0, 180.0, 270.0, 360.0 + 45.0])
def test_angles_run_clockwise_from_the_top(angle_deg: float) -> None:
    around = Around(gear_deg=angle_deg, next_deg=None, tight_deg=None)
    right, down = find(draw([], around, rows=25), "G")
    assert right == pytest.approx(0.85 * math.sin(math.radians(angle_deg)), abs=0.06)
    assert down == pytest.approx(-0.85 * math.cos(math.radians(angle_deg)), abs=0.06)


@pytest.mark.parametrize("limits_mm", [(None, None), (0.05, 0.25)])
def test_a_tighter_position_lies_further_in(limits_mm: tuple[float | None, float | None]) -> None:
    around = Around(gear_deg=None, next_deg=None, tight_deg=None, limits_mm=limits_mm)

    def dots(lash: tuple[float, float]) -> int:
        marks = [Mark(angle, value, "planned") for angle, value in zip((90.0, 270.0), lash, strict=True)]
        row = draw(marks, around, rows=15).splitlines()[7]
        inked = [column for column, cell in enumerate(row) if ord(cell) > BLANK]
        return sum(column * ord(row[column]).bit_count() for column in inked)

    assert dots((0.2, 0.1)) > dots((0.1, 0.2))


def test_positions_to_do_the_next_one_and_the_tight_spot_are_marked() -> None:
    around = Around(gear_deg=10.0, next_deg=120.0, tight_deg=200.0)
    picture = draw([Mark(60.0, None, "planned")], around)
    assert set("oGNT") <= set(picture)
    assert len({len(line) for line in picture.splitlines()}) == 1


@pytest.mark.parametrize(("rows", "numbers"), [(8, (1, 11, 21, 31)), (19, (1, 6, 11, 16, 21, 26, 31, 36))])
def test_teeth_are_numbered_around_the_gear_from_the_marked_one(rows: int, numbers: tuple[int, ...]) -> None:
    picture = draw([], Around(gear_deg=None, next_deg=None, tight_deg=None, gear_teeth=40), rows=rows)
    plain = "".join(cell if cell.isdigit() else " " for cell in picture)
    assert sorted(map(int, plain.split())) == list(numbers)


def test_the_scale_shows_lashes_between_their_limits_and_those_outside() -> None:
    line = scale([0.101, 0.15, 0.199], 0.15, (0.1, 0.2), "mm", 80)
    assert line.startswith("least 0.10\N{NO-BREAK SPACE}mm ├·")
    assert line.endswith("·┤ 0.20\N{NO-BREAK SPACE}mm most")
    inside = line[line.index("├") + 1 : line.index("┤")]
    assert inside.index("T") == pytest.approx(len(inside) / 2, abs=1)
    assert len(line) == 80
    assert "<" in scale([0.09], None, (0.1, 0.2), "mm", 80)
    assert ">" in scale([0.21], None, (0.1, 0.2), "mm", 80)
    assert scale([0.15], None, (0.1, None), "mm", 80) == ""


def test_the_rock_is_drawn_between_its_flanks() -> None:
    time = np.linspace(0.0, 1.0, 240)
    square = np.where(np.sin(2.0 * np.pi * 3.0 * time) > 0.0, 0.2, -0.1)
    square[200:] = np.nan
    trace = RockTrace(low_mm=square, high_mm=square, flanks_mm=(-0.1, 0.2), number=1)
    lines = rock_picture(trace, "mm", 60, 8)
    assert {len(line) for line in lines} == {60}
    labelled = [line.split()[0] for line in lines if line.strip()[:1] in "+-"]
    assert labelled == ["+0.2000", "-0.1000"]  # the upper flank above
    end = [line[-8:] for line in lines]
    assert all(set(part) <= {chr(BLANK), "╌"} for part in end)  # nothing is drawn that was not measured


def test_letters_take_the_size_that_fits() -> None:
    words = "FORWARD 20 TEETH"
    narrow, wide = tall(words, "forward", 78, 5), tall(words, "forward", 118, 11)
    assert narrow is not None
    assert wide is not None
    assert (len(narrow), len(wide)) == (5, 11)
    assert max(map(len, narrow)) <= 78
    assert max(map(len, wide)) <= 118
    assert tall(words, "forward", 40, 5) is None
    assert len({tall("ROCK", shape, 78, 5) for shape in ("rock", "good", "again", "wait", "forward")}) == 5
