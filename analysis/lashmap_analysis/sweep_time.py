"""How far the time between two instruments may turn the high point of a runout sweep.

Indicator and encoder are read over separate cables, and what each stream shows of its own delay leaves a
standard uncertainty of one time against the other. While the shaft turns, that is an angle. Decided here: how
large it is, and what is said about it. Over the dwells of a rock nothing turns, so that there only the edges
of a dwell matter (`cross_check.py`).

What no stream shows is a delay that never changes, such as an instrument's own filter: it is in nobody's
figure, and turns the high points of two sweeps in opposite directions of turning apart by twice its angle.
"""

from __future__ import annotations

from math import isinf, isnan, nan
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

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
        return ""
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
