"""A running test as a screen may show it: one snapshot, taken by value, without a terminal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

from lashmap_daemon.sequence.words import Phase
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.record.record import Units

    from lashmap_daemon.testing.conductor import Conductor


@dataclass(frozen=True, kw_only=True)
class Mark:
    """One position on the picture around the gear.

    Attributes:
        gear_angle_deg: Past the matched teeth, not wrapped.
        normal_backlash_mm: None while it is to be measured.
        purpose: ``planned`` or ``confirming``.
    """

    gear_angle_deg: float
    normal_backlash_mm: float | None
    purpose: Literal["planned", "confirming"]


class FlagShown(Protocol):
    """What a screen needs of a flag."""

    @property
    def name(self) -> str:
        """Its name."""

    @property
    def disabling(self) -> bool:
        """True when the rock gives no reading for it."""


class RockShown(Protocol):
    """What a screen needs of a rock: the analysis's own reading has it, and so has what came over the bus."""

    @property
    def reversals(self) -> int:
        """Steps from flank to flank so far."""

    @property
    def usable(self) -> bool:
        """True when it gives a reading."""

    @property
    def reading_mm(self) -> float:
        """The reading."""

    @property
    def standard_uncertainty_mm(self) -> float:
        """Of the reading."""

    @property
    def flags(self) -> Sequence[FlagShown]:
        """Refusals and warnings."""


@dataclass(frozen=True, kw_only=True)
class View:
    """A running test at one moment; ages and times in seconds, angles past the matched teeth."""

    units: Units
    phase: Phase
    instruction: str
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


def look(conductor: Conductor, now_s: float, instruction: str) -> View:
    """Take a snapshot.

    Args:
        conductor: The running test.
        now_s: Seconds since the test started.
        instruction: What the technician was asked last.
    """
    channels = conductor.channels
    indicator, gear = channels.latest_indicator, channels.latest_gear_deg
    state, rock = conductor.state, conductor.rock
    # While the marks are compared the encoder is not shown: the marks check it.
    gear_deg = None if gear is None or state.phase is Phase.CHECKING else gear[1]
    done = len(conductor.accepted)
    total = max(state.asked, done)
    marks = [
        Mark(
            gear_angle_deg=conductor.gear_set.gear_angle_deg(one.engagement),
            normal_backlash_mm=one.normal_backlash_mm,
            purpose=one.purpose,
        )
        for one in conductor.accepted.values()
    ]
    marks += [
        Mark(
            gear_angle_deg=conductor.gear_set.gear_angle_deg(target.engagement),
            normal_backlash_mm=None,
            purpose=target.purpose,
        )
        for target in state.queue
    ]
    predicted = conductor.predicted
    return View(
        units=conductor.box.box.units,
        phase=state.phase,
        instruction=instruction,
        indicator_mm=indicator[1] if indicator else None,
        indicator_age_s=now_s - indicator[0] if indicator else None,
        gear_deg=gear_deg,
        encoder_age_s=now_s - gear[0] if gear else None,
        target_deg=conductor.gear_set.gear_angle_deg(state.target.engagement) if state.target else None,
        rock=rock.reading if rock else None,
        rock_s=now_s - rock.started_s if rock else None,
        swept_deg=conductor.sweep_watch.turned_deg if state.sweep and conductor.sweep_watch else None,
        reversals_wanted=conductor.box.plan.reversals,
        marks=tuple(marks),
        done=done,
        total=total,
        elapsed_s=now_s,
        left_s=now_s / done * (total - done) if done else None,
        bad_frames=channels.bad_frames(INDICATOR) + channels.bad_frames(ENCODER),
        damaged=", ".join(conductor.channels.damaged()),
        tight_spot=(predicted.gear_angle_deg, predicted.normal_backlash_mm) if predicted else None,
    )
