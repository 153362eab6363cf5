"""Messages on the bus as types, the topics they travel on, and their JSON Schemas.

Every message carries ``schema``, units stand in the keys, angles are in degrees past the matched teeth,
lengths in mm whatever the paperwork uses. A key may be added without a new schema number, so whoever reads
ignores what it does not know; a changed meaning gets a new number. Records (position, alarm, review) carry
the event exactly as the logbook keeps it. Read from outside, everything is checked strictly and is bounded.

The schemas in ``docs/schemas`` are generated: run ``python -m lashmap_daemon.bus.messages docs/schemas``
after a change; a test fails until it is done.
"""

from __future__ import annotations

import json
import re
import sys
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Literal, get_args

from lashmap_analysis.record.record import Purpose, Shaft, Units
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from lashmap_daemon.logbook.digests import EventRow
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events
from lashmap_daemon.whole_file import write_whole

ROOT: Final = "lashmap"
SCHEMA = 1
_MOST_MARKS = 2000
_MOST_LINES = 20
_NOT_IN_A_LEVEL = re.compile(r"[^a-z0-9_.-]+")
Word = Annotated[str, Field(max_length=200)]
Sentence = Annotated[str, Field(max_length=2000)]
Sentences = Annotated[list[Sentence], Field(max_length=100)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Count = Annotated[int, Field(ge=0)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", defer_build=True)


class Message(_Part):
    """What all messages have in common."""

    model_config = ConfigDict(populate_by_name=True, json_schema_serialization_defaults_required=True)

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


class Target(_Part):
    """The position that is asked for."""

    position: Count
    engagement: int
    gear_angle_deg: Finite
    purpose: Purpose
    attempt: Count


class Rock(_Part):
    """The rock being recorded, as far as it can be measured yet."""

    reversals: Count
    reversals_wanted: Count
    usable: bool
    reading_mm: Finite | None = Field(description="None while it is not usable.")
    standard_uncertainty_mm: Finite | None
    flags: Annotated[list[Word], Field(max_length=50)]


class Mark(_Part):
    """A position on the gear: measured, or still to do (backlash is None)."""

    gear_angle_deg: Finite
    normal_backlash_mm: Finite | None
    purpose: Purpose


class TightSpot(_Part):
    """The tight spot of the lash map so far."""

    gear_angle_deg: Finite
    normal_backlash_mm: Finite


class InstrumentIs(_Part):
    """An instrument of a stand that is always on, in a word."""

    instrument: Word
    state: Literal["heard", "absent", "away", "silent", "not understood", "without reading"]


class Service(_Part):
    """What a stand that is always on does, with a test or without one."""

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


class PassDone(Record):
    """A pass of a cycle run was recorded."""

    kind: Literal["PassRecorded"]
    record: events.PassRecorded


Position = Annotated[
    PositionAccepted | PositionRefused | PositionLeftOut | SweepDone | PassDone, Field(discriminator="kind")
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


class CauseWanted(Record):
    """Rock after rock was refused: the test waits until a person at the stand says why."""

    kind: Literal["CauseAsked"]
    record: events.CauseAsked


class CauseTold(Record):
    """A person said why, and the test goes on."""

    kind: Literal["CauseAnswered"]
    record: events.CauseAnswered


Alarm = Annotated[
    InstrumentLost | InstrumentBack | CauseWanted | CauseTold | ClosedEarly, Field(discriminator="kind")
]


class Spot(_Part):
    """A tight spot with its uncertainty."""

    engagement: int
    gear_tooth: int = Field(description="Gear tooth there; the marked one is 1.")
    pinion_tooth: int = Field(description="Pinion tooth there; the marked one is 1.")
    gear_angle_deg: Finite
    normal_backlash_mm: Finite
    standard_uncertainty_mm: Finite | None
    expanded_uncertainty_mm: Finite | None = Field(description="At 95 %.")
    interval_low_mm: Finite | None
    interval_high_mm: Finite | None


class SweptRunout(_Part):
    """What a runout sweep gave."""

    member: Shaft
    fim_mm: Finite | None = Field(description="Full indicator movement over a turn.")
    fim_standard_uncertainty_mm: Finite | None
    sentence: Sentence


class MemberRunout(_Part):
    """The once-per-turn part of the normal backlash that one member makes, where it stands by itself."""

    member: Literal["gear", "pinion", "both"] = Field(
        description="'both' is the sum of both parts, in a 1:1 set, where no position can tell them apart."
    )
    separable: bool = Field(
        description="The part stands by itself; where it does not, every figure is None, never a guess."
    )
    amplitude_mm: Finite | None = Field(description="Half of peak to peak of normal backlash.")
    standard_uncertainty_mm: Finite | None = Field(description="Of the amplitude.")
    fim_mm: Finite | None = Field(
        description="Full indicator movement perpendicular to the pitch cone that explains the amplitude."
    )
    high_point_deg: Finite | None = Field(
        description="Angle of the member past the matched teeth at which it takes most backlash away."
    )
    high_point_standard_uncertainty_deg: Finite | None = Field(description="104 means unknown.")


class Runout(_Part):
    """Once-per-turn parts of what was judged, and what cannot be told from what."""

    members: Annotated[list[MemberRunout], Field(max_length=3)]
    sentence: Sentence = Field(description="What is merged with what, and why; empty when nothing is.")
    remedy: Sentence = Field(description="The measurement that would separate it; empty when nothing is.")


class Lash(_Part):
    """Normal backlash over the mesh cycle; its least, with the 95 % interval, is `tight_spot_stated`."""

    judged: Literal["rocks", "cycle run"] = Field(description="What the figures and the verdict come from.")
    mean_mm: Finite | None
    mean_standard_uncertainty_mm: Finite | None = Field(description="None for a cycle run, which has none.")
    loosest_mm: Finite | None
    variation_mm: Finite | None = Field(description="Loosest less tightest.")
    variation_standard_uncertainty_mm: Finite | None
    tooth_scatter_mm: Finite | None = Field(description="Standard deviation about the once-per-turn parts.")


class Precondition(_Part):
    """One thing that must be true before a result can prove a build."""

    name: Word
    state: Literal["proven", "unproven", "failed"]
    detail: Sentence


class Result(Message):
    """What was concluded from a test; recomputed later, it gets a new identifier."""

    # One that was announced before a key was added goes out later as it is, without that key.
    model_config = ConfigDict(json_schema_serialization_defaults_required=False)

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
    lash: Lash | None = Field(default=None, description="None without a lash map or a cycle run that judges.")
    runout: Runout | None = Field(default=None, description="None likewise.")
    gear_teeth: Count | None = Field(default=None, description="Teeth of the gear.")
    pinion_teeth: Count | None = Field(default=None, description="Teeth of the pinion.")
    preconditions: Annotated[list[Precondition], Field(max_length=100)] = Field(
        default=[], description="As they were when the test began."
    )


class Excluded(Record):
    """A reviewer left a position, or one reversal of it, out of the reviewed result."""

    kind: Literal["PositionExcluded"]
    record: events.PositionExcluded


class ExclusionTakenBack(Record):
    """An exclusion no longer holds."""

    kind: Literal["ExclusionUndone"]
    record: events.ExclusionUndone


class Signed(Record):
    """A reviewer signed for the result as reviewed, with the exclusions that hold."""

    kind: Literal["SignedOff"]
    record: events.SignedOff


Review = Annotated[Excluded | ExclusionTakenBack | Signed, Field(discriminator="kind")]


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


def payload(message: Message) -> bytes:
    """A message as it goes out."""
    return message.__pydantic_serializer__.to_json(message, by_alias=True)


# Topics -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Topic:
    """The last level of a topic, and how its messages travel.

    Attributes:
        name: Last level; the ones before are the root and the stand.
        adapter: Checks and describes the messages.
        qos: 0 when the next message makes up for a lost one, 1 when nothing may be lost. Never 2: a record
            has an identifier, so a second copy does no harm, and QoS 2 costs two round trips.
        retain: True when whoever comes later must know it at once.
        expiry_s: Seconds after which the broker must not deliver it any more; None for no limit.
        why: The reason for all three, for the documentation.
    """

    name: str
    adapter: TypeAdapter[Any]
    qos: int = 1
    retain: bool = False
    expiry_s: int | None = None
    why: str


STATUS: Final = Topic(
    name="status",
    adapter=TypeAdapter(Status),
    retain=True,
    why="whoever comes later must know whether the stand is there; the last will says offline",
)
LIVE: Final = Topic(
    name="live",
    adapter=TypeAdapter(Live),
    qos=0,
    expiry_s=2,
    why="the next one makes up for a lost one, and an old value must never look live",
)
STATE: Final = Topic(
    name="state",
    adapter=TypeAdapter(State),
    retain=True,
    why="what is awaited now, sent when it changes: a lost change would stay wrong for minutes",
)
POSITION: Final = Topic(
    name="position",
    adapter=TypeAdapter(Position),
    why="a record: at least once from the outbox, known by its identifier; a history is not a state",
)
RESULT: Final = Topic(
    name="result",
    adapter=TypeAdapter(Result),
    retain=True,
    why="a record: at least once from the outbox; the newest stays for whoever comes later",
)
ALARM: Final = Topic(
    name="alarm",
    adapter=TypeAdapter(Alarm),
    why="a record: at least once from the outbox; what holds now is in state, so an old alarm is not kept",
)
REVIEW: Final = Topic(
    name="review",
    adapter=TypeAdapter(Review),
    retain=True,
    why="a record: at least once from the outbox; the newest stays, so that a signature is known later too",
)
COMMAND: Final = Topic(
    name="command",
    adapter=TypeAdapter(Command),
    expiry_s=10,
    why="only when switched on; a retained request is refused, a late one has expired",
)
ANSWER: Final = Topic(
    name="answer",
    adapter=TypeAdapter(Answer),
    expiry_s=60,
    why="one for each request; the request may name a topic below it in its response topic",
)
PUBLISHED: Final = (STATUS, LIVE, STATE, POSITION, RESULT, ALARM, REVIEW)
TOPICS: Final = (*PUBLISHED, COMMAND, ANSWER)


def level(name: str) -> str:
    """The topic level of a stand's name: ``bench-1`` for ``Bench 1``; ``stand`` when nothing is left."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return _NOT_IN_A_LEVEL.sub("-", plain).strip("-") or "stand"


# Records: rows of the logbook as messages -------------------------------------------------------------------


def _kinds(message: object) -> list[str]:
    """The events that a union of records carries."""
    union, *_ = get_args(message)
    return [get_args(record.model_fields["kind"].annotation)[0] for record in get_args(union)]


EVENTS: Final = (
    dict.fromkeys(_kinds(Position), POSITION)
    | dict.fromkeys(_kinds(Alarm), ALARM)
    | dict.fromkeys(_kinds(Review), REVIEW)
    | {events.ResultAnnounced.__name__: RESULT}
)


def topic_of_event(kind: str, body: str, base: str) -> Topic | None:
    """Where an event of the logbook goes as a record; None for events that nobody is sent.

    ``base`` is the root and the stand that are published.
    """
    topic = EVENTS.get(kind)
    if kind == events.TestClosed.__name__ and _value_of(body, "outcome") == "completed":
        return None  # the result says it
    if topic is RESULT and _value_of(body, "topic") != base:
        return None  # another stand's, whose logbook this was
    return topic


def _value_of(body: str, key: str) -> object:
    try:
        return json.loads(body).get(key)
    except (ValueError, AttributeError):  # it was changed: whoever sends it finds that out
        return None


@dataclass(frozen=True, kw_only=True)
class Outgoing:
    """A record on its way: where to, under which identifier, what."""

    topic: Topic
    id: str
    payload: bytes


def outgoing(row: EventRow, base: str) -> Outgoing | None:
    """The message of an event, byte for byte the same whenever it is made; None where nobody is sent it.

    The body of the event is taken over as the logbook keeps it, never written anew; ``base`` as in
    `topic_of_event`.
    """
    topic = topic_of_event(row.kind, row.body, base)
    if topic is None:
        return None
    if topic is RESULT:
        announced = json.loads(row.body)
        return Outgoing(topic=topic, id=announced["id"], payload=announced["message"].encode())
    identifier = f"{row.test}/{row.number}"
    envelope = json.dumps(
        {
            "schema": SCHEMA,
            "stand": base.rpartition("/")[2],
            "id": identifier,
            "test": row.test,
            "event": row.number,
            "time_s": row.time_s,
            "utc": row.utc,
            "kind": row.kind,
        },
        ensure_ascii=False,
        separators=(",", ":"),
    )
    return Outgoing(topic=topic, id=identifier, payload=f'{envelope[:-1]},"record":{row.body}}}'.encode())


# Schemas ----------------------------------------------------------------------------------------------------


def schema_of(topic: Topic) -> dict[str, Any]:
    """The JSON Schema of what travels on a topic."""
    # What we send, so a key with a default is always there; a request may leave it out.
    mode: Any = "validation" if topic is COMMAND else "serialization"
    kept = "retained" if topic.retain else "not retained"
    expiry = "" if topic.expiry_s is None else f", expires after {topic.expiry_s} s"
    made = topic.adapter.json_schema(by_alias=True, mode=mode)
    made.pop("title", None)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$comment": f"Topic <root>/<stand>/{topic.name}: QoS {topic.qos}, {kept}{expiry}; {topic.why}.",
        "title": f"lashmap {topic.name}, schema {SCHEMA}",
        **made,
    }


def schema_files() -> dict[str, str]:
    """File name and content of every schema."""
    return {
        f"{topic.name}.schema.json": json.dumps(schema_of(topic), indent=2, ensure_ascii=False) + "\n"
        for topic in TOPICS
    }


if __name__ == "__main__":
    from lashmap_daemon.bus import messages  # noqa: PLW0406 - the schemas carry the name of the module

    for file, text in messages.schema_files().items():
        write_whole(Path(sys.argv[1]) / file, text)
