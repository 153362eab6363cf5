"""Messages over the local socket: one JSON object a line, one request, one answer.

Every request names the version of these words. Whatever does not fit exactly is refused with what was wrong;
nothing here starts or stops a drive, and there is no word that could.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeAlias

from lashmap_analysis.record.record import Shaft
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from lashmap_daemon.errors import EXIT_CONFIGURATION
from lashmap_daemon.setup.toml_file import in_our_words
from lashmap_daemon.story import cause
from lashmap_daemon.story.method import Method

VERSION = 1
MOST_REQUEST_BYTES = 16_384
MOST_ANSWER_BYTES = 1_048_576
_MOST_PROBLEMS = 3
_MOST_SHOWN = 60

Name = Annotated[str, Field(min_length=1, max_length=200)]
Confirmed = Literal["typed at the stand", "on the command line (--locked-out)"]


class _Words(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, hide_input_in_errors=True, defer_build=True
    )


class _Request(_Words):
    lashmap: Literal[1] = 1


class Status(_Request):
    """How is it?"""

    command: Literal["status"] = "status"


class Begin(_Request):
    """Begin a test.

    Attributes:
        box: Name of a box file in the service's folder.
        confirmed: How the cautions were confirmed; None when they were not.
        runout: Members to turn for their runout afterwards.
        settings: What the box file leaves out, by key (``mounting.pinion_set_mm``).
        matched: Whether the marked teeth are together now; only where the box file has no reference.
        build: The build that the box came from, or ``none``; None is the newest open one.
        method: Rocks, a cycle run or both; None is both where the stand has an encoder on each shaft.
        brake_nm: Torque of the brake on the gear in each pair of passes; one holds for all.
    """

    command: Literal["begin"] = "begin"
    box: Name
    operator: Annotated[str, Field(max_length=200)] = ""
    confirmed: Confirmed | None = None
    runout: Annotated[list[Shaft], Field(max_length=2)] = []
    settings: Annotated[dict[Name, Name], Field(max_length=16)] = {}
    matched: Literal["later", "now", "unknown"] = "later"
    build: Name | None = None
    method: Method | None = None
    brake_nm: Annotated[
        list[Annotated[float, Field(ge=0.0, le=1000.0, allow_inf_nan=False)]], Field(max_length=2)
    ] = []


class Ready(_Request):
    """The box may turn for the cycle run, or is locked out again, as the test asked."""

    command: Literal["ready"] = "ready"


class Matched(_Request):
    """The marked teeth are together now, or the mark that a test asked for is seen; or nobody knows."""

    command: Literal["matched"] = "matched"
    known: bool = True


class Cause(_Request):
    """Why rocks were refused, when a test asks; ``words`` say what it was where it is another one."""

    command: Literal["cause"] = "cause"
    found: cause.Cause
    words: Annotated[str, Field(max_length=cause.MOST_WORDS)] = ""


class Repeat(_Request):
    """The last position again, or the one that is being recorded."""

    command: Literal["repeat"] = "repeat"


class Skip(_Request):
    """Leave this position out."""

    command: Literal["skip"] = "skip"


class Note(_Request):
    """Keep these words with the test."""

    command: Literal["note"] = "note"
    text: Annotated[str, Field(min_length=1, max_length=2000)]


class Stop(_Request):
    """End the test; what was recorded stays."""

    command: Literal["stop"] = "stop"


class Resume(_Request):
    """Go on with a test that ended early; the newest such one of this box when none is named."""

    command: Literal["resume"] = "resume"
    box: Name
    test: Name | None = None
    operator: Annotated[str, Field(max_length=200)] = ""
    confirmed: Confirmed | None = None
    matched: Literal["later", "now", "unknown"] = "later"


Request: TypeAlias = Status | Begin | Matched | Ready | Cause | Repeat | Skip | Note | Stop | Resume
_REQUEST: TypeAdapter[Request] = TypeAdapter(
    Annotated[Request, Field(discriminator="command")], config=ConfigDict(defer_build=True)
)


class InstrumentState(_Words):
    """What is known about one instrument; ages in seconds.

    Attributes:
        detail: What is wrong and what to do; empty when nothing is.
        reading: Newest value with its unit; empty without one.
        age_s: Of that value.
        rate_hz: Samples a second over the last moments.
        bad_frames: Since the port was opened.
        missed_polls: Requests without a whole reply in time, since the port was opened.
        dropped_chunks: Reads lost because nobody took them in time, since the port was opened.
        reconnects: How often the port came back, since it was opened.
    """

    instrument: str
    port: str
    state: Literal["heard", "absent", "away", "silent", "not understood", "without reading"]
    detail: str = ""
    reading: str = ""
    age_s: float | None = None
    rate_hz: float = 0.0
    bad_frames: int = 0
    missed_polls: int = 0
    dropped_chunks: int = 0
    reconnects: int = 0


class StatusReport(_Words):
    """How the service is.

    Attributes:
        test: Identifier of the running test.
        box: Its box: type and serial.
        done: Positions accepted.
        total: Positions asked for so far and still to come.
        last_refusal: Why the last refused rock or sweep was refused.
        last_test: How the test before ended, as a sentence.
        bus: How the broker is; empty for a stand that is not published.
        page: Where the page is and who looks; empty for a stand without one.
    """

    state: Literal["idle", "preparing", "testing", "concluding", "ending"]
    stand: str
    logbook: str
    awaits: str
    instruments: list[InstrumentState]
    test: str = ""
    box: str = ""
    done: int = 0
    total: int = 0
    last_refusal: str = ""
    last_test: str = ""
    boxes: list[str] = []
    uptime_s: float = 0.0
    bus: str = ""
    page: str = ""


class Answer(_Words):
    """What the service answers: lines for the person, and the exit status of the command that asked."""

    lashmap: int = VERSION
    say: list[str] = []
    exit_status: int = 0
    status: StatusReport | None = None


class NotUnderstood(ValueError):
    """A request that does not fit; the text says how."""


def read_request(line: bytes) -> Request:
    """The request in one line.

    Raises:
        NotUnderstood: When it is none.
    """
    try:
        return _REQUEST.validate_json(line)
    except ValidationError as error:
        raise NotUnderstood(_what_is_wrong(line, error)) from None


def refusal(*lines: str, exit_status: int = EXIT_CONFIGURATION) -> Answer:
    """An answer that says why something is not done."""
    return Answer(say=list(lines), exit_status=exit_status)


def line_of(words: BaseModel) -> bytes:
    """Words as they go over the socket."""
    return words.model_dump_json().encode() + b"\n"


class _Envelope(BaseModel):
    model_config = ConfigDict(extra="ignore", strict=True, defer_build=True)
    lashmap: int


def _what_is_wrong(line: bytes, error: ValidationError) -> str:
    try:
        version = _Envelope.model_validate_json(line).lashmap
    except ValidationError:
        return "the request is not understood: it is no JSON object with the key lashmap"
    if version != VERSION:
        return (
            f"the request is in version {str(version)[:_MOST_SHOWN]} of the messages, the service uses "
            f"{VERSION}; use the lashmap that the service was started with"
        )
    problems = [_problem(detail) for detail in error.errors()[:_MOST_PROBLEMS]]
    return f"the request is not understood: {'; '.join(problems)}"


def _problem(detail: Any) -> str:  # noqa: ANN401 - pydantic's own dictionary
    where = ".".join(str(part)[:_MOST_SHOWN] for part in detail["loc"][1:])
    sentence = in_our_words(str(detail["msg"]))[:200]
    return f"{where}: {sentence}" if where else sentence
