"""What happened in a test: a small set of immutable events, the one source of console, logbook and prompts.

An event carries no time of its own: the stream stamps it once (`Stamped`), so that a replay from the logbook
yields the same stream. Events after `TestClosed` hold the stored result, which is computed from the closed
record, and the reviews. They never change what was recorded; undoing is one more event.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal, TypeAlias, get_args

from lashmap_analysis.record.record import Direction, Precondition, Purpose, Shaft
from pydantic import Field, SerializerFunctionWrapHandler, TypeAdapter, ValidationError, model_serializer
from pydantic_core import InitErrorDetails, PydanticCustomError

from lashmap_daemon.errors import LashmapError
from lashmap_daemon.story.cause import Cause
from lashmap_daemon.story.recorded import (
    PINION_ENCODER,
    Box,
    Gauge,
    HandSetup,
    Setup,
    Stand,
    must_be_of_this_version,
    said,
)


@dataclass(frozen=True, kw_only=True)
class TestResumed:
    """A test that had ended early goes on; what was accepted stays.

    Attributes:
        operator: Who goes on with it.
        version: Of this program.
        first_s: Its time inside the test, from which on samples are decoded anew; what was before ended
            about a second earlier, whatever the clock says.
        gap_s: How long it lay, by the wall clock; negative when that was set back.
        check: Number of the position that is measured again first; None when there is none.
        check_of: Number of the accepted position that it repeats.
        encoder_moved_deg: How far the encoder stands from where the record ended, of its own shaft; None when
            that is not known.
        changed: Keys of the files whose values are others now, as "key: before → now".
    """

    __test__ = False

    operator: str
    version: str
    first_s: float
    gap_s: float
    check: int | None = None
    check_of: int | None = None
    encoder_moved_deg: float | None = None
    changed: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class CheckedAgain:
    """After a resumption an earlier position was measured again: do the two readings agree?

    Attributes:
        number: The new position.
        of: The earlier one, at the same engagement.
        difference_mm: New minus earlier normal backlash.
        allowed_mm: What their uncertainties and a new placing of the tip explain.
        difference_deg: New minus earlier gear angle at which the tip met its tooth; None when not known.
        allowed_deg: What placing explains.
    """

    number: int
    of: int
    difference_mm: float
    allowed_mm: float
    difference_deg: float | None
    allowed_deg: float

    @property
    def agrees(self) -> bool:
        """True when nothing seems to have moved."""
        angle = self.difference_deg is None or abs(self.difference_deg) <= self.allowed_deg
        return angle and abs(self.difference_mm) <= self.allowed_mm


@dataclass(frozen=True, kw_only=True)
class RecordingPaused:
    """Nothing more can be written; shown at once, written when there is room again."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class RecordingGoesOn:
    """All that waited has been written; ``given_up_s`` of samples could not be held that long."""

    paused_s: float
    given_up_s: float


@dataclass(frozen=True, kw_only=True)
class ResultStored:
    """The result as it was handed over when the test ran, and the version of the analysis that found it."""

    analysis_version: str
    outcome: str
    engagement: int | None
    normal_backlash_mm: float | None
    low_mm: float | None
    high_mm: float | None
    confirmed: bool
    positions: int
    usable: int


@dataclass(frozen=True, kw_only=True)
class FilesLeft:
    """Result and reports were left elsewhere than beside the logbook: from there, or an absolute path."""

    folder: str


@dataclass(frozen=True, kw_only=True)
class ResultAnnounced:
    """A result is to reach a broker, as this text; so the seal of the test covers what is published.

    Attributes:
        topic: Root and stand below which it is published.
        id: Identifier of the message.
        message: The message as JSON, to the byte.
    """

    topic: str
    id: str
    message: str


@dataclass(frozen=True, kw_only=True)
class PositionExcluded:
    """A reviewer takes a position, or one reversal of it, out of the reviewed result.

    A reversal is kept as the time between its two dwells, since another analysis may count otherwise.
    """

    exclusion: int
    position: int
    reversal: int | None
    start_s: float | None
    end_s: float | None
    reason: str
    by: str


@dataclass(frozen=True, kw_only=True)
class ExclusionUndone:
    """An exclusion no longer holds; both stay in the record."""

    exclusion: int
    reason: str
    by: str


@dataclass(frozen=True, kw_only=True)
class SignedOff:
    """A reviewer signs for the reviewed result with the exclusions that hold.

    The figures are those that were signed for; None where no tight spot was stated.
    """

    by: str
    analysis_version: str
    outcome: str
    recorded_outcome: str
    exclusions: tuple[int, ...]
    remark: str
    engagement: int | None
    normal_backlash_mm: float | None
    low_mm: float | None
    high_mm: float | None


Outcome = Literal["completed", "stopped", "interrupted", "failed"]
"""By itself; by the operator; by what ends programs (a signal, a lost terminal); by a failing stand."""


Readiness = Literal["turn", "rock"]
"""What a stand is made ready for: the box turns for the passes of a cycle run, or is rocked by hand again."""


class MadeByHand(LashmapError):
    """What needs instruments was asked of a test that has none."""


@dataclass(frozen=True, kw_only=True)
class TestStarted:
    """All that is known up front; enough to decode and judge what follows.

    ``local`` is when it began by the clock on the wall, ISO 8601 with its offset from UTC; None in records
    made before it was kept, and where only UTC is known.
    """

    __test__ = False  # pytest: an event, not a test class

    test: str
    operator: str
    setup: Annotated[Setup | HandSetup, Field(discriminator="version")]
    planned: tuple[int, ...]
    version: str
    sweeps: tuple[Shaft, ...] = ()
    local: str | None = None

    @model_serializer(mode="wrap")
    def _said(self, write: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return said(write(self), "local")

    @property
    def box(self) -> Box:
        """The box under test."""
        return self.setup.box

    @property
    def stand(self) -> Stand:
        """The stand, as its bytes are read.

        Raises:
            MadeByHand: When there is none.
        """
        if isinstance(self.setup, HandSetup):
            raise MadeByHand(f"test {self.test} was made by hand, without instruments that could be read")
        return self.setup.stand

    @property
    def gauge(self) -> Gauge | None:
        """The dial gauge of a test by hand; None where instruments were read."""
        return self.setup.gauge if isinstance(self.setup, HandSetup) else None

    @property
    def place(self) -> tuple[str, str]:
        """Name and remark of the stand, or of the place where a test was made by hand."""
        where = self.stand.stand if self.gauge is None else self.gauge
        return where.name, where.remark

    @property
    def serials(self) -> tuple[str, str]:
        """Serial numbers of indicator (or dial gauge) and encoder; empty where nobody wrote one.

        On a stand with two encoders both are named, with their shafts.
        """
        if self.gauge is not None:
            return self.gauge.serial, ""
        stand = self.stand
        encoders = [one for one in (stand.encoder, stand.pinion_encoder) if one is not None and one.serial]
        both = stand.pinion_encoder is not None
        named = [f"{one.serial} ({one.shaft})" if both else one.serial for one in encoders]
        return "" if stand.indicator is None else stand.indicator.serial, ", ".join(named)

    @property
    def is_counted(self) -> bool:
        """Whether a person counts the teeth: there is no encoder."""
        return self.gauge is not None or self.stand.encoder is None


@dataclass(frozen=True, kw_only=True)
class CautionsConfirmed:
    """Someone confirmed the lock-out after the cautions were shown."""

    how: str


@dataclass(frozen=True, kw_only=True)
class PreconditionsRecorded:
    """The state of every precondition when the test began."""

    preconditions: tuple[Precondition, ...]


@dataclass(frozen=True, kw_only=True)
class BuiltDistance:
    """A mounting distance as it was measured while the box was built.

    Attributes:
        member: Gear or pinion.
        expanded_mm: Its expanded uncertainty at 95 %.
        how: Instrument and way.
    """

    member: Shaft
    expanded_mm: float
    how: str


@dataclass(frozen=True, kw_only=True)
class BuildNamed:
    """The build that the box under test came from, and what its sheet said when the test began.

    Attributes:
        build: Its name in the logbook.
        how: Named by a person, or found as the newest open one of the serial number.
        entries: Events of its record then.
        digest: SHA-256 over what they say, in hexadecimal digits.
        distances: Mounting distances that were measured.
        not_measurable: Members whose distance cannot be measured, with the reason.
        pattern_by: Who accepted the contact pattern; empty when nobody did, or it does not hold any more.
        keys: Keys of the box file whose values were taken from the build instead.
        taken: These values, a sentence each.
    """

    build: str
    how: str
    entries: int
    digest: str
    distances: tuple[BuiltDistance, ...] = ()
    not_measurable: tuple[tuple[Shaft, str], ...] = ()
    pattern_by: str = ""
    keys: tuple[str, ...] = ()
    taken: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class InstrumentHeard:
    """An instrument gave its first good samples."""

    instrument: str
    port: str
    rate_hz: float


@dataclass(frozen=True, kw_only=True)
class InstrumentLost:
    """An instrument gives no readings (port, silence, rubbish); the test waits at most ``patience_s``.

    ``remedy`` is what to do about that reason.
    """

    instrument: str
    port: str
    reason: str
    patience_s: float
    remedy: str


@dataclass(frozen=True, kw_only=True)
class InstrumentBack:
    """A lost instrument gives samples again; ``away_s`` after it was missed."""

    instrument: str
    port: str
    away_s: float


@dataclass(frozen=True, kw_only=True)
class MatchedTeethSet:
    """The encoder's angle, of its own shaft, at engagement 0; it holds until the next one.

    ``moved_deg`` is how far it is from the one before, None for the first of a test. ``seen_deg`` is where
    the encoder was seen last before the record, in the same count: a count that wraps is recorded from within
    its range, and `in_record_deg` of `replay/replay.py` finds which one it is. None where the count is the
    record's own. ``pinion_encoder_deg`` and ``pinion_seen_deg`` are the same of a second encoder, on the
    pinion's shaft.
    """

    encoder_deg: float
    how: Literal["box file", "set at the stand", "assumed", "counted by hand"]
    moved_deg: float | None = None
    seen_deg: float | None = None
    pinion_encoder_deg: float | None = None
    pinion_seen_deg: float | None = None

    @model_serializer(mode="wrap")
    def _said(self, write: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return said(write(self), "pinion_encoder_deg", "pinion_seen_deg")

    def of(self, channel: str) -> tuple[float | None, float | None]:
        """Angle and angle seen of one of the encoders."""
        if channel == PINION_ENCODER:
            return self.pinion_encoder_deg, self.pinion_seen_deg
        return self.encoder_deg, self.seen_deg


@dataclass(frozen=True, kw_only=True)
class MarksAsked:
    """The technician was asked to bring the marked tooth of ``member`` into the mesh once more (`marks`)."""

    member: Shaft
    attempt: int


@dataclass(frozen=True, kw_only=True)
class CountAsked:
    """Without an encoder: count on to where the gear's mark must stand, and say whether it does.

    ``turn_teeth`` from where the gear stands by the count, FORWARD above zero; ``turns`` of the gear from the
    start are full there.
    """

    turn_teeth: int
    turns: int
    attempt: int


@dataclass(frozen=True, kw_only=True)
class MarksCompared:
    """The mark was seen again, and the encoder compared with it; or it was not seen.

    ``encoder_deg`` is the angle of the encoder's own shaft past the matched teeth, ``turns`` the whole turns
    nearest to it, ``off_deg`` what lies between them. None where nobody saw the mark. ``last`` is False where
    the technician is asked to check once more.
    """

    member: Shaft
    attempt: int
    how: Literal["mark", "index pulse", "not seen", "counted by hand"]
    answer: str
    encoder_deg: float | None
    turns: int | None
    off_deg: float | None
    off_teeth: float | None
    allowed_deg: float
    agrees: bool | None
    last: bool


@dataclass(frozen=True, kw_only=True)
class PositionAsked:
    """The technician was shown a position to go to; how far to turn counts from where the gear stood.

    ``purpose`` says too how far the pair is to be rolled on from the whole engagement; ``turn_teeth`` is 0
    where ``turn_deg`` is no whole number of teeth.
    """

    number: int
    engagement: int
    gear_angle_deg: float
    turn_teeth: int
    turn_deg: float
    purpose: Purpose
    attempt: int
    reason: str


@dataclass(frozen=True, kw_only=True)
class RockStarted:
    """The gear has arrived and is still; recording began."""

    number: int
    engagement: int
    start_s: float


@dataclass(frozen=True, kw_only=True)
class RockTyped:
    """A person read a rock by eye and typed it; kept before anything else is asked.

    ``typed`` is the line as it was typed. A lash that was typed itself stands as 0 and the lash.
    """

    number: int
    engagement: int
    attempt: int
    typed: str
    first_mm: float
    other_mm: float


@dataclass(frozen=True, kw_only=True)
class SheetRead:
    """The readings typed from here on were measured before, and read off a sheet of paper.

    The times of the events are those of typing; when the teeth were rocked, is said here alone.

    Attributes:
        sheet: Code of the sheet.
        measured_utc: When measuring began, as somebody wrote it on the sheet; ISO 8601, UTC.
        measured_by: Who measured, by the sheet.
        typed_by: Who typed the readings in.
    """

    sheet: str
    measured_utc: str
    measured_by: str
    typed_by: str


@dataclass(frozen=True, kw_only=True)
class RockAccepted:
    """A rock was recorded and gave a usable reading; the window is kept, the figures are for the screen.

    ``gear_deg`` is the middle of the gear's way while it was rocked, past the matched teeth.
    """

    number: int
    engagement: int
    purpose: Purpose
    attempt: int
    start_s: float
    end_s: float
    reading_mm: float
    normal_backlash_mm: float
    standard_uncertainty_mm: float
    reversals: int
    flags: tuple[str, ...]
    gear_deg: float | None = None


@dataclass(frozen=True, kw_only=True)
class RockRefused:
    """A rock was recorded and must be taken again."""

    number: int
    engagement: int
    attempt: int
    start_s: float
    end_s: float
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class CauseAsked:
    """So many rocks in a row were refused that the test waits until a person says why.

    ``number`` is the position of the last of them, ``choices`` are the answers as they were shown.
    """

    number: int
    engagement: int
    refused: int
    choices: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class CauseAnswered:
    """A person said why rocks were refused, and the test goes on.

    ``words`` are their own, for `other`. ``again`` holds positions that were left out for that cause, and are
    asked for after all.
    """

    number: int
    refused: int
    cause: Cause
    words: str
    again: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class PositionSkipped:
    """A position stays unmeasured."""

    number: int
    engagement: int
    reason: str


@dataclass(frozen=True, kw_only=True)
class PositionsSpared:
    """The verdict is settled by what was measured, so that these planned positions are not asked for."""

    numbers: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class SweepAsked:
    """The technician was asked to turn a member for its runout."""

    member: Shaft
    turns: int
    attempt: int
    reason: str


@dataclass(frozen=True, kw_only=True)
class SweepRecorded:
    """A sweep gave a runout; the window is kept, the figures are for the screen."""

    member: Shaft
    start_s: float
    end_s: float
    fim_mm: float
    fim_uncertainty_mm: float


@dataclass(frozen=True, kw_only=True)
class SweepRefused:
    """A sweep gave none."""

    member: Shaft
    attempt: int
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PlannedPass:
    """A pass of a cycle run; ``brake_nm`` is the torque of the brake on the gear, None when not measured."""

    direction: Direction
    brake_nm: float | None = None


@dataclass(frozen=True, kw_only=True)
class PassesPlanned:
    """The test has a cycle run: these passes come before the first position.

    Where it comes again, the run begins anew, and passes recorded before no longer count.
    """

    passes: tuple[PlannedPass, ...]


@dataclass(frozen=True, kw_only=True)
class ReadyAsked:
    """The technician was shown what must be true before the box turns, or before hands go near it again."""

    what: Readiness


@dataclass(frozen=True, kw_only=True)
class ReadyConfirmed:
    """Someone confirmed it; the answer is one of its own, beside that to the cautions of the test."""

    what: Readiness
    how: str


@dataclass(frozen=True, kw_only=True)
class PassAsked:
    """The technician was asked to turn the pinion one way, the braked gear with it.

    Attributes:
        number: Of the pass, from 1.
        direction: Which way.
        engagements: How far, in teeth of the gear.
        attempt: Which try, from 1.
        reason: Why again; empty at first.
        other_speed: It is to be turned at another speed than the passes before.
        most_deg_per_s: Of the pinion, where the gear may have flown in quicker passes; else None.
    """

    number: int
    direction: Direction
    engagements: int
    attempt: int
    reason: str
    other_speed: bool
    most_deg_per_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class PassRecorded:
    """A pass is complete; the window is kept, the teeth of the gear and the speed are for the screen."""

    number: int
    direction: Direction
    attempt: int
    start_s: float
    end_s: float
    brake_nm: float | None
    engagements: int
    pinion_deg_per_s: float


@dataclass(frozen=True, kw_only=True)
class PassRefused:
    """A pass gave nothing."""

    number: int
    direction: Direction
    attempt: int
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class NoteTaken:
    """The operator wrote something down."""

    text: str


@dataclass(frozen=True, kw_only=True)
class PhotoTaken:
    """A photograph came in during the test; it stands in the logbook, byte for byte.

    Attributes:
        number: Within the test, from 1.
        words: What it shows, as the person said; may be empty.
        size: Bytes.
        sha256: Over them, in hexadecimal digits.
        channel: Name of its packs.
    """

    number: Annotated[int, Field(ge=1)]
    words: str
    size: int
    sha256: str
    channel: str


@dataclass(frozen=True, kw_only=True)
class TightSpotPredicted:
    """The lash map of the positions so far names the tight spot, and what to measure next."""

    engagement: int
    gear_angle_deg: float
    normal_backlash_mm: float
    low_mm: float
    high_mm: float
    ask: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class TestClosed:
    """The last event of every test, also of one that failed; a test that is resumed has another one."""

    __test__ = False

    outcome: Outcome
    reason: str


# Every event stands in one group, so that whoever goes through them has a place for each.
CourseEvent: TypeAlias = TestStarted | TestResumed | TestClosed | CheckedAgain
StandEvent: TypeAlias = (
    CautionsConfirmed
    | BuildNamed
    | PreconditionsRecorded
    | SheetRead
    | InstrumentHeard
    | InstrumentLost
    | InstrumentBack
    | RecordingPaused
    | RecordingGoesOn
    | MatchedTeethSet
    | MarksAsked
    | CountAsked
    | MarksCompared
)
RockEvent: TypeAlias = (
    PositionAsked
    | RockStarted
    | RockTyped
    | RockAccepted
    | RockRefused
    | PositionSkipped
    | PositionsSpared
    | TightSpotPredicted
)
CauseEvent: TypeAlias = CauseAsked | CauseAnswered
SweepEvent: TypeAlias = SweepAsked | SweepRecorded | SweepRefused
PassEvent: TypeAlias = PassesPlanned | ReadyAsked | ReadyConfirmed | PassAsked | PassRecorded | PassRefused
RemarkEvent: TypeAlias = (
    NoteTaken
    | PhotoTaken
    | ResultStored
    | FilesLeft
    | ResultAnnounced
    | PositionExcluded
    | ExclusionUndone
    | SignedOff
)
Event: TypeAlias = CourseEvent | StandEvent | RockEvent | CauseEvent | SweepEvent | PassEvent | RemarkEvent


@dataclass(frozen=True, kw_only=True)
class Stamped:
    """An event and when it happened.

    Attributes:
        time_s: Monotonic seconds since the test started.
        utc: ISO 8601, for the record only; intervals never come from it.
        event: What happened.
    """

    time_s: float
    utc: str
    event: Event


Listener: TypeAlias = Callable[[Stamped], None]

_LARGEST = 2**53  # of a whole number; tables and other programs hold it exactly
KINDS: tuple[type[Event], ...] = get_args(Event)
_KINDS = {kind.__name__: kind for kind in KINDS}


@cache
def _adapter(kind: str) -> TypeAdapter[Event]:
    """Made when first used: all of them together are a tenth of the start of a command."""
    return TypeAdapter(_KINDS[kind])


def to_json(event: Event) -> tuple[str, str]:
    """Kind and body of an event as the logbook keeps them."""
    kind = type(event).__name__
    return kind, _adapter(kind).dump_json(event).decode()


def from_json(kind: str, body: str) -> Event:
    """The event back from the logbook.

    Raises:
        KeyError: For a kind this version does not know.
        OtherVersion: For a start record whose set-up was written in another version.
        pydantic.ValidationError: For a body that does not fit its kind.
    """
    try:
        event = _adapter(kind).validate_json(body)
    except ValidationError:
        if kind == TestStarted.__name__:
            must_be_of_this_version(body)
        raise
    for name, value in vars(event).items():
        for one in value if isinstance(value, tuple) else (value,):
            if isinstance(one, int) and abs(one) > _LARGEST:
                wrong = PydanticCustomError("whole_number", "this whole number cannot be meant")
                details = InitErrorDetails(type=wrong, loc=(name,), input=one)
                raise ValidationError.from_exception_data(kind, [details])
    return event
