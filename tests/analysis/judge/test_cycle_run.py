"""A record with passes, from raw angles and rocks to the verdict, against a pair turned by brute force."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from analysis.cycle.cycle_records import LIMITS, PER, QUICK, CycleBench, bench, with_bad_tooth
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.record import Limits, PassTrace, TestRecord


@pytest.fixture(scope="module")
def good() -> CycleBench:
    return bench()


@pytest.fixture(scope="module")
def record(good: CycleBench) -> TestRecord:
    return good.record()


@pytest.fixture(scope="module")
def assessment(record: TestRecord) -> Assessment:
    return assess(record)


def test_what_is_stated_comes_from_the_passes_and_holds_the_truth(
    good: CycleBench, assessment: Assessment
) -> None:
    stated = assessment.stated
    assert stated is not None
    low, high = stated.interval_mm
    assert low <= good.least_mm <= high
    assert stated.normal_backlash_mm == pytest.approx(good.least_mm, abs=0.002)
    assert stated.engagement == good.tightest
    assert assessment.verdict.outcome == "conforming"
    assert assessment.confirmed
    assert assessment.touched.every
    assert assessment.cycle_run is not None
    assert assessment.cycle_run.every


def test_variation_and_runout_are_those_of_the_pair(good: CycleBench, assessment: Assessment) -> None:
    run = assessment.cycle_run
    assert run is not None
    assert run.curve is not None
    # Least within each engagement, by brute force over 64 places.
    place = np.arange(good.pair.length)[:, np.newaxis] + np.arange(-32, 32) / 64
    least = PER * good.pair.lash(place).min(axis=1)
    curve = run.curve
    assert curve.variation_mm == pytest.approx(float(np.ptp(least)), abs=0.0015)
    # A general-purpose transform of the true play at whole engagements, by its orders in the mesh cycle.
    spectrum = np.fft.rfft(PER * good.pair.rocked_mm) * 2 / good.pair.length
    for found, order, teeth in ((curve.gear_runout, 13, 40), (curve.pinion_runout, 40, 13)):
        assert found is not None
        assert found.amplitude_mm == pytest.approx(
            abs(spectrum[order]), abs=3 * found.standard_uncertainty_mm
        )
        lowest = (np.degrees(-np.angle(spectrum[order])) + 180) % 360
        away = (found.high_point_deg - lowest + 180) % 360 - 180
        assert abs(away) < 3 * found.high_point_uncertainty_deg, teeth


def test_a_bad_tooth_between_the_rocks_is_seen_by_the_passes_alone() -> None:
    """A map of rocks that miss it says conforming where the drawing lets the other teeth be trusted."""
    box = with_bad_tooth()
    good_teeth = box.pair.rocked_mm.copy()
    good_teeth[np.arange(box.pair.length) % 40 == 31] = np.inf
    tightest = int(good_teeth.argmin())
    plan = [one for one in range(0, 520, 17) if one % 40 not in (30, 31, 32)]
    least = PER * float(good_teeth.min()) - 0.006
    limits = Limits(minimum_mm=least, maximum_mm=0.2, untouched_tooth_mm=0.0, source="invented drawing")
    taken = box.record(plan=tuple(plan), confirm=(tightest,), limits=limits)
    by_rocks = assess(replace(taken, passes=()))
    assert by_rocks.cycle_run is None
    if not by_rocks.confirmed:  # the map predicts another place that is as tight
        assert by_rocks.stated is not None
        again = box.record(plan=tuple(plan), confirm=(by_rocks.stated.engagement,), limits=limits)
        by_rocks = assess(replace(again, passes=()))
    assert by_rocks.verdict.outcome == "conforming"
    both = assess(taken)
    assert both.verdict.outcome == "nonconforming"
    assert both.stated is not None
    assert both.stated.engagement % 40 == 31
    assert both.stated.interval_mm[0] <= box.least_mm <= both.stated.interval_mm[1]
    assert "tooth 32" in both.cause  # the marked one is 1


def test_three_rocks_are_enough_where_no_lash_map_can_be_fitted(good: CycleBench, record: TestRecord) -> None:
    few = replace(record, traces=(record.traces[0], record.traces[2], record.traces[-1]))
    found = assess(few)
    assert found.lash_map is None
    assert found.stated is not None
    assert found.stated.interval_mm[0] <= good.least_mm <= found.stated.interval_mm[1]
    assert found.verdict.outcome == "conforming"


def test_two_rocks_do_not_tie_and_say_so(record: TestRecord) -> None:
    found = assess(replace(record, traces=record.traces[-2:]))
    assert found.stated is None
    assert found.verdict.outcome == "not proven"
    assert any("rocks at 2 places tie the level" in one for one in found.verdict.reasons)


def test_rocks_that_contradict_the_passes_bar_conforming(good: CycleBench) -> None:
    """A tip that slips on all rocks: 25 µm, beyond any wind-up that a brake makes."""
    found = assess(replace(good, rock_off_mm=0.025).record())
    assert found.verdict.outcome == "not proven"
    assert any("Rocks and cycle run disagree" in one for one in found.verdict.reasons)
    assert any("repeat the passes" in one for one in found.verdict.would_settle)


def test_a_confirming_rock_that_reads_otherwise_confirms_nothing(record: TestRecord) -> None:
    last = record.traces[-1]
    middle = float(np.median(last.indicator_mm))
    wrong = replace(last, indicator_mm=middle + 1.1 * (last.indicator_mm - middle))
    found = assess(replace(record, traces=(*record.traces[:-1], wrong)))
    assert not found.confirmed
    assert found.verdict.outcome == "not proven"


def test_passes_alone_do_not_confirm(good: CycleBench) -> None:
    found = assess(good.record(confirm=()))
    assert found.stated is not None
    assert not found.confirmed
    assert found.verdict.outcome == "not proven"
    assert any("not confirmed" in one for one in found.verdict.reasons)


def test_missing_engagements_are_named_and_every_engagement_is_not_claimed(good: CycleBench) -> None:
    part = replace(good, passes=(replace(QUICK, part=0.05),))
    found = assess(part.record())
    run = found.cycle_run
    assert run is not None
    assert not run.every
    assert not found.touched.every
    assert found.verdict.outcome != "conforming" or found.touched.every
    assert any("Not seen on both flanks: engagements" in one for one in found.verdict.cautions)


def _changed(record: TestRecord, change: dict[int, dict[str, object]]) -> TestRecord:
    passes = [replace(one, **change.get(one.number, {})) for one in record.passes]  # type: ignore[arg-type]
    return replace(record, passes=tuple(passes))


def test_a_refused_run_leaves_the_rocks_to_judge_and_says_why(record: TestRecord) -> None:
    backwards: dict[int, dict[str, object]] = {
        one.number: {"gear_deg": -one.gear_deg} for one in record.passes
    }
    found = assess(_changed(record, backwards))
    assert found.cycle_run is not None
    assert not found.cycle_run.judges
    alone = assess(replace(record, passes=()))
    assert found.stated == alone.stated
    assert found.verdict.outcome == alone.verdict.outcome
    said = " ".join(found.verdict.cautions)
    assert "One encoder counts backwards" in said
    assert "judged alone" in said


def _short(one: PassTrace) -> dict[str, object]:
    names = ("pinion_time_s", "pinion_deg", "gear_time_s", "gear_deg")
    return {name: getattr(one, name)[:50] for name in names}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        pytest.param(_short, "Pass 2 (back) cannot be used: needed is at least 200 samples", id="too short"),
        pytest.param(lambda _: {"direction": "forward"}, "asked for was forward", id="other way"),
    ],
)
def test_a_pass_that_cannot_be_used_is_left_out_and_said(
    record: TestRecord, change: Callable[[PassTrace], dict[str, object]], said: str
) -> None:
    found = assess(_changed(record, {2: change(record.passes[1])}))
    assert found.cycle_run is not None
    assert found.cycle_run.used == 3
    assert found.cycle_run.judges
    assert any(said in one for one in found.verdict.cautions)


def test_a_brake_that_was_forgotten_gives_no_lash_however_many_rocks_tie_it(good: CycleBench) -> None:
    """Both ways on the drive flanks: the rocks alone would lift such a curve to a lash."""
    record = good.record()
    forward, back = record.passes[:2]
    pitch = 360 / 40
    # The gear follows the pinion back on the flank on which it went forward.
    same = np.interp(back.pinion_deg, forward.pinion_deg, forward.gear_deg - forward.pinion_deg * 13 / 40)
    gear = np.round((same + back.pinion_deg * 13 / 40) / 0.018) * 0.018
    assert np.abs(gear - back.gear_deg).max() < pitch
    found = assess(_changed(replace(record, passes=(forward, back)), {2: {"gear_deg": gear}}))
    assert found.cycle_run is not None
    assert not found.cycle_run.judges
    assert any("Both directions ran on the same flank" in one for one in found.verdict.cautions)


def test_without_a_pass_back_there_is_no_lash(record: TestRecord) -> None:
    found = assess(replace(record, passes=record.passes[:1], traces=record.traces[:3]))
    assert found.stated is None
    assert any("no pass back can be used" in one for one in found.verdict.reasons)


def test_passes_over_other_teeth_give_no_lash(good: CycleBench) -> None:
    """Forward over one part of the cycle and back over another: no tooth is met on both flanks."""
    forward, back = replace(good, passes=(replace(QUICK, part=0.01, over=1.0),)).pass_traces()
    moved = replace(back, pinion_deg=back.pinion_deg + 20 * 360 / 13, gear_deg=back.gear_deg + 20 * 360 / 40)
    found = assess(replace(good.record(passes=False), passes=(forward, moved)))
    assert found.cycle_run is not None
    assert not found.cycle_run.judges


def test_samples_that_are_no_numbers_are_left_out(record: TestRecord, assessment: Assessment) -> None:
    spoilt = record.passes[0].pinion_deg.copy()
    spoilt[500:510] = np.nan
    found = assess(_changed(record, {1: {"pinion_deg": spoilt}}))
    assert found.stated is not None
    assert assessment.stated is not None
    assert found.stated.normal_backlash_mm == pytest.approx(assessment.stated.normal_backlash_mm, abs=1e-4)
    assert found.cycle is not None
    assert found.cycle.disturbances is not None
    assert found.cycle.disturbances.skew_s.standard_uncertainty == 0.0  # still taken together


def test_temperature_moves_rocks_and_passes_alike(record: TestRecord, assessment: Assessment) -> None:
    """An aluminium housing at 30 °C opens the mesh; what is stated at 20 °C moves as the rocks' does."""
    warm = replace(record.conditions, housing_c=30.0, gears_c=30.0, housing_expansion_um_per_m_k=23.0)
    found = assess(replace(record, conditions=warm))
    assert found.stated is not None
    assert assessment.stated is not None
    by_rock = [one.normal_backlash_mm or 0.0 for one in (found.positions[0], assessment.positions[0])]
    moved = found.stated.normal_backlash_mm - assessment.stated.normal_backlash_mm
    assert abs(moved) > 0.002
    assert moved == pytest.approx(by_rock[0] - by_rock[1], abs=1e-4)
    assert found.cycle_run is not None
    assert not found.cycle_run.disagree


def test_a_limit_of_variation_is_held_against_the_passes(good: CycleBench) -> None:
    size = PER * float(np.ptp(good.pair.rocked_mm))
    for most, outcome in ((size + 0.004, "conforming"), (size - 0.004, "nonconforming")):
        found = assess(good.record(limits=replace(LIMITS, variation_mm=most)))
        assert found.verdict.outcome == outcome
