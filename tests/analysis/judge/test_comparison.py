"""What a comparison says in words, and what stands in the way of its differences."""

from __future__ import annotations

from dataclasses import replace

import pytest
from analysis.made_record import Bench
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import Review
from lashmap_analysis.judge.compare import Build, Common, Difference, RunoutDifference, ShimCheck
from lashmap_analysis.judge.comparison import cautions_of, difference_words, runout_words, shim_sentences
from lashmap_analysis.judge.shims import ShimAdvice, ShimMove
from lashmap_analysis.record.record import Exclusion, Precondition

ALL = Common(calibration=True, set_up=True, spiral=True)
EMPTY = assess(Bench().record(plan=()))
MM = "\N{NO-BREAK SPACE}mm"


def build(test: str = "first", **changed: object) -> Build:
    record = replace(EMPTY.record, identity=replace(EMPTY.record.identity, test=test, set_number="S1"))
    record = replace(record, **changed)  # type: ignore[arg-type] # as named
    return Build(assessment=replace(EMPTY, record=record), indicator="I-1")


@pytest.mark.parametrize(
    ("interval_mm", "words"),
    [
        ((0.0010, 0.0030), f"+0.0020{MM} (95 %: +0.0010 to +0.0030)"),
        ((-0.0010, 0.0050), f"+0.0020{MM} (95 %: -0.0010 to +0.0050, no change shown)"),
    ],
)
def test_a_difference_has_its_sign_and_says_whether_it_is_one(
    interval_mm: tuple[float, float], words: str
) -> None:
    found = Difference(
        value_mm=0.002, standard_uncertainty_mm=0.001, interval_mm=interval_mm, contributions=()
    )
    assert difference_words(found, "mm").replace("\N{MINUS SIGN}", "-") == words
    assert difference_words(None, "mm").startswith("none: ")


def test_a_change_of_a_runout_has_its_place_where_it_is_shown() -> None:
    found = RunoutDifference(
        member="gear", first_mm=0.01, second_mm=0.02, first_deg=0.0, second_deg=0.0, amplitude_mm=0.01,
        standard_uncertainty_mm=0.001, high_point_deg=243.4, shown=True,
    )  # fmt: skip
    assert runout_words(found, "mm").startswith("changed by 0.0100")
    assert runout_words(found, "mm").endswith("taking most at 243°")
    assert runout_words(replace(found, shown=False), "mm").startswith("no change shown (0.0100")


def check(**changed: object) -> ShimCheck:
    first = ShimCheck(
        answer="came true", gear_move_mm=0.05, pinion_move_mm=None, predicted_mm=0.02,
        predicted_uncertainty_mm=0.002, found_mm=0.021, found_uncertainty_mm=0.001,
    )  # fmt: skip
    return replace(first, **changed)  # type: ignore[arg-type] # as named


@pytest.mark.parametrize(
    ("changed", "units", "says"),
    [
        ({}, "mm", f"the gear was moved by +0.050{MM} (plus is out"),
        ({}, "in", "the gear was moved by +0.0020\N{NO-BREAK SPACE}in (plus"),  # NIST SP 811: 25.4 mm
        ({"gear_move_mm": 0.0}, "mm", "the gear was not moved (plus"),
        ({"gear_move_mm": 9e-5}, "mm", "the gear was not moved (plus"),
        ({"gear_move_mm": 2e-4, "pinion_move_mm": 0.0}, "mm", "and the pinion was not moved"),
        ({}, "mm", "The pinion's mounting distance is not recorded in both tests"),
        ({}, "mm", "The prediction came true: +0.020"),
        ({"answer": "not recorded"}, "mm", "one of the tests has no lash map, or the teeth differ"),
        ({"answer": "not recorded", "gear_move_mm": None}, "mm", "as set are not recorded in both tests"),
        ({"answer": "not recorded", "gear_move_mm": None, "pinion_move_mm": 0.1}, "mm", "has no lash map"),
    ],
)
def test_what_shims_did_is_told_by_the_recorded_moves(
    changed: dict[str, object], units: str, says: str
) -> None:
    told = " ".join(shim_sentences(build(), build("second", units=units), check(**changed)))
    assert says in told


@pytest.mark.parametrize(
    ("found_mm", "where"), [(0.12, "inside"), (0.119, "outside"), (0.16, "inside"), (0.161, "outside")]
)
def test_advice_that_was_followed_is_held_against_the_tight_spot(found_mm: float, where: str) -> None:
    move = ShimMove(member="gear", move_mm=0.05, shims_mm=(0.05,), sentence="Add 0.05 mm.")
    advice = ShimAdvice(
        answer="move", moves=(move,), backlash_mm=0.14, interval_mm=(0.12, 0.16), sentences=()
    )
    first = replace(build(), advice=advice)
    stated = assess(Bench().record(plan=(0, 5, 11, 16, 22, 27, 33, 38))).stated
    assert stated is not None
    second = build("second")
    spot = replace(stated, normal_backlash_mm=found_mm)
    second = replace(second, assessment=replace(second.assessment, stated=spot))

    def told(**changed: object) -> tuple[str, ...]:
        return shim_sentences(first, second, check(**changed))[-2:]

    followed, came = told(advised=True)
    assert followed == "The advice on first was: Add 0.05 mm. It was followed."
    assert came == (
        f"It predicted a tight spot of 0.1200{MM} to 0.1600{MM} (95 %); {found_mm:.4f}{MM} was found, "
        f"{where} that."
    )
    assert told(advised=False)[-1] == (
        "The advice on first was: Add 0.05 mm. The recorded move is another one."
    )
    assert "advice" not in " ".join(told(advised=None))
    alone = shim_sentences(first, build("second"), check(advised=True))
    assert alone[-1].endswith("It was followed.")


def test_what_stands_in_the_way_of_a_difference() -> None:
    def told(second: Build, common: Common = ALL, first: Build | None = None) -> list[str]:
        return list(cautions_of(first or build(), second, common))

    assert told(build("second")) == []
    gear_set = EMPTY.record.gear_set
    (teeth,) = told(build("second", gear_set=replace(gear_set, gear_teeth=37)))
    assert teeth.startswith("The sets have different teeth (17:36 and 17:37)")
    (data,) = told(build("second", gear_set=replace(gear_set, face_width_mm=17.0)))
    assert data.startswith("The gear sets' data differ")
    identity = replace(build("second").assessment.record.identity, set_number="")
    (other,) = told(build("second", identity=identity))
    assert other.startswith("Different gear sets (S1 and no number)")
    proven = EMPTY.record.preconditions
    seen = Precondition(name="matched teeth, seen again", state="proven", detail="x")
    assert told(build("second", preconditions=(*proven, seen))) == []
    off = replace(seen, state="failed")
    (again,) = told(build("second", preconditions=(*proven, off)))
    assert again.startswith("In second the matched teeth are not proven")
    assert len(told(build("second", preconditions=()))) == 1
    (damaged,) = told(build("second", damage=("row 3 is gone", "and more")))
    assert "(row 3 is gone)" in damaged
    assert [one[:60] for one in told(build("second"), replace(ALL, set_up=False))] == [
        "The tip's place and direction count in full for both tests, as if set anew"[:60]
    ]
    apart = replace(ALL, calibration=False)
    whys = [
        told(replace(build("second"), indicator=indicator), apart)[0].rpartition(": ")[2]
        for indicator in ("", "I-2", "I-1")
    ]
    assert whys == [
        "no serial number of the indicator is recorded in both tests.",
        "the tests have different indicators or certificates.",
        "it was asked to be counted as independent.",
    ]
    out = Exclusion(number=1, position=2, reversal=None, window_s=None, reason="x", by="R", utc="")
    review = Review(
        stored=None, changes=(), exclusions=(out,), sign_offs=(), reviewed=None, signed="", covers=False
    )
    second = build("second")
    reviewed = replace(second, assessment=replace(second.assessment, review=review))
    (taken,) = told(reviewed)
    assert taken.startswith("A reviewer took positions or reversals out of second;")
