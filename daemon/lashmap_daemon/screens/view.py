"""A running test as a screen may show it: one snapshot, taken by value, without a terminal."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from lashmap_analysis.gears.tooth_names import TeethMet, teeth_met
from lashmap_analysis.record.record import ROLLED

from lashmap_daemon.screens.cue import Cue, cue_of
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story.events import Readiness
from lashmap_daemon.story.recorded import INDICATOR
from lashmap_daemon.story.story import Pass, Sweep

if TYPE_CHECKING:
    from lashmap_analysis.record.record import Purpose, Units
    from lashmap_analysis.rock.rock import RockReading

    from lashmap_daemon.testing.conductor import Conductor


STALE_S = 1.0  # a value that is older is said to be so


@dataclass(frozen=True)
class Mark:
    """One position on the picture around the gear.

    Attributes:
        gear_angle_deg: Past the matched teeth, not wrapped.
        normal_backlash_mm: None while it is to be measured.
        purpose: Why it is asked for; the pair is not rolled on there.
    """

    gear_angle_deg: float
    normal_backlash_mm: float | None
    purpose: Purpose


@dataclass(frozen=True)
class FlagShown:
    """A flag of a rock; ``disabling`` when the rock gives no reading for it."""

    name: str
    disabling: bool


@dataclass(frozen=True, kw_only=True)
class RockShown:
    """The rock in hand; its figures are nan without a reading."""

    reversals: int
    usable: bool
    reading_mm: float
    standard_uncertainty_mm: float
    flags: tuple[FlagShown, ...]


@dataclass(frozen=True, kw_only=True)
class RockTrace:
    """The indicator over the rock of one position, as a picture shows it.

    Attributes:
        low_mm: Least value in each of equal parts of the time shown, nan where there is none; shape (n,).
        high_mm: The largest.
        flanks_mm: Mean level of the lower and of the upper flank, as far as they were found.
        number: Of the position, or of the pass.
        is_rock: Otherwise it is the lash over the mesh cycle while passes are made, which has no sign.
    """

    low_mm: np.ndarray = field(compare=False)
    high_mm: np.ndarray = field(compare=False)
    flanks_mm: tuple[float, ...]
    number: int
    is_rock: bool = True

    @property
    def title(self) -> str:
        """What it is, with its number."""
        return f"{'rock of position' if self.is_rock else 'normal backlash so far, pass'} {self.number}"


@dataclass(frozen=True, kw_only=True)
class View:
    """A running test at one moment; ages and times in seconds, angles past the matched teeth."""

    units: Units
    phase: Phase
    instruction: str
    cue: Cue
    indicator_mm: float | None
    indicator_age_s: float | None
    gear_deg: float | None
    encoder_age_s: float | None
    target_deg: float | None
    rock: RockShown | None
    rock_s: float | None
    swept_deg: float | None
    reversals_wanted: int
    marks: tuple[Mark, ...]
    done: int
    total: int
    elapsed_s: float | None
    left_s: float | None
    bad_frames: int
    tight_spot: tuple[float, float] | None
    damaged: str = ""  # instruments whose lines are damaged, with the share of them
    limits_mm: tuple[float | None, float | None] = (None, None)  # least and most normal backlash allowed
    gear_teeth: int | None = None
    tight_teeth: TeethMet | None = None
    trace: RockTrace | None = None
    is_counted: bool = False  # there is no encoder
    is_by_angle: bool = False  # there is no indicator: its value is the arc of the gear
    ready_for: Readiness | None = None  # what the stand is made ready for while that is asked


def view_of(conductor: Conductor, now_s: float, instruction: str) -> View:
    """Take a snapshot.

    ``now_s`` counts from the start of the test.
    """
    channels = conductor.channels
    indicator, gear = channels.latest_indicator, channels.latest_gear_deg
    state, rock = conductor.state, conductor.rock
    # While the marks are compared the encoder is not shown: the marks check it.
    gear_deg = None if gear is None or state.phase is Phase.CHECKING else gear[1]
    done = len(conductor.story.accepted)
    total = max(state.asked, done)
    place_deg = conductor.gear_set.gear_angle_deg
    measured = conductor.story.mapped
    marks = [Mark(place_deg(one.engagement), one.normal_backlash_mm, one.purpose) for one in measured]
    marks += [
        Mark(place_deg(one.engagement), None, one.purpose) for one in state.queue if one.purpose not in ROLLED
    ]
    predicted = conductor.story.predicted
    return View(
        units=conductor.box.box.units,
        phase=state.phase,
        ready_for=state.ready_for,
        instruction=instruction,
        cue=cue_of(conductor, now_s),
        indicator_mm=indicator[1] if indicator else None,
        indicator_age_s=now_s - indicator[0] if indicator else None,
        gear_deg=gear_deg,
        encoder_age_s=now_s - gear[0] if gear else None,
        target_deg=state.target.place * place_deg(1) if state.target else None,
        rock=_rock(rock.reading) if rock and rock.reading else None,
        rock_s=now_s - rock.started_s if rock else None,
        swept_deg=conductor.sweep_watch.turned_deg
        if isinstance(state.turn, Sweep) and conductor.sweep_watch
        else None,
        reversals_wanted=conductor.box.plan.reversals,
        marks=tuple(marks),
        done=done,
        total=total,
        elapsed_s=now_s,
        left_s=now_s / done * (total - done) if done else None,
        bad_frames=sum(one.parser.bad_frames for one in channels.monitors.values()),
        damaged=", ".join(channels.damaged()),
        tight_spot=(predicted.gear_angle_deg, predicted.normal_backlash_mm) if predicted else None,
        limits_mm=_limits_mm(conductor),
        is_counted=conductor.is_counted,
        is_by_angle=INDICATOR not in channels.monitors,
        gear_teeth=conductor.gear_set.gear_teeth,
        tight_teeth=teeth_met(conductor.gear_set, predicted.engagement) if predicted else None,
    )


def _limits_mm(conductor: Conductor) -> tuple[float | None, float | None]:
    given = conductor.box.limits_for_analysis().normal_mm(conductor.gear_set)
    return given.get("minimum"), given.get("maximum")


_PARTS = 240
_SPAN_S = 4.0  # the time shown at first; twice as much when that is full


def trace_of(conductor: Conductor) -> RockTrace | None:
    """The rock in hand as it grows, or the lash over the mesh cycle while passes are made; None without."""
    turn = conductor.state.turn
    if isinstance(turn, Pass):
        return _curve_of(conductor.cycle_run.curve_mm, turn.number)
    rock, target = conductor.rock, conductor.state.target
    if rock is None or target is None:
        return None
    samples = conductor.channels.indicator(rock.started_s)
    finite = np.isfinite(samples.value)
    value, since_s = samples.value[finite], samples.time_s[finite] - rock.started_s
    low, high = np.full(_PARTS, np.nan), np.full(_PARTS, np.nan)
    if len(value):
        span_s = _SPAN_S
        while since_s[-1] >= span_s:
            span_s *= 2.0
        part = np.minimum((since_s / span_s * _PARTS).astype(int), _PARTS - 1)
        first = np.flatnonzero(np.r_[True, part[1:] != part[:-1]])
        low[part[first]] = np.minimum.reduceat(value, first)
        high[part[first]] = np.maximum.reduceat(value, first)
    dwells = rock.reading.dwells if rock.reading else ()
    sides = ([one.level_mm for one in dwells if one.high is high_one] for high_one in (False, True))
    flanks = tuple(float(np.mean(levels)) for levels in sides if levels)
    return RockTrace(low_mm=low, high_mm=high, flanks_mm=flanks, number=target.number)


def _curve_of(curve_mm: np.ndarray | None, number: int) -> RockTrace | None:
    if curve_mm is None:
        return None
    low, high = np.full(_PARTS, np.nan), np.full(_PARTS, np.nan)
    part = np.arange(curve_mm.size) * _PARTS // curve_mm.size
    seen = np.isfinite(curve_mm)
    middle = float(np.median(curve_mm[seen]))
    np.fmin.at(low, part[seen], curve_mm[seen])
    np.fmax.at(high, part[seen], curve_mm[seen])
    return RockTrace(low_mm=low, high_mm=high, flanks_mm=(middle,), number=number, is_rock=False)


def _rock(reading: RockReading) -> RockShown:
    return RockShown(
        reversals=reading.reversals,
        usable=reading.usable,
        reading_mm=reading.reading_mm,
        standard_uncertainty_mm=reading.standard_uncertainty_mm,
        flags=tuple(FlagShown(flag.name.value, flag.disabling) for flag in reading.flags),
    )
