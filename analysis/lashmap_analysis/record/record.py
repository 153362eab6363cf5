"""The test record: all that is needed to judge a box, as plain values and arrays; and what reviewers did.

The daemon fills it from a logbook, a notebook fills it by hand; nothing in it is computed. Angles of
engagement follow from counting: engagement ``k`` has the gear k / z2 turns and the pinion k / z1 turns past
the matched teeth.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from math import nan
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.record.conditions import NOTHING_RECORDED, Conditions

Floats = NDArray[np.float64]
Purpose = Literal["planned", "confirming", "third back", "third forward"]
ROLLED: Mapping[Purpose, float] = MappingProxyType({"third back": -1 / 3, "third forward": 1 / 3})
"""Pitches that the pair is rolled on from the whole engagement, for rocks that see the roll phase."""
Shaft = Literal["gear", "pinion"]
Units = Literal["mm", "in"]
DecisionRule = Literal["two-sided", "one-sided"]
Direction = Literal["forward", "back"]


@dataclass(frozen=True, kw_only=True)
class TypedReadings:
    """What a person read by eye at one position and typed, instead of samples.

    Attributes:
        rocks_mm: One for each rock: what the dial showed on the one flank and on the other, in mm; a lash
            that was typed itself stands as (0, lash), since the dial was set to 0 on the first flank.
    """

    rocks_mm: tuple[tuple[float, float], ...]

    @property
    def as_text(self) -> str:
        """One rock a line, to the last digit."""
        return "\n".join(f"{first!r} {other!r}" for first, other in self.rocks_mm)

    @classmethod
    def from_text(cls, text: str) -> TypedReadings | None:
        """What `as_text` wrote; None from an empty text.

        Raises:
            ValueError: The text is not one of `as_text`.
        """
        if not text:
            return None
        pairs = (line.split() for line in text.splitlines())
        return cls(rocks_mm=tuple((float(first), float(other)) for first, other in pairs))


@dataclass(frozen=True, kw_only=True)
class RockTrace:
    """The samples of one rock at one position.

    Attributes:
        position: Number of the position in the order of recording, from 1.
        engagement: Whole gear teeth past the matched teeth.
        purpose: Why the position was asked for; also how far the pair is rolled on (`ROLLED`).
        time_s: Shape (n,), seconds from the start of the test, increasing.
        indicator_mm: Shape (n,), as the indicator gave it, sign and zero included.
        encoder_time_s: Shape (m,), same time base.
        encoder_deg: Shape (m,), angle of the shaft that carries the encoder past the matched teeth.
        attempt: Which try at this position, from 1; earlier tries were refused.
        times_apart_uncertainty_s: Standard uncertainty of the indicator's times against the encoder's; nan
            when nobody has stated one.
        left_out_s: Reversals that a reviewer took out of the reading, each as the (start, end) of the time
            between its two dwells.
        typed: Readings that a person typed; then there are no samples. None where instruments were read.
        pinion_time_s: Shape (k,), same time base; of the pinion's own encoder on a stand with two.
        pinion_deg: Shape (k,), angle of the pinion's shaft past the matched teeth.
    """

    position: int
    engagement: int
    purpose: Purpose
    time_s: Floats
    indicator_mm: Floats
    encoder_time_s: Floats
    encoder_deg: Floats
    attempt: int = 1
    times_apart_uncertainty_s: float = nan
    left_out_s: tuple[tuple[float, float], ...] = ()
    typed: TypedReadings | None = None
    pinion_time_s: Floats = field(default_factory=lambda: np.empty(0))
    pinion_deg: Floats = field(default_factory=lambda: np.empty(0))

    @classmethod
    def of_typed(
        cls, typed: TypedReadings, *, position: int, engagement: int, purpose: Purpose, attempt: int = 1
    ) -> RockTrace:
        """A rock of which there are typed readings and no samples."""
        nothing = np.empty(0)
        return cls(
            position=position,
            engagement=engagement,
            purpose=purpose,
            attempt=attempt,
            typed=typed,
            time_s=nothing,
            indicator_mm=nothing,
            encoder_time_s=nothing,
            encoder_deg=nothing,
        )


@dataclass(frozen=True, kw_only=True)
class RunoutTrace:
    """The samples of one runout sweep: a member turned steadily before an indicator square to its pitch cone.

    Attributes:
        member: The member that was turned and touched.
        time_s: Shape (n,), seconds from the start of the test, increasing.
        indicator_mm: Shape (n,), as the indicator gave it; larger where the surface comes towards it.
        encoder_time_s: Shape (m,), same time base.
        encoder_deg: Shape (m,), angle of the shaft that carries the encoder past the matched teeth.
        indicator_from_mesh_deg: Where the indicator sat: angle of the member from the mesh to the indicator,
            in the direction of positive turning; None when nobody recorded it.
        times_apart_uncertainty_s: As in `RockTrace`.
    """

    member: Shaft
    time_s: Floats
    indicator_mm: Floats
    encoder_time_s: Floats
    encoder_deg: Floats
    indicator_from_mesh_deg: float | None = None
    times_apart_uncertainty_s: float = nan


@dataclass(frozen=True, kw_only=True)
class PassTrace:
    """The samples of one pass of a cycle run: the pinion turned one way against a light brake on the gear.

    Attributes:
        number: Of the pass in the order of asking, from 1.
        direction: ``forward`` with the drive flanks in contact, ``back`` with the coast flanks.
        pinion_time_s: Shape (n,), seconds from the start of the test, increasing.
        pinion_deg: Shape (n,), angle of the pinion's shaft past the matched teeth.
        gear_time_s: Shape (k,), same time base; the very array of the pinion where one frame carries both
            counts.
        gear_deg: Shape (k,), angle of the gear's shaft past the matched teeth.
        attempt: Which try at this pass, from 1; earlier tries were refused.
        brake_nm: Torque of the brake on the gear's shaft; None when nobody measured it.
        pinion_time_uncertainty_s: Standard uncertainty of a usual time of the pinion; nan when nobody has
            stated one.
        gear_time_uncertainty_s: The same of the gear.
    """

    number: int
    direction: Direction
    pinion_time_s: Floats
    pinion_deg: Floats
    gear_time_s: Floats
    gear_deg: Floats
    attempt: int = 1
    brake_nm: float | None = None
    pinion_time_uncertainty_s: float = nan
    gear_time_uncertainty_s: float = nan


@dataclass(frozen=True, kw_only=True)
class Encoder:
    """Where the angle encoder sits and how fine it is.

    Attributes:
        shaft: Gear shaft (it sees the rock) or pinion shaft (it sees the pinion slip).
        resolution_deg: One count, in degrees of that shaft.
        standard_uncertainty_deg: Of a difference of two angles a rock apart, other than resolution.
    """

    shaft: Shaft
    resolution_deg: float
    standard_uncertainty_deg: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Backlash allowed at the tightest point, from the drawing.

    Attributes:
        minimum_mm: Smallest backlash allowed; None when the drawing has none.
        maximum_mm: Largest backlash allowed at the tight spot; None when the drawing has none.
        variation_mm: Largest allowed difference between loosest and tightest engagement, or None.
        kind: Whether the drawing means normal or transverse backlash, at the outer end.
        source: Drawing or instruction the limits were taken from.
        untouched_tooth_mm: Normal backlash that a tooth which no position touched may take; None when the
            drawing does not say.
        tooth_accuracy_grade: ISO 17485 grade of both members; None when the drawing does not say.
        decision_rule: ``two-sided``: the whole 95 % interval inside every limit; ``one-sided``: 95 % to the
            side of each limit, the default of ISO 14253-1:2017.
    """

    minimum_mm: float | None = None
    maximum_mm: float | None = None
    variation_mm: float | None = None
    kind: Literal["normal", "transverse"] = "normal"
    source: str = ""
    untouched_tooth_mm: float | None = None
    tooth_accuracy_grade: int | None = None
    decision_rule: DecisionRule = "two-sided"

    @property
    def given(self) -> dict[str, float]:
        """The limits that the drawing has, by name, in mm."""
        named = {"minimum": self.minimum_mm, "maximum": self.maximum_mm, "variation": self.variation_mm}
        return {name: value for name, value in named.items() if value is not None}

    def normal_mm(self, gear_set: GearSet) -> dict[str, float]:
        """The same as normal backlash, whatever the drawing means."""
        scale = 1.0 if self.kind == "normal" else gear_set.normal_per_transverse
        return {name: value * scale for name, value in self.given.items()}


@dataclass(frozen=True, kw_only=True)
class Precondition:
    """One thing that must be true before a backlash can prove a build.

    Attributes:
        name: For example ``mounting distance, pinion``.
        state: ``proven``; ``unproven`` when nobody recorded it; ``failed`` when the record says no.
        detail: What was recorded, with its figures.
        remedy: What would settle it; empty when proven.
    """

    name: str
    state: Literal["proven", "unproven", "failed"]
    detail: str
    remedy: str = ""


@dataclass(frozen=True, kw_only=True)
class Identity:
    """Who tested what, where and when; shown, never computed with.

    Attributes:
        test: Identifier of the test.
        box: Type of the gearbox.
        serial: Serial number of this gearbox.
        set_number: Number etched on the gear set.
        stand: Name of the test stand.
        indicator_serial: Serial number of the indicator.
        encoder_serial: Serial number of the encoder.
        operator: Who ran it.
        started_utc: ISO 8601, UTC.
        started_local: The same by the clock on the wall, ISO 8601 with its offset; empty where not kept.
        remark: Anything the box file says in words, such as that the scenario is invented.
        seal: Digest that the logbook sealed the test with, in hexadecimal; empty when it is not sealed.
    """

    test: str
    box: str
    serial: str
    set_number: str = ""
    stand: str = ""
    indicator_serial: str = ""
    encoder_serial: str = ""
    operator: str = ""
    started_utc: str = ""
    started_local: str = ""
    remark: str = ""
    seal: str = ""


@dataclass(frozen=True, kw_only=True)
class TestRecord:
    """Everything recorded about one test.

    Attributes:
        identity: Who, what, where, when.
        gear_set: The gear set under test.
        indicator: The indicator, its tip and how the tip is set.
        encoder: The angle encoder; None where teeth were counted by hand.
        limits: What the drawing allows.
        preconditions: Each with its state.
        conditions: Temperature, end play, torque and roll during the rocks, as far as recorded.
        traces: The last try at each position, in the order of recording.
        units: Units of the box's paperwork; the report shows lengths in these.
        closing: ``completed``, or why the test ended early.
        notes: Operator's notes in order, as (seconds from start, text).
        sweeps: Runout sweeps in the order of recording.
        damage: What shows that the record is not as it was written, one sentence each; empty when it is.
        left_out: Positions that were asked for and gave no rock, one sentence each with the reason.
        causes: What a person found where rocks were refused one after another, one sentence each.
        passes: Passes of a cycle run in the order of recording, the last try at each.
        pinion_encoder: The second encoder, on the pinion's shaft; None on a stand with one.
    """

    identity: Identity
    gear_set: GearSet
    indicator: Indicator
    encoder: Encoder | None
    limits: Limits
    preconditions: tuple[Precondition, ...]
    traces: tuple[RockTrace, ...]
    conditions: Conditions = NOTHING_RECORDED
    units: Units = "mm"
    closing: str = "completed"
    notes: tuple[tuple[float, str], ...] = ()
    sweeps: tuple[RunoutTrace, ...] = ()
    damage: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
    passes: tuple[PassTrace, ...] = ()
    pinion_encoder: Encoder | None = None

    __test__ = False  # pytest: a record, not a test class


def moment(started_utc: str, local: str = "") -> str:
    """Write a moment of the record for people.

    Args:
        started_utc: ISO 8601; without an offset it is UTC.
        local: The same by the clock on the wall, ISO 8601 with its offset; empty where it is not known.

    Returns:
        Such as ``2030-05-17 08:12 UTC``, or ``2030-05-17 08:12 UTC (10:12 +02:00)``. A date alone, and
        what is no moment, is returned as it is.
    """
    try:
        parsed = datetime.fromisoformat(started_utc)
    except ValueError:
        return started_utc
    if ":" not in started_utc:  # a date alone would be given midnight
        return started_utc
    when = parsed.astimezone(UTC) if parsed.tzinfo else parsed
    return f"{when:%Y-%m-%d %H:%M} UTC{_on_the_wall(local, when)}"


def _on_the_wall(local: str, when: datetime) -> str:
    """The local time of a moment with its offset, in brackets; its date where that is another."""
    try:
        there = datetime.fromisoformat(local)
    except ValueError:
        return ""
    if not there.utcoffset():  # none, or UTC itself
        return ""
    day = "" if there.date() == when.date() else f"{there:%Y-%m-%d} "
    return f" ({day}{there:%H:%M} {there.isoformat()[-6:]})"


@dataclass(frozen=True, kw_only=True)
class StoredResult:
    """The result that was handed over when the test ran.

    Attributes:
        analysis_version: Version of the analysis that found it.
        outcome: Of the verdict.
        engagement: Of the stated tight spot; None, like its figures, when none was stated.
        normal_backlash_mm: Stated.
        interval_mm: Its interval at 95 %.
        confirmed: Whether the tight spot was confirmed.
        positions: Recorded.
        usable: How many gave a reading.
        utc: When it was stored.
    """

    analysis_version: str
    outcome: str
    engagement: int | None
    normal_backlash_mm: float | None
    interval_mm: tuple[float, float] | None
    confirmed: bool
    positions: int
    usable: int
    utc: str


@dataclass(frozen=True, kw_only=True)
class Exclusion:
    """A position, or one reversal of it, that a reviewer leaves out.

    Attributes:
        number: From 1, in the order of review.
        position: Number of the position.
        reversal: Number of the reversal within the rock, from 1; None for the whole position.
        window_s: Time between the two dwells of the reversal.
        reason: Why.
        by: Who.
        utc: When.
        undone: (who, when, why) it was taken back; None while it holds.
    """

    number: int
    position: int
    reversal: int | None
    window_s: tuple[float, float] | None
    reason: str
    by: str
    utc: str
    undone: tuple[str, str, str] | None = None

    @property
    def what(self) -> str:
        """What is left out, in words."""
        whole = f"position {self.position}"
        return whole if self.reversal is None else f"{whole}, reversal {self.reversal}"


@dataclass(frozen=True, kw_only=True)
class SignOff:
    """A reviewer's signature.

    Attributes:
        by: Who.
        utc: When.
        analysis_version: Version of the analysis that was looked at.
        outcome: Reviewed outcome that was signed for.
        recorded_outcome: Outcome of what was recorded, at that time.
        exclusions: Numbers of the exclusions that held.
        remark: What else was said.
        engagement: Of the tight spot that was signed for; None, like its figures, when none was stated or the
            signature is of a version that did not keep them.
        normal_backlash_mm: Signed for.
        interval_mm: Its interval at 95 %.
    """

    by: str
    utc: str
    analysis_version: str
    outcome: str
    recorded_outcome: str
    exclusions: tuple[int, ...]
    remark: str = ""
    engagement: int | None = None
    normal_backlash_mm: float | None = None
    interval_mm: tuple[float, float] | None = None
