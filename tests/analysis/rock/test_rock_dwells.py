"""The settled part of the stays: noise, level and lingering beside what was put in."""

from __future__ import annotations

import numpy as np
import pytest
from analysis.rock_traces import Floats
from lashmap_analysis.rock.dwells import Settled, settle
from lashmap_analysis.rock.flanks import find_stays


def settled(value: Floats, resolution_mm: float = 1e-6) -> Settled:
    time = np.append(np.arange(value.size) - (value.size - 1) / 2, 0.0)
    return settle(time, find_stays(time, value), resolution_mm)


def levels(stays: int, each: int, *, first: float = 1.0) -> Floats:
    """A tenth of a millimetre of lash without ramps."""
    return np.repeat(0.05 * first * np.where(np.arange(stays) % 2, -1.0, 1.0), each)


@pytest.mark.parametrize(
    ("each", "within"), [(200, 0.25), (40, 0.25), (8, 0.15), (5, 0.15), (4, 0.15), (3, 0.15), (2, 0.15)]
)
@pytest.mark.parametrize("first", [1.0, -1.0])
def test_the_noise_seen_on_the_flanks_is_that_put_in(each: int, within: float, first: float) -> None:
    # source: the standard deviation put in, normal, however many samples a stay has; with many a part of them
    # is looked at, and it is that of the noisier flank, whichever comes first
    rng = np.random.default_rng(each)
    noise = 0.001 * rng.standard_normal(4800)
    value = levels(4800 // each, each, first=first) + noise[: 4800 // each * each]
    assert settled(value).middles.noise_mm == pytest.approx(0.001, rel=within)
    if each >= 40:
        value += np.where(value > 0, 2.0 * noise[: value.size], 0.0)
        assert settled(value).middles.noise_mm == pytest.approx(0.003, rel=within)


@pytest.mark.parametrize("first", [1.0, -1.0])
def test_samples_on_a_ramp_are_no_part_of_a_dwell_of_few_samples(first: float) -> None:
    # by hand: six samples a stay, the first and the last a fifth of the way off; four agree
    value = levels(11, 6, first=first)
    value[0::6] *= 0.6
    value[5::6] *= 0.6
    found = settled(value)
    assert np.abs(np.diff(found.offset_mm)) == pytest.approx(np.full(10, 0.1), abs=1e-9)
    assert found.count.tolist() == [4] * 11
    assert found.start.tolist() == list(range(1, 66, 6))
    assert (found.noise_mm, found.jitter_mm) == pytest.approx((0.0, 0.0), abs=1e-9)


@pytest.mark.parametrize("first", [1.0, -1.0])
def test_lingering_is_the_time_near_a_level_over_that_at_it_on_each_flank(first: float) -> None:
    # by hand: on the high flank 30 samples at a tenth of the step below the level before 60 at it, on the low
    # one 20 before 80, but for two over which a running mean goes; the stays at the ends do not count
    stay = {1.0: np.repeat([0.04, 0.05], [30, 60]), -1.0: -np.repeat([0.04, 0.05], [20, 80])}
    signs = first * np.where(np.arange(9) % 2, -1.0, 1.0)
    found = settled(np.concatenate([stay[float(one)] for one in signs]))
    assert found.lingering == pytest.approx((20 / 80, 30 / 60), rel=0.15)
    assert np.abs(np.diff(found.offset_mm)) == pytest.approx(np.full(8, 0.1), abs=2e-4)
