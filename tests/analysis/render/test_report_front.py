"""What the page that is signed must state, on the screen and on paper.

The list is ours: measurand (JCGM 100:2008, B.2.9), decision rule (ISO/IEC 17025:2017, 7.8.6; both from
memory), conformance probability (JCGM 106:2012), teeth touched, and the scatter of setting the tip anew.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.made_assessment import made_assessment
from analysis.page_reading import read_page
from analysis.pdf_reading import front_pdf, pdf_text
from lashmap_analysis.facts.given import serials
from lashmap_analysis.facts.result import SECTIONS
from lashmap_analysis.judge.assessment import Assessment, Conformance
from lashmap_analysis.judge.doubts import cautions_of, remarks_of
from lashmap_analysis.judge.settling import cause_sentence
from lashmap_analysis.judge.verdict import Standing
from lashmap_analysis.lash_map.repeats import SettingScatter
from lashmap_analysis.record.record import DecisionRule, RunoutTrace
from lashmap_analysis.render import render_html, render_pdf
from lashmap_analysis.render.sheet import sheet


def stated(rule: DecisionRule = "two-sided") -> Assessment:
    assessment = made_assessment(count=20)
    lash_map = assessment.lash_map
    assert lash_map is not None
    scatter = SettingScatter(
        standard_deviation_mm=0.0012,
        interval_mm=(0.0005, 0.0021),
        root_mean_square_mm=0.0013,
        pooled_mm=0.0011,
        degrees_of_freedom=3,
    )
    return replace(
        assessment,
        lash_map=replace(lash_map, setting=scatter),
        record=replace(assessment.record, limits=replace(assessment.record.limits, decision_rule=rule)),
        conformance=Conformance(minimum=0.9876, maximum=0.99999, variation=0.5),
    )


@pytest.mark.parametrize(
    ("rule", "named"),
    [("two-sided", "whole 95 % interval inside the limit"), ("one-sided", "95 % to the side of the limit")],
)
def test_the_page_to_sign_states_measurand_rule_and_probability(rule: DecisionRule, named: str) -> None:
    assessment = stated(rule)
    front = read_page(render_html(assessment)).all("section", kind="front")[0]
    screen = " ".join(front.text.split())
    for words in (screen, pdf_text(front_pdf(assessment), page=1)):
        assert "as their bearings hold them. Limits of normal backlash" in words
        assert "Decision rule: ISO 14253-1" in words
        assert named in words
        assert "Conformance probability: minimum 98.8 %, maximum above 99.9 %, variation 50.0 %" in words
        assert "untouched teeth aside" in words
        assert words.count(f"without the {assessment.touched.left} that no position touched") == 1
        assert assessment.touched.words not in words  # the same, said from the other side
        assert "readings scatter by 0.00120 mm (standard deviation)" in words


def merged(*, swept: bool) -> Assessment:
    """A map that knows only the sum of both members, as that of a 1:1 set does."""
    assessment = made_assessment(count=8)
    lash_map = assessment.lash_map
    assert lash_map is not None
    parted = replace(
        lash_map,
        gear_runout=None,
        pinion_runout=None,
        merged_runout=lash_map.gear_runout,
        cause="not separable",
        separable=replace(
            lash_map.separable,
            gear=False,
            pinion=False,
            sentence="Only the sum of both is known.",
            remedy="Sweep the runout of one shaft.",
            add_engagements=(),
        ),
    )
    ramp = np.linspace(0.0, 1.0, 9)
    sweep = RunoutTrace(
        member="gear", time_s=ramp, indicator_mm=ramp, encoder_time_s=ramp, encoder_deg=360.0 * ramp
    )
    record = replace(assessment.record, sweeps=(sweep,) if swept else ())
    cautions = cautions_of(record, assessment.positions, parted)
    verdict = replace(assessment.verdict, cautions=cautions)
    return replace(assessment, record=record, lash_map=parted, verdict=verdict)


@pytest.mark.parametrize("swept", [False, True])
def test_a_sweep_that_was_made_is_not_asked_for(*, swept: bool) -> None:
    assessment = merged(swept=swept)
    assert ("Sweep the runout of one shaft." in assessment.verdict.cautions) is not swept
    assert ("Sweep the runout of one shaft." in remarks_of(assessment)) is not swept
    assert ("Sweep the runout of one shaft." in pdf_text(render_pdf(assessment))) is not swept


def test_the_cause_says_what_moved_the_tight_spot_and_leaves_the_remedy_to_the_notes() -> None:
    lash_map = merged(swept=False).lash_map
    assert lash_map is not None
    assert cause_sentence(lash_map).endswith("Only the sum of both is known.")


@pytest.mark.parametrize("noted", [False, True])
def test_what_the_verdict_notes_is_not_said_again_on_the_terminal(*, noted: bool) -> None:
    assessment = merged(swept=False)
    if not noted:
        assessment = replace(assessment, verdict=replace(assessment.verdict, cautions=()))
    lines = [words for section in SECTIONS for _, words in section.terminal(assessment)]
    assert lines.count("Only the sum of both is known.") == (0 if noted else 1)


def test_lengths_are_named_in_words_and_a_runout_has_one_unit() -> None:
    assessment = made_assessment(count=8, units="in")
    assert "lengths in inches" in read_page(render_html(assessment)).text
    words = " ".join(words for section in SECTIONS for _, words in section.terminal(assessment))
    assert "in in " not in words.replace("\N{NO-BREAK SPACE}", " ")


def test_only_the_flags_of_a_refused_rock_are_printed_as_a_refusal() -> None:
    page = read_page(render_html(made_assessment("not proven", count=9)))
    shown = [words for caption in page.all("figcaption") for em in caption.all("em") for words in em.all("b")]
    refusals = [one.text for one in shown if one.attributes.get("class") == "refusal"]
    assert len(refusals) == 1  # position 4 is refused, position 6 warned
    assert len(shown) > 1


def test_every_reason_says_whether_it_is_kept_broken_or_open() -> None:
    assessment = made_assessment("not proven", count=9)
    standings: tuple[Standing, ...] = ("broken", "open", "kept")
    verdict = replace(assessment.verdict, reasons=("First.", "Second.", "Third."), standings=standings)
    shown = replace(assessment, verdict=verdict)
    (reasons,) = read_page(render_html(shown)).all("ul", kind="reasons")
    assert [one.text.strip() for one in reasons.all("li")] == ["brokenFirst.", "openSecond.", "keptThird."]
    paper = pdf_text(front_pdf(shown), page=1)
    for standing in ("✕ broken", "? open", "✓ kept"):
        assert standing in paper


def test_a_cut_list_of_reasons_ends_with_the_worst_of_what_was_cut() -> None:
    assessment = made_assessment("not proven", count=9)
    standings: tuple[Standing, ...] = ("open",) * 8 + ("broken", "kept")
    verdict = replace(
        assessment.verdict, reasons=tuple(f"Reason {n}." for n in range(10)), standings=standings
    )
    found = sheet(replace(assessment, verdict=verdict)).reasons
    assert [one.standing for one in found[:-1]] == ["open"] * (len(found) - 1)
    assert found[-1].standing == "broken"
    assert "more, in full" in found[-1].words


def test_page_one_names_the_instruments_and_what_the_interval_leaves_out() -> None:
    assessment = made_assessment("not proven", count=9)
    identity = replace(assessment.record.identity, indicator_serial="IND-7", encoder_serial="")
    paper = pdf_text(
        front_pdf(replace(assessment, record=replace(assessment.record, identity=identity))), page=1
    )
    assert "IND-7" in paper
    assert "not recorded" in paper
    left = assessment.touched.left
    assert left
    assert f"without the {left} that no position touched" in paper


def test_page_one_says_which_instrument_a_test_did_without() -> None:
    record = made_assessment("not proven", count=9).record
    record = replace(record, identity=replace(record.identity, indicator_serial="A-1", encoder_serial="B-2"))
    assert serials(record) == (("indicator, serial", "A-1"), ("encoder, serial", "B-2"))
    assert record.encoder is not None
    by_hand = replace(record, encoder=None, indicator=replace(record.indicator, by_eye=True))
    assert serials(by_hand) == (("dial gauge, serial", "A-1"), ("encoder, serial", "none: teeth counted"))
    # Who signs reads on the page itself what typed readings do not prove.
    said = "no trace shows light rocks"
    typed = replace(made_assessment("not proven", count=9), record=by_hand)
    assert said in sheet(typed).measurand
    assert said in read_page(render_html(typed)).text
    assert said not in sheet(made_assessment("not proven", count=9)).measurand
    alone = replace(record, indicator=replace(record.indicator, direction="gear angle"))
    assert serials(alone)[0] == ("indicator, serial", "none: encoder alone")
    both = replace(record, pinion_encoder=replace(record.encoder, shaft="pinion"))
    assert serials(both)[1] == ("encoders, serial", "B-2")
    shown = read_page(render_html(replace(made_assessment("not proven", count=9), record=both))).text
    assert "gear shaft" in shown
    assert "pinion shaft" in shown


def test_preconditions_have_the_room_that_a_short_verdict_leaves() -> None:
    assessment = made_assessment("conforming", count=20)
    one = assessment.record.preconditions[0]
    many = tuple(replace(one, name=f"precondition {number}") for number in range(12))
    shown = sheet(replace(assessment, record=replace(assessment.record, preconditions=many)))
    assert [each.name for each in shown.preconditions] == [each.name for each in many]


def test_no_key_of_a_file_stands_on_the_page_that_is_signed() -> None:
    assessment = made_assessment("not proven", count=9)
    remedy = "Record mounting.tolerance_mm from the drawing."
    step = 'Plan every tooth (teeth = "every"), or measure 3.'
    verdict = replace(assessment.verdict, would_settle=(step, remedy), reasons=(remedy,))
    one = replace(assessment.record.preconditions[0], state="unproven", remedy=remedy)
    record = replace(assessment.record, preconditions=(one,))
    shown = replace(assessment, verdict=verdict, record=record)
    front = read_page(render_html(shown)).all("section", kind="front")[0].text
    for words in (pdf_text(front_pdf(shown), page=1), front):
        assert words.count("Record the tolerance of the mounting distances from the drawing.") == 3
        assert "Plan every tooth, or measure 3." in words
        assert "tolerance_mm" not in words


def test_the_chart_around_the_gear_says_that_its_centre_is_not_zero() -> None:
    (polar,) = (
        one
        for one in read_page(render_html(made_assessment())).all("svg")
        if one.attributes.get("viewbox") == "0 0 316 316"
    )
    assert "centre" in polar.text
    assert "is not 0" in polar.text
