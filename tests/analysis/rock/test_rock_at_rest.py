"""Figures with a refusal for want of rest, of motions from whose law they follow by hand."""

from __future__ import annotations

import numpy as np
import pytest
from analysis.rock_traces import Floats
from lashmap_analysis.rock.flags import FlagName
from lashmap_analysis.rock.rock import measure_rock

STEP_MM = 0.1


def trace(power_low: float, power_high: float, *, rest: int, travel: int) -> Floats:
    """Twelve changes of flank without noise: what is left of the way is (1 - t)^power over the travel."""
    to_go = 1 - (np.arange(travel) + 1) / (travel + 1)
    pieces = [np.full(rest, -1.0)]
    for number in range(12):
        end, power = (1.0, power_high) if number % 2 == 0 else (-1.0, power_low)
        pieces += [end * (1 - 2 * to_go**power), np.full(rest, end)]
    return 0.5 * STEP_MM * np.concatenate(pieces)


def numbers(value: Floats, name: FlagName, key: str) -> dict[str, float] | None:
    reading = measure_rock(np.arange(value.size) / 1000, value, resolution_mm=1e-6)
    return next((dict(one.numbers) for one in reading.flags if one.name is name and key in one.numbers), None)


@pytest.mark.parametrize(("low", "high"), [(1, 2), (2, 1), (3, 1), (1, 0.5), (2, 3)])
def test_how_a_gear_is_braked_follows_from_the_law_of_its_way(low: float, high: float) -> None:
    # by hand: (1 - t)^n is half, a fifth and a twenty-fifth at times that give
    # (0.2^(1/n) - 0.04^(1/n)) / (0.5^(1/n) - 0.2^(1/n)): 0.53 at an even speed, 0.95 braked evenly
    found = numbers(trace(low, high, rest=60, travel=60), FlagName.FLANK_NOT_REACHED, "braking_low")
    by_hand = [(0.2**a - 0.04**a) / (0.5**a - 0.2**a) for a in (1 / low, 1 / high)]
    if max(by_hand) < 0.71:
        assert found is None
    else:
        assert found is not None
        assert [found["braking_low"], found["braking_high"]] == pytest.approx(by_hand, rel=1e-3)


@pytest.mark.parametrize(("travel", "moving"), [(116, False), (124, True), (140, True)])
def test_the_share_of_the_time_between_the_flanks_is_that_of_the_ramps(travel: int, *, moving: bool) -> None:
    # by hand: ramps of so many of 200 samples; three fifths are allowed (`MOST_TRAVEL`). The rests at either
    # end of the trace do not count.
    found = numbers(
        trace(1, 1, rest=200 - travel, travel=travel), FlagName.FLANK_NOT_SETTLED, "travel_share_over_limit"
    )
    assert (found is not None) == moving
    if found is not None:
        assert found["travel_share_over_limit"] == pytest.approx(travel / 200 / 0.6, rel=0.01)


@pytest.mark.parametrize(("share", "pressed"), [(0.0022, False), (0.0028, True), (0.004, True)])
def test_a_press_in_the_middle_third_is_told_as_what_stands_out_of_the_dwells(
    share: float, *, pressed: bool
) -> None:
    # by hand: in stays of 90 samples those from 30 to 60 lie farther out; of a dwell of 62 from the 14th on
    # the middle third lies wholly out, and four of either outer 20: 0.8 of the share; 0.2 % is the limit
    each = np.zeros(90)
    each[30:60] = share * STEP_MM
    value = np.concatenate([end * (0.5 * STEP_MM + each) for end in (1.0, -1.0) * 6])
    found = numbers(value, FlagName.UNSTEADY_FLANK, "press_mm")
    assert (found is not None) == pressed
    if found is not None:
        assert found["press_mm"] == pytest.approx(0.8 * share * STEP_MM, rel=0.03)
