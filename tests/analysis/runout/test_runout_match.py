"""When a runout explains a lash: against chi-squared, simulation, complex numbers, and where it must not."""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

import numpy as np
import pytest
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.lash_map.lash_map import Runout
from lashmap_analysis.runout.match import PLACE_DEG, RELATION_SHARE, VECTOR_LIMIT, RunoutMatch, match_runout
from lashmap_analysis.runout.sweep import RunoutSweep, measure_runout
from scipy import stats

ONE_TO_ONE = GearSet(
    pinion_teeth=20, gear_teeth=20, outer_module_mm=4.0, face_width_mm=20.0, contact_from_toe=1.0
)
FACTOR = 2 * math.sin(math.radians(20.0))  # lash amplitude of an indicator amplitude (handbook, from memory)


def swept(amplitude_mm: float, high_deg: float) -> RunoutSweep:
    angle = np.arange(0.0, 720.0, 2.0)
    return measure_runout(angle, amplitude_mm * np.cos(np.radians(angle - high_deg)))


def part(amplitude_mm: float, high_deg: float, u_mm: float = 0.0004) -> Runout:
    return Runout(
        amplitude_mm=amplitude_mm,
        standard_uncertainty_mm=u_mm,
        high_point_deg=high_deg % 360,
        fim_mm=math.nan,
        high_point_uncertainty_deg=math.degrees(math.atan2(u_mm, amplitude_mm)),
    )


def matched(
    sweep: RunoutSweep, lash: Runout | None, place_deg: float | None = 90.0, merged: Runout | None = None
) -> RunoutMatch:
    return match_runout(
        sweep,
        lash,
        gear_set=ONE_TO_ONE,
        shaft="gear",
        look="perpendicular to the pitch cone",
        indicator_past_mesh_deg=place_deg,
        merged=merged,
    )


def test_the_limit_is_the_95_per_cent_point_for_two_components() -> None:
    # scipy's chi-squared distribution.
    assert stats.chi2.ppf(0.95, 2) == pytest.approx(VECTOR_LIMIT, abs=5e-4)


def test_a_true_explanation_is_denied_about_once_in_twenty() -> None:
    # Reference: Monte Carlo with the stated uncertainties of map, relation and place. 1 500 tries give the
    # rate to ±0.6 %; the lash's own direction and the measured one differ a little, hence the wider margin.
    rng = np.random.default_rng(20)
    sweep, lash = swept(0.012, 140.0), FACTOR * 0.012
    denied = 0
    for _ in range(1500):
        true = lash * (1 + RELATION_SHARE * rng.normal())
        true_high = math.radians(50.0 + PLACE_DEG * rng.normal())
        seen = cmath.rect(true, true_high) + 0.0004 * complex(*rng.normal(size=2))
        denied += matched(sweep, part(abs(seen), math.degrees(cmath.phase(seen)))).explains is False
    assert 0.03 < denied / 1500 < 0.07


@pytest.mark.parametrize(
    ("lash_mm", "lash_deg", "word"),
    [
        (FACTOR * 0.012, 230.0, "sat where it was said to sit"),  # as large, but opposite
        (
            FACTOR * 0.012,
            80.0,
            "sat where it was said to sit",
        ),  # as large, 30° off, six times its uncertainty
        (FACTOR * 0.024, 50.0, "wobble"),
        (FACTOR * 0.006, 50.0, "Less reaches the mesh"),
    ],
)
def test_what_disagrees_is_denied_and_something_to_look_at_is_named(
    lash_mm: float, lash_deg: float, word: str
) -> None:
    seen = matched(swept(0.012, 140.0), part(lash_mm, lash_deg))
    assert seen.explains is False
    assert "does not explain" in seen.sentence
    assert word in seen.sentence


@pytest.mark.parametrize("place_deg", [90.0, None])
def test_what_is_too_little_known_is_neither_explained_nor_denied(place_deg: float | None) -> None:
    # The lash is 2 µm ± 1.5 µm: no runout at all would agree with it as well as the measured one does.
    seen = matched(swept(0.002, 140.0), part(0.002, 50.0, 0.0015), place_deg)
    assert seen.explains is None
    assert "cannot be told" in seen.sentence


def test_without_the_indicators_place_only_the_size_is_compared_and_said_to_be() -> None:
    seen = matched(swept(0.012, 140.0), part(FACTOR * 0.012, 230.0), None)
    assert seen.explains is True
    assert seen.mesh_high_point_deg is None
    assert "nobody recorded" in seen.sentence
    assert "may explain" in seen.sentence
    assert matched(swept(0.012, 140.0), part(FACTOR * 0.02, 50.0), None).explains is False


@pytest.mark.parametrize(
    ("own", "other"), [((0.010, 40.0), (0.004, 200.0)), ((0.003, 300.0), (0.009, 310.0))]
)
def test_in_a_1_1_set_the_rest_of_the_sum_is_the_other_members(
    own: tuple[float, float], other: tuple[float, float]
) -> None:
    # Complex numbers of the standard library: the sum of both is what the map knows.
    both = [cmath.rect(amplitude, math.radians(high)) for amplitude, high in (own, other)]
    merged = part(abs(sum(both)), math.degrees(cmath.phase(sum(both))))
    seen = matched(swept(own[0] / FACTOR, own[1] + 90.0), None, merged=merged)
    assert seen.explains is None
    assert seen.mesh_high_point_deg == pytest.approx(own[1], abs=0.1)
    assert seen.remainder is not None
    assert seen.remainder.amplitude_mm == pytest.approx(other[0], abs=1e-5)
    assert (seen.remainder.high_point_deg - other[1] + 180) % 360 - 180 == pytest.approx(0.0, abs=0.2)
    assert "what remains for the pinion is" in seen.sentence


def test_a_rest_that_is_nothing_is_not_given_a_place() -> None:
    seen = matched(swept(0.010, 130.0), None, merged=part(FACTOR * 0.010, 40.0))
    assert seen.remainder is not None
    assert "does not stand out from nothing" in seen.sentence
    assert "taking most at" not in seen.sentence
    unplaced = matched(swept(0.010, 130.0), None, None, merged=part(FACTOR * 0.010, 40.0))
    assert unplaced.remainder is None
    # Triangle inequality: two vectors whose sum and one length are known.
    ends = f"from about 0.0000 to {2 * FACTOR * 0.010:.4f}\N{NO-BREAK SPACE}mm, since nobody recorded"
    assert ends in unplaced.sentence


def test_a_surface_without_any_runout_is_compared_too() -> None:
    flat = measure_runout(np.arange(0.0, 720.0, 2.0), np.zeros(360))
    assert matched(flat, part(0.010, 50.0)).explains is False
    exact = replace(part(0.010, 50.0), standard_uncertainty_mm=0.0, high_point_uncertainty_deg=0.0)
    assert matched(flat, exact).explains is False
