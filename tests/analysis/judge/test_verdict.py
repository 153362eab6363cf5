"""The decision rule: ISO 14253-1 and the preconditions."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.verdict import Doubt, Evidence, Verdict, reach_verdict
from lashmap_analysis.record.record import Limits, Precondition, Units

GEAR_SET = GearSet(
    pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0, mean_spiral_angle_deg=35.0
)
LIMITS = Limits(minimum_mm=0.13, maximum_mm=0.20, variation_mm=0.04)
EVIDENCE = Evidence(interval_mm=(0.145, 0.150), variation_interval_mm=(0.02, 0.03), confirmed=True)
NAMES = (
    "mounting distance, pinion",
    "mounting distance, gear",
    "matched teeth",
    "bearings",
    "calibration, indicator",
    "calibration, encoder",
    "cautions",
)


def conditions(**states: str) -> tuple[Precondition, ...]:
    """All proven, except those named (spaces and commas as underscores)."""
    made = []
    for name in NAMES:
        state = states.get(name.replace(", ", "_").replace(" ", "_"), "proven")
        assert state in ("proven", "unproven", "failed")
        made.append(
            Precondition(name=name, state=state, detail=f"{name} detail", remedy=f"Settle {name}.")  # type: ignore[arg-type] # checked above
        )
    return tuple(made)


def decide(
    evidence: Evidence = EVIDENCE,
    limits: Limits = LIMITS,
    preconditions: tuple[Precondition, ...] = conditions(),
    units: Units = "mm",
) -> Verdict:
    return reach_verdict(evidence, limits, preconditions, gear_set=GEAR_SET, units=units)


def text(verdict: Verdict) -> str:
    return " ".join(verdict.reasons).replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("interval", "outcome"),
    [
        # ISO 14253-1: conformity and nonconformity are each proven only clear of the uncertainty; at a limit
        # itself the value still conforms.
        ((0.1300, 0.1350), "conforming"),
        ((0.1299, 0.1350), "not proven"),
        ((0.1250, 0.1300), "not proven"),
        ((0.1250, 0.1299), "nonconforming"),
        ((0.1950, 0.2000), "conforming"),
        ((0.1950, 0.2001), "not proven"),
        ((0.2000, 0.2050), "not proven"),
        ((0.2001, 0.2050), "nonconforming"),
        ((0.1200, 0.2100), "not proven"),
    ],
)
def test_whole_interval_decides(interval: tuple[float, float], outcome: str) -> None:
    assert decide(replace(EVIDENCE, interval_mm=interval)).outcome == outcome


@pytest.mark.parametrize(
    ("interval", "says"),
    [
        ((0.14, 0.15), "not below the least allowed of 0.13 mm. "),
        ((0.14, 0.15), "not above the most allowed of 0.20 mm"),
        ((0.11, 0.12), ", below the least allowed of 0.13 mm"),
        ((0.21, 0.22), ", above the most allowed of 0.20 mm"),
    ],
)
def test_a_limit_is_named_with_its_side(interval: tuple[float, float], says: str) -> None:
    assert says in text(decide(replace(EVIDENCE, interval_mm=interval)))


@given(st.floats(0.05, 0.25), st.floats(0.0, 0.05), st.floats(0.05, 0.25), st.floats(1e-4, 0.1))
def test_verdict_is_never_both_ways(centre: float, half: float, least: float, room: float) -> None:
    limits = Limits(minimum_mm=least, maximum_mm=least + room)
    low, high = centre - half, centre + half
    outcome = decide(replace(EVIDENCE, interval_mm=(low, high)), limits).outcome
    assert (outcome == "conforming") == (least <= low and high <= least + room)
    assert (outcome == "nonconforming") == (high < least or low > least + room)


@pytest.mark.parametrize(
    ("interval", "outcome"),
    [((0.03, 0.040), "conforming"), ((0.03, 0.041), "not proven"), ((0.0401, 0.05), "nonconforming")],
)
def test_variation_has_its_limit(interval: tuple[float, float], outcome: str) -> None:
    verdict = decide(replace(EVIDENCE, variation_interval_mm=interval))
    assert verdict.outcome == outcome
    assert "variation" in text(verdict)


def test_an_open_variation_says_what_would_settle_it() -> None:
    verdict = decide(replace(EVIDENCE, variation_interval_mm=(0.03, 0.05)))
    assert verdict.outcome == "not proven"
    assert [one for one in verdict.would_settle if "more positions" in one and "variation" in one]


def test_variation_that_could_not_be_stated_bars_conforming() -> None:
    verdict = decide(replace(EVIDENCE, variation_interval_mm=None))
    assert verdict.outcome == "not proven"
    assert "variation of backlash could not be stated" in text(verdict)


def test_transverse_limits_are_compared_with_transverse_backlash() -> None:
    # By pocket calculator 1 / (cos 20° cos 35°) = 1.2991: 0.145 to 0.150 mm is 0.1884 to 0.1949 transverse.
    limits = Limits(minimum_mm=0.188, maximum_mm=0.195, kind="transverse")
    verdict = decide(limits=limits)
    assert verdict.outcome == "conforming"
    assert "transverse backlash at the tight spot is 0.1884 to 0.1949 mm" in text(verdict)
    assert decide(limits=replace(limits, minimum_mm=0.189)).outcome == "not proven"
    assert decide(limits=replace(limits, kind="normal")).outcome == "nonconforming"


@pytest.mark.parametrize("state", ["unproven", "failed"])
@pytest.mark.parametrize(
    "name", ["mounting_distance_pinion", "matched_teeth", "bearings", "calibration_indicator"]
)
def test_open_precondition_bars_conforming_and_only_that(name: str, state: str) -> None:
    barred = decide(preconditions=conditions(**{name: state}))
    assert barred.outcome == "not proven"
    assert any(step.startswith("Settle ") for step in barred.would_settle)
    short = replace(EVIDENCE, interval_mm=(0.110, 0.115))
    outside = decide(short, preconditions=conditions(**{name: state}))
    assert outside.outcome == "nonconforming"
    assert "detail" in text(outside)


def test_gears_mounting_distance_is_a_caution_when_unrecorded_and_bars_when_wrong() -> None:
    verdict = decide(preconditions=conditions(mounting_distance_gear="unproven"))
    assert verdict.outcome == "conforming"
    assert any("Mounting distance, gear unproven" in one for one in verdict.cautions)
    wrong = decide(preconditions=conditions(mounting_distance_gear="failed"))
    assert wrong.outcome == "not proven"


@pytest.mark.parametrize("dropped", ["mounting distance, pinion", "matched", "bearings", "indicator"])
def test_what_nobody_recorded_is_unproven(dropped: str) -> None:
    kept = tuple(one for one in conditions() if dropped not in one.name)
    verdict = decide(preconditions=kept)
    assert verdict.outcome == "not proven"
    assert "not recorded" in text(verdict)
    assert verdict.would_settle


def test_unconfirmed_tight_spot_bars_conforming_but_not_nonconforming() -> None:
    unconfirmed = replace(EVIDENCE, confirmed=False, confirm="Go to engagement 7.")
    verdict = decide(unconfirmed)
    assert verdict.outcome == "not proven"
    assert "Go to engagement 7." in verdict.would_settle
    assert decide(replace(unconfirmed, interval_mm=(0.11, 0.12))).outcome == "nonconforming"


@pytest.mark.parametrize("interval", [(0.145, 0.150), (0.110, 0.115), (0.125, 0.135)])
def test_doubt_bars_every_outcome(interval: tuple[float, float]) -> None:
    doubt = Doubt(sentence="Indicator and encoder disagree.", remedy="Check the tip.")
    verdict = decide(replace(EVIDENCE, interval_mm=interval, doubts=(doubt,)))
    assert verdict.outcome == "not proven"
    assert verdict.reasons[0] == "Indicator and encoder disagree."
    assert verdict.would_settle[0] == "Check the tip."


def test_no_limits_proves_nothing() -> None:
    verdict = decide(limits=Limits())
    assert verdict.outcome == "not proven"
    assert "limits were not given" in text(verdict)
    assert any("drawing" in step for step in verdict.would_settle)


@pytest.mark.parametrize(
    "limits", [Limits(minimum_mm=0.13), Limits(maximum_mm=0.20), Limits(variation_mm=0.04)]
)
def test_one_limit_is_enough_and_nobody_is_sent_for_more(limits: Limits) -> None:
    doubt = Doubt(sentence="Indicator and encoder disagree.", remedy="Check the tip.")
    assert decide(limits=limits).outcome == "conforming"
    assert decide(replace(EVIDENCE, doubts=(doubt,)), limits).would_settle == ("Check the tip.",)


def test_a_tight_spot_that_nobody_says_was_confirmed_is_not() -> None:
    assert (
        decide(Evidence(interval_mm=(0.145, 0.150), variation_interval_mm=(0.02, 0.03))).outcome
        == "not proven"
    )


@pytest.mark.parametrize("name", ["gear oil", "mounting distance, pinion and gear"])
def test_only_the_gears_own_mounting_distance_may_stay_open(name: str) -> None:
    more = Precondition(name=name, state="unproven", detail="nobody looked")
    assert decide(preconditions=(*conditions(), more)).outcome == "not proven"


def test_only_a_mounting_distance_in_doubt_is_a_caution() -> None:
    assert len(decide().cautions) == 1
    assert len(decide(preconditions=conditions(bearings="unproven")).cautions) == 1


def test_no_backlash_proves_nothing() -> None:
    nothing = Evidence(missing="No position was recorded.", narrow=("Record some.",))
    verdict = decide(nothing)
    assert verdict.outcome == "not proven"
    assert "No position was recorded." in verdict.reasons
    assert "Record some." in verdict.would_settle
    # A variation that breaks its limit is enough for nonconforming, whatever else is missing.
    wobbly = replace(nothing, variation_interval_mm=(0.05, 0.06))
    assert decide(wobbly).outcome == "nonconforming"


def test_open_interval_says_what_would_narrow_it() -> None:
    straddling = replace(EVIDENCE, interval_mm=(0.125, 0.135), narrow=("More positions.",))
    verdict = decide(straddling)
    assert verdict.would_settle == ("More positions.",)
    assert "neither kept nor broken for certain" in text(verdict)
    assert decide(replace(EVIDENCE, narrow=("More positions.",))).would_settle == ()


def test_standing_caution_is_always_there() -> None:
    for evidence in (EVIDENCE, replace(EVIDENCE, interval_mm=(0.1, 0.11)), Evidence(missing="x")):
        assert "right backlash can be had at a wrong mounting distance" in decide(evidence).cautions[0]
    extra = decide(replace(EVIDENCE, cautions=("Heavy rocking.",)))
    assert extra.cautions[-1] == "Heavy rocking."


def test_sentences_speak_the_papers_unit() -> None:
    # 0.13 mm = 0.00512 in, 0.145 mm = 0.00571 in (NIST SP 811: 25.4 mm to the inch).
    verdict = decide(units="in")
    assert "0.00571 to 0.00591 in" in text(verdict)
    assert "0.00512 in" in text(verdict)
    assert " mm" not in text(verdict)


def test_only_a_maximum_may_be_given() -> None:
    assert decide(limits=Limits(maximum_mm=0.2)).outcome == "conforming"
    assert decide(limits=Limits(minimum_mm=0.0)).outcome == "conforming"
    assert decide(limits=Limits(maximum_mm=math.nextafter(0.15, 0))).outcome == "not proven"


@pytest.mark.parametrize(
    ("value_um", "two_sided", "one_sided"),
    [
        # u = 1 µm, limit 130 µm: 1.96 u to each side, or 1.645 u to the side of the limit (ISO 14253-1).
        (131.9, "not proven", "conforming"),
        (132.0, "conforming", "conforming"),
        (131.6, "not proven", "not proven"),
        (128.3, "not proven", "nonconforming"),
        (128.0, "nonconforming", "nonconforming"),
    ],
)
def test_the_standards_own_rule_needs_95_percent_to_the_side_of_the_limit(
    value_um: float, two_sided: str, one_sided: str
) -> None:
    evidence = Evidence(
        interval_mm=(1e-3 * (value_um - 1.96), 1e-3 * (value_um + 1.96)),
        one_sided_mm=(1e-3 * (value_um - 1.645), 1e-3 * (value_um + 1.645)),
        confirmed=True,
    )
    for rule, outcome in (("two-sided", two_sided), ("one-sided", one_sided)):
        verdict = decide(evidence, Limits(minimum_mm=0.13, decision_rule=rule))  # type: ignore[arg-type]
        assert verdict.outcome == outcome
        assert ("95 % to each side" in text(verdict)) is (rule == "one-sided")
