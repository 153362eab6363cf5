"""The sheet of a test by hand as PDF: printed, filled in with a pencil at the bench, and typed in later.

Decided here: how it is set. What stands on it is decided by whoever keeps the test; nothing is measured yet.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from lashmap_analysis.charts.style import COLOURS
from lashmap_analysis.gears.tooth_names import tooth_number
from lashmap_analysis.record.record import Units
from lashmap_analysis.render.pdf import PdfError, plain, set_document
from lashmap_analysis.render.typesetting import Refused

_TEMPLATES = ("style.typ", "pages.typ", "bench_sheet.typ")


@dataclass(frozen=True, kw_only=True)
class BenchLine:
    """A position as it stands on the sheet.

    Attributes:
        number: Of the position.
        way: How to come there from the line before.
        gear_tooth: In the mesh there.
        pinion_tooth: In the mesh there.
        turn: Of the gear, counted from 1 at the marks.
    """

    number: int
    way: str
    gear_tooth: int
    pinion_tooth: int
    turn: int


@dataclass(frozen=True, kw_only=True)
class BenchSheet:
    """All that is printed.

    Attributes:
        title: Of the sheet.
        code: By which it is known when it is typed in.
        box: What is tested, by name.
        limits: What the drawing allows, a sentence each.
        to_fill: What is written down once, by name; a text that is known already, or nothing.
        ticks: What is ticked before the first rock.
        cautions: Shown before hands go near the mesh.
        how: How it is filled in, step by step.
        lines: The positions in the order of travel.
        rocks: Boxes for rocks a line has.
        both: A rock has two boxes, low and high; otherwise one for the lash.
        again: Empty lines below, for positions that the program asks for later.
        check: Where the marked tooth must stand in the mesh after the last line.
        afterwards: What to do with the filled sheet, a sentence each.
        command: What types it in.
        gear_teeth: z2.
        pinion_teeth: z1.
        units: Of the paperwork.
        footer: Below each page.
    """

    title: str
    code: str
    box: tuple[tuple[str, str], ...]
    limits: tuple[str, ...]
    to_fill: tuple[tuple[str, str], ...]
    ticks: tuple[str, ...]
    cautions: tuple[str, ...]
    how: tuple[str, ...]
    lines: tuple[BenchLine, ...]
    rocks: int
    both: bool
    again: int
    check: str
    afterwards: tuple[str, ...]
    command: str
    gear_teeth: int
    pinion_teeth: int
    units: Units
    footer: str


def render_bench_sheet(sheet: BenchSheet) -> bytes:
    """Set the sheet, A4, or US Letter where the paperwork is in inches; the same sheet gives the same bytes.

    Raises:
        PdfError: typst refused it.
    """
    document = {**plain(sheet), "colours": COLOURS, "date": None, "marks": _marks(sheet)}
    # A code and a command are copied by hand: no place to break may hide in them.
    document |= {"code": sheet.code, "command": sheet.command}
    try:
        return set_document(_TEMPLATES, json.dumps(document, ensure_ascii=False), None)
    except Refused as error:
        raise PdfError(f"the sheet could not be set: {error.message}") from error


def _marks(sheet: BenchSheet) -> dict[str, list[int]]:
    """Teeth around the mesh with the marks together, from left to right, as they pass going FORWARD."""
    around = range(3, -4, -1)
    return {
        "gear": [tooth_number(one, sheet.gear_teeth) for one in around],
        "pinion": [tooth_number(one, sheet.pinion_teeth) for one in around],
    }
