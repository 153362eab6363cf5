"""The mapping file: how to read a recording that another program made.

Decided here: what a mapping may say. Reading the recording is `exchange/source.py`, finding its rocks
`exchange/rocks.py`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Annotated, Literal, Self

from lashmap_analysis.record.record import Direction, Shaft
from pydantic import Field, model_validator

from lashmap_daemon.setup.plausible import FIRST_YEAR, implausible_encoder, implausible_indicator
from lashmap_daemon.setup.stand_file import (
    ENCODER,
    GEAR_TABLE,
    PINION_TABLE,
    CorrectionTable,
    OneOrTwoEncoders,
    Sense,
)
from lashmap_daemon.setup.toml_file import FilePath, Finite, Label, Line, NotNegative, Positive, Table

_CLOCK_OFF = dt.timedelta(days=1)  # of this computer, or of the one that recorded
_TURN_DEG = 360.0
_MOST_MATCHED_DEG = 1000 * _TURN_DEG  # an encoder of many turns counts on since it was switched on
_LEAST_ROCK_S, _MOST_ROCK_S = 0.1, 120.0  # common practice, no source

Name = Annotated[Line, Field(min_length=1)]
FileName = Annotated[FilePath, Field(min_length=1)]


class FileTable(Table):
    """Which file, and how it is written. Paths are relative to the mapping file.

    Attributes:
        path: The recording: ``.csv``, ``.txt`` or ``.tsv``, or ``.parquet``.
        box: Box file of the gearbox that was recorded.
        separator: Between the columns of a text file.
        decimal: Decimal point or comma of a text file.
        skip_lines: Lines of a text file before the one that names the columns.
        skip_after: Lines after that, such as one with units.
        missing: Cells that mean that this column has no sample in this row.
    """

    path: FileName
    box: FileName
    separator: Annotated[str, Field(min_length=1, max_length=1)] = ","
    decimal: Literal[".", ","] = "."
    skip_lines: Annotated[int, Field(ge=0, le=1000)] = 0
    skip_after: Annotated[int, Field(ge=0, le=1000)] = 0
    missing: list[Line] = Field(default=[""])


class TestTable(Table):
    """Who recorded it, when and where.

    Attributes:
        recorded: When the recording began, with its offset from UTC; calibrations are judged at that date.
        vouched_by: Who says that this is the recording of this gearbox; without, no verdict is *conforming*.
    """

    recorded: dt.datetime
    operator: Label = ""
    stand: Label = ""
    vouched_by: Label = ""

    @model_validator(mode="after")
    def _has_offset(self) -> Self:
        if self.recorded.tzinfo is None:
            raise ValueError("recorded: add the offset from UTC, as in 2026-03-01T08:30:00+01:00")
        return self


class TimeTable(Table):
    """The column of times.

    Attributes:
        counts_together: Of two encoders: what stands in one row was read at the same instant.
    """

    column: Name
    unit: Literal["s", "ms", "us", "min", "iso 8601"] = "s"
    counts_together: bool | None = None


class IndicatorTable(Table):
    """The indicator's column, and the indicator."""

    column: Name
    unit: Literal["mm", "um", "in"]
    sense: Sense = 1
    resolution_mm: Positive
    serial: Label = ""
    calibration_due: dt.date | None = None
    calibration_uncertainty_mm: NotNegative | None = None
    hysteresis_mm: NotNegative | None = None
    correction: CorrectionTable | None = None


class EncoderTable(Table):
    """The encoder's column, and the encoder.

    Attributes:
        matched_deg: Its angle with the marked teeth together; the box file's when left out. Where the angle
            begins again: of the turn in which the recording begins.
        wraps_at_deg: Of an angle in degrees: after which it begins again, 360 as a rule.
        absolute: It shows the same angle at the same place after it was switched off; only then is the box
            file's angle of the matched teeth believed.
    """

    column: Name
    unit: Literal["deg", "count"]
    wraps_at_deg: Annotated[float, Field(ge=1.0, le=36_000.0)] | None = None
    sense: Sense = 1
    shaft: Literal["gear", "pinion"] = "gear"
    counts_per_turn: Annotated[int, Field(gt=0)]
    matched_deg: Finite | None = None
    serial: Label = ""
    calibration_due: dt.date | None = None
    standard_uncertainty_deg: NotNegative = 0.0
    absolute: bool = False

    @model_validator(mode="after")
    def _wraps_an_angle(self) -> Self:
        if self.wraps_at_deg is not None and self.unit != "deg":
            raise ValueError(f"wraps_at_deg: is for an angle in degrees, but unit is {self.unit!r}")
        return self


class StretchTable(Table):
    """A stretch of the recording, by the times in the file, in seconds whatever the unit of the column.

    Attributes:
        from_s: First moment.
        to_s: Last moment.
    """

    from_s: Finite
    to_s: Finite

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.from_s >= self.to_s:
            raise ValueError(f"from_s {self.from_s:g} is not before to_s {self.to_s:g}")
        return self


class PassTable(StretchTable):
    """One pass of a cycle run: the pinion turned one way against a light brake on the gear.

    Attributes:
        direction: ``forward`` where the gear's angle grows, or ``back``.
        brake_nm: Torque of the brake on the gear's shaft; left out where nobody measured it.
    """

    direction: Direction
    brake_nm: Positive | None = None


class RockTable(StretchTable):
    """One rock."""

    engagement: int


class PositionsTable(Table):
    """Which rows belong to which position: exactly one of three ways.

    Attributes:
        engagement_column: A column with the engagement in the rows of a rock, and nothing between rocks.
        rock: Each rock by its times.
        find_by: ``encoder``: where the gear rests at a whole engagement and the tip on its tooth.
        counted_from_matched_teeth: Engagements that somebody wrote count from the matched teeth; false when
            they count from anywhere else.
        least_seconds: A rock that is found lasts at least so long.
    """

    engagement_column: Name | None = None
    rock: Annotated[list[RockTable], Field(min_length=1)] | None = None
    find_by: Literal["encoder"] | None = None
    counted_from_matched_teeth: bool | None = None
    least_seconds: Positive = 0.5

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        ways = [self.engagement_column, self.rock, self.find_by]
        if sum(way is not None for way in ways) != 1:
            raise ValueError('give one of engagement_column, [[positions.rock]] and find_by = "encoder"')
        if self.find_by is None and self.counted_from_matched_teeth is None:
            raise ValueError("counted_from_matched_teeth: is missing; say true or false")
        if self.find_by is not None and self.counted_from_matched_teeth is not None:
            raise ValueError("counted_from_matched_teeth: is for engagements that somebody wrote; remove it")
        return self


class SweepTable(StretchTable):
    """One runout sweep: the member was turned, the indicator was on it; whole turns are taken out of it.

    Attributes:
        member: Which member was turned and touched.
        indicator_from_mesh_deg: Where the indicator sat; the box file's when left out.
    """

    member: Shaft
    indicator_from_mesh_deg: Finite | None = None


class Mapping(OneOrTwoEncoders):
    """A whole mapping file; one or two encoders as in a stand file."""

    file: FileTable
    test: TestTable
    time: TimeTable
    indicator: IndicatorTable
    encoder: EncoderTable | None = None
    pinion_encoder: EncoderTable | None = Field(default=None, alias="encoder.pinion")
    positions: PositionsTable
    sweep: list[SweepTable] = Field(default=[])
    passes: list[PassTable] = Field(default=[], alias="pass")

    @property
    def decimal(self) -> Literal[".", ","]:
        """Decimal point of the texts of cells; Parquet files hold numbers, which are written with a point."""
        return "." if self.file.path.endswith(".parquet") else self.file.decimal

    @property
    def encoders(self) -> dict[str, EncoderTable]:
        """The encoders by the table that the file has them in."""
        both = {ENCODER if self.pinion_encoder is None else GEAR_TABLE: self.encoder}
        both[PINION_TABLE] = self.pinion_encoder
        return {name: table for name, table in both.items() if table is not None}

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.positions.find_by == "encoder" and self.encoder is None:
            raise ValueError('positions.find_by: "encoder" needs the table [encoder]')
        if self.sweep and self.encoder is None:
            raise ValueError("sweep: needs the table [encoder], which says how far the member was turned")
        if self.passes and self.pinion_encoder is None:
            raise ValueError("pass: needs an encoder on each shaft, [encoder.gear] and [encoder.pinion]")
        if self.passes and self.time.counts_together is None:
            raise ValueError(
                "time.counts_together: is missing; say true where the two counts of a row were read at the "
                "same instant, as a board with two latched counters does, and false where they were not"
            )
        members = [one.member for one in self.sweep]
        if len(set(members)) < len(members):
            raise ValueError("sweep: one sweep of each member; leave the others out")
        return self

    @model_validator(mode="after")
    def _can_be_meant(self) -> Self:
        found = list(_implausible_recording(self))
        # The keys of a stand file's tables, but for port and profile.
        found += implausible_indicator(self.indicator)  # type: ignore[arg-type]
        for name, table in self.encoders.items():
            found += implausible_encoder(table, name)  # type: ignore[arg-type]
        if found:
            raise ValueError("\n".join(found))
        return self


def _implausible_recording(mapping: Mapping) -> Iterator[str]:
    """Say which figures about the recording itself cannot be meant: key, figure, why, and what to do."""
    recorded = mapping.test.recorded
    if recorded > dt.datetime.now(dt.UTC) + _CLOCK_OFF or recorded.year < FIRST_YEAR:
        yield (
            f"test.recorded: {recorded:%Y-%m-%d} is before {FIRST_YEAR} or has not come yet by the clock of "
            "this computer; calibrations are judged at that day, so write the day of the recording."
        )
    for name, encoder in mapping.encoders.items():
        matched_deg = encoder.matched_deg
        if matched_deg is not None and abs(matched_deg) > _MOST_MATCHED_DEG:
            yield (
                f"{name}.matched_deg: {matched_deg:g}° is more than {_MOST_MATCHED_DEG / _TURN_DEG:g} turns "
                "from the encoder's zero; write it in degrees. Is it in counts? That would be "
                f"{matched_deg * _TURN_DEG / encoder.counts_per_turn:.6g}°."
            )
    if mapping.pinion_encoder is not None and mapping.pinion_encoder.absolute:
        yield (
            f"{PINION_TABLE}.absolute: a box file gives the angle of the matched teeth as the gear's encoder "
            "shows it; remove the line"
        )
    for sweep in mapping.sweep:
        place_deg = sweep.indicator_from_mesh_deg
        if place_deg is not None and abs(place_deg) > _TURN_DEG:
            yield (
                f"sweep.indicator_from_mesh_deg: {place_deg:g}° goes round more than once; write the angle "
                "from the mesh to the indicator, 0 to 360."
            )
    least_s = mapping.positions.least_seconds
    if not _LEAST_ROCK_S <= least_s <= _MOST_ROCK_S:
        yield (
            f"positions.least_seconds: no rock is told by {least_s:g} s ({_LEAST_ROCK_S:g} to "
            f"{_MOST_ROCK_S:g} s): less has no two dwells, and nobody rocks longer at one position. "
            "Is it in milliseconds?"
        )
