"""Shim advice: the right member, the right way, from the stock, or none with its reason."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import pytest
from analysis.made_record import PROVEN, Bench, confirmed_record
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.shim_stock import MountingDistance, ShimError, ShimStock, changes
from lashmap_analysis.judge.shims import (
    ShimAdvice,
    backlash_per_move,
    shift_uncertainty_mm,
    shim_advice,
    shim_advice_for,
)
from lashmap_analysis.record.record import Limits, Precondition, Shaft

GEAR_SET = GearSet(
    pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0, contact_from_toe=1.0
)
STOCK = ShimStock(thicknesses_mm=(0.05, 0.1, 0.2, 0.5), thicker_moves="in")
LIMITS = Limits(minimum_mm=0.13, maximum_mm=0.18)


def proven(**states: str) -> tuple[Precondition, ...]:
    return tuple(
        Precondition(
            name=f"mounting distance, {member}",
            state=states.get(member, "proven"),  # type: ignore[arg-type] # the tests name states only
            detail="measured",
            remedy=f"Measure the {member}.",
        )
        for member in ("pinion", "gear")
    )


def advise(
    backlash_mm: float,
    *,
    stocks: dict[Shaft, ShimStock] | None = None,
    limits: Limits = LIMITS,
    preconditions: tuple[Precondition, ...] | None = None,
    gear_set: GearSet = GEAR_SET,
    half_mm: float = 0.002,
    distances: Mapping[Shaft, MountingDistance] = MappingProxyType({}),
) -> ShimAdvice:
    return shim_advice(
        gear_set=gear_set,
        backlash_mm=backlash_mm,
        interval_mm=(backlash_mm - half_mm, backlash_mm + half_mm),
        limits=limits,
        preconditions=proven() if preconditions is None else preconditions,
        stocks=stocks or {"gear": STOCK},
        distances=distances,
    )


def plain(advice: ShimAdvice) -> str:
    return " ".join(advice.sentences).replace("\N{NO-BREAK SPACE}", " ")


def test_gear_moves_backlash_more_in_the_ratio_of_the_teeth() -> None:
    # Common practice, no source: gear and pinion shims have equal effect at 1:1, and in the ratio z2 / z1
    # otherwise (right-angle sets).
    ratio = backlash_per_move(GEAR_SET, "gear") / backlash_per_move(GEAR_SET, "pinion")
    assert math.isclose(ratio, 40 / 13, rel_tol=1e-12)
    mitre = replace(GEAR_SET, pinion_teeth=40)
    assert math.isclose(backlash_per_move(mitre, "gear"), backlash_per_move(mitre, "pinion"), rel_tol=1e-12)


@pytest.mark.parametrize(("thicker", "verb"), [("in", "take away"), ("out", "add")])
def test_too_little_backlash_moves_the_gear_out(thicker: Literal["out", "in"], verb: str) -> None:
    stock = replace(STOCK, thicker_moves=thicker)
    advice = advise(0.100, stocks={"gear": stock})
    assert advice.answer == "move"
    assert len(advice.moves) == 1
    # 2 sin 20° sin 72° = 0.6506 (pocket calculator): 0.05 mm brings 0.0325 mm and the limit is 0.030 away,
    # but the interval's 0.002, the roll of the pair and the shim's tolerance would reach below it.
    assert advice.moves[0].move_mm == pytest.approx(0.1)
    assert advice.backlash_mm == pytest.approx(0.100 + 0.1 * 0.65056, abs=1e-4)
    assert f"out, away from the apex, by 0.100 mm: {verb} 0.100 mm" in plain(advice)
    assert "contact pattern" in advice.cautions[0]


def test_too_much_backlash_moves_the_gear_in() -> None:
    advice = advise(0.215)
    assert advice.answer == "move"
    assert advice.moves[0].move_mm < 0
    assert "in, towards the apex" in plain(advice)
    assert "add" in plain(advice)
    assert advice.interval_mm is not None
    assert advice.interval_mm[1] <= 0.18


def test_fitted_pack_is_replaced_from_the_stock() -> None:
    graded = ShimStock(
        thicknesses_mm=tuple(1.0 + 0.02 * step for step in range(11)),
        thicker_moves="in",
        fitted_mm=1.10,
        most_pieces=1,
    )
    advice = advise(0.100, stocks={"gear": graded})
    assert advice.answer == "move"
    assert advice.moves[0].shims_mm == pytest.approx((1.04,))
    assert "replace the pack of 1.100 mm by 1.040 mm" in plain(advice)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.02, 0.4),
    st.floats(0.0005, 0.01),
    st.floats(0.05, 0.2),
    st.floats(0.02, 0.15),
    st.booleans(),
)
def test_advised_move_is_the_smallest_that_brings_the_interval_inside(
    backlash: float,
    half: float,
    least: float,
    room: float,
    both: bool,  # noqa: FBT001 - drawn
) -> None:
    stocks: dict[Shaft, ShimStock] = {"gear": STOCK, "pinion": STOCK} if both else {"gear": STOCK}
    limits = Limits(minimum_mm=least, maximum_mm=least + room)
    advice = advise(backlash, half_mm=half, limits=limits, stocks=stocks)
    assert advice.interval_mm is not None
    low, high = advice.interval_mm
    inside = least <= low and high <= least + room
    assert inside == (advice.answer in ("move", "no move needed"))
    if advice.answer != "move":
        return
    size = sum(move.move_mm**2 for move in advice.moves)
    # Every smaller combination, tried one by one with the relations written out again, lands outside.
    reach_mm = 2 * math.hypot(13, 40)
    sine = {"gear": 40 / math.hypot(13, 40), "pinion": 13 / math.hypot(13, 40)}
    twice = 2 * math.sin(math.radians(20))
    # Seen at the heel, and judged by eye to 0.15 of the face: K_c from 1 to R_e / (R_e - 3.75).
    place = (reach_mm / (reach_mm - 3.75) - 1) / math.sqrt(3)
    along = math.pi * 2 * math.cos(math.radians(20)) / reach_mm
    options = [changes(stocks.get(member)) for member in ("gear", "pinion")]
    for gear, pinion in itertools.product(*options):
        if gear.move_mm**2 + pinion.move_mm**2 > size - 1e-12:
            continue
        shifts = twice * gear.move_mm * sine["gear"], twice * pinion.move_mm * sine["pinion"]
        extra = math.hypot(
            0.03 / math.sqrt(3) * (abs(shifts[0]) + abs(shifts[1])),
            place * sum(shifts),
            along * (gear.move_mm * sine["pinion"] - pinion.move_mm * sine["gear"]) / math.sqrt(2),
            twice * gear.uncertainty_mm * sine["gear"],
            twice * pinion.uncertainty_mm * sine["pinion"],
        )
        reach = math.hypot(half, 1.96 * extra) + 1e-6
        assert backlash + sum(shifts) - reach < least or backlash + sum(shifts) + reach > least + room


def test_no_move_where_none_is_needed() -> None:
    advice = advise(0.15)
    assert advice.answer == "no move needed"
    assert advice.moves == ()


def test_stock_that_is_too_coarse_says_so() -> None:
    coarse = ShimStock(thicknesses_mm=(0.5,), thicker_moves="in", most_pieces=1)
    advice = advise(0.100, stocks={"gear": coarse})
    assert advice.answer == "no stock reaches it"
    assert advice.moves == ()
    assert "nearest" in plain(advice)


def test_interval_wider_than_the_limits_is_never_shimmed_inside() -> None:
    assert advise(0.150, half_mm=0.03).answer == "no stock reaches it"


@pytest.mark.parametrize("member", ["pinion", "gear"])
@pytest.mark.parametrize("state", ["unproven", "failed"])
def test_never_advises_while_a_mounting_distance_is_open(member: str, state: str) -> None:
    advice = advise(0.100, preconditions=proven(**{member: state}))
    assert advice.answer == "refused"
    assert advice.moves == ()
    assert advice.backlash_mm is None
    assert f"Measure the {member}." in plain(advice)
    missing = tuple(one for one in proven() if member not in one.name)
    assert advise(0.100, preconditions=missing).answer == "refused"
    assert f"The {member}'s mounting distance was not recorded" in plain(advise(0.1, preconditions=missing))


def test_never_advises_without_limits() -> None:
    advice = advise(0.100, limits=Limits(variation_mm=0.02))
    assert advice.answer == "refused"
    assert "limits" in plain(advice)


def test_transverse_limits_are_converted() -> None:
    # On a straight 20° set normal is 0.9397 of transverse: 0.145 mm transverse is 0.1363 mm normal.
    transverse = Limits(minimum_mm=0.145, kind="transverse")
    assert advise(0.139, limits=transverse).answer == "no move needed"
    assert advise(0.137, limits=transverse).answer == "move"


@pytest.mark.parametrize(
    "wrong",
    [
        {"thicknesses_mm": ()},
        {"thicknesses_mm": (0.1, -0.1)},
        {"thicknesses_mm": tuple(0.01 * step for step in range(1, 40))},
        {"most_pieces": 0},
        {"thicker_moves": "up"},
        {"fitted_mm": -1.0},
    ],
)
def test_impossible_stocks_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ShimError) as caught:
        replace(STOCK, **wrong)  # type: ignore[arg-type] # wrong on purpose
    assert caught.value.field in wrong


def test_no_stock_at_all_is_refused() -> None:
    with pytest.raises(ShimError, match="stocks"):
        shim_advice(
            gear_set=GEAR_SET,
            backlash_mm=0.1,
            interval_mm=(0.099, 0.101),
            limits=LIMITS,
            preconditions=proven(),
            stocks={},
        )


def test_changes_of_equal_size_take_the_fewest_shims() -> None:
    stock = ShimStock(thicknesses_mm=(0.05, 0.1), thicker_moves="out", most_pieces=2)
    by_move = {round(one.move_mm, 6): one.shims_mm for one in changes(stock)}
    assert by_move[0.1] == (0.1,)
    assert by_move[-0.15] == (0.05, 0.1)
    assert by_move[0.0] == ()
    assert changes(None)[0].move_mm == 0


def test_what_conforms_by_the_rule_of_its_box_is_left_alone() -> None:
    # ISO 14253-1:2017, default: 95 % to the side of a limit. One inside the two-sided interval and below
    # the one-sided one is kept by that rule, so that a move would spoil what conforms.
    record = replace(
        confirmed_record(Bench(seed=5)),
        preconditions=(*PROVEN, proven()[1]),
        limits=Limits(minimum_mm=0.1),
    )
    stated = assess(record).stated
    assert stated is not None
    low, middle = stated.interval_mm[0], stated.normal_backlash_mm
    least = middle - 0.9 * (middle - low)  # 1.76 of 1.96, and more than 1.65
    close = Limits(minimum_mm=least, untouched_tooth_mm=0.0)
    for rule, outcome, answer in (
        ("one-sided", "conforming", "no move needed"),
        ("two-sided", "not proven", "refused"),
    ):
        seen = assess(replace(record, limits=replace(close, decision_rule=rule)))  # type: ignore[arg-type]  # a literal
        advice = shim_advice_for(seen, {"gear": replace(STOCK, thicker_moves="out")})
        assert advice is not None
        assert (seen.verdict.outcome, advice.answer) == (outcome, answer)


def test_a_move_says_which_mounting_distance_it_leads_to() -> None:
    stands = MountingDistance(marked_mm=62.40, set_mm=62.39, tolerance_mm=0.15)
    advice = advise(0.100, distances={"gear": stands})
    assert advice.answer == "move"
    assert advice.moves[0].distance_mm == pytest.approx(62.49)
    assert "leads to a mounting distance of 62.490 mm (marked 62.400 mm, tolerance 0.150 mm)" in plain(advice)


def test_no_move_leaves_the_tolerance_of_a_mounting_distance() -> None:
    # The right backlash can be had at a wrong mounting distance: 0.1 mm of move, 0.02 mm of tolerance.
    stands = MountingDistance(marked_mm=62.40, set_mm=62.40, tolerance_mm=0.02)
    advice = advise(0.100, distances={"gear": stands})
    assert (advice.answer, advice.moves, advice.backlash_mm) == ("refused", (), None)
    said = plain(advice)
    assert "The gear would come to a mounting distance of 62.500 mm (marked 62.400 mm" in said
    assert "parts of different sets" in said
    # A stock that could not reach the limits anywhere is another answer, and its nearest keeps the tolerance.
    coarse = replace(STOCK, thicknesses_mm=(0.5,), most_pieces=1)
    advice = advise(0.100, stocks={"gear": coarse}, distances={"gear": stands})
    assert advice.answer == "no stock reaches it"
    assert "No change." in plain(advice)


@pytest.mark.parametrize("what", ["early end", "matched teeth", "unconfirmed"])
def test_a_test_that_proves_nothing_is_no_ground_to_move(what: str) -> None:
    record = replace(
        confirmed_record(Bench(seed=5)),
        preconditions=(*PROVEN, proven()[1]),
        limits=Limits(minimum_mm=0.4),
    )
    seen = assess(record)
    assert (seen.verdict.outcome, seen.confirmed) == ("nonconforming", True)
    stocks: dict[Shaft, ShimStock] = {"gear": replace(STOCK, thicknesses_mm=(0.5,))}
    sound = shim_advice_for(seen, stocks)
    assert sound is not None
    assert sound.answer != "refused"
    match what:
        case "early end":
            record = replace(record, closing="stopped by the operator")
        case "matched teeth":
            doubted = (
                replace(one, state="unproven", remedy="Bring the marked teeth together.")
                if one.name == "matched teeth"
                else one
                for one in record.preconditions
            )
            record = replace(record, preconditions=tuple(doubted))
        case "unconfirmed":
            planned = tuple(one for one in record.traces if one.purpose == "planned")
            record = replace(record, traces=planned)
    advice = shim_advice_for(assess(record), stocks)
    assert advice is not None
    assert (advice.answer, advice.moves) == ("refused", ())
    words = {
        "early end": "ended early",
        "matched teeth": "Matched teeth is unproven",
        "unconfirmed": "confirming position",
    }
    assert advice.sentences[0].startswith("Measure first")
    assert words[what] in plain(advice)


def test_what_has_to_be_measured_first_is_said_once() -> None:
    remedy = "Bring the marked teeth together."
    record = replace(confirmed_record(Bench(seed=5)), limits=Limits(minimum_mm=0.4))
    doubted = tuple(
        replace(one, state="unproven", remedy=remedy) if one.name == "matched teeth" else one
        for one in record.preconditions
    )
    seen = assess(replace(record, preconditions=doubted))
    open_still = replace(seen.verdict, outcome="not proven", would_settle=(remedy, "Add positions."))
    advice = shim_advice_for(replace(seen, verdict=open_still), {"gear": STOCK})
    assert advice is not None
    assert advice.answer == "refused"
    assert plain(advice).count(remedy) == 1
    assert "Add positions." in plain(advice)


def test_no_advice_without_a_tight_spot() -> None:
    assert (
        shim_advice_for(assess(replace(confirmed_record(Bench(seed=5)), traces=())), {"gear": STOCK}) is None
    )


def test_the_uncertainty_of_a_move_is_put_together_as_it_is_derived() -> None:
    """By hand from the module's formulas (text of `judge/shims.py`), members and parts all different."""
    gear_mm, pinion_mm, of_gear_mm, of_pinion_mm = 0.3, -0.2, 0.004, 0.007
    tall, flat = math.atan2(40, 13), math.atan2(13, 40)  # pitch angles of gear and pinion
    gear, pinion = (2.0 * math.sin(math.radians(20.0)) * math.sin(angle) for angle in (tall, flat))
    cone_mm = 4.0 / 2.0 * math.hypot(13, 40)  # contact at the heel
    tooth_mm = math.pi * 4.0 / 2.0 * math.cos(math.radians(20.0))
    relation = 0.03 / math.sqrt(3.0) * (gear * gear_mm + pinion * -pinion_mm)
    along = tooth_mm / cone_mm * (math.cos(tall) * gear_mm - math.cos(flat) * pinion_mm) / math.sqrt(2.0)
    contact = GEAR_SET.contact_factor_spread * (gear * gear_mm + pinion * pinion_mm)
    shims = math.hypot(gear * of_gear_mm, pinion * of_pinion_mm)
    expected = math.sqrt(relation**2 + along**2 + contact**2 + shims**2)
    found = shift_uncertainty_mm(
        GEAR_SET,
        (np.array(gear_mm), np.array(pinion_mm)),
        (np.array(of_gear_mm), np.array(of_pinion_mm)),
    )
    assert float(found) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ({"thicknesses_mm": tuple(0.01 * n for n in range(1, 25))}, {"thicknesses_mm": (0.1,) * 25}),
        ({"thicknesses_mm": (99.999,)}, {"thicknesses_mm": (100.0,)}),
        ({"most_pieces": 3}, {"most_pieces": 4}),
        ({"fitted_mm": 0.0}, {"fitted_mm": -0.001}),
        ({"fitted_mm": 999.9}, {"fitted_mm": 1000.0}),
    ],
)
def test_a_stock_is_taken_up_to_its_bounds(right: dict[str, Any], wrong: dict[str, Any]) -> None:
    assert replace(STOCK, **right) != STOCK
    with pytest.raises(ShimError, match=next(iter(wrong))):
        replace(STOCK, **wrong)


def test_no_change_comes_first_and_moves_nothing() -> None:
    first, second = changes(STOCK)[:2]
    assert (first.move_mm, first.shims_mm, first.uncertainty_mm) == (0.0, (), 0.0)
    assert abs(second.move_mm) == 0.05
