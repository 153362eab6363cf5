"""The time between two instruments turns the high point of a sweep by speed times delay, and is stated."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from analysis.made_assessment import made_assessment
from lashmap_analysis.facts.result import to_document
from lashmap_analysis.judge.assess import sweep_result
from lashmap_analysis.record.record import RunoutTrace
from lashmap_analysis.render import render_html
from lashmap_analysis.rock.cross_check import encoder_view
from lashmap_analysis.runout.sweep import measure_runout, time_sentence, turning_speed_deg_per_s
from numpy.typing import NDArray
from uncertainties import ufloat

Floats = NDArray[np.float64]
HIGH_DEG, AMPLITUDE_MM = 75.0, 0.006


def turned_deg(time_s: Floats, speed_deg_per_s: float) -> Floats:
    """A member turned by hand: faster and slower by a quarter, some six times in a turn."""
    even = speed_deg_per_s * time_s
    return np.asarray(even + 2.4 * np.sin(np.radians(6.0 * even)))


def sweep(
    speed_deg_per_s: float, delay_s: float, *, stated_s: float, noise_mm: float = 0.0, seed: int = 0
) -> RunoutTrace:
    """The indicator's samples bear times that are ``delay_s`` late against the encoder's."""
    rng = np.random.default_rng(seed)
    longest_s = 760.0 / abs(speed_deg_per_s)
    time_s = np.arange(0.0, longest_s, 0.004)
    encoder_s = np.arange(-0.1, longest_s + 0.1, 0.003)
    place = np.radians(turned_deg(time_s - delay_s, speed_deg_per_s) - HIGH_DEG)
    return RunoutTrace(
        member="gear",
        time_s=time_s,
        indicator_mm=AMPLITUDE_MM * np.cos(place) + rng.normal(0.0, noise_mm, time_s.size),
        encoder_time_s=encoder_s,
        encoder_deg=turned_deg(encoder_s, speed_deg_per_s),
        indicator_from_mesh_deg=0.0,
        times_apart_uncertainty_s=stated_s,
    )


def test_the_speed_is_the_mean_over_the_angle() -> None:
    # Turned a quarter at 20 and three quarters at 60 degrees a second: 0.25 * 20 + 0.75 * 60 = 50.
    time_s = np.arange(0.0, 4.5 + 4.5, 0.01)
    angle_deg = np.where(time_s < 4.5, 20.0 * time_s, 90.0 + 60.0 * (time_s - 4.5))
    assert turning_speed_deg_per_s(time_s, angle_deg) == pytest.approx(50.0, rel=0.01)
    assert turning_speed_deg_per_s(time_s, -angle_deg) == pytest.approx(50.0, rel=0.01)
    assert turning_speed_deg_per_s(time_s, np.zeros(time_s.size)) == 0.0
    assert math.isnan(turning_speed_deg_per_s([0.0, 0.1], [0.0, 9.0]))


@pytest.mark.parametrize("speed", [15.0, 60.0, 240.0])
def test_the_stated_high_point_covers_a_delay_that_is_drawn_as_stated(speed: float) -> None:
    """Delays drawn from the stated distribution; the simulated shaft knows nothing of the formula."""
    record = made_assessment(count=5).record
    rng = np.random.default_rng(int(speed))
    apart_s = 0.004
    covered = []
    for seed in range(100):
        trace = sweep(speed, rng.normal(0.0, apart_s), stated_s=apart_s, noise_mm=0.0002, seed=seed)
        found = sweep_result(trace, record, None).sweep
        assert found is not None
        off_deg = (found.once.high_point_deg - HIGH_DEG + 180.0) % 360.0 - 180.0
        covered.append(abs(off_deg) <= 1.96 * found.once.high_point_uncertainty_deg)
    # Binomial(100, 0.95): below 88, and 100, would each be odder than one in a hundred.
    assert 88 <= sum(covered) <= 99


def test_time_and_scatter_add_as_the_law_of_propagation_says() -> None:
    """Against the uncertainties package: high point = phase + speed * delay."""
    angle_deg = np.arange(0.0, 1080.0, 0.5)
    rng = np.random.default_rng(3)
    read_mm = AMPLITUDE_MM * np.cos(np.radians(angle_deg - HIGH_DEG)) + rng.normal(0, 0.002, angle_deg.size)
    speed, apart_s = 40.0, 0.02
    plain = measure_runout(angle_deg, read_mm)
    timed = measure_runout(angle_deg, read_mm, angle_uncertainty_deg=speed * apart_s)
    expected = ufloat(HIGH_DEG, plain.once.high_point_uncertainty_deg) + speed * ufloat(0.0, apart_s)
    assert timed.once.high_point_uncertainty_deg == pytest.approx(expected.std_dev, rel=1e-12)
    assert timed.once.standard_uncertainty_mm == plain.once.standard_uncertainty_mm
    unknown = measure_runout(angle_deg, read_mm, angle_uncertainty_deg=math.inf)
    # A point anywhere on the turn: rectangular, half width 180 (GUM 4.3.7).
    assert unknown.once.high_point_uncertainty_deg == pytest.approx(180.0 / math.sqrt(3.0))


def test_what_nobody_stated_is_said_and_not_taken_for_nothing() -> None:
    record = made_assessment(count=5).record
    unstated = sweep_result(sweep(40.0, 0.0, stated_s=math.nan), record, None)
    assert "nobody has stated" in unstated.sentence
    assert "every 10 ms turn the high point by 0.4°, which is not included" in unstated.sentence
    hopeless = sweep_result(sweep(40.0, 0.0, stated_s=math.inf), record, None)
    assert "it may be anywhere" in hopeless.sentence
    assert hopeless.sweep is not None
    assert hopeless.sweep.once.high_point_uncertainty_deg > 100.0
    assert hopeless.match is not None
    assert math.isfinite(hopeless.match.standard_uncertainty_mm)
    assert "is not included" in time_sentence(0.001, math.nan)


def test_turning_both_ways_shows_a_delay_that_no_stream_shows() -> None:
    """The advice of the README: apart by delay times both speeds, right in the weighted mean."""
    record, delay_s = made_assessment(count=5).record, 0.020
    there = sweep_result(sweep(60.0, delay_s, stated_s=0.001), record, None)
    back = sweep_result(sweep(-30.0, delay_s, stated_s=0.001), record, None)
    assert there.sweep is not None
    assert back.sweep is not None
    first, second = there.sweep.once.high_point_deg, back.sweep.once.high_point_deg
    fast, slow = there.turning_deg_per_s, back.turning_deg_per_s
    assert (first - second) / (fast + slow) == pytest.approx(delay_s, abs=0.0005)
    assert (first * slow + second * fast) / (fast + slow) == pytest.approx(HIGH_DEG, abs=0.2)
    # Neither interval reaches the truth: the delay is in nobody's figure.
    assert abs(first - HIGH_DEG) > 1.96 * there.sweep.once.high_point_uncertainty_deg


def test_result_and_report_state_the_time_between_the_instruments() -> None:
    assessment = made_assessment(count=5)
    trace = sweep(40.0, 0.0, stated_s=0.0025)
    result = sweep_result(trace, assessment.record, None)
    whole = replace(assessment, sweeps=(result,))
    document = to_document(whole)
    (stated,) = document["sweeps"]
    assert stated["times_apart_standard_uncertainty_s"] == 0.0025
    assert stated["turning_deg_per_s"] == pytest.approx(41.3, abs=0.5)
    assert "Times known to 2.5 ms against each other turn the high point by 0.10°" in render_html(whole)


def test_a_rock_s_dwells_lose_only_their_edges_to_the_time_between_the_instruments() -> None:
    """The encoder's times run 12 ms late: the first samples of each dwell still show the ramp before it."""
    assessment = made_assessment(count=5)
    record, position = assessment.record, assessment.positions[0]
    trace, rock = record.traces[0], position.rock
    time_s = np.arange(trace.time_s[0], trace.time_s[-1], 0.002)
    level = np.zeros(time_s.size)
    for dwell in rock.dwells:
        inside = (time_s >= dwell.start_s + 0.012) & (time_s <= dwell.end_s + 0.012)
        level[inside] = 0.05 if dwell.high else -0.05
    late = replace(trace, encoder_time_s=time_s, encoder_deg=level)
    assert record.encoder is not None
    naive = encoder_view(late, rock, record.encoder, record.gear_set)
    aware = encoder_view(
        replace(late, times_apart_uncertainty_s=0.007), rock, record.encoder, record.gear_set
    )
    # Δθ r_e2 cos α_n cos β_e with Δθ = 0.1 degrees (DESIGN, from ISO 23509:2016 eqs 202-211).
    true_mm = math.radians(0.1) * record.gear_set.normal_from_transverse(
        record.gear_set.outer_gear_pitch_radius_mm
    )
    assert naive.backlash_mm is not None
    assert aware.backlash_mm is not None
    assert abs(naive.backlash_mm / true_mm - 1.0) > 0.03
    assert aware.backlash_mm == pytest.approx(true_mm, rel=1e-9)
    # The middle of the two flanks is where it was made to be: on a dwell no time makes an angle.
    assert aware.gear_angle_deg == pytest.approx(0.0, abs=1e-12)
