"""Runout sweeps against Fourier analysis and simulation, and against what runout does to backlash."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.lash_map.lash_map import Runout
from lashmap_analysis.runout.match import match_runout
from lashmap_analysis.runout.sweep import RunoutError, RunoutSweep, measure_runout
from numpy.typing import NDArray

Floats = NDArray[np.float64]
GEAR_SET = GearSet(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    mean_spiral_angle_deg=35.0,
    contact_from_toe=1.0,
)


def shape_mm(angle_deg: Floats) -> Floats:
    """Invented shaft: once 12 µm at 77°, twice 3 µm at 30°, thrice and five times besides."""
    turn = np.deg2rad(angle_deg)
    return np.asarray(
        0.012 * np.cos(turn - math.radians(77))
        + 0.003 * np.cos(2 * (turn - math.radians(30)))
        + 0.001 * np.cos(3 * turn)
        + 0.0005 * np.sin(5 * turn)
    )


def uneven_sweep(turns: float, count: int, seed: int, noise_mm: float = 0.0) -> tuple[Floats, Floats]:
    """A sweep that starts anywhere, at uneven speed, standing still for a while at both ends."""
    rng = np.random.default_rng(seed)
    pace = 1.0 + 0.6 * np.sin(np.linspace(0, rng.uniform(5, 20), count)) + rng.uniform(0, 0.4, count)
    pace[: count // 20] = pace[-count // 20 :] = 0.0
    way = np.cumsum(pace)
    angle = rng.uniform(-300, 300) + way / way[-1] * 360 * turns
    return angle, shape_mm(angle) + rng.normal(0, noise_mm, count)


def fourier(angle_deg: Floats, value_mm: Floats, order: int) -> tuple[float, float]:
    """Amplitude and high point of one order by FFT: evenly spaced samples over one turn only (reference)."""
    line = np.fft.rfft(value_mm)[order] * 2 / len(value_mm)
    high = math.degrees(-np.angle(line)) / order + float(angle_deg[0])
    return abs(line), high % (360 / order)


def apart(one: float, other: float, period: float) -> float:
    return abs((one - other + period / 2) % period - period / 2)


@pytest.mark.parametrize("start", [0.0, 123.4])
@pytest.mark.parametrize(("count", "near_mm"), [(24, 1e-9), (100, 3e-6), (3600, 1e-7)])
def test_even_samples_give_what_the_fourier_transform_gives(start: float, count: int, near_mm: float) -> None:
    # Reference: numpy.fft order analysis on evenly spaced samples of exactly one turn. 100 samples do not
    # fill the cells evenly, so that some of the third order, 1 µm, leaks.
    angle = start + np.arange(count + 1) * 360.0 / count
    seen = measure_runout(angle, shape_mm(angle))
    for order, part in ((1, seen.once), (2, seen.twice)):
        amplitude, high = fourier(angle[:-1], shape_mm(angle[:-1]), order)
        assert part.amplitude_mm == pytest.approx(amplitude, abs=near_mm)
        assert apart(part.high_point_deg, high, 360 / order) < 0.05


@pytest.mark.parametrize("turns", [1.02, 1.9, 3.4])
def test_uneven_speed_and_ragged_ends_do_not_matter(turns: float) -> None:
    angle, value = uneven_sweep(turns, 3000, seed=4)
    seen = measure_runout(angle, value)
    assert seen.turns == int(turns)
    assert seen.once.amplitude_mm == pytest.approx(0.012, abs=2e-6)
    assert seen.once.high_point_deg == pytest.approx(77, abs=0.05)
    assert seen.twice.amplitude_mm == pytest.approx(0.003, abs=2e-6)
    assert seen.twice.high_point_deg == pytest.approx(30, abs=0.05)
    # What a plain fit to the samples as they come would give instead: off by more than ten times that.
    turn = np.deg2rad(angle)
    columns = np.column_stack([np.ones_like(turn), np.cos(turn), np.sin(turn)])
    plain = np.linalg.lstsq(columns, value, rcond=None)[0]
    assert abs(math.hypot(plain[1], plain[2]) - 0.012) > 2e-5


def test_fim_and_rest_are_those_of_the_shape() -> None:
    fine = shape_mm(np.linspace(0, 360, 100_001))
    higher = 0.001 * np.cos(3 * np.deg2rad(np.linspace(0, 360, 100_001)))
    higher = higher + 0.0005 * np.sin(5 * np.deg2rad(np.linspace(0, 360, 100_001)))
    angle, value = uneven_sweep(2.3, 8000, seed=8)
    seen = measure_runout(angle, value)
    assert seen.fim_mm == pytest.approx(float(np.ptp(fine)), abs=2e-5)
    assert seen.rest_mm == pytest.approx(float(np.ptp(higher)), abs=2e-5)
    assert len(seen.fim_by_turn_mm) == 2
    assert seen.profile_mm.shape == seen.angle_deg.shape
    assert np.all(np.diff(seen.angle_deg) > 0)


@pytest.mark.parametrize("turns", [2.2, 4.1])
def test_stated_uncertainty_is_that_of_many_sweeps(turns: float) -> None:
    # Reference: Monte Carlo, 200 sweeps; both orders have the same noise.
    once, stated = [], []
    for seed in range(200):
        seen = measure_runout(*uneven_sweep(turns, 600, seed, noise_mm=0.001))
        once.append(seen.once.amplitude_mm)
        stated.append(seen.once.standard_uncertainty_mm)
    rms = math.sqrt(float(np.mean(np.square(stated))))
    assert rms == pytest.approx(float(np.std(once)), rel=0.25)
    assert float(np.mean(once)) == pytest.approx(0.012, abs=3e-5)


def test_single_turn_claims_no_more_than_it_knows() -> None:
    errors, stated = [], []
    for seed in range(100):
        seen = measure_runout(*uneven_sweep(1.1, 600, seed, noise_mm=0.001))
        errors.append(seen.once.amplitude_mm - 0.012)
        stated.append(seen.once.standard_uncertainty_mm)
        assert math.isnan(seen.repeatability_mm)
        assert seen.drift_mm_per_turn == 0
    assert float(np.mean(np.abs(errors) <= 2 * np.array(stated))) >= 0.95


def test_repeatability_and_drift_between_turns() -> None:
    rng = np.random.default_rng(3)
    angle = np.arange(0, 360 * 5, 0.5)
    wander = np.repeat(rng.normal(0, 0.0, 5), 720)
    value = shape_mm(angle) + 0.002 * angle / 360 + rng.normal(0, 0.0008, angle.size) + wander
    seen = measure_runout(angle, value)
    assert seen.drift_mm_per_turn == pytest.approx(0.002, abs=2e-5)
    # Cells of 1° hold two samples each, so that a cell scatters by σ / √2.
    assert seen.repeatability_mm == pytest.approx(0.0008 / math.sqrt(2), rel=0.1)
    assert seen.once.amplitude_mm == pytest.approx(0.012, abs=1e-4)


def test_wrapped_angles_and_either_direction_are_taken() -> None:
    angle, value = uneven_sweep(2.5, 4000, seed=6)
    plain = measure_runout(angle, value)
    for other in (measure_runout(angle % 360, value), measure_runout(angle[::-1], value[::-1])):
        assert other.turns == plain.turns
        assert other.once.amplitude_mm == pytest.approx(plain.once.amplitude_mm, rel=1e-6)
        assert apart(other.once.high_point_deg, plain.once.high_point_deg, 360) < 1e-3


@settings(max_examples=30)
@given(st.floats(-5, 5), st.floats(0.01, 100), st.floats(-720, 720))
def test_zero_scale_and_start_leave_what_they_must(zero: float, scale: float, start: float) -> None:
    angle, value = uneven_sweep(2.2, 1500, seed=9, noise_mm=0.0004)
    plain = measure_runout(angle, value)
    moved = measure_runout(angle + start, scale * value + zero)
    assert moved.once.amplitude_mm == pytest.approx(scale * plain.once.amplitude_mm, rel=1e-3)
    assert moved.fim_mm == pytest.approx(scale * plain.fim_mm, rel=0.05)
    assert apart(moved.once.high_point_deg, plain.once.high_point_deg + start, 360) < 0.2


def test_coarse_display_widens_the_uncertainty() -> None:
    angle, value = uneven_sweep(3.2, 3000, seed=2)
    coarse = measure_runout(angle, np.round(value / 0.005) * 0.005, resolution_mm=0.005)
    assert abs(coarse.once.amplitude_mm - 0.012) <= 2 * coarse.once.standard_uncertainty_mm
    assert coarse.once.standard_uncertainty_mm > 0.0003
    assert coarse.fim_uncertainty_mm >= 0.005 / math.sqrt(6)


def test_true_shaft_has_no_high_point_to_speak_of() -> None:
    rng = np.random.default_rng(1)
    angle = np.arange(0, 1080, 1.0)
    seen = measure_runout(angle, rng.normal(0, 0.001, angle.size))
    assert seen.once.amplitude_mm < 4 * seen.once.standard_uncertainty_mm
    assert seen.once.high_point_uncertainty_deg > 10
    flat = measure_runout(angle, np.full(angle.size, 0.3))
    assert flat.once.amplitude_mm < 1e-12
    assert flat.fim_mm == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    ("angle", "value", "field"),
    [
        (np.linspace(0, 359, 500), np.zeros(500), "angle_deg"),
        (np.linspace(0, 400, 500), np.zeros(499), "indicator_mm"),
        (np.zeros((4, 5)), np.zeros((4, 5)), "indicator_mm"),
        (np.linspace(0, 400, 500), np.full(500, np.nan), "indicator_mm"),
        (np.full(500, 33.0), np.zeros(500), "angle_deg"),
        (np.linspace(0, 400, 8), np.zeros(8), "angle_deg"),
        (np.empty(0), np.empty(0), "angle_deg"),
        (np.concatenate([np.linspace(0, 100, 300), np.linspace(170, 400, 300)]), np.zeros(600), "angle_deg"),
    ],
)
def test_sweeps_that_hold_no_runout_are_refused(angle: Floats, value: Floats, field: str) -> None:
    with pytest.raises(RunoutError) as caught:
        measure_runout(angle, value)
    assert caught.value.field == field


def sweep_of(amplitude_mm: float, high_deg: float, noise_mm: float = 0.0002) -> RunoutSweep:
    angle = np.arange(0, 1080, 1.0)
    noise = np.random.default_rng(7).normal(0, noise_mm, angle.size)
    return measure_runout(angle, amplitude_mm * np.cos(np.deg2rad(angle - high_deg)) + noise)


def lash_runout(amplitude_mm: float, high_deg: float) -> Runout:
    return Runout(
        amplitude_mm=amplitude_mm, standard_uncertainty_mm=0.0002, high_point_deg=high_deg, fim_mm=math.nan
    )


def test_eccentric_gear_explains_the_lash_it_makes() -> None:
    # Vectors: teeth displaced radially by e come nearer to the mate by e cos δ across the pitch cone; each of
    # both flanks, inclined by α to it, gives e cos δ sin α along its normal, and the gap closes by both.
    eccentricity = 0.012
    delta = math.atan2(40, 13)
    closed = 2 * eccentricity * math.cos(delta) * math.sin(math.radians(20))
    seen = match_runout(
        sweep_of(eccentricity, 140.0), lash_runout(closed, 141.0), gear_set=GEAR_SET, shaft="gear"
    )
    assert seen.explains is True
    assert seen.predicted_amplitude_mm == pytest.approx(closed, abs=3e-5)
    assert "explains" in seen.sentence
    # F = 2e, so that the peak-to-peak lash is 2 F sin α (handbook relation, from memory) across the cone.
    across = match_runout(
        sweep_of(eccentricity, 140.0),
        None,
        gear_set=GEAR_SET,
        shaft="gear",
        look="perpendicular to the pitch cone",
    )
    peak_to_peak = 2 * (2 * eccentricity) * math.sin(math.radians(20))
    assert 2 * across.predicted_amplitude_mm == pytest.approx(peak_to_peak, rel=0.01)
    assert across.explains is None


@pytest.mark.parametrize(("amplitude", "high"), [(0.0026, 320.0), (0.006, 140.0), (0.0001, 140.0)])
def test_other_amplitude_or_high_point_is_not_explained(amplitude: float, high: float) -> None:
    seen = match_runout(sweep_of(0.012, 140.0), lash_runout(amplitude, high), gear_set=GEAR_SET, shaft="gear")
    assert seen.explains is False
    assert "does not explain" in seen.sentence


def test_indicator_elsewhere_than_at_the_mesh_is_allowed_for() -> None:
    # The high point passes the mesh first and the indicator, 90° further on, a quarter turn later.
    lash = lash_runout(2 * 0.012 * math.cos(math.atan2(40, 13)) * math.sin(math.radians(20)), 50.0)
    sweep = sweep_of(0.012, 140.0)
    assert match_runout(sweep, lash, gear_set=GEAR_SET, shaft="gear", indicator_past_mesh_deg=90.0).explains
    assert not match_runout(sweep, lash, gear_set=GEAR_SET, shaft="gear").explains
    assert not match_runout(
        sweep, lash, gear_set=replace(GEAR_SET, normal_pressure_angle_deg=14.5), shaft="pinion"
    ).explains
