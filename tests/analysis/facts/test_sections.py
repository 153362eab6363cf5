"""A section said in one module stands in every rendering: an invented one is registered here."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from analysis.key_paths import key_paths
from analysis.made_assessment import made_assessment
from analysis.made_review import reviewed
from analysis.page_reading import read_page
from analysis.pdf_reading import pdf_text
from lashmap_analysis.facts import cycle, tight_spot
from lashmap_analysis.facts.result import KEYS, SECTIONS, key_meanings, to_document
from lashmap_analysis.facts.section import TEST, Chapter, Facts, Group, Section, Table, facts_of, number, text
from lashmap_analysis.render.page import render_html
from lashmap_analysis.render.pdf import render_pdf
from lashmap_analysis.tables import SAMPLES, TABLES, columns_of, tables_of
from lashmap_daemon.screens.result import print_summary
from rich.console import Console

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.judge.assessment import Assessment

# All that a new section takes. Oil of the box: invented figures.
OIL = (
    text("grade", "grade of the oil", lambda _assessment: "ISO VG 220"),
    number("film_mm", "thickness of its film", lambda assessment: assessment.stated.normal_backlash_mm / 10),
    number("sump_deg", "slope of the sump", lambda _assessment: float("nan"), label="sump"),
)


def chapters(assessment: Assessment) -> Iterator[Chapter]:
    yield Chapter("Oil in the mesh", "oil", (Facts(facts_of(OIL, assessment, assessment.record.units)),))


SECTION = Section(
    figures=(Group("oil", "what lay between the flanks", OIL, lambda assessment: assessment),),
    results=(OIL[1],),
    tables=(
        Table(
            name="oil",
            meaning="one kind of oil",
            key=("test",),
            columns=(TEST, *OIL),
            rows=lambda assessment: (assessment,),
        ),
    ),
    terminal=lambda assessment: facts_of(OIL[:1], assessment, assessment.record.units),
    chapters=chapters,
)
WITH_OIL = (*SECTIONS, SECTION)


def test_its_keys_stand_behind_those_that_readers_know() -> None:
    document = to_document(made_assessment(), WITH_OIL)
    assert list(document)[:-1] == list(to_document(made_assessment()))
    assert document["oil"]["grade"] == "ISO VG 220"
    assert document["oil"]["sump_deg"] is None  # RFC 8259 has no word for NaN
    assert key_meanings(WITH_OIL)["oil.film_mm"] == "thickness of its film"
    assert {path for path in key_paths(document) if path.startswith("oil")} == set(
        key_meanings(WITH_OIL)
    ) - set(KEYS)


def test_it_has_its_table_and_its_column_of_the_results() -> None:
    assessment = made_assessment()
    assert assessment.stated is not None
    tables = tables_of(WITH_OIL)
    assert list(tables) == [*list(TABLES)[:-1], "oil", SAMPLES.name]
    columns = columns_of(assessment, tables)
    assert columns["oil"] == {
        "test": ["T-0042"],
        "grade": ["ISO VG 220"],
        "film_mm": [assessment.stated.normal_backlash_mm / 10],
        "sump_deg": [None],
    }
    assert columns["results"]["film_mm"] == columns["oil"]["film_mm"]
    assert tables["results"].columns[-1].unit == "mm"


def test_page_and_paper_show_it_in_the_unit_of_the_paperwork() -> None:
    assessment = made_assessment(units="in", count=9)
    assert assessment.stated is not None
    # NIST SP 811: 1 in = 25.4 mm exactly.
    film = f"{assessment.stated.normal_backlash_mm / 254:.5f} in"
    page = read_page(render_html(assessment, WITH_OIL)).text.replace("\N{NO-BREAK SPACE}", " ")
    paper = pdf_text(render_pdf(assessment, WITH_OIL)).replace("\N{NO-BREAK SPACE}", " ")
    for shown in (page, paper):
        assert "Oil in the mesh" in shown
        assert film in shown
        assert "grade of the oil" in shown
        assert "sump" in shown
    assert "Oil in the mesh" not in read_page(render_html(assessment)).text


def test_the_terminal_names_it_after_the_others() -> None:
    console = Console(file=io.StringIO(), width=120)
    print_summary(made_assessment(), console, positions=False, sections=WITH_OIL)
    assert isinstance(console.file, io.StringIO)
    *_, seal, oil = console.file.getvalue().splitlines()
    assert seal.split() == ["seal", "none:", "the", "test", "is", "not", "closed"]
    assert oil == f"{'grade of the oil':<24}ISO VG 220"


def test_every_section_but_the_verdict_says_something_on_paper() -> None:
    assessment = reviewed(made_assessment("not proven", count=9))
    silent = [section for section in SECTIONS if not list(section.chapters(assessment))]
    # The tight spot is the first page; the cycle run has nothing to say in a test without passes.
    assert silent == [tight_spot.SECTION, cycle.SECTION]


def test_a_key_stands_once_and_every_column_of_a_table_once() -> None:
    names = [figure.name for section in SECTIONS for figure in section.figures]
    assert len(names) == len(set(names))
    for table in TABLES.values():
        columns = [column.name for column in table.columns]
        assert len(columns) == len(set(columns)), table.name


def test_a_figure_on_a_way_that_ends_is_none() -> None:
    assessment = made_assessment("empty")
    document = to_document(assessment)
    assert document["lash_map"] is None
    assert document["tight_spot"]["stated"] is None
    assert columns_of(assessment)["results"]["mean_mm"] == [None]


def test_every_column_of_the_table_of_tests_says_by_a_path_where_it_came_from() -> None:
    # `Export.record` goes these paths backwards.
    assert all(isinstance(column.of, str) for column in TABLES["tests"].columns)
