"""One pass of a cycle run: two streams of angles become the gear's advance over the pinion, sample by sample.

Decided here: which samples of a pass count, and whether the two encoders can be what they are said to be.
Not decided here: what the advance says about flanks and lash (`cycle/cycle.py`).

The pinion's angle gives the *place* x in engagements past the matched teeth, z1 φ1 / 360°; the gear's angle
gives z2 φ2 / 360°.  Their difference is the *advance*: what the gear is ahead of the ideal ratio, written
as an arc at the outer pitch circle, π m_et for each engagement.  At one place, the advance on the coast
flanks less that on the drive flanks is the play there.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, nan, pi
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashmap_analysis.errors import FieldError

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]

LEAST_SAMPLES = 200
LEAST_STEP_DEG = 5e-6  # 72 million counts a turn; less is rounding
STEP_SAMPLES = 30_000  # tell the step of a count as well as all do
LONGEST_GAP = 3.5  # median distances between samples; across a longer gap nothing is interpolated
OF_PACKETS = 0.2  # of the times repeat the one before: they are those of packets
STANDING = 0.2  # of the typical speed; slower counts as standing
SPEED_WINDOW_S = 0.05


class CycleError(FieldError):
    """A cycle run whose arrays cannot be what they are said to be; see `FieldError` for the attributes."""


@dataclass(frozen=True, kw_only=True)
class CyclePass:
    """What both encoders said while the pinion was turned one way.

    The first angle counts from the matched teeth, whole turns included; later ones may be wrapped at 360.
    Neighbouring samples are less than half a turn apart.  Both angles rise when the box is turned forward.

    Attributes:
        pinion_time_s: Shape (n,), when each pinion angle was taken.
        pinion_deg: Shape (n,), past the matched teeth.
        gear_time_s: Shape (k,), on a clock that may differ from the pinion's by a constant; the very times of
            the pinion where both counts were latched together.
        gear_deg: Shape (k,), past the matched teeth.
        brake_nm: Torque of the brake on the gear's shaft; None when nobody measured it.
        pinion_time_uncertainty_s: Standard uncertainty of a usual time of the pinion, as whoever stamped it
            states; NaN when nobody has stated one.
        gear_time_uncertainty_s: The same of the gear.
    """

    pinion_time_s: Floats
    pinion_deg: Floats
    gear_time_s: Floats
    gear_deg: Floats
    brake_nm: float | None = None
    pinion_time_uncertainty_s: float = nan
    gear_time_uncertainty_s: float = nan

    @property
    def latched(self) -> bool:
        """Whether both counts were taken at the same instants."""
        return self.pinion_time_s is self.gear_time_s or np.array_equal(self.pinion_time_s, self.gear_time_s)

    @property
    def pinion_deg_per_s(self) -> float:
        """Mean speed of the pinion, never negative."""
        went_deg = float(np.unwrap(self.pinion_deg, period=360.0)[-1] - self.pinion_deg[0])
        return abs(went_deg) / float(self.pinion_time_s[-1] - self.pinion_time_s[0])


@dataclass(frozen=True, kw_only=True)
class Advance:
    """A pass as advance over place; every array has shape (n,), in the order of time.

    Attributes:
        time_s: When, on the pinion's clock.
        place: Engagements past the matched teeth, from the pinion's angle.
        advance_mm: Of the gear over the ideal ratio, as an arc at the outer pitch circle.
        speed_mm_per_s: Of the gear at the outer pitch circle, smoothed, negative backwards.
        forward: Direction of the pass.
        brake_nm: As given.
        arc_mm: Of one engagement.
        step_mm: Of both counts together (root of the sum of squares), at the pitch circle.
    """

    time_s: Floats
    place: Floats
    advance_mm: Floats
    speed_mm_per_s: Floats
    forward: bool
    brake_nm: float | None
    arc_mm: float
    step_mm: float

    @property
    def gear_place(self) -> Floats:
        """Engagements past the matched teeth, from the gear's angle."""
        return self.place + self.advance_mm / self.arc_mm


def advance_of(gear_set: GearSet, one: CyclePass) -> Advance:
    """Put a pass into advance over place.

    Raises:
        CycleError: Arrays that do not match or are not finite, too few samples, or a pass that does not turn.
    """
    pinion_s, pinion_deg = _stream("pinion", one.pinion_time_s, one.pinion_deg)
    gear_s, gear_deg = _stream("gear", one.gear_time_s, one.gear_deg)
    inside = ~_in_gap(pinion_s, gear_s)
    time, place = pinion_s[inside], pinion_deg[inside] * (gear_set.pinion_teeth / 360.0)
    gear_place = np.interp(time, gear_s, gear_deg) * (gear_set.gear_teeth / 360.0)
    if time.size < LEAST_SAMPLES:
        raise CycleError(
            "pinion_time_s", int(time.size), f"at least {LEAST_SAMPLES} samples of both encoders"
        )
    speed = _smooth_speed(time, gear_place)
    pinion_speed = _smooth_speed(time, place)
    typical = float(np.median(pinion_speed))
    if abs(place[-1] - place[0]) < 1.0 or typical == 0.0:
        raise CycleError("pinion_deg", float(np.ptp(pinion_deg)), "a pinion that turns one way")
    moving = pinion_speed * np.sign(typical) > STANDING * abs(typical)
    arc = pi * gear_set.outer_module_mm
    return Advance(
        time_s=time[moving],
        place=place[moving],
        advance_mm=arc * (gear_place - place)[moving],
        speed_mm_per_s=arc * speed[moving],
        forward=typical > 0,
        brake_nm=one.brake_nm,
        arc_mm=arc,
        step_mm=arc
        * hypot(
            _step_deg(pinion_deg) * gear_set.pinion_teeth / 360.0,
            _step_deg(gear_deg) * gear_set.gear_teeth / 360.0,
        ),
    )


def _stream(member: str, time_s: ArrayLike, angle_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Times rising, angles counted on; repeated and backward stamps left out."""
    time = np.asarray(time_s, dtype=np.float64)
    angle = np.asarray(angle_deg, dtype=np.float64)
    if time.ndim != 1 or time.shape != angle.shape:
        raise CycleError(f"{member}_deg", angle.shape, f"one angle for each time, shape {time.shape}")
    for name, values in ((f"{member}_time_s", time), (f"{member}_deg", angle)):
        if not np.all(np.isfinite(values)):
            raise CycleError(name, "NaN or infinity", "finite numbers only")
    if time.size < LEAST_SAMPLES:
        raise CycleError(f"{member}_time_s", int(time.size), f"at least {LEAST_SAMPLES} samples")
    rising = np.concatenate(([True], time[1:] > np.maximum.accumulate(time)[:-1]))
    if not rising.all():
        time, angle = time[rising], angle[rising]
    # Angles that count on are the rule, and need no unwrapping.
    return time, angle if float(np.abs(np.diff(angle)).max()) < 180.0 else np.unwrap(angle, period=360.0)


def packet_s(one: CyclePass) -> float:
    """Distance between packets whose time stands for all angles in them; 0 where angles have their own."""
    longest = 0.0
    for time in (np.asarray(one.pinion_time_s), np.asarray(one.gear_time_s)):
        apart = np.diff(time)
        if not one.latched and np.mean(apart <= 0.0) > OF_PACKETS:
            longest = max(longest, float(np.median(apart[apart > 0.0])))
    return longest


def _in_gap(time_s: Floats, other_s: Floats) -> Booleans:
    """Which instants lie outside the other stream, or in a gap of it."""
    if np.array_equal(time_s, other_s):
        return np.zeros(time_s.size, dtype=np.bool_)
    after = np.searchsorted(other_s, time_s)
    before_s = other_s[np.clip(after - 1, 0, other_s.size - 1)]
    after_s = other_s[np.clip(after, 0, other_s.size - 1)]
    longest = LONGEST_GAP * float(np.median(np.diff(other_s)))
    outside = (time_s < other_s[0]) | (time_s > other_s[-1])
    gap: Booleans = outside | ((after_s - before_s > longest) & (after_s != time_s))
    return gap


def _step_deg(angle_deg: Floats) -> float:
    """Step of a count: least usual difference between angles, or between such differences.

    A quick pass meets every sixth or seventh count only: that these differ by one tells the step.
    """
    apart = np.diff(np.unique(np.round(angle_deg[:STEP_SAMPLES] % 360.0, 7)))
    if not apart.size:
        return 0.0
    usual = np.unique(np.round(apart[apart <= np.quantile(apart, 0.9)], 6))
    differ = np.diff(usual)
    return float(np.append(differ[differ > LEAST_STEP_DEG], np.quantile(apart, 0.05)).min())


def _smooth_speed(time_s: Floats, place: Floats) -> Floats:
    """Mean speed over a short window about each sample."""
    step = max(float(np.median(np.diff(time_s))), 1e-9)
    half = max(round(SPEED_WINDOW_S / step / 2), 1)
    first = np.clip(np.arange(time_s.size) - half, 0, None)
    last = np.clip(np.arange(time_s.size) + half, None, time_s.size - 1)
    speed: Floats = (place[last] - place[first]) / (time_s[last] - time_s[first])
    return speed
