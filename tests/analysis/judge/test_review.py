"""The review: leaving out is arithmetic that can be checked, and what was recorded never changes."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from analysis.made_assessment import made_assessment
from analysis.made_review import exclusion, reviewed, signed, stored_of
from analysis.page_reading import read_page
from analysis.pdf_reading import pdf_text
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.review import ReviewError, review, window_of, without
from lashmap_analysis.render import render_html, render_pdf
from lashmap_analysis.rock.rock import measure_rock


@pytest.fixture(scope="module")
def recorded() -> Assessment:
    """An assessment by the analysis itself, of invented traces."""
    return assess(made_assessment("not proven", count=16).record)


def test_leaving_each_reversal_out_in_turn_averages_to_the_whole(recorded: Assessment) -> None:
    # Leave-one-out means average to the mean of all (Efron & Tibshirani, An Introduction to the Bootstrap,
    # 1993, ch. 11 (memory)); the drift, estimated anew, moves a nanometre.
    trace, rock = recorded.record.traces[4], recorded.positions[4].rock
    dwells = rock.dwells
    readings = [
        measure_rock(
            trace.time_s,
            trace.indicator_mm,
            resolution_mm=0.0001,
            left_out_s=((dwells[at].end_s, dwells[at + 1].start_s),),
        )
        for at in range(len(dwells) - 1)
    ]
    assert [one.reversals for one in readings] == [rock.reversals - 1] * len(readings)
    assert np.mean([one.reading_mm for one in readings]) == pytest.approx(rock.reading_mm, abs=1e-6)
    # One less of the steps between the dwells' own levels, less the drift, by plain numpy.
    middles_s = np.array([(dwell.start_s + dwell.end_s) / 2 for dwell in dwells])
    for at, one in enumerate(readings):
        levels = np.array([dwell.level_mm for dwell in dwells]) - one.drift_mm_per_s * middles_s
        steps = np.abs(np.diff(levels))
        assert one.reading_mm == pytest.approx(np.delete(steps, at).mean(), abs=2e-6)


def test_leaving_out_most_reversals_is_refused_not_guessed(recorded: Assessment) -> None:
    trace, dwells = recorded.record.traces[4], recorded.positions[4].rock.dwells
    windows = tuple((a.end_s, b.start_s) for a, b in pairwise(dwells[:-1]))
    left = measure_rock(trace.time_s, trace.indicator_mm, resolution_mm=0.0001, left_out_s=windows)
    assert left.reversals == 1
    assert not left.usable
    assert "too few reversals" in [flag.name for flag in left.flags]


def test_the_recorded_result_stays_and_the_reviewed_one_is_that_of_the_rest(recorded: Assessment) -> None:
    before = repr(recorded.positions)
    out = (exclusion(recorded, 1, 3), exclusion(recorded, 2, 5, 2), exclusion(recorded, 3, 7, undone=True))
    found = review(recorded, stored=None, exclusions=out, sign_offs=())
    assert repr(recorded.positions) == before
    assert found.reviewed is not None
    assert [one.position for one in found.reviewed.positions] == [
        one.position for one in recorded.positions if one.position != 3
    ]
    changed = {one.position: one for one in found.reviewed.positions}
    for one in recorded.positions:
        if one.position == 5:
            assert changed[5].rock.reversals == one.rock.reversals - 1
        elif one.position != 3:
            assert changed[one.position].rock.reading_mm == one.rock.reading_mm
    assert found.reviewed.verdict.cautions[-2:] == (
        "Left out in review: position 3, by R. Nobody: reason 1",
        "Left out in review: position 5, reversal 2, by R. Nobody: reason 2",
    )
    assert without(recorded.record, ()) == recorded.record


def test_what_is_not_there_cannot_be_left_out(recorded: Assessment) -> None:
    with pytest.raises(ReviewError, match=r"no position 99 was recorded; there are: 1, 2, 3"):
        window_of(recorded, 99, None)
    with pytest.raises(ReviewError, match=r"position 2 has no reversal 40; there are: 1 to \d"):
        window_of(recorded, 2, 40)
    with pytest.raises(ReviewError):
        window_of(recorded, 2, 0)


def test_a_reversal_that_is_no_part_of_the_reading_cannot_be_left_out(recorded: Assessment) -> None:
    # Ten stays of a quarter second; the fifth creeps, so that the ways to and from it do not count.
    rng = np.random.default_rng(5)
    levels = np.repeat(np.tile([0.0, 0.15], 5), 250)
    levels[1000:1250] += np.linspace(0.0, 0.06, 250)
    record = recorded.record
    trace = replace(
        record.traces[0],
        time_s=np.arange(levels.size) / 1000.0,
        indicator_mm=levels + rng.normal(0.0, 0.0003, levels.size),
    )
    found = assess(replace(record, traces=(trace, *record.traces[1:])))
    dwells = found.positions[0].rock.dwells
    gap = next(at for at, (a, b) in enumerate(pairwise(dwells), start=1) if b.start_s - a.end_s > 0.2)
    with pytest.raises(ReviewError, match=f"reversal {gap}, is not part of the reading"):
        window_of(found, 1, gap)
    assert window_of(found, 1, 1) == (dwells[0].end_s, dwells[1].start_s)


def test_an_unchanged_result_says_so_and_a_changed_one_says_what_and_why(recorded: Assessment) -> None:
    same = review(recorded, stored=stored_of(recorded), exclusions=(), sign_offs=())
    assert len(same.changes) == 1
    assert same.changes[0].startswith("The same result as stored when the test ran")
    spot = recorded.stated
    assert spot is not None
    old = replace(
        stored_of(recorded, version="0.0.older"),
        outcome="conforming",
        normal_backlash_mm=spot.normal_backlash_mm + 0.0004,
    )
    differs = review(recorded, stored=old, exclusions=(), sign_offs=()).changes
    text = " ".join(differs).replace("\N{NO-BREAK SPACE}", " ")
    assert f"verdict: was conforming, is {recorded.verdict.outcome}" in text
    assert f"was {spot.normal_backlash_mm + 0.0004:.4f} mm, is {spot.normal_backlash_mm:.4f} mm" in text
    assert "stored by analysis 0.0.older" in text
    assert "another version of the analysis" in text
    by_same = review(
        recorded, stored=replace(old, analysis_version=recorded.version), exclusions=(), sign_offs=()
    )
    assert "no longer the one that was judged" in by_same.changes[-1]
    nothing = review(recorded, stored=None, exclusions=(), sign_offs=())
    assert "nothing to compare with" in nothing.changes[0]


def test_a_figure_that_another_computer_rounds_otherwise_is_no_change(recorded: Assessment) -> None:
    assert recorded.stated is not None
    at_border = replace(recorded.stated, normal_backlash_mm=0.12665 + 1e-9)
    now = replace(recorded, stated=at_border)
    for below_mm, is_same in ((2e-9, True), (2e-5, False)):
        kept_mm = at_border.normal_backlash_mm - below_mm
        sign = replace(
            signed(recorded.verdict.outcome),
            engagement=at_border.engagement,
            normal_backlash_mm=kept_mm,
            interval_mm=at_border.interval_mm,
        )
        stored = replace(stored_of(now), normal_backlash_mm=kept_mm)
        assert stored.analysis_version == now.version
        found = review(now, stored=stored, exclusions=(), sign_offs=(sign,))
        assert found.covers is is_same
        text = " ".join(found.changes).replace("\N{NO-BREAK SPACE}", " ")
        assert ("was 0.1266 mm, is 0.1267 mm" in text) is not is_same
        assert ("computers differ in how they round" in text) is is_same


def test_a_signature_covers_what_it_was_given_for_and_nothing_else(recorded: Assessment) -> None:
    out, outcome = exclusion(recorded, 1, 3), recorded.verdict.outcome
    version = recorded.version

    def worth(sign: str, *numbers: int, version: str = version) -> tuple[bool, str]:
        found = review(
            recorded, stored=None, exclusions=(out,), sign_offs=(signed(sign, *numbers, version=version),)
        )
        return found.covers, found.signed

    assert worth(outcome, 1) == (True, f"Signed off by S. Nobody on 2030-05-19 as {outcome}.")
    assert worth(outcome) == (False, worth(outcome)[1])
    assert "exclusions have changed" in worth(outcome)[1]
    assert "the result is not proven now" in worth("conforming", 1)[1]
    assert not worth("conforming", 1)[0]
    assert "0.0.older" in worth(outcome, 1, version="0.0.older")[1]
    # Another version may state another figure with the same outcome: nobody signed for that one.
    looked_at = review(recorded, stored=None, exclusions=(out,), sign_offs=()).reviewed
    assert looked_at is not None
    assert looked_at.stated is not None
    figure, interval = looked_at.stated.normal_backlash_mm, looked_at.stated.interval_mm
    for shift_mm, covered in ((0.0, True), (1e-9, True), (0.001, False)):
        sign = replace(
            signed(outcome, 1, version=version),
            engagement=looked_at.stated.engagement,
            normal_backlash_mm=figure + shift_mm,
            interval_mm=interval,
        )
        found = review(recorded, stored=None, exclusions=(out,), sign_offs=(sign,))
        assert found.covers is covered
        assert ("but signed was " in found.signed) is not covered
    own = replace(recorded.record.identity, operator="s. nobody")
    same = replace(recorded, record=replace(recorded.record, identity=own))
    found = review(same, stored=None, exclusions=(out,), sign_offs=(signed("conforming", 1),))
    assert "the name that also ran the test" in found.signed
    assert "(as recorded: not proven)" in found.signed


def test_both_forms_of_the_report_show_the_results_side_by_side() -> None:
    assessment = reviewed(made_assessment("not proven", count=16))
    root = read_page(render_html(assessment))
    front = root.all("section", kind="front")[0]
    table = front.all("section", kind="review")[0].all("table")[0]
    heads = [cell.text for cell in table.all("tr")[0].all("th")]
    assert heads == ["", "stored when run", "as recorded", "as reviewed"]
    assert [cell.text for cell in table.all("tr")[1].all("td")] == ["not proven"] * 3
    pdf = render_pdf(assessment)
    for text in (front.text, pdf_text(pdf, page=1)):
        assert "Verdict, as recorded" in text
        assert "Exclusion 1: position 2, left out by R. Nobody" in text
        assert "S. Nobody, 2030-05-19" in text  # on the signature line
        assert "Accepted by, date" in text
    for text in (root.text, pdf_text(pdf)):
        assert "taken back by R. Nobody" in text
        assert "looked at all traces" in text
        assert "Lash map as reviewed" in text
        assert "left out in review" in text


def test_a_report_without_a_review_has_no_section_for_it() -> None:
    root = read_page(render_html(made_assessment("not proven", count=9)))
    assert not root.all("section", kind="review")
    assert "as recorded" not in root.text
