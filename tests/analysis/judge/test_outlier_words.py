"""Outliers in the words of a test: a spoilt reading must be named by its position and in its unit."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from analysis.made_record import Bench
from lashmap_analysis.facts.result import to_document
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.doubts import map_remarks, remarks_of
from lashmap_analysis.record.record import Units
from lashmap_analysis.render import render_html

SPOILT, DEAD, ADDED_MM = 9, 3, 0.030


def spoilt(units: Units, sign: float = 1.0) -> Assessment:
    """Position 3 holds no rock at all, and position 9 reads 30 µm too much or too little."""
    record = Bench().record()
    traces = list(record.traces)
    dead, odd = traces[DEAD - 1], traces[SPOILT - 1]
    traces[DEAD - 1] = replace(dead, indicator_mm=np.full_like(dead.indicator_mm, 0.1))
    low, high = np.quantile(odd.indicator_mm, (0.1, 0.9))
    step = sign * ADDED_MM * (np.clip((odd.indicator_mm - low) / (high - low), 0, 1) - 0.5)
    # The encoder sees the same, so that both instruments agree on the spoilt reading.
    traces[SPOILT - 1] = replace(odd, indicator_mm=odd.indicator_mm + step)
    return assess(replace(record, traces=tuple(traces), units=units))


def test_the_position_is_named_not_its_place_among_the_usable_ones() -> None:
    assessment = spoilt("mm")
    assert assessment.positions[DEAD - 1].normal_backlash_mm is None
    assert [one.position for one in assessment.positions if one.outlier] == [SPOILT]
    first = remarks_of(assessment)[0]
    engagement = assessment.positions[SPOILT - 1].engagement
    assert first.startswith(f"Position {SPOILT} at engagement {engagement} lies ")
    away = re.search(r"lies (0\.\d{4})\N{NO-BREAK SPACE}mm above", first)
    assert away is not None
    # What was put in; the prediction from the other teeth is off by a few tenths of a µm.
    assert float(away[1]) == pytest.approx(ADDED_MM, abs=0.002)
    assert "bad reading" in first


def test_inches_are_inches_in_cautions_report_and_document() -> None:
    assessment = spoilt("in")
    words = f"Position {SPOILT} at engagement {assessment.positions[SPOILT - 1].engagement} lies 0.00"
    page, document = render_html(assessment), to_document(assessment)
    for text in (" ".join(assessment.verdict.cautions), page, " ".join(document["lash_map"]["remarks"])):
        assert words in text
        assert "Reading " not in text
        assert not re.search(r"lies [\d.]+.µm", text)
    away = re.search(r"lies (0\.\d{5})\N{NO-BREAK SPACE}in above", document["lash_map"]["remarks"][0])
    assert away is not None
    assert 25.4 * float(away[1]) == pytest.approx(ADDED_MM, abs=0.002)  # NIST SP 811: an inch is 25.4 mm


def test_a_tight_one_says_that_it_stands_or_names_the_tooth() -> None:
    assessment = spoilt("mm", sign=-1.0)
    first = remarks_of(assessment)[0]
    assert " below what all other positions predict" in first
    lash_map = assessment.lash_map
    assert lash_map is not None
    (finding,) = lash_map.findings
    expected = {
        "reading": "stands as it was read",
        "gear tooth": "gear tooth",
        "pinion tooth": "pinion tooth",
    }
    assert expected[finding.suspect] in first


def test_a_map_made_by_hand_names_its_outliers_too() -> None:
    assessment = spoilt("mm")
    lash_map = assessment.lash_map
    assert lash_map is not None
    bare = replace(lash_map, findings=())
    assert map_remarks(bare, assessment.positions, assessment.record)[0].startswith(
        f"Position {SPOILT} at engagement"
    )
    assert remarks_of(replace(assessment, lash_map=None)) == ()
