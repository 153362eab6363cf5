"""The report in parts, for a page that lays them out itself: the same sections, words and pictures.

Nothing is worded or drawn here. Traces are left out, since whoever asks for parts draws them from their
samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from lashmap_analysis.facts import positions
from lashmap_analysis.facts.result import SECTIONS
from lashmap_analysis.facts.section import Cell, Grid
from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.comparison import Pair
from lashmap_analysis.record.lengths import in_units
from lashmap_analysis.render.comparison import comparison_view
from lashmap_analysis.render.page import evidence, page_template
from lashmap_analysis.render.sheet import sheet

_SECTIONS = tuple(positions.TABLES if one is positions.SECTION else one for one in SECTIONS)


@dataclass(frozen=True, kw_only=True)
class PositionRow:
    """A line of the table of positions.

    Attributes:
        place: Engagement within the mesh cycle, as the map has it.
        gear_tooth: That is in the mesh there, the marked one being 1.
        pinion_tooth: As of the gear.
        normal_backlash: In the paper's unit, for a chart; None where the rock gave none.
        cells: As the report shows them.
    """

    position: int
    engagement: int
    place: int
    gear_tooth: int
    pinion_tooth: int
    usable: bool
    normal_backlash: float | None
    cells: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Parts:
    """What the report says, apart; texts that end in ``html`` are markup.

    Attributes:
        cells: Who, what, where and when, by name.
        map: Lash map over the mesh cycle, as SVG; empty without one.
        no_map: Why there is none.
        heads: Of the columns of the table of positions.
        rows: Its lines, in the order of recording.
        chapters: The evidence.
    """

    box: str
    remark: str
    cells: tuple[tuple[str, str], ...]
    outcome: str
    verdict_html: str
    review_html: str
    spot_html: str
    before_html: str
    map: str
    no_map: str
    heads: tuple[str, ...]
    rows: tuple[PositionRow, ...]
    chapters_html: str


def report_parts(assessment: Assessment) -> Parts:
    """The report of a test in parts."""
    front = sheet(assessment)
    units = assessment.record.units
    chapters, grids = [], []
    for one in evidence(assessment, front, _SECTIONS):
        if one.name == "positions":
            grids += [block for block in one.blocks if isinstance(block, Grid)]
            rest = tuple(block for block in one.blocks if not isinstance(block, Grid))
            one = replace(one, title="Flags" if rest else "", blocks=rest)  # noqa: PLW2901 - less its table
        chapters.append(one)
    heads, rows = _positions(assessment, grids)

    def part(name: str, **more: Any) -> str:  # noqa: ANN401 - whatever the template shows
        return page_template(f"{name}.html.j2").render(sheet=front, units=units, **more).strip()

    return Parts(
        box=front.identity.box,
        remark=front.identity.remark,
        cells=front.cells,
        outcome=front.outcome,
        verdict_html=part("verdict"),
        review_html=part("review"),
        spot_html=part("spot"),
        before_html=part("before"),
        map=str(front.straight or ""),
        no_map=front.no_map,
        heads=heads,
        rows=rows,
        chapters_html=part("parts", chapters=chapters),
    )


def _positions(
    assessment: Assessment, grids: Sequence[Grid]
) -> tuple[tuple[str, ...], tuple[PositionRow, ...]]:
    """Heads and lines of the table of positions, each with the teeth that meet there."""
    if not grids:
        return (), ()
    units, gear_set = assessment.record.units, assessment.record.gear_set
    rows = []
    for one, line in zip(assessment.positions, grids[0].rows, strict=True):
        met = teeth_met(gear_set, one.engagement)
        lash_mm = one.normal_backlash_mm if one.usable else None
        rows.append(
            PositionRow(
                position=one.position,
                engagement=one.engagement,
                place=one.engagement % gear_set.mesh_cycle,
                gear_tooth=met.gear_tooth,
                pinion_tooth=met.pinion_tooth,
                usable=one.usable,
                normal_backlash=None if lash_mm is None else in_units(lash_mm, units),
                cells=tuple(_words(cell) for cell in line.cells),
            )
        )
    return tuple(head.words.replace("\N{SOFT HYPHEN}", "") for head in grids[0].heads), tuple(rows)


def _words(cell: str | Cell) -> str:
    return cell if isinstance(cell, str) else f"{cell.strong}{cell.words}"


def comparison_html(pairs: Sequence[Pair]) -> str:
    """A comparison without the page around it, as markup."""
    return page_template("compared.html.j2").render(**comparison_view(pairs)).strip()
