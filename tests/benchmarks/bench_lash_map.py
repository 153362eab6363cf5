"""Coverage of the tight spot's band, the named tight spot, and the time of a fit, on invented lash maps.

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_lash_map.py [seeds]`` (default 400 a row, some minutes).

Truth is made by `lash_truth.py`, which shares no code with the analysis: once per turn 5–30 µm a member,
twice per turn up to 2 µm, own deviation of every tooth; readings with 0.2 µm standard uncertainty at planned
positions.  Beside it a plain weighted least-squares fit of the once-per-turn terms (statsmodels WLS, standard
errors scaled by the residuals), whose band is the one most people would take: the fitted minimum plus and
minus t times its standard error.
"""

from __future__ import annotations

import math
import sys
import time
from typing import TYPE_CHECKING

import numpy as np
from analysis.lash_truth import gear_set, made_truth
from lashmap_analysis import fit_lash_map, plan_positions
from scipy.stats import t as student
from statsmodels.api import WLS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

SETS = (
    (20, 20, 12, 1),
    (20, 40, 24, 1),
    (15, 45, 20, 1),
    (13, 40, 24, 13),
    (17, 46, 30, 17),
    (11, 45, 24, 11),
)
TOOTH_UM = (0.3, 1.0, 3.0)
READING_MM = 0.0002


def waves(teeth: tuple[int, int], engagements: Integers) -> Floats:
    """Constant, and once-per-turn cosine and sine of each member of different period."""
    columns = [np.ones(len(engagements))]
    for count in sorted(set(teeth)):
        angle = 2.0 * math.pi * engagements / count
        columns += [np.cos(angle), np.sin(angle)]
    return np.stack(columns, axis=1)


def plain_band(teeth: tuple[int, int], plan: Integers, readings: Floats) -> tuple[float, float, int]:
    """Band of the minimum of a plain fit, and where it lies."""
    fit = WLS(readings, waves(teeth, plan), weights=np.full(len(plan), READING_MM**-2)).fit()
    every = waves(teeth, np.arange(math.lcm(*teeth)))
    curve = every @ fit.params
    k = int(curve.argmin())
    half = float(student.ppf(0.975, fit.df_resid)) * math.sqrt(every[k] @ fit.cov_params() @ every[k])
    return curve[k] - half, curve[k] + half, k


def row(case: tuple[int, int, int, int], tooth_um: float, seeds: int) -> list[float]:
    """One line of figures: of the lash map, then of the plain fit."""
    pinion, gear, count, turns = case
    gears = gear_set(pinion, gear)
    plan = plan_positions(gears, count, turns, repeats=0)
    figures = []
    for seed in range(seeds):
        generator = np.random.default_rng([seed, pinion, gear])
        truth = made_truth(pinion, gear, generator, gear_tooth_um=tooth_um, pinion_tooth_um=tooth_um)
        readings = truth.read(plan, READING_MM, generator)
        began = time.perf_counter()
        fitted = fit_lash_map(gears, plan, readings, READING_MM)
        spent = time.perf_counter() - began
        least = truth.backlash_mm.min()
        low, high = fitted.tight_spot.band_mm
        off = truth.backlash_mm[fitted.tight_spot.engagement] - least
        plain_low, plain_high, k = plain_band((pinion, gear), plan, readings)
        figures.append(
            [
                low <= least <= high,
                off <= 0.002,
                1e3 * (high - low),
                1e3 * spent,
                plain_low <= least <= plain_high,
                truth.backlash_mm[k] - least <= 0.002,
                1e3 * (plain_high - plain_low),
            ]
        )
    return [float(figure) for figure in np.mean(figures, axis=0)]


def main() -> None:
    """Print the table."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print("| set | positions | teeth σ µm | covers | within 2 µm | width µm | fit ms ", end="")
    print("| plain: covers | within 2 µm | width µm |")
    print("|---" * 10 + "|")
    for case in SETS:
        for tooth_um in TOOTH_UM:
            a, b, c, d, e, f, g = row(case, tooth_um, seeds)
            print(f"| {case[0]}:{case[1]} | {case[2]} | {tooth_um} ", end="")
            print(f"| {100 * a:.1f} % | {100 * b:.0f} % | {c:.1f} | {d:.0f} ", end="")
            print(f"| {100 * e:.1f} % | {100 * f:.0f} % | {g:.1f} |", flush=True)


if __name__ == "__main__":
    main()
