"""Which terms stand by themselves, what is said when they do not, and what then is not claimed."""

from __future__ import annotations

import re

import numpy as np
import pytest
from analysis.lash_truth import gear_set, made_truth
from lashmap_analysis import fit_lash_map, plan_positions
from lashmap_analysis.judge.settling import cause_sentence
from lashmap_analysis.lash_map.lash_map import LashMap
from lashmap_analysis.lash_map.positions import equal_spacing


def fitted(teeth: tuple[int, int], engagements: list[int], seed: int = 1) -> LashMap:
    generator = np.random.default_rng(seed)
    truth = made_truth(*teeth, generator)
    return fit_lash_map(
        gear_set(*teeth), engagements, truth.read(np.array(engagements), 2e-4, generator), 2e-4
    )


def test_a_one_to_one_set_never_separates_and_says_how_to() -> None:
    # Both terms have one period by arithmetic: k / z1 = k / z2.
    lash_map = fitted((20, 20), list(range(20)))
    assert not lash_map.separable.gear
    assert not lash_map.separable.pinion
    assert lash_map.gear_runout is None
    assert lash_map.pinion_runout is None
    assert "runout of one shaft" in lash_map.separable.remedy
    assert lash_map.separable.add_engagements == ()
    assert "merged once per turn" in lash_map.terms


def test_the_merged_runout_of_a_one_to_one_set_is_the_sum_of_both() -> None:
    # First line of the FFT of the true backlash over the one turn that both members make.
    generator = np.random.default_rng(3)
    truth = made_truth(20, 20, generator)
    lash_map = fit_lash_map(gear_set(20, 20), range(20), truth.read(np.arange(20), 1e-4, generator), 1e-4)
    line = np.fft.fft(truth.backlash_mm)[1] / 10.0
    assert lash_map.merged_runout is not None
    assert lash_map.merged_runout.amplitude_mm == pytest.approx(abs(line), abs=2e-4)


def test_four_equal_positions_on_a_three_to_one_set_alias() -> None:
    # 3 ≡ −1 (mod 4): at quarter turns of the gear the pinion's phases are the gear's, run backwards.
    lash_map = fitted((16, 48), [0, 12, 24, 36])
    assert not lash_map.separable.gear
    assert not lash_map.separable.pinion
    assert lash_map.gear_runout is None
    assert lash_map.merged_runout is None
    assert "too few" in lash_map.separable.sentence


def test_the_same_places_again_still_alias_and_the_remedy_separates() -> None:
    places = [0, 12, 24, 36]
    generator = np.random.default_rng(2)
    truth = made_truth(16, 48, generator)
    twice = np.array(places * 3)
    lash_map = fit_lash_map(gear_set(16, 48), twice, truth.read(twice, 2e-4, generator), 2e-4)
    assert not lash_map.separable.gear
    named = lash_map.separable.add_engagements
    assert named
    assert [int(word) for word in re.findall(r"\d+", lash_map.separable.remedy)] == list(named)
    more = np.concatenate([twice, named])
    after = fit_lash_map(gear_set(16, 48), more, truth.read(more, 2e-4, generator), 2e-4)
    assert after.separable.gear
    assert after.separable.pinion
    # What is left no positions can tell apart: 48 / 16 is whole.
    assert "3 lobes" in after.separable.sentence
    assert after.separable.add_engagements == ()


@pytest.mark.parametrize(("teeth", "order"), [((15, 45), 3), ((10, 40), 4), ((20, 40), 2)])
def test_a_lobed_gear_looks_like_pinion_runout_where_the_ratio_is_whole(
    teeth: tuple[int, int], order: int
) -> None:
    # Arithmetic: cos(3 · 2π k / 45) and cos(2π k / 15) are one and the same at every whole k.
    k = np.arange(teeth[1])
    lobed = 0.15 - 0.008 * np.cos(order * 2 * np.pi * k / teeth[1])
    assert np.allclose(lobed, 0.15 - 0.008 * np.cos(2 * np.pi * k / teeth[0]), atol=1e-12)
    lash_map = fit_lash_map(gear_set(*teeth), k, lobed, 2e-4)
    assert f"{order} lobes" in lash_map.separable.sentence
    assert "runout of the pinion" in lash_map.separable.remedy
    named = lash_map.pinion_runout
    assert named is not None
    assert lash_map.cause == ("pinion side" if order > 2 else lash_map.cause)
    if lash_map.cause in ("pinion side", "both members"):
        assert f"{order} lobes would look the same" in cause_sentence(lash_map)
    # A gear of usual roundness has 1.5 µm of it in either component (from memory): no few tenths are claimed.
    assert named.standard_uncertainty_mm > 0.0007


def test_a_hunting_set_has_no_such_alias() -> None:
    assert fitted((13, 40), list(range(0, 520, 23))).separable.sentence == ""


def test_equal_spacing_that_aliases_a_hunting_set_is_found_out() -> None:
    # 13 turns of the gear in eight equal steps: 13 i / 8 gear turns and 40 i / 8 = 5 i pinion turns, so that
    # the pinion stands at the same place every time, but for rounding to whole teeth.
    equal = equal_spacing(gear_set(13, 40), 8, 13)
    assert set((equal % 13).tolist()) == {0}
    lash_map = fitted((13, 40), equal.tolist())
    assert lash_map.separable.gear
    assert not lash_map.separable.pinion
    # 12:60 in sixths of a gear turn: 5 ≡ −1 (mod 6), the pinion runs through the gear's phases backwards.
    merged = fitted((12, 60), [0, 10, 20, 30, 40, 50])
    assert not merged.separable.gear
    assert not merged.separable.pinion
    assert "the same phases" in merged.separable.sentence
    assert merged.separable.add_engagements
    assert merged.cause == "not separable"


def test_an_aliased_map_is_honest_about_where_it_did_not_measure() -> None:
    # Aliased terms may carry tens of micrometres to and fro: the band has to show it.
    lash_map = fitted((16, 48), [0, 12, 24, 36])
    low, high = lash_map.tight_spot.band_mm
    assert high - low > 0.010
    at = lash_map.predict(np.array([0, 6])).standard_uncertainty_mm
    # Nothing was measured again, so that what is believed of the setting (median 2 µm, root mean square
    # 5.4 µm) is all that is known.
    assert 5e-4 < at[0] < 8e-3
    assert at[1] > 5e-3


def test_positions_that_touch_one_pinion_tooth_leave_the_pinion_open() -> None:
    lash_map = fitted((13, 40), list(range(0, 520, 26)))
    assert lash_map.separable.gear
    assert not lash_map.separable.pinion
    assert lash_map.pinion_runout is None
    assert "1 different pinion teeth" in lash_map.separable.sentence
    assert lash_map.separable.add_engagements


@pytest.mark.parametrize("teeth", [(20, 40), (15, 45), (13, 40), (17, 46), (11, 45)])
def test_planned_positions_separate_every_set_that_can_be(teeth: tuple[int, int]) -> None:
    plan = plan_positions(gear_set(*teeth), 12, 3, repeats=0)
    lash_map = fitted(teeth, plan.tolist())
    assert lash_map.separable.gear
    assert lash_map.separable.pinion
    assert "gear once per turn" in lash_map.terms


def test_a_second_harmonic_is_named_when_it_is_there_and_not_otherwise() -> None:
    k = plan_positions(gear_set(13, 40), 24, 13, repeats=0)
    generator = np.random.default_rng(5)
    once = 0.015 * np.cos(2 * np.pi * k / 40) + 0.2 + 3e-4 * generator.standard_normal(24)
    without = fit_lash_map(gear_set(13, 40), k, once, 2e-4)
    oval = fit_lash_map(gear_set(13, 40), k, once + 0.005 * np.cos(4 * np.pi * k / 40 - 1.0), 2e-4)
    assert "gear twice per turn" in oval.terms
    assert "gear twice per turn" not in without.terms
    assert "pinion twice per turn" not in oval.terms
