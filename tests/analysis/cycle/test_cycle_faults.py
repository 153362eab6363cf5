"""Faults of a cycle run are refused or named, never a plausible wrong number."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from analysis.cycle.cycle_runs import Runs, gear_set_of, rocks_at, turned
from analysis.cycle.driven_pair import DrivenPair, Turning, ordinary_pair, turn
from lashmap_analysis import CycleError, fit_cycle
from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.cycle.passes import CyclePass

QUICK = Turning(speed_deg_per_s=360.0)


@pytest.fixture(scope="module")
def pair() -> DrivenPair:
    return ordinary_pair((13, 40), np.random.default_rng(7))


@pytest.fixture(scope="module")
def runs(pair: DrivenPair) -> Runs:
    return turned(pair, QUICK)


def swapped(one: CyclePass) -> CyclePass:
    return replace(one, pinion_deg=one.gear_deg, gear_deg=one.pinion_deg)


def backwards(one: CyclePass) -> CyclePass:
    return replace(one, gear_deg=-one.gear_deg)


def twice_the_counts(one: CyclePass) -> CyclePass:
    return replace(one, gear_deg=2 * one.gear_deg)


def a_few_counts_more(one: CyclePass) -> CyclePass:
    """20,480 counts a turn taken for 20,000."""
    return replace(one, pinion_deg=one.pinion_deg * 1.024)


def set_at_other_teeth(one: CyclePass) -> CyclePass:
    """The gear's encoder was set to zero two teeth on."""
    return replace(one, gear_deg=one.gear_deg - 18.0)


def slips(one: CyclePass) -> CyclePass:
    """A coupling slips by a tenth of a degree: 0.1 mm at the pitch circle."""
    moved = np.arange(one.gear_deg.size) > 0.4 * one.gear_deg.size
    return replace(one, gear_deg=one.gear_deg + np.where(moved, 0.1, 0.0))


def slips_by_a_tooth(one: CyclePass) -> CyclePass:
    moved = np.arange(one.gear_deg.size) > 0.7 * one.gear_deg.size
    return replace(one, gear_deg=one.gear_deg - np.where(moved, 9.0, 0.0))


def wrapped(one: CyclePass) -> CyclePass:
    """A counter of 16 bits that nobody counted on: 3.2768 turns of 20,000 counts."""
    turns = 65536 * 360.0 / 20000
    return replace(one, gear_deg=(one.gear_deg + 100.0) % turns - 100.0)


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (swapped, {CycleFlagName.SWAPPED}),
        (backwards, {CycleFlagName.WRONG_SENSE}),
        (twice_the_counts, {CycleFlagName.WRONG_COUNTS}),
        (a_few_counts_more, {CycleFlagName.WRONG_COUNTS}),
        (set_at_other_teeth, {CycleFlagName.OTHER_TEETH}),
        (slips, {CycleFlagName.JUMP}),
        (slips_by_a_tooth, {CycleFlagName.JUMP, CycleFlagName.WRONG_COUNTS}),
        (wrapped, {CycleFlagName.JUMP, CycleFlagName.WRONG_COUNTS}),
    ],
)
def test_a_fault_of_the_encoders_is_named_and_gives_no_lash(
    pair: DrivenPair, runs: Runs, fault: Callable[[CyclePass], CyclePass], said: set[CycleFlagName]
) -> None:
    drive, coast = ([fault(one) for one in side] for side in runs)
    fit = fit_cycle(gear_set_of(pair), drive, coast)
    assert fit.tight_spot is None
    assert np.isnan(fit.normal_mm).all()
    assert {flag.name for flag in fit.flags if flag.disabling} <= said
    assert not fit.good


@pytest.mark.parametrize("factor", [0.8, 20000 / 20480, 1.024, 1.25])
def test_two_encoders_of_the_wrong_counts_agree_and_are_refused(
    pair: DrivenPair, runs: Runs, factor: float
) -> None:
    """The ratio is right, and tooth after tooth is another."""
    drive, coast = (
        [replace(one, pinion_deg=factor * one.pinion_deg, gear_deg=factor * one.gear_deg) for one in side]
        for side in runs
    )
    fit = fit_cycle(gear_set_of(pair), drive, coast)
    assert fit.tight_spot is None
    told = {flag.name for flag in fit.flags if flag.disabling}
    assert told & {CycleFlagName.NOT_CLOSED, CycleFlagName.NOT_OF_TEETH, CycleFlagName.UNSTEADY}


@pytest.mark.parametrize("rocked", [(), (3, 40, 77)])
def test_a_pass_on_the_same_flank_both_ways_is_no_lash(pair: DrivenPair, rocked: tuple[int, ...]) -> None:
    """The brake was forgotten, and the gear's own load keeps it on one flank; rocks do not mend that."""
    forward = turn(pair, QUICK, np.random.default_rng(1))
    later = float(forward.pinion_time_s[-1]) + 5.0
    time = forward.pinion_time_s + later
    back = replace(
        forward,
        pinion_time_s=time,
        gear_time_s=time,
        pinion_deg=forward.pinion_deg[::-1].copy(),
        gear_deg=forward.gear_deg[::-1].copy(),
    )
    fit = fit_cycle(gear_set_of(pair), [forward], [back], rocks=rocks_at(pair, *rocked))
    assert {flag.name for flag in fit.flags if flag.disabling} == {CycleFlagName.ONE_FLANK}
    assert fit.tight_spot is None


def test_contact_lost_at_the_same_teeth_in_every_pass_is_cut_out(pair: DrivenPair) -> None:
    """A drive that jerks at one of its angles throws the gear off there, again and again."""

    def throw(_: np.ndarray, place: np.ndarray, advance: np.ndarray) -> np.ndarray:
        onwards = np.sign(place[-1] - place[0])
        return np.asarray(advance + 0.12 * onwards * np.maximum(0.0, 1.0 - (place - 300.4) ** 2 / 0.3))

    how = replace(QUICK, disturb=throw)
    fit = fit_cycle(gear_set_of(pair), *turned(pair, how, replace(how, speed_deg_per_s=250.0)))
    assert fit.tight_spot is not None
    assert 0.0005 < fit.lost < 0.01
    transverse = fit.tight_spot.backlash_mm / fit.gear_set.normal_per_transverse
    # Brute force, and what the brake opens: 2 N·m on both flanks, which no rock has taken off.
    assert transverse == pytest.approx(pair.least_mm[0] + 2 * 2.0 * pair.wind_up_mm_per_nm, abs=0.0015)


def test_a_coupling_that_slips_between_the_passes_is_no_drift(pair: DrivenPair) -> None:
    drive, coast = turned(pair, QUICK, QUICK)
    later = [[replace(one, gear_deg=one.gear_deg + 0.05) for one in side[1:]] for side in (drive, coast)]
    fit = fit_cycle(gear_set_of(pair), [drive[0], *later[0]], [coast[0], *later[1]])
    assert {flag.name for flag in fit.flags if flag.disabling} & {CycleFlagName.JUMP, CycleFlagName.UNSTEADY}


def test_a_gear_heavy_on_one_side_that_goes_over_without_a_brake_is_refused(pair: DrivenPair) -> None:
    """Over a part of its turn it lies on the same flank both ways: a trough of no lash, at the same teeth."""

    def falls(_: np.ndarray, place: np.ndarray, __: np.ndarray) -> np.ndarray:
        behind, ahead = pair.ends(place)
        pulled = np.cos(2 * np.pi * place / 40) - 0.8 * np.sign(place[-1] - place[0])
        return np.where(pulled > 0, ahead, behind)

    fit = fit_cycle(gear_set_of(pair), *turned(pair, replace(QUICK, disturb=falls)))
    assert {flag.name for flag in fit.flags if flag.disabling} == {CycleFlagName.ONE_FLANK}


def in_packets(one: CyclePass) -> CyclePass:
    """An adapter that sends every 5 ms: all angles of a packet come at one time."""
    return replace(
        one,
        pinion_time_s=np.ceil(one.pinion_time_s / 0.005) * 0.005,
        gear_time_s=np.ceil(one.gear_time_s / 0.005) * 0.005,
    )


def test_times_of_packets_are_not_those_of_angles(pair: DrivenPair) -> None:
    """Packets in step with the samples move the skew by more than its scatter shows."""
    how = Turning(speed_deg_per_s=240.0, skew_s=0.016)
    sides = turned(pair, how, replace(how, speed_deg_per_s=120.0))
    fit = fit_cycle(gear_set_of(pair), *([in_packets(one) for one in side] for side in sides))
    assert not fit.good
    told = next(flag for flag in fit.flags if flag.name is CycleFlagName.SKEW_UNPROVEN)
    assert "packet they came in, one every 5.0 ms" in told.sentence


def test_angles_that_scatter_too_much_to_see_a_lost_flank_are_refused(pair: DrivenPair) -> None:
    """A sample is missing in the middle of each pass, so that nobody knows the pace of the others."""
    how = Turning(speed_deg_per_s=720.0, rate_hz=500.0, skew_s=0.003, stamp_noise_s=0.0005)

    def without_a_sample(one: CyclePass) -> CyclePass:
        middle = one.gear_time_s.size // 2
        return replace(
            one, gear_time_s=np.delete(one.gear_time_s, middle), gear_deg=np.delete(one.gear_deg, middle)
        )

    sides = turned(pair, how, replace(how, speed_deg_per_s=360.0))
    fit = fit_cycle(gear_set_of(pair), *([without_a_sample(one) for one in side] for side in sides))
    assert CycleFlagName.SCATTER in {flag.name for flag in fit.flags if flag.disabling}


def test_a_brake_on_the_pinion_gives_a_negative_lash_and_is_named(pair: DrivenPair) -> None:
    """The gear drives: it is ahead of the flank in both directions."""
    ahead = replace(pair, lash_mm=-pair.lash_mm)
    fit = fit_cycle(gear_set_of(pair), *turned(ahead, QUICK))
    assert {flag.name for flag in fit.flags if flag.disabling} == {CycleFlagName.DRIVEN_BY_GEAR}


def test_passes_of_a_flank_that_differ_from_tooth_to_tooth_are_refused(pair: DrivenPair) -> None:
    def rough(time: np.ndarray, _: np.ndarray, advance: np.ndarray) -> np.ndarray:
        steps = np.random.default_rng(int(time.size)).normal(0, 0.02, int(time[-1] * 12) + 2)
        return np.asarray(advance + steps[(time * 12).astype(int)])

    steady, shaky = turned(pair, QUICK), turned(pair, replace(QUICK, disturb=rough), seed=2)
    drive, coast = ([*one, *other] for one, other in zip(steady, shaky, strict=True))
    fit = fit_cycle(gear_set_of(pair), drive, coast)
    assert not fit.good
    disabling = {flag.name for flag in fit.flags if flag.disabling}
    assert disabling <= {CycleFlagName.UNSTEADY, CycleFlagName.CONTACT_LOST, CycleFlagName.JUMP}


def test_a_gap_in_one_stream_is_not_bridged(pair: DrivenPair, runs: Runs) -> None:
    drive, coast = runs
    one = drive[0]
    kept = (one.gear_time_s < 10.0) | (one.gear_time_s > 11.0)
    holed = replace(one, gear_time_s=one.gear_time_s[kept], gear_deg=one.gear_deg[kept])
    steady = replace(coast[0], gear_time_s=coast[0].gear_time_s + 0.0)
    fit = fit_cycle(gear_set_of(pair), [holed], [steady])
    missing = fit.missing
    assert 8 < missing.size < 18  # a second at 13 engagements a second
    assert np.ptp(missing) < 20


def shorter(one: CyclePass) -> CyclePass:
    return replace(one, gear_deg=one.gear_deg[:-1])


def not_a_number(one: CyclePass) -> CyclePass:
    return replace(one, pinion_deg=np.where(np.arange(one.pinion_deg.size) == 5, np.nan, one.pinion_deg))


def standing(one: CyclePass) -> CyclePass:
    return replace(one, pinion_deg=0.0 * one.pinion_deg, gear_deg=0.0 * one.gear_deg)


def few(one: CyclePass) -> CyclePass:
    part = slice(0, 50)
    return CyclePass(
        pinion_time_s=one.pinion_time_s[part],
        pinion_deg=one.pinion_deg[part],
        gear_time_s=one.gear_time_s[part],
        gear_deg=one.gear_deg[part],
    )


@pytest.mark.parametrize(
    ("spoil", "field"),
    [
        (shorter, "gear_deg"),
        (not_a_number, "pinion_deg"),
        (standing, "pinion_deg"),
        (few, "pinion_time_s"),
    ],
)
def test_arrays_that_cannot_be_right_are_refused_by_name(
    pair: DrivenPair, runs: Runs, spoil: Callable[[CyclePass], CyclePass], field: str
) -> None:
    drive, coast = runs
    with pytest.raises(CycleError) as caught:
        fit_cycle(gear_set_of(pair), [spoil(drive[0])], coast)
    assert caught.value.field == field


def test_passes_the_wrong_way_round_and_no_pass_at_all_are_refused(pair: DrivenPair, runs: Runs) -> None:
    drive, coast = runs
    with pytest.raises(CycleError, match="the other way"):
        fit_cycle(gear_set_of(pair), coast, drive)
    with pytest.raises(CycleError, match="at least one pass"):
        fit_cycle(gear_set_of(pair), drive, [])


@pytest.mark.parametrize("counts", [20000 / 20480, 1.024])
def test_both_encoders_of_other_counts_alike_are_found_by_what_comes_once_a_turn(counts: float) -> None:
    """The ratio is right, and few teeth meet often enough to show that nothing comes again."""
    small = ordinary_pair((12, 32), np.random.default_rng(5))
    sides = turned(small, QUICK, replace(QUICK, speed_deg_per_s=180.0))
    fit = fit_cycle(gear_set_of(small), *sides)
    assert CycleFlagName.WRONG_COUNTS not in {flag.name for flag in fit.flags}
    spoilt = (
        [replace(one, pinion_deg=counts * one.pinion_deg, gear_deg=counts * one.gear_deg) for one in side]
        for side in sides
    )
    fit = fit_cycle(gear_set_of(small), *spoilt)
    told = next(flag for flag in fit.flags if flag.disabling)
    assert told.name is CycleFlagName.WRONG_COUNTS
    assert told.numbers["turn_share"] == pytest.approx(counts, abs=0.01)
