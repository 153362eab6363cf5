"""The report: whole, self-contained, right in its figures, and there also when there is little to show."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
from analysis.made_assessment import Scenario, made_assessment
from analysis.made_review import reviewed
from analysis.page_reading import Element, read_page
from analysis.pdf_reading import pdf_text
from lashmap_analysis.facts.result import to_document
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.render import render_html, render_pdf
from lashmap_analysis.render.page import CAUTIONS

SCENARIOS: tuple[Scenario, ...] = get_args(Scenario)
TRACES = 49


def page(scenario: Scenario = "conforming", *, count: int = 24) -> Element:
    return read_page(render_html(made_assessment(scenario, count=count)))


def cells(table: Element) -> list[list[str]]:
    return [[cell.text for cell in row.all("th", "td")] for row in table.all("tr")]


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_page_needs_nothing_but_itself(scenario: Scenario) -> None:
    html = render_html(made_assessment(scenario))
    root = read_page(html)
    assert not root.all("link", "img", "iframe", "object", "embed", "form", "audio", "video", "base")
    for element in root.all():
        assert not {"src", "href", "srcset", "action", "xlink:href", "style"} & set(element.attributes)
        assert not [name for name in element.attributes if name.startswith("on")]
    # What is left of addresses is the name of the SVG vocabulary, which no browser fetches.
    assert html.replace("http://www.w3.org/2000/svg", "").count("://") == 0
    assert "@import" not in html
    assert html.count("url(") == html.count("url(#")


def test_policy_allows_this_style_and_this_script_and_nothing_else() -> None:
    html = render_html(made_assessment())
    root = read_page(html)
    assert len(root.all("script")) == len(root.all("style")) == 1
    # W3C Content Security Policy Level 3, 2.3.1: base64 of the SHA-256 of the element's text.
    allowed = [
        "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"
        for name in ("style", "script")
        for text in re.findall(rf"<{name}>(.*?)</{name}>", html, flags=re.DOTALL)
    ]
    policy = root.all("meta")[2].attributes
    assert policy["http-equiv"] == "Content-Security-Policy"
    assert policy["content"].split("; ") == [
        "default-src 'none'",
        f"style-src {allowed[0]}",
        f"script-src {allowed[1]}",
        "base-uri 'none'",
        "form-action 'none'",
    ]
    assert len(root.all("script")[0].text) < 6_000  # no framework


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_headings_go_down_one_level_at_a_time(scenario: Scenario) -> None:
    # WCAG 2.2, technique G141: organise a page with headings, nested without gaps.
    levels = [int(h.name[1]) for h in page(scenario).all("h1", "h2", "h3", "h4")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert max(np.diff(levels)) <= 1


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_every_picture_can_be_read_aloud(scenario: Scenario) -> None:
    # WCAG 2.2, 1.1.1: role img, named by its own title and description; the rest is marked as decoration.
    root = page(scenario)
    ids = [element.attributes["id"] for element in root.all() if "id" in element.attributes]
    assert len(ids) == len(set(ids))
    pictures = 0
    for svg in root.all("svg"):
        hidden = svg.attributes.get("aria-hidden") == "true"
        hidden = hidden or any(svg in key.all("svg") for key in root.all("p", kind="key"))
        if hidden:
            continue
        pictures += 1
        assert svg.attributes["role"] == "img"
        named = svg.attributes["aria-labelledby"].split()
        assert named == [svg.all("title")[0].attributes["id"], svg.all("desc")[0].attributes["id"]]
        assert svg.all("title")[0].text
        assert svg.all("desc")[0].text
    assert pictures >= 1


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_verdict_and_its_reasons_come_before_anything_measured(scenario: Scenario) -> None:
    assessment = made_assessment(scenario)
    front = read_page(render_html(assessment)).all("section", kind="front")[0]
    first = front.all("section")[0]
    assert first.all("h2")[0].text == assessment.verdict.outcome
    assert [li.text for li in first.all("ul", kind="reasons")[0].all("li")][
        : len(assessment.verdict.reasons)
    ] == [*assessment.verdict.reasons]
    for step in assessment.verdict.would_settle:
        assert step in first.text
    assert assessment.record.identity.test in front.text
    for item in assessment.record.preconditions:
        assert f"{item.state}{item.name}: {item.detail}" in front.text.replace(f"{item.state} ", item.state)
    assert [p.text for p in front.all("section", kind="sign")[0].all("p", kind="label")] == [
        "Tested by, date",
        "Reviewed by, date",
        "Accepted by, date",
    ]


def test_headline_is_the_stated_figure_with_the_interval_that_is_judged_and_no_other() -> None:
    assessment = made_assessment()
    stated = assessment.stated
    assert stated is not None
    page = read_page(render_html(assessment))
    low, high = stated.interval_mm
    # Formatted here by Python itself, apart from the report's own formatting. A minimum's interval is not
    # symmetric: a ± beside it would claim another span than the one that was judged.
    assert page.all("p", kind="figure")[0].text == f"{stated.normal_backlash_mm:.4f} mm"
    head = page.all("div", kind="headline")[0].text
    assert f"95 %: {low:.4f} to {high:.4f} mm" in head.replace("\N{NO-BREAK SPACE}", " ")
    assert "±" not in head
    table = next(t for t in page.all("table") if "stated" in t.text)
    row = next(r for r in cells(table) if r[0] == "stated")
    assert row[2].replace("\N{NO-BREAK SPACE}", " ") == f"{low:.4f} to {high:.4f}"


@pytest.mark.parametrize("units", ["mm", "in"])
def test_table_of_positions_shows_the_assessment_row_by_row(units: str) -> None:
    inches = units == "in"
    assessment = made_assessment("not proven", units="in" if inches else "mm")
    root = read_page(render_html(assessment))
    table = next(t for t in root.all("table") if "Every rock" in t.text)
    scale, digits = (25.4, 5) if inches else (1.0, 4)  # NIST SP 811: an inch is 25.4 mm exactly
    rows = cells(table)[1:]
    assert len(rows) == len(assessment.positions)
    for row, position in zip(rows, assessment.positions, strict=True):
        assert row[:3] == [str(position.position), str(position.engagement), f"{position.gear_angle_deg:.2f}"]
        if position.normal_backlash_mm is None:
            assert row[4] == "–"
            assert row[10].startswith("refused: single flank")
            continue
        assert row[3] == f"{position.rock.reading_mm / scale:.{digits}f}"
        assert row[4] == f"{position.normal_backlash_mm / scale:.{digits}f}"
        assert row[5] == f"{(position.with_setting_mm or 0) / scale:.{digits + 1}f}"
        assert row[6] == str(position.rock.reversals)
        assert row[7] == f"{position.rock.spread_mm / scale:.{digits}f}"
        assert row[8] == f"{position.rock.peak_to_peak_mm / scale:.{digits}f}"
        assert row[9] == f"{(position.encoder_backlash_mm or 0) / scale:.{digits}f}"
    assert "confirming" in rows[-1][10]
    assert "outlier" in rows[8][10]
    assert "heavy rocking" in rows[5][10]


def test_inches_are_used_throughout() -> None:
    # Texts that come with the record keep their own unit; nothing that the report writes is in mm.
    assessment = made_assessment(units="in")
    assert assessment.budget is not None
    lines = tuple(replace(line, value="as recorded") for line in assessment.budget.lines)
    record = replace(assessment.record, preconditions=())
    root = read_page(
        render_html(replace(assessment, record=record, budget=replace(assessment.budget, lines=lines)))
    )
    body = root.all("body")[0].text
    assert " mm" not in body.replace("\N{NO-BREAK SPACE}", " ")
    assert body.count("\N{NO-BREAK SPACE}in") + body.count(" in") > 20


def test_budget_shows_its_lines_and_its_shares() -> None:
    assessment = made_assessment()
    budget = assessment.budget
    assert budget is not None
    table = next(t for t in page().all("table") if "Contributions" in t.text)
    rows = cells(table)[1:]
    shares = [int(row[5].removesuffix(" %")) for row in rows[:-2]]
    variances = np.array([line.standard_uncertainty_mm**2 for line in budget.lines])
    assert shares == np.round(100 * variances / variances.sum()).astype(int).tolist()
    assert [row[0] for row in rows[:-2]] == [line.quantity for line in budget.lines]
    assert rows[-2][1] == f"{budget.combined_mm:.5f}"
    assert rows[-1][0].endswith(f"k = {budget.coverage_factor:.2f}")
    assert rows[-1][1] == f"{budget.expanded_mm:.5f} mm"


def test_the_reviewed_result_has_a_budget_of_its_own() -> None:
    assessment = reviewed(made_assessment("not proven"))
    assert assessment.review is not None
    left = assessment.review.reviewed
    assert left is not None
    assert left.budget is not None
    assert assessment.budget is not None
    assert left.budget.expanded_mm != assessment.budget.expanded_mm  # a position less
    page = read_page(render_html(assessment))
    tables = [table for table in page.all("table") if "Contributions to the standard" in table.text]
    assert len(tables) == 2
    for table, budget in zip(tables, (assessment.budget, left.budget), strict=True):
        rows = cells(table)
        assert rows[-1][1] == f"{budget.expanded_mm:.5f} mm"
        lines = [float(row[3]) for row in rows[1:-2]]
        assert lines == pytest.approx([one.standard_uncertainty_mm for one in budget.lines], abs=6e-6)
    document = to_document(assessment)["review"]["reviewed"]
    assert document["budget"]["expanded_uncertainty_mm"] == left.budget.expanded_mm
    text = pdf_text(render_pdf(assessment))
    assert "Uncertainty of the tight spot as reviewed" in text
    assert f"{left.budget.expanded_mm:.5f}" in text


def test_runout_and_cautions_and_set_up_are_there() -> None:
    assessment = made_assessment()
    text = page().text
    lash_map = assessment.lash_map
    assert lash_map is not None
    assert lash_map.gear_runout is not None
    assert format_length(lash_map.gear_runout.fim_mm, "mm", with_unit=False) in text
    for line in (*CAUTIONS, *assessment.verdict.cautions):
        assert line in text
    for _, note in assessment.record.notes:
        assert note in text
    assert assessment.version in text
    assert "drawing INV-1340, note 6" in text


def test_page_one_names_the_limits_and_where_they_come_from() -> None:
    assessment = made_assessment()
    front = page().all("section", kind="front")[0].text.replace("\N{NO-BREAK SPACE}", " ")
    said = "minimum 0.10 mm, maximum 0.18 mm, variation 0.06 mm."
    assert f"Limits of normal backlash from drawing INV-1340, note 6: {said}" in front
    assert "0.1000" not in front
    assert "0.1800" not in front
    transverse = replace(assessment.record.limits, kind="transverse")
    none = replace(assessment.record.limits, minimum_mm=None, maximum_mm=None, variation_mm=None)
    for limits, said in ((transverse, "Limits of transverse backlash"), (none, "limits were not given")):
        record = replace(assessment.record, limits=limits)
        assert said in render_html(replace(assessment, record=record)).replace("&#39;", "'")


def test_a_test_without_positions_says_why() -> None:
    root = page("empty")
    assert "No position was recorded, so there is no lash map and no tight spot." in root.text
    assert "The test ended early: stopped by the operator" in root.text
    assert "no figure" in root.text
    assert len(root.all("svg", kind="chart")) == 2  # the code and the sign of the verdict alone


def test_a_test_without_a_map_shows_its_positions_and_says_why() -> None:
    assessment = replace(
        made_assessment("not proven", count=9),
        lash_map=None,
        stated=None,
        predicted=None,
        budget=None,
        confirmed=False,
    )
    root = read_page(render_html(assessment))
    assert (
        "9 of 10 recorded positions gave a usable reading; no lash map could be fitted to them." in root.text
    )
    straight = next(
        s for s in root.all("svg", kind="chart") if s.attributes["aria-labelledby"].startswith("straight")
    )
    assert not straight.all("polyline")
    marks = [straight.all(kind=kind) for kind in ("m-planned", "m-open", "m-confirming")]
    # Position 1 stands at the matched teeth and is seen at both ends of the cycle; one rock was refused.
    assert [len(found) for found in marks] == [8, 1, 1]


def test_a_test_of_refused_rocks_shows_the_traces() -> None:
    assessment = made_assessment("not proven", count=9)
    refused = tuple(
        replace(
            p,
            rock=assessment.positions[3].rock,
            normal_backlash_mm=None,
            standard_uncertainty_mm=None,
            flags=assessment.positions[3].flags,
        )
        for p in assessment.positions
    )
    root = read_page(
        render_html(replace(assessment, positions=refused, lash_map=None, stated=None, measured=None))
    )
    assert "None of the 10 recorded positions gave a usable reading" in root.text
    assert len(root.all("rect", kind="refused")) == 10


def test_report_of_a_large_test_is_small() -> None:
    assessment = made_assessment(count=TRACES - 1)
    assert sum(trace.time_s.size for trace in assessment.record.traces) == TRACES * 2000
    html = render_html(assessment)
    assert len(html.encode()) < 600_000


def test_positions_without_a_rock_are_told_on_the_first_page_and_listed_behind_it() -> None:
    made = made_assessment("conforming", count=24)
    lines = (
        "Position 8 (engagement 22) was left out: <b>skipped</b>.",
        "Position 9 (engagement 25) was left out: x.",
    )
    without = replace(made, record=replace(made.record, left_out=lines))
    root = read_page(render_html(without))
    first = root.all("main")[0].text if root.all("main") else root.text
    paper = " ".join(pdf_text(render_pdf(without)).split())
    for text in (first, paper):
        assert "2 positions were left out, see evidence." in text
        assert all(line in text for line in lines)  # as words, so nothing of them was taken for markup
        assert "25 recorded, 25 usable, 2 left out" in text
    assert "left out" not in read_page(render_html(made)).text
