"""The fit against the world outside, with priors that leave a plain harmonic regression."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from analysis.lash_truth import gear_set, made_truth
from lashmap_analysis import fit_lash_map
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_analysis.lash_map.lash_map import Priors
from lashmap_analysis.lash_map.model import PatternModel
from lashmap_analysis.lash_map.posterior import Readings, posterior
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from statsmodels.regression.linear_model import WLS

Floats = NDArray[np.float64]

ENSO = Path(__file__).parents[1].parent / "data" / "nist_enso.dat"

# Once-per-turn terms free, no teeth, no twice-per-turn terms, readings as stated: weighted least squares.
PLAIN = Priors(
    once_um=(300.0, 1e-6),
    twice_um=(1e-6, 1e-6),
    tooth_um=(1e-6, 1e-6),
    tooth_ratio=(1.0, 1e-6),
    neighbour_um=(1e-6, 1e-6),
    reading=(1.0, 1e-6),
    setting_um=(1e-6, 1e-6),
    bad_tooth=(0.0, 1.0),
    constant_um=300.0,
)


def columns(x: Floats, periods: tuple[float, ...]) -> Floats:
    """Constant, then cosine and sine of every period."""
    waves = [np.ones(len(x))]
    for period in periods:
        waves += [np.cos(2.0 * np.pi * x / period), np.sin(2.0 * np.pi * x / period)]
    return np.stack(waves, axis=1)


def test_nist_enso_comes_back_at_its_certified_periods() -> None:
    # NIST StRD, ENSO: certified values and residual standard deviation, periods b4 and b7 held at theirs.
    lines = ENSO.read_text(encoding="ascii").splitlines()
    certified = {
        name: float(value) for name, value in ((line.split()[0], line.split()[4]) for line in lines[40:49])
    }
    deviations = {line.split()[0]: float(line.split()[5]) for line in lines[40:49]}
    y, x = np.array([[float(word) for word in line.split()] for line in lines[60:228]]).T
    waves = columns(x, (12.0, certified["b4"], certified["b7"]))
    size = len(x) + 1
    features = np.concatenate([np.vstack([waves, np.zeros(7)]), np.eye(size)], axis=1)
    groups = np.array([-1, 0, 0, 1, 1, 2, 2] + [4] * len(x) + [5])
    kernels = np.stack([features[:, groups == k] @ features[:, groups == k].T for k in range(8)])
    model = PatternModel(
        cycle=MeshCycle(pinion_teeth=1, gear_teeth=len(x)),
        constant_um=1e3,
        features=features,
        feature_scale=groups,
        kernels=kernels,
    )
    readings = Readings(
        gear=np.arange(len(x)),
        pinion=np.full(len(x), len(x)),
        value_um=y,
        uncertainty_um=np.full(len(x), 2.2269642403),
        free_um=np.zeros(len(x)),
    )
    scales = np.log([[1e3, 1e3, 1e3, 1.0, 1e-3, 1.0, 1e-3, 1.0, 1e-9]])
    fitted = posterior(model, readings, np.zeros(size), scales, np.ones(1))
    found = np.linalg.lstsq(waves, fitted.mean_um[:-1], rcond=None)[0]
    names = ("b1", "b2", "b3", "b5", "b6", "b8", "b9")
    assert found == pytest.approx([certified[name] for name in names], rel=1e-5, abs=1e-6)
    back = np.linalg.pinv(waves)
    spread = np.sqrt(np.diag(back @ fitted.covariance_um2[:-1, :-1] @ back.T))
    # The yearly term is nearly orthogonal to the others, so its deviations hold with the periods fixed too.
    assert spread[1:3] == pytest.approx([deviations["b2"], deviations["b3"]], rel=1e-2)


def plain_case() -> tuple[NDArray[np.int64], Floats, Floats]:
    generator = np.random.default_rng(4)
    k = np.sort(generator.choice(520, 20, replace=False))
    truth = made_truth(13, 40, generator, gear_tooth_um=0.0, pinion_tooth_um=0.0, twice_um=0.0)
    uncertainty = generator.uniform(0.5e-3, 2e-3, 20)
    return k, truth.backlash_mm[k] + uncertainty * generator.standard_normal(20), uncertainty


def test_without_teeth_it_is_statsmodels_weighted_least_squares() -> None:
    k, readings, uncertainty = plain_case()
    reference = WLS(readings, columns(k.astype(float), (40.0, 13.0)), weights=uncertainty**-2).fit()
    every = np.arange(520)
    design = columns(every.astype(float), (40.0, 13.0))
    deviation = np.sqrt(np.sum(design @ reference.normalized_cov_params * design, axis=1))
    prediction = fit_lash_map(gear_set(13, 40), k, readings, uncertainty, priors=PLAIN).predict(every)
    assert prediction.backlash_mm == pytest.approx(design @ reference.params, abs=1e-6)
    assert prediction.standard_uncertainty_mm == pytest.approx(deviation, rel=1e-3)


def test_runout_and_its_uncertainty_are_those_of_scipy_curve_fit() -> None:
    def model(k: Floats, *p: float) -> Floats:
        gear = p[1] * np.cos(2.0 * np.pi * k / 40.0 - p[2])
        return p[0] + gear + p[3] * np.cos(2.0 * np.pi * k / 13.0 - p[4])

    k, readings, uncertainty = plain_case()
    fitted = fit_lash_map(gear_set(13, 40), k, readings, uncertainty, priors=PLAIN)
    assert fitted.gear_runout is not None
    assert fitted.pinion_runout is not None
    start = [fitted.mean_mm]
    for runout in (fitted.gear_runout, fitted.pinion_runout):
        start += [runout.amplitude_mm * 1.1, math.radians(runout.high_point_deg - 175.0)]
    found, covariance = curve_fit(
        model, k.astype(float), readings, p0=start, sigma=uncertainty, absolute_sigma=True
    )
    deviation = np.sqrt(np.diag(covariance))
    for index, runout in ((1, fitted.gear_runout), (3, fitted.pinion_runout)):
        assert runout.amplitude_mm == pytest.approx(found[index], rel=1e-4)
        assert runout.standard_uncertainty_mm == pytest.approx(deviation[index], rel=1e-2)
        # Least backlash lies half a turn past the crest; angles compared round the circle.
        apart = (runout.high_point_deg - 180.0 - math.degrees(found[index + 1]) + 180.0) % 360.0 - 180.0
        assert abs(apart) < 0.01
        assert math.radians(runout.high_point_uncertainty_deg) == pytest.approx(
            deviation[index + 1], rel=1e-2
        )


def test_over_whole_turns_the_gears_runout_is_the_first_line_of_the_fft() -> None:
    # numpy.fft on readings at every gear tooth of one turn, the pinion turning twice; usual priors else.
    generator = np.random.default_rng(8)
    truth = made_truth(20, 40, generator)
    readings = truth.read(np.arange(40), 2e-4, generator)
    line = np.fft.fft(readings)[1] / 20.0
    well = Priors(setting_um=(1e-3, 1e-3))  # settings that repeat: without repeats nothing else tells
    runout = fit_lash_map(gear_set(20, 40), np.arange(40), readings, 2e-4, priors=well).gear_runout
    assert runout is not None
    assert runout.amplitude_mm == pytest.approx(abs(line), abs=3e-5)
    # exp(−iφ) in the FFT's sign: the crest lies at −arg.
    crest = math.degrees(-np.angle(line))
    assert (runout.high_point_deg - crest) % 360.0 == pytest.approx(180.0, abs=0.3)
    # Uncertainty of a Fourier line from 40 readings: u √(2/40); the factor on readings is itself uncertain.
    assert runout.standard_uncertainty_mm == pytest.approx(2e-4 * math.sqrt(2.0 / 40.0), rel=0.2)
