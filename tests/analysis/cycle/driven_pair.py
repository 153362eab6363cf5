"""A pair of gears turned slowly between two encoders, by brute force: the foremost tooth pair carries.

It shares nothing with the analysis: each flank of each tooth has an error of its own, both are relieved
towards the ends of contact, and at every instant the gear stands where the foremost of all pairs in contact
puts it. Lengths are arcs at the outer pitch circle, in mm; places are in engagements.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import pi

import numpy as np
from lashmap_analysis.cycle.passes import CyclePass
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class DrivenPair:
    """The teeth, and the shafts they sit on.

    Attributes:
        errors_mm: Of (gear drive, gear coast, pinion drive, pinion coast) flanks, material positive.
        lash_mm: Transverse, without any error and relief.
        relief_mm: What a flank falls back half an engagement from the middle of its contact.
        roll: Where in an engagement the middles of contact of drive and coast flanks lie.
        contact: Engagements over which a pair can touch.
        wave: What a profile waves by beside its relief: amplitude, and waves in an engagement.
        wave_own: How far waves of single gear teeth are shifted against each other, in radians.
        eccentric_deg: Of the pinion's and the gear's encoder on its shaft.
        wind_up_mm_per_nm: Trailing under the brake.
    """

    pinion_teeth: int
    gear_teeth: int
    module_mm: float
    errors_mm: tuple[Floats, Floats, Floats, Floats]
    lash_mm: float = 0.15
    relief_mm: float = 0.002
    roll: tuple[float, float] = (0.05, -0.1)
    contact: float = 1.6
    wave: tuple[float, float] = (0.0, 3.0)
    wave_own: float = 0.0
    eccentric_deg: tuple[float, float] = (0.03, 0.02)
    wind_up_mm_per_nm: float = 0.0005

    @property
    def length(self) -> int:
        """Of the mesh cycle."""
        return int(np.lcm(self.pinion_teeth, self.gear_teeth))

    @property
    def arc_mm(self) -> float:
        """Of one engagement."""
        return pi * self.module_mm

    def ends(self, place: Floats) -> tuple[Floats, Floats]:
        """Where the gear stands behind and ahead of the ideal ratio, pushed forward and pushed back."""
        behind, ahead = np.full(place.shape, -np.inf), np.full(place.shape, np.inf)
        nearest = np.round(place).astype(np.int64)
        for step in (-1, 0, 1):
            tooth = nearest + step
            gear, pinion = tooth % self.gear_teeth, tooth % self.pinion_teeth
            for side in (0, 1):
                out = place - tooth - self.roll[side]
                reach = self.errors_mm[side][gear] + self.errors_mm[2 + side][pinion]
                reach = reach - self.relief_mm * (2 * out) ** 2
                if self.wave[0]:
                    shift = 1.0 + 2.0 * side + self.wave_own * np.sin(7.0 * gear)
                    reach = reach + self.wave[0] * np.cos(2 * pi * self.wave[1] * out + shift)
                touching = np.abs(out) <= self.contact / 2
                if side == 0:
                    behind = np.maximum(behind, np.where(touching, reach, -np.inf))
                else:
                    ahead = np.minimum(ahead, np.where(touching, self.lash_mm - reach, np.inf))
        return behind, ahead

    def lash(self, place: Floats) -> Floats:
        """Play at a place."""
        behind, ahead = self.ends(place)
        return ahead - behind

    @property
    def rocked_mm(self) -> Floats:
        """Play where a rock is made, at every engagement; shape (length,)."""
        return self.lash(np.arange(self.length, dtype=np.float64))

    @property
    def least_mm(self) -> tuple[float, float]:
        """Least play over all places of the cycle, and where."""
        place = np.arange(0, self.length, 1 / 64)
        lash = self.lash(place)
        return float(lash.min()), float(place[lash.argmin()])


def ordinary_pair(
    teeth: tuple[int, int],
    rng: np.random.Generator,
    *,
    module_mm: float = 3.0,
    tooth_um: float = 2.0,
    runout_um: float = 10.0,
    bad_tooth_um: float = 0.0,
    **given: object,
) -> DrivenPair:
    """A set of ordinary quality: runout on both members, every flank with an error of its own."""
    flanks = []
    for count in (teeth[1], teeth[0]):
        turn = np.arange(count) * 2 * pi / count
        runout = rng.uniform(0.2, 1.0) * runout_um / 2 * np.cos(turn - rng.uniform(0, 2 * pi))
        flanks.append([runout + tooth_um * rng.standard_normal(count) for _ in (0, 1)])
    if bad_tooth_um:
        bad = int(rng.integers(teeth[1]))
        flanks[0][int(rng.integers(2))][bad] += bad_tooth_um
    (gear_drive, gear_coast), (pinion_drive, pinion_coast) = flanks
    return DrivenPair(
        pinion_teeth=teeth[0],
        gear_teeth=teeth[1],
        module_mm=module_mm,
        errors_mm=(1e-3 * gear_drive, 1e-3 * gear_coast, 1e-3 * pinion_drive, 1e-3 * pinion_coast),
        **given,  # type: ignore[arg-type]
    )


@dataclass(frozen=True, kw_only=True)
class Turning:
    """How a pass is driven and read.

    Attributes:
        speed_deg_per_s: Of the pinion, on average; negative backwards.
        ripple: Parts of the speed: once per turn of the pinion, and a slow wandering of the drive.
        counts: Per turn, of pinion and gear.
        rate_hz: Of the samples.
        skew_s: By how much the gear's stamps are late; None for counts latched together.
        stamp_noise_s: Of each stamp, after a driver's clock made them steady.
        held_up_s: By up to this each stamp is late, where no clock made them steady.
        lost: How often contact is lost, per pass.
        brake_nm: Of the brake.
        brake_swing: Part of the torque that changes once a turn of the gear.
        over: How far it turns beyond the cycle, in engagements.
        drift_mm_per_s: Of the gear's encoder.
        disturb: What else happens to (time, place, advance) as arrays; gives the advance.
    """

    speed_deg_per_s: float = 60.0
    ripple: tuple[float, float] = (0.05, 0.05)
    counts: tuple[int, int] = (20000, 20000)
    rate_hz: float = 1000.0
    skew_s: float | None = None
    stamp_noise_s: float = 0.0
    held_up_s: float = 0.0
    lost: float = 0.0
    brake_nm: float | None = 2.0
    brake_swing: float = 0.0
    over: float = 2.0
    part: float = 1.0
    drift_mm_per_s: float = 0.0
    disturb: Callable[[Floats, Floats, Floats], Floats] = field(default=lambda _t, _x, advance: advance)


def turn(pair: DrivenPair, how: Turning, rng: np.random.Generator, *, start_s: float = 0.0) -> CyclePass:
    """One pass over the mesh cycle (or a part of it)."""
    forward = how.speed_deg_per_s > 0
    whole = pair.length * how.part + how.over
    per_s = abs(how.speed_deg_per_s) / 360 * pair.pinion_teeth
    fine = 1 / (2 * how.rate_hz)
    time = np.arange(0, 1.3 * whole / per_s + 1, fine)
    knots = np.linspace(0, time.size - 1, max(int(time[-1] / 0.7), 4)).astype(int)
    slow = np.interp(np.arange(time.size), knots, rng.uniform(-1, 1, knots.size))
    phase = rng.uniform(0, 2 * pi)
    # Speed depends on the place: once per pinion turn; solved by two rounds of substitution.
    base = np.cumsum(per_s * (1 + how.ripple[1] * slow)) * fine
    place = base + how.ripple[0] * pair.pinion_teeth / (2 * pi) * (
        np.sin(2 * pi * base / pair.pinion_teeth + phase) - np.sin(phase)
    )
    end = int(np.searchsorted(place, whole))
    time, place = time[:end], place[:end] - how.over / 2
    if not forward:
        place = place[-1] - how.over / 2 - (place - place[0]) + how.over / 2
    behind, ahead = pair.ends(place)
    swing = how.brake_swing * np.cos(2 * pi * place / pair.gear_teeth - 0.7)
    wind = pair.wind_up_mm_per_nm * (how.brake_nm or 0.0) * (1 + swing)
    advance = behind - wind if forward else ahead + wind
    advance = _lose_contact(advance, ahead - behind, time, how, rng)
    advance = advance + how.drift_mm_per_s * (time + start_s)
    advance = how.disturb(time, place, advance)
    gear_place = place + advance / pair.arc_mm
    stamps = np.arange(0.01, time[-1] - 0.03, 1 / how.rate_hz)
    latched = how.skew_s is None
    gear_at = stamps if latched else stamps + rng.uniform(0, 1 / how.rate_hz)
    angles = []
    for at, values, teeth, counts, eccentric in (
        (stamps, place, pair.pinion_teeth, how.counts[0], pair.eccentric_deg[0]),
        (gear_at, gear_place, pair.gear_teeth, how.counts[1], pair.eccentric_deg[1]),
    ):
        angle = np.interp(at, time, values) * 360 / teeth
        angle = angle + eccentric * np.sin(np.deg2rad(angle) + 1.0)
        angles.append(np.floor(angle * counts / 360) * 360 / counts)
    pinion_s = start_s + stamps + (0.0 if latched else how.stamp_noise_s * rng.standard_normal(stamps.size))
    gear_s = pinion_s
    if not latched:
        gear_s = (
            start_s + gear_at + (how.skew_s or 0.0) + how.stamp_noise_s * rng.standard_normal(gear_at.size)
        )
        if how.held_up_s:
            pinion_s, gear_s = (one + rng.uniform(0, how.held_up_s, one.size) for one in (pinion_s, gear_s))
        pinion_s, gear_s = np.sort(pinion_s), np.sort(gear_s)
    return CyclePass(
        pinion_time_s=pinion_s,
        pinion_deg=angles[0],
        gear_time_s=gear_s,
        gear_deg=angles[1],
        brake_nm=how.brake_nm,
    )


def _lose_contact(
    advance: Floats, room_mm: Floats, time: Floats, how: Turning, rng: np.random.Generator
) -> Floats:
    """The gear runs ahead for 20 to 200 ms and falls back: up to the other flank."""
    out = advance.copy()
    forward = how.speed_deg_per_s > 0
    for _ in range(rng.poisson(how.lost)):
        begin, lasts = rng.uniform(0, time[-1]), rng.uniform(0.02, 0.2)
        inside = (time >= begin) & (time <= begin + lasts)
        height = rng.uniform(0.2, 1.0) * np.sin(pi * (time[inside] - begin) / lasts)
        room = room_mm[inside]
        out[inside] += height * room if forward else -height * room
    return out
