"""The lash map in a terminal: no extreme is lost, marks stand where their figures say, 80 columns do."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from analysis.made_assessment import made_assessment
from lashmap_analysis.charts.lash_map import LashView, Window, lash_view, whole_cycle
from lashmap_analysis.record.record import Limits
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_daemon.screens.result import Canvas, map_lines, print_map, print_summary
from numpy.typing import NDArray
from rich.cells import cell_len
from rich.console import Console

TEETH = ((12, 12), (13, 40), (7, 43), (37, 41))  # mesh cycles of 12, 520, 301 and 1,517 engagements


def dots_of(canvas: Canvas) -> NDArray[np.bool_]:
    return canvas.blocks.reshape(4 * canvas.rows, 2 * canvas.columns)


def made_view(pinion: int, gear: int) -> LashView:
    found = lash_view(made_assessment("not proven", count=11, pinion_teeth=pinion, gear_teeth=gear))
    assert found is not None
    return found


@pytest.mark.parametrize(("pinion", "gear"), TEETH)
@pytest.mark.parametrize("letters", [False, True])
def test_any_number_of_engagements_fits_into_80_columns(pinion: int, gear: int, letters: bool) -> None:  # noqa: FBT001
    view = made_view(pinion, gear)
    lines = map_lines(view, whole_cycle(view), letters=letters)
    assert max(cell_len(line.plain) for line in lines) <= 80
    text = "\n".join(line.plain for line in lines)
    assert ("T" if letters else "◎") in text
    assert text.isascii() == letters
    assert 0.8 * view.cycle <= int(lines[-1].plain.split()[-1]) <= view.cycle


@pytest.mark.parametrize(("pinion", "gear"), TEETH)
def test_no_extreme_of_the_curve_is_lost(pinion: int, gear: int) -> None:
    view = made_view(pinion, gear)
    assert view.curve is not None
    canvas = Canvas(view=view, window=whole_cycle(view), columns=70, rows=12)
    dots = dots_of(canvas)
    rows = np.flatnonzero(dots.any(axis=1))
    # By another way than the drawing's: where least and greatest belong on an axis of 48 dots.
    share = (view.range.high - np.array([view.curve.max(), view.curve.min()])) / (
        view.range.high - view.range.low
    )
    assert rows[[0, -1]].tolist() == np.floor(share * 48).astype(int).tolist()
    assert dots.any(axis=0).all()  # the line is never broken


def test_a_single_tight_engagement_among_many_is_seen() -> None:
    view = made_view(37, 41)
    flat = np.full(view.cycle, 0.15)
    flat[1003] = 0.11
    canvas = Canvas(view=replace(view, curve=flat), window=whole_cycle(view), columns=70, rows=12)
    lowest = np.flatnonzero(dots_of(canvas).any(axis=1))[-1]
    columns = np.flatnonzero(dots_of(canvas)[lowest])
    assert columns.size in {1, 2}
    assert columns[0] == pytest.approx(1003 / view.cycle * 140, abs=1)


def test_marks_stand_in_their_cells() -> None:
    view = made_view(13, 40)
    canvas = Canvas(view=view, window=Window(first=0, last=520), columns=66, rows=12)
    lines = map_lines(view, canvas.window, letters=True)
    assert view.spot is not None
    row = int((view.range.high - view.spot.backlash) / (view.range.high - view.range.low) * 12)
    assert lines[row].plain[13 + int(view.spot.engagement / 520 * 66)] == "T"
    assert "-" in lines[canvas.row(view.limits[0].value)].plain
    assert lines[canvas.row(view.limits[0].value)].plain.strip().startswith("min 0.10|")


def test_a_limit_in_inches_is_shown_to_its_last_digit() -> None:
    # Digits as a drawing gives them: as in configs/boxes/spiral-15x45-inch.toml, and all that there are.
    limits = Limits(minimum_mm=0.004 * 25.4, maximum_mm=0.008125 * 25.4)
    assessment = made_assessment("conforming", count=11)
    inches = replace(assessment, record=replace(assessment.record, units="in", limits=limits))
    view = lash_view(inches)
    assert view is not None
    text = "\n".join(line.plain for line in map_lines(view, whole_cycle(view)))
    assert "min 0.004│" in text
    assert "max 0.008125│" in text


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_a_terminal_without_our_characters_gets_letters(encoding: str) -> None:
    raw = io.BytesIO()
    console = Console(file=io.TextIOWrapper(raw, encoding=encoding), width=80, highlight=False)
    print_map(made_assessment("not proven", count=11), console)
    console.file.flush()
    text = raw.getvalue().decode(encoding)
    assert ("T tight spot" if encoding == "ascii" else "◎ tight spot") in text
    assert "One gear turn around the tight spot" in text
    assert max(map(cell_len, text.splitlines())) <= 80


def test_the_newest_notes_stand_in_the_summary_and_how_many_came_before() -> None:
    made = made_assessment()
    notes = tuple((10.0 * number, f"note\nnumber {number}") for number in range(1, 6))
    made = replace(made, record=replace(made.record, notes=notes))
    console = Console(file=io.StringIO(), width=100)
    print_summary(made, console, positions=False)
    assert isinstance(console.file, io.StringIO)
    shown = [" ".join(line.split()) for line in console.file.getvalue().splitlines()]
    assert [line for line in shown if line.startswith("note at")] == [
        "note at 30 s note number 3",
        "note at 40 s note number 4",
        "note at 50 s note number 5",
    ]
    assert "notes 2 earlier than these; all stand in the report" in shown


def test_without_a_map_positions_are_drawn_and_without_positions_nothing() -> None:
    console = Console(file=io.StringIO(), width=80)
    print_map(made_assessment("empty"), console)
    assert isinstance(console.file, io.StringIO)
    assert console.file.getvalue() == ""
    bare = replace(made_assessment("conforming", count=11), lash_map=None, stated=None)
    print_map(bare, console)
    # The first position is at the matched teeth and is seen at both ends.
    body = console.file.getvalue().rsplit("\n", 2)[0]
    assert body.count("●") >= 10


@pytest.mark.parametrize(("share", "once"), [(1.0, True), (0.6, True), (0.3, False)])
def test_a_warning_on_most_rocks_is_said_once(share: float, *, once: bool) -> None:
    flag = Flag(name=FlagName.HEAVY_ROCKING, disabling=False, sentence="It was rocked heavily.")
    refusal = replace(flag, name=FlagName.UNDERSAMPLED_DWELL, disabling=True)
    made = made_assessment("not proven", count=9)
    few = round(share * len(made.positions))
    positions = tuple(
        replace(one, flags=((flag,) if at < few else ()) + (refusal,))
        for at, one in enumerate(made.positions)
    )
    console = Console(file=io.StringIO(), width=400)
    print_summary(replace(made, positions=positions), console, positions=True)
    said = console.file.getvalue()  # type: ignore[attr-defined]
    assert said.count("heavy rocking") == (1 if once else few)
    assert (f"heavy rocking, {few} of 10: It was rocked heavily." in said) == once
    assert said.count("undersampled dwell") == 10  # a refusal stands at its rock
