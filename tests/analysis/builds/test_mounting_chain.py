"""Shim packs from measured parts, against the package uncertainties, decimal arithmetic and random draws."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from itertools import product
from typing import Literal

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from lashmap_analysis.builds.mounting_chain import (
    Chain,
    ChainError,
    Part,
    decide,
    nearest_pack,
    reached,
    what_to_look_at,
)
from lashmap_analysis.judge.shim_stock import ShimStock
from uncertainties import ufloat

# An invented pinion: the pack lies behind the rear bearing, so that a thicker one moves it in. The housing's
# seat is 141.250 from the gear's axis, the bearings stand 33.120 high and the cone is 1.870 from the back.
HOUSING = Part(name="housing", length_mm=141.250, uncertainty_mm=0.004, runs="out", source="height gauge")
BEARING = Part(name="bearing", length_mm=33.120, uncertainty_mm=0.003, runs="in")
CONE = Part(name="cone to back", length_mm=1.870, uncertainty_mm=0.002, runs="in")
STOCK = ShimStock(
    thicknesses_mm=(0.10, 0.15, 0.20, 0.30, 0.50, 1.00),
    thicker_moves="in",
    most_pieces=3,
    thickness_uncertainty_mm=0.002,
)
PINION = Chain(
    member="pinion", parts=(HOUSING, BEARING, CONE), stock=STOCK, marked_mm=105.0, tolerance_mm=0.02
)


def plain(sentences: tuple[str, ...]) -> str:
    return " ".join(sentences).replace("\N{NO-BREAK SPACE}", " ")


def test_the_pack_of_an_example_that_was_worked_by_hand() -> None:
    # 141.250 - 33.120 - 1.870 = 106.260; to 105.000 that is a pack of 1.260, and 1.00 + 0.15 + 0.10 = 1.250.
    found = nearest_pack(PINION)
    assert PINION.needed_mm == pytest.approx(1.260)
    assert found.thickness_mm == pytest.approx(1.250)
    assert sorted(found.pack_mm) == [0.10, 0.15, 1.00]
    assert found.deviation_mm == pytest.approx(0.010)  # too thin by 0.010 leaves it out by that
    assert found.decision == "not settled"  # 0.010 + 0.0126 reaches over 0.020


def test_the_uncertainty_is_that_of_the_package_uncertainties() -> None:
    pack = ufloat(1.0, 0.002) + ufloat(0.15, 0.002) + ufloat(0.1, 0.002)
    whole = ufloat(141.250, 0.004) - ufloat(33.120, 0.003) - ufloat(1.870, 0.002) - pack
    found = nearest_pack(PINION)
    assert found.distance_mm == pytest.approx(whole.n)
    assert found.budget.combined_mm == pytest.approx(whole.s)
    assert found.budget.expanded_mm == pytest.approx(1.95996398 * whole.s)  # normal, 95 % (GUM table G.1)
    assert [line.source for line in found.budget.lines][:2] == ["height gauge", "box file, no source given"]


def test_random_draws_of_the_parts_scatter_as_stated() -> None:
    # JCGM 101: the distribution is propagated itself, with numpy's generator in place of the formula.
    draw = np.random.default_rng(7)
    count = 200_000
    parts = [draw.normal(one.step_mm, one.uncertainty_mm, count) for one in PINION.parts]
    pack = sum(draw.normal(one, 0.002, count) for one in (1.0, 0.15, 0.1))
    distance = np.sum(parts, axis=0) - pack
    found = nearest_pack(PINION)
    assert distance.mean() == pytest.approx(found.distance_mm, abs=5e-5)
    assert distance.std() == pytest.approx(found.budget.combined_mm, rel=0.01)
    inside = np.abs(distance - found.distance_mm) < found.budget.expanded_mm
    assert inside.mean() == pytest.approx(0.95, abs=0.003)


@given(
    needed=st.decimals(min_value="0.02", max_value="3.2", places=3),
    thicknesses=st.lists(
        st.decimals(min_value="0.02", max_value="1.2", places=2), min_size=1, max_size=6, unique=True
    ),
    pieces=st.integers(1, 3),
    way=st.sampled_from(["out", "in"]),
)
@settings(max_examples=60, deadline=None)
def test_no_other_pack_comes_nearer(
    needed: Decimal, thicknesses: list[Decimal], pieces: int, way: Literal["out", "in"]
) -> None:
    stock = ShimStock(thicknesses_mm=tuple(map(float, thicknesses)), thicker_moves=way, most_pieces=pieces)
    bare = Decimal(100) - needed if way == "out" else Decimal(100) + needed
    part = Part(name="housing", length_mm=float(bare), uncertainty_mm=0.001, runs="out")
    found = nearest_pack(Chain(member="gear", parts=(part,), stock=stock, marked_mm=100.0))
    every = [sum(one) for count in range(1, pieces + 1) for one in product(thicknesses, repeat=count)]
    least = min(abs(one - needed) for one in every)
    assert (
        abs(abs(found.deviation_mm) - float(least)) < 2.1e-4
    )  # equal within what `nearest_pack` calls equal
    sign = 1 if way == "out" else -1
    assert found.deviation_mm == pytest.approx(sign * (found.thickness_mm - float(needed)), abs=1e-9)


def test_of_equal_packs_that_of_fewest_pieces_is_taken() -> None:
    stock = replace(STOCK, thicknesses_mm=(0.1, 0.2, 0.3), most_pieces=3)
    chain = replace(PINION, stock=stock, parts=(replace(HOUSING, length_mm=105.3),))
    assert nearest_pack(chain).pack_mm == (0.3,)


@pytest.mark.parametrize(("way", "moved_mm"), [("out", 0.2), ("in", -0.2)])
def test_a_thicker_pack_moves_the_member_the_way_the_stock_says(
    way: Literal["out", "in"], moved_mm: float
) -> None:
    chain = replace(PINION, stock=replace(STOCK, thicker_moves=way))
    thin, thick = (reached(chain, pack).distance_mm for pack in ((0.3,), (0.5,)))
    assert thick - thin == pytest.approx(moved_mm)


@given(st.floats(-0.05, 0.05), st.floats(0.0, 0.05))
def test_a_decision_is_that_of_the_whole_interval(value: float, expanded: float) -> None:
    # ISO 14253-1: conforming inside the limits reduced by U, nonconforming outside them widened by U.
    for edge in (0.02 - expanded, -0.02 + expanded, 0.02 + expanded, -0.02 - expanded):
        assume(abs(value - edge) > 1e-7)
    draws = np.linspace(value - expanded, value + expanded, 2001)
    inside = np.abs(draws) <= 0.02
    expected = "inside" if inside.all() else "not settled" if inside.any() else "outside"
    if expected == "outside" and expanded > 0.02:  # an interval with the limits between two of the draws
        assume(abs(value) > 0.02 + expanded)
    assert decide(value, expanded, -0.02, 0.02) == expected


def test_limits_on_one_side_and_none_at_all() -> None:
    assert decide(1.1, 0.05, 0.8, None) == "inside"
    assert decide(0.7, 0.05, 0.8, None) == "outside"
    assert decide(0.8, 0.05, 0.8, None) == "not settled"
    assert decide(0.004, 0.0, None, 0.004) == "inside"
    assert decide(1.1, 0.05, None, None) == "no limits"


def test_what_is_wrong_is_said_with_where_to_look() -> None:
    sentences = plain(what_to_look_at(PINION, nearest_pack(PINION)))
    assert "off by +0.010 mm" in sentences
    assert "pack nearer to 1.260 mm" in sentences
    assert "first the housing" in sentences
    fine = replace(STOCK, thicknesses_mm=(1.26,))
    good = replace(PINION, stock=fine)
    assert what_to_look_at(good, nearest_pack(good)) == ()
    coarse = replace(PINION, stock=replace(STOCK, thicknesses_mm=(0.5,), most_pieces=3))
    assert "get shims that make 1.260 mm" in plain(what_to_look_at(coarse, nearest_pack(coarse)))
    inch = plain(what_to_look_at(coarse, nearest_pack(coarse), "in"))
    assert "1.260 mm" not in inch
    assert f"{1.26 / 25.4:.4f} in" in inch


def test_parts_that_leave_no_room_and_packs_that_no_stock_makes() -> None:
    turned = replace(PINION, parts=(HOUSING, BEARING, replace(CONE, length_mm=4.0)))
    assert turned.needed_mm < 0
    assert "the way that each runs ([parts.pinion])" in plain(what_to_look_at(turned, nearest_pack(turned)))
    far = replace(PINION, parts=(replace(HOUSING, length_mm=150.0), BEARING, CONE))
    assert "the thickest that the stock makes is 3.000 mm" in plain(what_to_look_at(far, nearest_pack(far)))
    open_end = replace(PINION, tolerance_mm=None)
    assert "mounting.tolerance_mm" in plain(what_to_look_at(open_end, nearest_pack(open_end)))


@pytest.mark.parametrize(
    "wrong",
    [
        {"length_mm": 0.0},
        {"length_mm": float("nan")},
        {"uncertainty_mm": -0.001},
        {"uncertainty_mm": 200.0},
        {"runs": "up"},
    ],
)
def test_a_part_that_cannot_be_is_refused_by_its_name(wrong: dict[str, object]) -> None:
    with pytest.raises(ChainError, match="housing"):
        replace(HOUSING, **wrong)  # type: ignore[arg-type]  # on purpose


def test_a_chain_without_parts_or_mark_is_refused() -> None:
    with pytest.raises(ChainError, match="parts"):
        replace(PINION, parts=())
    with pytest.raises(ChainError, match="marked_mm"):
        replace(PINION, marked_mm=float("inf"))
