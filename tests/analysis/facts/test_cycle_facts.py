"""The section of the cycle run in every rendering, its figures against a brute-force pair and SciPy."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis.cycle.cycle_records import PER, QUICK, CycleBench, bench
from analysis.page_reading import read_page
from analysis.pdf_reading import pdf_text
from lashmap_analysis.facts.result import to_document
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.record import Floats, TestRecord
from lashmap_analysis.render.page import render_html
from lashmap_analysis.render.pdf import render_pdf
from lashmap_analysis.tables import SAMPLES, TABLES, columns_of, frame, record_of
from lashmap_daemon.screens.result import print_summary
from rich.console import Console
from scipy import fft

CAUSE = "4 rocks in a row were refused, the last at position 7; found: the pinion was not locked."


@pytest.fixture(scope="module")
def box() -> CycleBench:
    """Encoders that sit true, so that the transmission error is the teeth's alone."""
    true = bench()
    return replace(true, pair=replace(true.pair, eccentric_deg=(0.0, 0.0)))


@pytest.fixture(scope="module")
def record(box: CycleBench) -> TestRecord:
    return replace(box.record(), causes=(CAUSE,))


@pytest.fixture(scope="module")
def assessment(record: TestRecord) -> Assessment:
    return assess(record)


def said_on_a_terminal(assessment: Assessment) -> str:
    out = io.StringIO()
    print_summary(assessment, Console(file=out, width=400), positions=False)
    return out.getvalue()


def test_transmission_error_is_that_of_the_pair_by_another_transform(
    box: CycleBench, assessment: Assessment
) -> None:
    """Brute-force flanks, transformed by SciPy; a turn of the gear is arc over its outer pitch radius."""
    radius = box.pair.module_mm * box.pair.gear_teeth / 2
    place = np.arange(box.pair.length * 18) / 18
    found = {one["flank"]: one for one in to_document(assessment)["cycle_run"]["transmission_error"]}
    for flank, curve in zip(("drive", "coast"), box.pair.ends(place), strict=True):
        one = found[flank]
        # A mean over a ninth of an engagement rounds off the steps where contact passes on.
        assert one["total_mm"] == pytest.approx(float(np.ptp(curve)), abs=0.002)
        assert one["total_urad"] == pytest.approx(1e6 * one["total_mm"] / radius)
        spectrum = 2 * np.abs(fft.rfft(curve)) / curve.size
        turns = box.pair.length // box.pair.gear_teeth
        for order in one["orders"]:
            index = round(order["per_gear_turn"] * turns)
            assert order["amplitude_mm"] == pytest.approx(spectrum[index], rel=0.1, abs=1e-4), order["name"]
        assert one["orders"][1]["per_gear_turn"] == pytest.approx(40 / 13)


def test_the_document_tells_level_skew_and_rocks(box: CycleBench, assessment: Assessment) -> None:
    told = to_document(assessment)["cycle_run"]
    assert told["judges"]
    assert (told["engagements_seen"], told["engagements_missing"]) == (520, "")
    assert (told["skew_s"], told["skew_standard_uncertainty_s"]) == (0.0, 0.0)
    assert told["wind_up_um_per_nm"] is None  # one torque tells none
    # The brake winds up 0.5 µm a N m on either flank, at 2 N m: the rocks take 2 µm away.
    assert told["level_mm"] == pytest.approx(-0.002 * PER, abs=3 * told["level_standard_uncertainty_mm"])
    assert told["least"]["band_low_mm"] <= box.least_mm <= told["least"]["band_high_mm"]
    assert [one["confirming"] for one in told["rocks"]] == [False] * 5 + [True]
    assert max(abs(one["off_mm"]) for one in told["rocks"]) < 0.003


def test_wind_up_of_two_torques_is_told(box: CycleBench) -> None:
    heavy = replace(box, passes=(QUICK, replace(QUICK, brake_nm=8.0)))
    told = to_document(assess(heavy.record()))["cycle_run"]
    spread = told["wind_up_standard_uncertainty_um_per_nm"]
    assert told["wind_up_um_per_nm"] == pytest.approx(0.5, abs=3 * spread)
    assert spread < 0.2


def test_a_record_without_passes_says_nothing_of_a_cycle_run(record: TestRecord) -> None:
    without = assess(replace(record, passes=()))
    assert to_document(without)["cycle_run"] is None
    assert "ycle run" not in said_on_a_terminal(without)
    assert "ycle run" not in read_page(render_html(without)).text


def test_no_page_on_paper_begins_with_a_table_without_a_heading(assessment: Assessment) -> None:
    paper = render_pdf(assessment)
    pages = [pdf_text(paper, page=number) for number in (2, 3)]
    (of_figures,) = [page for page in pages if "ripple of the tooth mesh" in page]
    before, _ = of_figures.split("ripple of the tooth mesh")
    assert "Cycle run: lash, passes and what was taken out of them" in before


@pytest.mark.parametrize("units", ["mm", "in"])
def test_page_and_paper_show_the_run_in_the_unit_of_the_paperwork(record: TestRecord, units: str) -> None:
    found = assess(replace(record, units=units))  # type: ignore[arg-type]
    page = read_page(render_html(found))
    front = page.all("section", kind="front")[0].text
    for said in (page.text, pdf_text(render_pdf(found)), said_on_a_terminal(found)):
        words = " ".join(said.split())
        assert "Every tooth touched: all 520 engagements of the mesh cycle were seen on both flanks" in words
        assert "found: the pinion was not locked" in words
        assert ("µm" in words) is (units == "mm")
        assert ("µin" in words) is (units == "in")
    assert "Every tooth touched" in front
    assert "found: the pinion was not locked" in front
    titles = [one.text for one in page.all("title")]
    assert "Lash of every engagement from the cycle run, with the rocks that tie it" in titles
    assert "Transmission error of both flanks over the mesh cycle" in titles
    assert "Orders of the transmission error of both flanks" in titles
    assert CAUSE in found.verdict.cautions


def test_missing_engagements_are_drawn_as_missing_and_not_as_measured(box: CycleBench) -> None:
    found = assess(replace(box, passes=(replace(QUICK, part=0.05),)).record())
    page = read_page(render_html(found))
    assert "Hatched: not seen on both flanks" in page.text
    assert '"nan"' not in render_html(found)
    assert not re.search(r"[\s,>]nan[\s,<]", render_html(found))
    assert "Every tooth touched" not in page.text
    assert "engagements were seen on both flanks, missing: " in said_on_a_terminal(found)
    assert len(render_pdf(found)) > 10_000
    # Where its teeth were not met, the curve has a gap: no row claims a backlash there.
    rows = columns_of(found)["cycle"]
    assert found.cycle_run is not None
    assert found.cycle_run.curve is not None
    unknown = np.isnan(found.cycle_run.curve.backlash_mm)
    assert unknown.any()
    assert [one is None for one in rows["backlash_mm"]] == unknown.tolist()
    assert not any(rows["seen"][one] for one in (100, 300, 500))


def exported(assessment: Assessment) -> dict[str, pd.DataFrame]:
    """All tables, the samples of rocks and passes as the record has them."""
    record = assessment.record
    tables = {name: frame(TABLES[name], columns) for name, columns in columns_of(assessment).items()}
    parts: list[tuple[str, Floats, Floats, int | None, int | None]] = []
    for trace in record.traces:
        parts += [
            ("indicator", trace.time_s, trace.indicator_mm, trace.position, None),
            ("encoder", trace.encoder_time_s, trace.encoder_deg, trace.position, None),
        ]
    for one in record.passes:
        parts += [
            ("encoder", one.gear_time_s, one.gear_deg, None, one.number),
            ("pinion encoder", one.pinion_time_s, one.pinion_deg, None, one.number),
        ]
    rows = {
        column.name: [
            cell
            for channel, time_s, value, position, number in parts
            for cell in {
                "test": [record.identity.test] * time_s.size,
                "channel": [channel] * time_s.size,
                "time_s": time_s.tolist(),
                "value": value.tolist(),
                "unit": ["mm" if channel == "indicator" else "deg"] * time_s.size,
                "position": [position] * time_s.size,
                "sweep": [""] * time_s.size,
                "pass": [number] * time_s.size,
            }[column.name]
        ]
        for column in SAMPLES.columns
    }
    return {**tables, "samples": frame(SAMPLES, rows)}


def test_tables_give_back_the_record_with_its_passes(record: TestRecord, assessment: Assessment) -> None:
    again = record_of(exported(assessment), "t1")
    assert again.causes == (CAUSE,)
    assert again.pinion_encoder == record.pinion_encoder
    for one, other in zip(again.passes, record.passes, strict=True):
        for name in ("pinion_time_s", "pinion_deg", "gear_time_s", "gear_deg"):
            assert np.array_equal(getattr(one, name), getattr(other, name))
        assert (one.number, one.direction, one.attempt, one.brake_nm) == (
            other.number,
            other.direction,
            other.attempt,
            other.brake_nm,
        )
        assert one.gear_time_s is one.pinion_time_s
    assert assess(again).stated == assessment.stated


def test_tables_hold_every_engagement_and_every_order(box: CycleBench, assessment: Assessment) -> None:
    tables = columns_of(assessment)
    cycle = tables["cycle"]
    assert cycle["engagement"] == list(range(520))
    assert all(cycle["seen"])
    off = np.array(cycle["backlash_mm"]) - PER * box.pair.rocked_mm
    stated = np.array(cycle["standard_uncertainty_mm"])
    assert np.mean(np.abs(off) < 1.96 * stated) > 0.9
    orders = tables["transmission_error"]
    assert orders["flank"].count("drive") == orders["flank"].count("coast")
    assert set(orders["name"]) >= {"", "gear, once per turn", "pinion, once per turn", "tooth mesh, 1×"}
    assert len(tables["passes"]["pass"]) == 4
