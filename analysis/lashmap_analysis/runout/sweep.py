"""The runout sweep: an indicator against a turning shaft becomes FIM and its once- and twice-per-turn parts.

Decided here: how a sweep with ragged ends and uneven speed is made into whole turns of equal weight, and what
is refused. Not decided here: what that runout does to backlash (`runout/match.py`).

Why cells of equal angle: samples crowd where the shaft turns slowly, and a plain fit or a Fourier transform
over time would weigh those places more and let higher orders leak into the first. Each turn is cut into equal
cells, each cell counts once, and the harmonics are fitted to the cell means with the sines averaged over the
same samples, so that the cell's width does not bias them and higher orders leak only as far as samples within
a cell are uneven.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf, isinf, isnan, nan, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashmap_analysis.errors import FieldError

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# Cells a turn may be cut into, finest first; 12 leave seven to spare beside mean, once and twice per turn.
CELLS = (360, 180, 120, 90, 72, 60, 45, 36, 24, 18, 12)
PARAMETERS = 5


class RunoutError(FieldError):
    """A sweep from which no runout can be taken."""


@dataclass(frozen=True, kw_only=True)
class TurnPart:
    """One order of the runout.

    Attributes:
        amplitude_mm: Half of its peak to peak. Noise makes the amplitude of a true circle about as large as
            its standard uncertainty, never zero.
        standard_uncertainty_mm: Of the amplitude.
        high_point_deg: Encoder angle at which the indicator reads most: 0 … 360 for once per turn, 0 … 180
            for twice.
        high_point_uncertainty_deg: Standard uncertainty, that of the angle against the indicator included;
            never above that of a point anywhere on the turn.
    """

    amplitude_mm: float
    standard_uncertainty_mm: float
    high_point_deg: float
    high_point_uncertainty_deg: float


@dataclass(frozen=True, kw_only=True)
class RunoutSweep:
    """What a sweep says.

    Attributes:
        turns: Whole turns used; what is over at both ends is left out.
        fim_mm: Full indicator movement of the mean turn.
        fim_uncertainty_mm: Its standard uncertainty.
        fim_by_turn_mm: The trade's reading, largest minus smallest, of each turn.
        once: Once-per-turn part.
        twice: Twice-per-turn part.
        rest_mm: Peak to peak of the mean turn without both parts.
        repeatability_mm: Standard deviation of one turn about the mean turn; NaN for a single turn.
        drift_mm_per_turn: Straight drift that was removed; 0 for a single turn, where it cannot be told from
            runout.
        angle_deg: Shape (cells,), middle of each cell, 0 … 360.
        profile_mm: Shape (cells,), the mean turn about its mean.
        angle_uncertainty_deg: Of all angles together against the indicator, as given.
    """

    turns: int
    fim_mm: float
    fim_uncertainty_mm: float
    fim_by_turn_mm: tuple[float, ...]
    once: TurnPart
    twice: TurnPart
    rest_mm: float
    repeatability_mm: float
    drift_mm_per_turn: float
    angle_deg: Floats
    profile_mm: Floats
    angle_uncertainty_deg: float = 0.0


def measure_runout(
    angle_deg: ArrayLike,
    indicator_mm: ArrayLike,
    *,
    resolution_mm: float = 0.0,
    angle_uncertainty_deg: float = 0.0,
) -> RunoutSweep:
    """Measure the runout in a sweep.

    Args:
        angle_deg: Shape (n,), encoder angle at each sample, in the order they were taken; counted on over
            several turns or wrapped at 360, in either direction. Neighbouring samples are less than half a
            turn apart.
        indicator_mm: Shape (n,), indicator at the same instants.
        resolution_mm: Display step of the indicator, for the uncertainty; 0 when it is negligible.
        angle_uncertainty_deg: Standard uncertainty of all angles together against the indicator, such as
            that of the time between the two instruments times the speed. It turns the high points. The
            amplitudes it leaves alone: were it different from sample to sample instead, order k would be
            smeared to exp(−(k u)²/2) of itself, 0.015 % for one degree once per turn.

    Returns:
        FIM, once- and twice-per-turn parts, the rest, repeatability between turns.

    Raises:
        RunoutError: Arrays that do not match or are not finite, less than one full turn, or a turn with a
            stretch of 30 degrees or more without samples.
    """
    angle, indicator = _checked(angle_deg, indicator_mm)
    span = float(angle.max() - angle.min())
    turns = int((span + 1e-6) // 360)
    if turns < 1:
        raise RunoutError("angle_deg", round(span, 2), "a sweep over at least one full turn of 360 degrees")
    start = float(angle.min()) + (span - 360 * turns) / 2
    table, basis, count = _cells(angle, indicator, start, turns)
    drift = _drift(table)
    level = table - (np.arange(turns)[:, np.newaxis] + np.arange(count) / count) * drift
    weights = np.array([_harmonics(level[turn], basis[turn]) for turn in range(turns)])
    mean_turn = level.mean(axis=0)
    fitted = np.einsum("tcp,tp->tc", basis, weights)
    scatter = _standard_deviation_of_weights(weights, level - fitted, mean_turn)
    profile = mean_turn - mean_turn.mean()
    rest = (level - fitted).mean(axis=0)
    noise = _cell_noise(level, rest)
    mean_weights = weights.mean(axis=0)
    once, twice = (
        _part(
            mean_weights[2 * order - 1 : 2 * order + 1],
            order,
            scatter=scatter,
            step_mm=resolution_mm,
            cells=count,
            angle_deg=angle_uncertainty_deg,
        )
        for order in (1, 2)
    )
    middle = (start + (np.arange(count) + 0.5) * 360 / count) % 360
    order = np.argsort(middle)
    return RunoutSweep(
        turns=turns,
        fim_mm=float(np.ptp(profile)),
        fim_uncertainty_mm=sqrt(2 * noise**2 / turns + resolution_mm**2 / 6),
        fim_by_turn_mm=tuple(float(np.ptp(row)) for row in table),
        once=once,
        twice=twice,
        rest_mm=float(np.ptp(rest)),
        repeatability_mm=noise if turns > 1 else nan,
        drift_mm_per_turn=drift,
        angle_deg=middle[order],
        profile_mm=profile[order],
        angle_uncertainty_deg=angle_uncertainty_deg,
    )


def _checked(angle_deg: ArrayLike, indicator_mm: ArrayLike) -> tuple[Floats, Floats]:
    angle = np.asarray(angle_deg, dtype=np.float64)
    indicator = np.asarray(indicator_mm, dtype=np.float64)
    if angle.ndim != 1 or angle.shape != indicator.shape:
        raise RunoutError("indicator_mm", indicator.shape, f"one value for each angle, shape {angle.shape}")
    for field, values in (("angle_deg", angle), ("indicator_mm", indicator)):
        if not np.all(np.isfinite(values)):
            raise RunoutError(field, "NaN or infinity", "finite numbers only")
    if angle.size < CELLS[-1]:
        raise RunoutError("angle_deg", angle.size, f"at least {CELLS[-1]} samples")
    return np.unwrap(angle, period=360.0), indicator


def _cells(angle: Floats, indicator: Floats, start: float, turns: int) -> tuple[Floats, Floats, int]:
    """Cell means (turns, cells), averaged sines (turns, cells, 5) and the number of cells in a turn."""
    place = (angle - start) / 360
    # The sample that closes the last turn exactly stands where the first one does, and is left out.
    inside = (place >= -1e-9) & (place < turns - 1e-9)
    place, value, theta = np.maximum(place[inside], 0.0), indicator[inside], np.deg2rad(angle[inside])
    waves = (np.ones_like(theta), np.cos(theta), np.sin(theta), np.cos(2 * theta), np.sin(2 * theta))
    gap_deg = 0.0
    for count in CELLS:
        cell = np.minimum((place * count + 1e-9).astype(np.int64), turns * count - 1)
        filled = np.bincount(cell, minlength=turns * count)
        if filled.min() > 0:
            means = [np.bincount(cell, row, turns * count) / filled for row in (value, *waves)]
            shaped = [mean.reshape(turns, count) for mean in means]
            return shaped[0], np.stack(shaped[1:], axis=2), count
        gap_deg = (start + int(np.argmin(filled)) * 360 / count) % 360
    got = f"none in the 30 degrees from {gap_deg:.0f} of one turn"
    raise RunoutError("angle_deg", got, "samples all around each turn")


def _drift(table: Floats) -> float:
    """Slope of the turns' means, mm per turn; 0 for a single turn."""
    turns = len(table)
    if turns < 2:
        return 0.0
    index = np.arange(turns) - (turns - 1) / 2
    return float(index @ table.mean(axis=1) / (index @ index))


def _harmonics(level: Floats, basis: Floats) -> Floats:
    """Least squares of mean, cos, sin, cos 2, sin 2 over the cells of one turn: shape (5,)."""
    return np.asarray(np.linalg.lstsq(basis, level, rcond=None)[0])


def _standard_deviation_of_weights(weights: Floats, residual: Floats, mean_turn: Floats) -> float:
    """Standard uncertainty of one mean weight: from turn to turn, or from the residuals of a single turn.

    The four weights of both orders share one variance, so several turns give 4 (turns − 1) degrees of
    freedom. A single turn has only its residuals, in which neighbours are alike: n cells count as
    n (1 − r) / (1 + r), r being their correlation (the usual rule for a first-order process; from memory).
    Higher orders count as noise there, so that a single turn claims less than it knows.
    """
    turns, cells = residual.shape
    if turns > 1:
        return sqrt(float(np.var(weights[:, 1:], axis=0, ddof=1).mean()) / turns)
    left = residual[0]
    power = float(left @ left)
    if power <= 1e-24 * float(mean_turn @ mean_turn + 1.0):
        return 0.0
    alike = min(max(float(left @ np.roll(left, 1)) / power, 0.0), 0.95)
    counting = max(cells * (1 - alike) / (1 + alike), 2.0)
    return sqrt(2 / counting * power / (cells - PARAMETERS))


def _cell_noise(level: Floats, rest: Floats) -> float:
    """Standard deviation of one cell of one turn about the mean turn; from neighbours for a single turn."""
    turns = len(level)
    if turns > 1:
        return sqrt(float(np.sum((level - level.mean(axis=0)) ** 2)) / ((turns - 1) * level.shape[1]))
    return sqrt(float(np.mean((rest - np.roll(rest, 1)) ** 2)) / 2)


def _part(
    pair: Floats, order: int, *, scatter: float, step_mm: float, cells: int, angle_deg: float
) -> TurnPart:
    """An order from its weights of cosine and sine, shape (2,), and the standard uncertainty of either."""
    amplitude = float(np.hypot(*pair))
    # A turn crosses about 4 A / step display steps for each order; that many rounding errors are averaged.
    crossed = min(max(4 * amplitude / step_mm, 1.0), cells) if step_mm > 0 else inf
    uncertainty = sqrt(scatter**2 + step_mm**2 / 12 * 2 / crossed)
    anywhere = 360 / order / sqrt(12)
    turn = uncertainty / amplitude * 180 / pi / order if amplitude > 0 else anywhere
    return TurnPart(
        amplitude_mm=amplitude,
        standard_uncertainty_mm=uncertainty,
        high_point_deg=float(np.rad2deg(np.arctan2(pair[1], pair[0])) / order % (360 / order)),
        high_point_uncertainty_deg=min(hypot(turn, angle_deg), anywhere),
    )


# How far the time between two instruments may turn the high point of a runout sweep.
#
# Indicator and encoder are read over separate cables, and what each stream shows of its own delay leaves a
# standard uncertainty of one time against the other. While the shaft turns, that is an angle. Decided here:
# how large it is, and what is said about it. Over the dwells of a rock nothing turns, so that there only
# the edges of a dwell matter (`rock/cross_check.py`).
#
# What no stream shows is a delay that never changes, such as an instrument's own filter: it is in nobody's
# figure. It turns the high points of two sweeps in opposite directions apart, by the delay times the sum of
# their speeds.


_STEP_S = 0.1  # speeds over shorter times are the encoder's counts, not the shaft


def turning_speed_deg_per_s(time_s: ArrayLike, angle_deg: ArrayLike) -> float:
    """Mean speed over the angle turned: a place weighs by its share of the turn, as it does in the runout.

    A delay t moves the sample at angle θ by ω(θ) t, and each equal part of the turn counts once, so that the
    mean of ω over angle counts: ∫ω dθ / ∫dθ = ∫ω² dt / ∫|ω| dt.

    Args:
        time_s: Shape (n,), increasing.
        angle_deg: Shape (n,), not wrapped.

    Returns:
        Degrees a second, positive in either direction; nan for less than a fifth of a second of samples.
    """
    time, angle = np.asarray(time_s, dtype=np.float64), np.asarray(angle_deg, dtype=np.float64)
    if time.size < 2 or time[-1] - time[0] < 2 * _STEP_S:
        return nan
    grid = np.arange(time[0], time[-1], _STEP_S)
    speed = np.abs(np.diff(np.interp(grid, time, angle))) / _STEP_S
    turned = float(speed.sum())
    return float(speed @ speed) / turned if turned > 0 else 0.0


def time_sentence(times_apart_s: float, speed_deg_per_s: float) -> str:
    """Say what the time between the instruments makes of the high point.

    Args:
        times_apart_s: Standard uncertainty of one instrument's times against the other's; nan when nobody
            stated one, infinite when it is known that nothing is known.
        speed_deg_per_s: Speed of the member.
    """
    if isnan(speed_deg_per_s):
        return (
            "The sweep is too short to tell how fast it was turned; what the time between indicator and "
            "encoder makes of the high point is not included."
        )
    speed = f"{speed_deg_per_s:.0f}°/s"
    if isnan(times_apart_s) or isinf(times_apart_s):
        return (
            "How well the times of indicator and encoder are known against each other, nobody has stated; at "
            f"{speed} every 10 ms turn the high point by {0.01 * speed_deg_per_s:.1f}°"
            + (", which is not included." if isnan(times_apart_s) else ": it may be anywhere.")
        )
    return (
        f"Times known to {1000 * times_apart_s:.1f} ms against each other turn the high point by "
        f"{times_apart_s * speed_deg_per_s:.2f}° at {speed} (standard uncertainty, included)."
    )
