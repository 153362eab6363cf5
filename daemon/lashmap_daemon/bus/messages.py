"""Messages on the bus, as types: the JSON Schemas in ``docs/schemas`` are generated from them.

Every message carries ``schema``, units stand in the keys, angles are in degrees past the matched teeth,
lengths in mm whatever the paperwork uses. A key may be added without a new schema number, so whoever reads
ignores what it does not know; a changed meaning gets a new number. Records (position, alarm) carry the event
exactly as the logbook keeps it. Read from outside, everything is checked strictly and is bounded.
"""

from __future__ import annotations

from typing import Annotated, Literal

from lashmap_analysis.record.record import Purpose, Shaft, Units
from pydantic import BaseModel, ConfigDict, Field

from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events

SCHEMA = 1
_MOST_MARKS = 2000
_MOST_LINES = 20
Word = Annotated[str, Field(max_length=200)]
Sentence = Annotated[str, Field(max_length=2000)]
Sentences = Annotated[list[Sentence], Field(max_length=100)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Count = Annotated[int, Field(ge=0)]


class Message(BaseModel):
    """What all messages have in common."""

    model_config = ConfigDict(
        frozen=True,
        strict=True,
        extra="ignore",
        populate_by_name=True,
        json_schema_serialization_defaults_required=True,
        defer_build=True,
    )

    schema_number: Literal[1] = Field(default=1, alias="schema", description="Number of this schema.")
    stand: Word = Field(description="Topic level of the stand.")


class Status(Message):
    """Whether a stand is there; offline comes from the stand itself or, as its last will, from the broker."""

    online: bool
    reason: Sentence = Field(description="Why it is offline; empty when it is online.")
    name: Word = Field(description="Name of the stand as its file has it.")
    version: Word = Field(description="Version of lashmap.")
    connected_utc: Word = Field(description="When this connection began.")
    test: Word | None = Field(
        description="Identifier of the running test; None when none runs, and in a last will."
    )
    waiting_records: Count = Field(description="Records in the outbox when the connection began.")


class Live(Message):
    """Values as they are now, thinned out to a chosen rate; ages count back from `utc`."""

    test: Word
    number: Count = Field(description="Counts the messages that were due; a gap is what was not sent.")
    utc: Word = Field(description="When the values were taken, to the millisecond.")
    time_s: Finite = Field(description="Seconds since the test started.")
    indicator_mm: Finite | None
    indicator_age_s: Finite | None
    gear_angle_deg: Finite | None = Field(description="Past the matched teeth, not wrapped.")
    encoder_age_s: Finite | None
    rock_s: Finite | None = Field(description="Seconds of the rock being recorded.")
    swept_deg: Finite | None = Field(description="Degrees turned of the runout sweep being recorded.")
    left_s: Finite | None = Field(description="Estimated seconds to the end of the test.")
    bad_frames: Count


class Target(BaseModel):
    """The position that is asked for."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", defer_build=True)

    position: Count
    engagement: int
    gear_angle_deg: Finite
    purpose: Purpose
    attempt: Count


class Rock(BaseModel):
    """The rock being recorded, as far as it can be measured yet."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", defer_build=True)

    reversals: Count
    reversals_wanted: Count
    usable: bool
    reading_mm: Finite | None = Field(description="None while it is not usable.")
    standard_uncertainty_mm: Finite | None
    flags: Annotated[list[Word], Field(max_length=50)]


class Mark(BaseModel):
    """A position on the gear: measured, or still to do (backlash is None)."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", defer_build=True)

    gear_angle_deg: Finite
    normal_backlash_mm: Finite | None
    purpose: Purpose


class TightSpot(BaseModel):
    """The tight spot of the lash map so far."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", defer_build=True)

    gear_angle_deg: Finite
    normal_backlash_mm: Finite


class InstrumentIs(BaseModel):
    """An instrument of a stand that is always on, in a word."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", defer_build=True)

    instrument: Word
    state: Literal["heard", "absent", "away", "silent", "not understood", "without reading"]


class Service(BaseModel):
    """What a stand that is always on does, with a test or without one."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", defer_build=True)

    doing: Literal["idle", "preparing", "testing", "concluding", "ending"]
    awaits: Sentence = Field(description="What it waits for now.")
    instruments: Annotated[list[InstrumentIs], Field(max_length=10)]


class State(Message):
    """What is awaited now, and what the person at the stand is shown around it.

    When no test runs it is that of the last one, its phase `closed`. `test` is empty while a stand that is
    always on has had none since it was started, or prepares one; no figure stands beside an empty `test`.
    """

    name: Word = Field(description="Name of the stand as its file has it.")
    service: Service | None = Field(
        default=None, description="Of a stand that is always on; None where a test is run by itself."
    )
    test: Word
    started_utc: Word
    box: Word
    serial: Word
    units: Units = Field(description="Units of the paperwork; every length here is in mm all the same.")
    phase: Phase
    instruction: Sentence = Field(description="What the technician was asked last.")
    target: Target | None
    sweep: Shaft | None = Field(description="The member to turn for its runout.")
    rock: Rock | None
    done: Count
    total: Count
    tight_spot: TightSpot | None
    marks: Annotated[list[Mark], Field(max_length=_MOST_MARKS)]
    lines: Annotated[list[Sentence], Field(max_length=_MOST_LINES)] = Field(
        description="The newest lines of the screen, oldest first."
    )


class Record(Message):
    """An event exactly as the logbook keeps it."""

    id: Word = Field(description="The same record always has the same identifier and the same content.")
    test: Word
    event: Count = Field(description="Number of the event in its test.")
    time_s: Finite = Field(description="Seconds since the test started.")
    utc: Word


class PositionAccepted(Record):
    """A position was measured; the figures are those of the screen, the result recomputes them."""

    kind: Literal["RockAccepted"]
    record: events.RockAccepted


class PositionRefused(Record):
    """A rock gave no reading and is asked again."""

    kind: Literal["RockRefused"]
    record: events.RockRefused


class PositionLeftOut(Record):
    """A position stays unmeasured."""

    kind: Literal["PositionSkipped"]
    record: events.PositionSkipped


class SweepDone(Record):
    """A runout sweep gave a runout."""

    kind: Literal["SweepRecorded"]
    record: events.SweepRecorded


Position = Annotated[
    PositionAccepted | PositionRefused | PositionLeftOut | SweepDone, Field(discriminator="kind")
]


class InstrumentLost(Record):
    """An instrument stopped working in mid-test."""

    kind: Literal["InstrumentLost"]
    record: events.InstrumentLost


class InstrumentBack(Record):
    """A lost instrument works again."""

    kind: Literal["InstrumentBack"]
    record: events.InstrumentBack


class ClosedEarly(Record):
    """A test ended without being completed."""

    kind: Literal["TestClosed"]
    record: events.TestClosed


Alarm = Annotated[InstrumentLost | InstrumentBack | ClosedEarly, Field(discriminator="kind")]


class Spot(BaseModel):
    """A tight spot with its uncertainty."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", defer_build=True)

    engagement: int
    gear_angle_deg: Finite
    normal_backlash_mm: Finite
    standard_uncertainty_mm: Finite | None
    expanded_uncertainty_mm: Finite | None = Field(description="At 95 %.")
    interval_low_mm: Finite | None
    interval_high_mm: Finite | None


class SweptRunout(BaseModel):
    """What a runout sweep gave."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", defer_build=True)

    member: Shaft
    fim_mm: Finite | None = Field(description="Full indicator movement over a turn.")
    fim_standard_uncertainty_mm: Finite | None
    sentence: Sentence


class Result(Message):
    """What was concluded from a test; recomputed later, it gets a new identifier."""

    id: Word = Field(description="The same result always has the same identifier and the same content.")
    test: Word
    utc: Word = Field(description="When it was concluded.")
    started_utc: Word
    box: Word
    serial: Word
    set_number: Word
    operator: Word
    closing: Sentence = Field(description="How the test ended.")
    analysis_version: Word
    outcome: Literal["conforming", "nonconforming", "not proven"]
    reasons: Sentences
    would_settle: Sentences
    cautions: Sentences
    tight_spot_stated: Spot | None = Field(description="The figure that is judged.")
    tight_spot_measured: Spot | None
    tight_spot_predicted: Spot | None
    confirmed: bool
    cause: Sentence
    positions: Count = Field(description="Positions that were recorded.")
    sweeps: Annotated[list[SweptRunout], Field(max_length=20)]


def payload(message: Message) -> bytes:
    """A message as it goes out."""
    return message.__pydantic_serializer__.to_json(message, by_alias=True)


class Command(Message):
    """A request to a stand; there is none that starts or stops a drive."""

    id: Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[!-~]+$")] = Field(
        description="Chosen by the sender; a second request with the same one is answered, not obeyed, again."
    )
    utc: Annotated[str, Field(max_length=40)] = Field(description="When it was sent; old ones are refused.")
    test: Word = Field(description="The running test; a request for another one is refused.")
    command: Literal["note", "repeat", "skip", "stop"]
    text: Annotated[str, Field(max_length=500)] = Field(default="", description="The note.")
    by: Annotated[str, Field(min_length=1, max_length=100)] = Field(
        description="Who asks; it is written into the logbook."
    )


class Answer(Message):
    """What became of a request."""

    id: Word | None = Field(description="Of the request; None when it could not be read.")
    test: Word | None = Field(description="The running test.")
    utc: Word
    accepted: bool = Field(description="True once the running test has taken it.")
    reason: Sentence = Field(description="Why it was refused; empty when it was accepted.")
