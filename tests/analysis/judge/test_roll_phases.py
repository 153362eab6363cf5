"""A tight spot that was rocked at three phases of the roll: what is stated, and where nothing changes."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import pytest
from analysis.made_record import PLAN, Bench
from analysis.made_review import exclusion
from lashmap_analysis.judge import roll_phases
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.compare import Build
from lashmap_analysis.judge.comparison import compare_tests
from lashmap_analysis.judge.review import without
from lashmap_analysis.record.conditions import RollSeen
from lashmap_analysis.record.record import Purpose, TestRecord
from lashmap_analysis.uncertainty.budget import BudgetLine
from lashmap_analysis.uncertainty.mesh_state import ROLL
from lashmap_analysis.uncertainty.roll import roll_seen

Pair = tuple[float, float]
ROLL_MM = 0.003
BENCH = Bench(seed=5, roll_mm=ROLL_MM)
BELOW_MM = -ROLL_MM * 0.345492  # sin² 36°: the whole engagement stands a fifth of a pitch off the least
SPOT = BENCH.tightest()[0]
BOTH: tuple[tuple[int, Purpose], ...] = ((SPOT, "third back"), (SPOT, "third forward"))


def rocked(*roll: tuple[int, Purpose]) -> TestRecord:
    """A confirmed test, nobody having recorded how the play varies within a pitch."""
    record = BENCH.record(confirm=(SPOT,), roll=roll)
    return replace(record, conditions=replace(record.conditions, roll_variation_mm=None))


def roll_line(assessment: Assessment) -> BudgetLine:
    assert assessment.budget is not None
    return next(line for line in assessment.budget.lines if line.quantity == ROLL)


@pytest.fixture(scope="module")
def alone() -> Assessment:
    return assess(rocked())


@pytest.fixture(scope="module")
def three() -> Assessment:
    return assess(rocked(*BOTH))


def test_the_budgets_line_becomes_what_is_left_between_the_phases(
    alone: Assessment, three: Assessment
) -> None:
    before, line = roll_line(alone), roll_line(three)
    assert before.correction_mm == 0.0
    assert before.standard_uncertainty_mm > 0.001
    assert line.standard_uncertainty_mm < 0.6 * before.standard_uncertainty_mm
    assert abs(line.correction_mm - BELOW_MM) < 2.0 * line.standard_uncertainty_mm
    assert line.value.startswith("a third back +0.00")


def test_stated_is_the_least_over_the_roll_with_a_narrower_interval(
    alone: Assessment, three: Assessment
) -> None:
    truth = BENCH.tightest()[1]  # the wave takes nothing at its own least
    assert alone.stated is not None
    assert three.stated is not None
    low, high = three.stated.interval_mm
    assert low <= truth <= high
    assert high - low < 0.8 * (alone.stated.interval_mm[1] - alone.stated.interval_mm[0])
    assert abs(three.stated.normal_backlash_mm - truth) < abs(alone.stated.normal_backlash_mm - truth)


def test_rocks_beside_the_whole_engagement_are_no_part_of_the_map(
    alone: Assessment, three: Assessment
) -> None:
    assert three.lash_map is not None
    assert alone.lash_map is not None
    assert len(three.lash_map.engagements) == len(PLAN) + 1
    shift = roll_line(three).correction_mm
    assert three.lash_map.mean_mm == pytest.approx(alone.lash_map.mean_mm + shift, abs=1e-7)
    back, forward = three.positions[-2:]
    # They stand as they were read: the roll is what they measure.
    truth = BENCH.tightest()[1]
    assert back.normal_backlash_mm == pytest.approx(truth + ROLL_MM * 0.989074, abs=0.0006)  # sin² 96°
    assert forward.normal_backlash_mm == pytest.approx(truth + ROLL_MM * 0.165435, abs=0.0006)  # sin² 24°
    assert three.measured is not None
    assert three.measured.engagement == SPOT
    assert three.confirmed
    assert three.verdict.outcome == "conforming", "angles between teeth are no miscounted teeth"


@pytest.mark.parametrize("rocks", [BOTH[:1], BOTH[1:]])
def test_with_one_phase_alone_the_line_stays(
    rocks: tuple[tuple[int, Purpose], ...], alone: Assessment
) -> None:
    found = roll_line(assess(rocked(*rocks)))
    assert found == roll_line(alone)


def test_an_assessment_of_its_own_record_says_the_same(three: Assessment) -> None:
    again = assess(three.record)
    assert again.stated == three.stated
    assert again.budget == three.budget


def test_one_of_them_left_out_in_review_brings_the_line_back(alone: Assessment, three: Assessment) -> None:
    out = exclusion(three, 1, three.positions[-1].position)
    seen = assess(without(three.record, [out]))
    assert roll_line(seen) == roll_line(alone)
    assert seen.stated == alone.stated


def test_a_recorded_variation_is_the_belief_that_the_rocks_correct() -> None:
    record = rocked(*BOTH)
    recorded = assess(replace(record, conditions=replace(record.conditions, roll_variation_mm=ROLL_MM)))
    line = roll_line(recorded)
    assert abs(line.correction_mm - BELOW_MM) < 2.0 * line.standard_uncertainty_mm
    nothing = assess(replace(record, conditions=replace(record.conditions, roll_variation_mm=0.0)))
    assert roll_line(nothing).standard_uncertainty_mm == 0.0


def test_the_same_box_with_and_without_them_compares_as_unchanged(
    alone: Assessment, three: Assessment
) -> None:
    before, after = (Build(assessment=one, indicator="I-1, 2031") for one in (alone, three))
    mean = compare_tests([before, after])[0].mean
    assert mean is not None
    assert mean.value_mm == pytest.approx(roll_line(three).correction_mm, abs=1e-7)
    assert not mean.shown
    roll = next(one for one in mean.contributions if one.quantity == ROLL)
    assert roll.first_mm == roll_line(alone).standard_uncertainty_mm
    assert roll.second_mm == roll_line(three).standard_uncertainty_mm


def test_both_ways_to_measure_move_by_the_correction_and_by_nothing_else() -> None:
    """What the roll takes is taken from indicator and encoder alike, and once."""
    record = rocked(*BOTH)
    recorded = replace(record, conditions=replace(record.conditions, roll_variation_mm=ROLL_MM))
    before, after = assess(rocked(*BOTH[:1])), assess(recorded)
    assert recorded.conditions.roll_seen is None
    line = roll_line(after)
    for old, new in zip(before.positions, after.positions, strict=False):
        if not (old.mapped and new.mapped):
            continue
        assert old.normal_backlash_mm is not None
        assert new.normal_backlash_mm == pytest.approx(old.normal_backlash_mm + line.correction_mm, abs=1e-9)
        if old.encoder_backlash_mm is not None:
            expected = old.encoder_backlash_mm + line.correction_mm
            assert new.encoder_backlash_mm == pytest.approx(expected, abs=1e-9)


def test_a_gear_marked_off_a_crest_is_measured_where_it_stood() -> None:
    """Angles read from another zero are another place of the marks, and no other roll."""
    record = rocked(*BOTH)
    pitch_deg = record.gear_set.gear_angle_deg(1)
    moved = replace(
        record,
        traces=tuple(replace(one, encoder_deg=one.encoder_deg + 0.02 * pitch_deg) for one in record.traces),
    )
    assert roll_line(assess(moved)).correction_mm == pytest.approx(
        roll_line(assess(record)).correction_mm, abs=1e-6
    )


def test_thirds_of_a_pitch_are_told_from_the_angle_of_the_gear(
    three: Assessment, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What goes into the fit of the wave: phases, and readings less the map, each with its scatter."""
    given: list[tuple[Pair, Pair, Pair]] = []

    def seen(phases: Pair, read: Pair, spreads: Pair, of_map_mm: float, *, variation_mm: float) -> RollSeen:
        given.append((phases, read, spreads))
        return roll_seen(phases, read, spreads, of_map_mm, variation_mm=variation_mm)

    monkeypatch.setattr(roll_phases, "roll_seen", seen)
    assess(three.record)
    phases, readings, spreads = given[-1]
    assert phases == pytest.approx((-1 / 3, 1 / 3), abs=2e-3)
    back, forward = three.positions[-2:]
    assert forward.normal_backlash_mm is not None
    assert back.normal_backlash_mm is not None
    apart = forward.normal_backlash_mm - back.normal_backlash_mm
    assert readings[1] - readings[0] == pytest.approx(apart, abs=1e-9)
    assert three.lash_map is not None
    assert three.lash_map.setting is not None
    least = three.lash_map.setting.root_mean_square_mm
    for one, spread in zip((back, forward), spreads, strict=True):
        parts = (one.standard_uncertainty_mm or 0.0, least, three.lash_map.tooth_scatter_mm)
        assert spread == pytest.approx(hypot(*parts), rel=0.05)
