"""What happens while a box is built: the events of a build, as the logbook keeps them.

Each says who entered it and the local time with its offset; UTC and the seconds since the build was begun
are in the row. Their values are plain and written out, so that another key or default of a file changes
nothing of what was recorded. A value is corrected by a later event, never changed.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import cache
from typing import Annotated, Literal, TypeAlias, get_args

from lashmap_analysis.builds.mounting_chain import Part, Way
from lashmap_analysis.builds.pattern import Along, Flank, Up
from lashmap_analysis.judge.shim_stock import ShimStock
from lashmap_analysis.record.record import DecisionRule, Shaft, Units
from pydantic import ConfigDict, Field, TypeAdapter

VERSION: Literal[1] = 1

Quantity = Literal["rolling torque", "preload", "end play"]
QUANTITY_UNITS: dict[Quantity, str] = {"rolling torque": "N m", "preload": "N", "end play": "mm"}
"""What is written down of a member's bearings, and in what."""


class _Value:
    """Read strictly: what is not as it was written is damage."""

    __pydantic_config__ = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


@dataclass(frozen=True, kw_only=True)
class MeasuredPart(_Value):
    """A measured part, as the box file gave it."""

    name: str
    length_mm: float
    uncertainty_mm: float
    runs: Way
    source: str

    def part(self) -> Part:
        """For the analysis.

        Raises:
            ChainError: When it cannot be.
        """
        return Part(**asdict(self))


@dataclass(frozen=True, kw_only=True)
class Stock(_Value):
    """Shims at hand for a member."""

    thicknesses_mm: tuple[float, ...]
    thicker_moves: Way
    most_pieces: int
    thickness_uncertainty_mm: float

    def stock(self) -> ShimStock:
        """For the analysis.

        Raises:
            ShimError: When it cannot be.
        """
        return ShimStock(**vars(self))


@dataclass(frozen=True, kw_only=True)
class Member(_Value):
    """What the box file says of a member: its mark, its measured parts, its shims."""

    teeth: int
    marked_mm: float | None
    parts: tuple[MeasuredPart, ...]
    stock: Stock | None


@dataclass(frozen=True, kw_only=True)
class Given(_Value):
    """What the box file says of the box that is built."""

    type: str
    serial: str
    set_number: str
    units: Units
    tolerance_mm: float | None
    pinion: Member
    gear: Member
    decision_rule: DecisionRule = "two-sided"

    def member(self, member: Shaft) -> Member:
        """What is given of one of them."""
        return self.gear if member == "gear" else self.pinion


@dataclass(frozen=True, kw_only=True)
class _Said(_Value):
    """Who entered it, and when by the clock on the wall, with its offset from UTC."""

    by: str
    local: str


@dataclass(frozen=True, kw_only=True)
class BuildBegun(_Said):
    """The first event of a build."""

    build: str
    program: str
    given: Given
    version: Literal[1] = VERSION


@dataclass(frozen=True, kw_only=True)
class BoxRead(_Said):
    """The box file says something else than when it was read last."""

    given: Given


@dataclass(frozen=True, kw_only=True)
class JobRecorded(_Said):
    """What the job is called, and what is built into the box; empty where nothing was said."""

    work_order: str
    customer_reference: str
    drawing: str
    revision: str
    pinion_part: str
    pinion_serial: str
    gear_part: str
    gear_serial: str
    temperature_c: float | None


@dataclass(frozen=True, kw_only=True)
class ShimsFitted(_Said):
    """The pack that is in the box, by its pieces; none where the member sits without."""

    member: Shaft
    pieces_mm: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class DistanceMeasured(_Said):
    """A mounting distance as measured in the box, with the standard uncertainty of that."""

    member: Shaft
    distance_mm: float
    uncertainty_mm: float
    how: str
    instrument: str


@dataclass(frozen=True, kw_only=True)
class DistanceNotMeasurable(_Said):
    """A mounting distance cannot be measured here, and why."""

    member: Shaft
    reason: str


@dataclass(frozen=True, kw_only=True)
class BearingsMeasured(_Said):
    """Bearings of a member as a number, in the unit of the quantity, against the limits of the drawing.

    `uncertainty` is the standard uncertainty of the number, in its unit; None where nobody stated it.
    """

    member: Shaft
    quantity: Quantity
    value: float
    low: float | None
    high: float | None
    instrument: str
    uncertainty: float | None = None


@dataclass(frozen=True, kw_only=True)
class PhotoKept(_Said):
    """A photograph that stands in the logbook, byte for byte.

    Attributes:
        number: Within the build, from 1.
        name: Of its file.
        size: Bytes.
        sha256: Over them, in hexadecimal digits.
        channel: Name of its packs.
    """

    number: Annotated[int, Field(ge=1)]
    name: str
    size: int
    sha256: str
    channel: str


@dataclass(frozen=True, kw_only=True)
class PatternSeen(_Said):
    """The contact pattern on the gear's teeth, of one side; numbers of its photographs."""

    flank: Flank
    along: Along
    up: Up
    length: float
    height: float
    remark: str
    photos: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class PatternJudged(_Said):
    """Somebody accepted the contact pattern by name, or did not."""

    accepted: bool
    judge: str
    remark: str


@dataclass(frozen=True, kw_only=True)
class BuildDecided(_Said):
    """After a test: somebody accepted the box by name, or says what must be done next.

    Attributes:
        test: That it was decided on.
        outcome: Of that test, as it was stored when the test ended.
        accepted: Whether the box is accepted.
        judge: Who decided.
        remark: Why it is accepted all the same, or what must be done next.
    """

    test: str
    outcome: str
    accepted: bool
    judge: str
    remark: str


@dataclass(frozen=True, kw_only=True)
class NoteWritten(_Said):
    """Something that the sheet has no place for."""

    text: str


@dataclass(frozen=True, kw_only=True)
class BuildClosed(_Said):
    """The last event of a build: nothing is entered any more."""

    remark: str


Event: TypeAlias = (
    BuildBegun
    | BoxRead
    | JobRecorded
    | ShimsFitted
    | DistanceMeasured
    | DistanceNotMeasurable
    | BearingsMeasured
    | PhotoKept
    | PatternSeen
    | PatternJudged
    | BuildDecided
    | NoteWritten
    | BuildClosed
)
KINDS: tuple[type[Event], ...] = get_args(Event)
_KINDS = {kind.__name__: kind for kind in KINDS}


class OtherVersion(ValueError):
    """A build that is not damaged, but was written in another version."""


@cache
def _adapter(kind: str) -> TypeAdapter[Event]:
    return TypeAdapter(_KINDS[kind])


def to_json(event: Event) -> tuple[str, str]:
    """Kind and body of an event as the logbook keeps them."""
    kind = type(event).__name__
    return kind, _adapter(kind).dump_json(event).decode()


def from_json(kind: str, body: str) -> Event:
    """The event back from the logbook.

    Raises:
        KeyError: For a kind that this version does not know.
        OtherVersion: For a build that was begun by a version that writes otherwise.
        pydantic.ValidationError: For a body that does not fit its kind.
    """
    try:
        return _adapter(kind).validate_json(body)
    except ValueError:
        if kind == BuildBegun.__name__:
            _must_be_of_this_version(body)
        raise


def _must_be_of_this_version(body: str) -> None:
    try:
        version = json.loads(body)["version"]
    except (ValueError, KeyError, TypeError):
        return
    if version != VERSION:
        raise OtherVersion(f"it is of version {version!r:.20}, and this program reads version {VERSION}")
