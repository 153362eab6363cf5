"""The stand file: which instruments hang on which ports, and when they were last calibrated."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path
from typing import Annotated, Literal, Self

from lashmap_analysis.gears.indicator import CorrectionCurve, IndicatorError
from lashmap_drivers.kinds import AnyProfile, find_kind
from lashmap_drivers.profile import InstrumentProfile
from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, model_validator

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.bus_table import BusTable
from lashmap_daemon.setup.plausible import (
    implausible_encoder,
    implausible_indicator,
    implausible_port,
    implausible_step,
)
from lashmap_daemon.setup.toml_file import FilePath, Finite, Label, NotNegative, Positive, Remark, Table
from lashmap_daemon.story import recorded as story

Sense = Literal[1, -1]
INDICATOR, ENCODER = story.INDICATOR, story.ENCODER


class NameTable(Table):
    """Which stand this is, and how long a test waits for an instrument that was unplugged, in seconds."""

    name: Label
    remark: Remark = ""
    reconnect_seconds: Annotated[float, Field(ge=0, le=3600, allow_inf_nan=False)] = 120.0


class CorrectionTable(Table):
    """The correction curve of the indicator's certificate, in the display's own readings.

    Attributes:
        readings_mm: What the display shows, increasing.
        corrections_mm: What is to be added there.
        uncertainties_mm: Expanded uncertainty (k = 2) of each.
    """

    readings_mm: Annotated[list[Finite], Field(min_length=2, max_length=200)]
    corrections_mm: Annotated[list[Finite], Field(min_length=2, max_length=200)]
    uncertainties_mm: Annotated[list[NotNegative], Field(min_length=2, max_length=200)]

    @model_validator(mode="after")
    def _is_a_curve(self) -> Self:
        try:
            CorrectionCurve(
                readings_mm=tuple(self.readings_mm),
                corrections_mm=tuple(self.corrections_mm),
                uncertainties_mm=tuple(self.uncertainties_mm),
            )
        except IndicatorError as error:
            raise ValueError(str(error)) from error
        return self


class IndicatorTable(Table):
    """The dial indicator.

    Attributes:
        calibration_uncertainty_mm: Expanded (k = 2), of a difference of two readings; without it and without
            a correction curve the calibration is unproven.
        hysteresis_mm: Largest difference of two readings of one length, approached from either side.
    """

    port: Annotated[FilePath, Field(min_length=1)]
    profile: FilePath
    sense: Sense = 1
    resolution_mm: Positive
    serial: Label = ""
    calibration_due: dt.date | None = None
    calibration_uncertainty_mm: NotNegative | None = None
    hysteresis_mm: NotNegative | None = None
    correction: CorrectionTable | None = None


class EncoderTable(Table):
    """The angle encoder.

    ``absolute``: it shows the same angle at the same place after it was switched off. Only then is an angle
    of the matched teeth that stands in a box file believed.
    """

    port: Annotated[FilePath, Field(min_length=1)]
    profile: FilePath
    sense: Sense = 1
    shaft: Literal["gear", "pinion"] = "gear"
    counts_per_turn: Annotated[int, Field(gt=0)]
    serial: Label = ""
    calibration_due: dt.date | None = None
    standard_uncertainty_deg: NotNegative = 0.0
    absolute: bool = False


class PromptsTable(Table):
    """A file that repeats what the technician is shown, for a second display or a powered stand to follow."""

    file: FilePath


class HandsFreeTable(Table):
    """What the gear may say to the program while both hands are in the machine; see `hands_free`.

    A knock: stand still, turn some teeth away and back to the same place, stand still again.
    """

    gestures: list[Literal["matched", "repeat", "skip"]] = Field(default=[])
    still_seconds: Annotated[float, Field(ge=0.5, le=10, allow_inf_nan=False)] = 1.0
    least_teeth: Annotated[int, Field(ge=2, le=20)] = 2
    most_teeth: Annotated[int, Field(ge=2, le=40)] = 6
    within_seconds: Annotated[float, Field(ge=1, le=60, allow_inf_nan=False)] = 10.0

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.least_teeth > self.most_teeth:
            raise ValueError(
                f"least_teeth: {self.least_teeth} is more than most_teeth {self.most_teeth}, so that no turn "
                "would be a knock; swap them"
            )
        return self


class CheckStandardTable(Table):
    """A box or an artefact that does not change, tested on this stand to see whether the stand did."""

    serial: Annotated[Label, Field(min_length=1)]
    within_hours: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] = 24.0


class StandFile(Table):
    """A whole stand file, its profiles not yet read.

    Without an encoder a person counts the teeth; without an indicator the encoder alone sees the rock.
    """

    stand: NameTable
    indicator: IndicatorTable | None = None
    encoder: EncoderTable | None = None
    prompts: PromptsTable | None = None
    bus: BusTable | None = None
    hands_free: HandsFreeTable | None = None
    check_standard: CheckStandardTable | None = None

    @model_validator(mode="after")
    def _sees_a_rock(self) -> Self:
        if self.indicator is None and self.encoder is None:
            raise ValueError(
                "neither [indicator] nor [encoder]: name an instrument that sees the gear rock; a test "
                "without any cable needs no stand file: lashmap run --by-hand BOX"
            )
        if self.indicator is None and self.encoder is not None and self.encoder.shaft != "gear":
            raise ValueError(
                "encoder.shaft: without an [indicator] the encoder has to see the gear rock, and the pinion "
                "is held; put it on the gear's shaft, or add the indicator"
            )
        return self

    @model_validator(mode="after")
    def _can_be_meant(self, info: ValidationInfo) -> Self:
        if info.context != toml_file.FROM_FILE:  # the stand of a recording, which nobody wrote
            return self
        found: list[str] = []
        if self.indicator is not None:
            found += implausible_indicator(self.indicator.to_record(story.Indicator))
        if self.encoder is not None:
            found += implausible_encoder(self.encoder.to_record(story.Encoder))
        if found:
            raise ValueError("\n".join(found))
        return self

    @model_validator(mode="after")
    def _gestures_are_seen(self) -> Self:
        if self.encoder is None and self.hands_free is not None and self.hands_free.gestures:
            raise ValueError(
                "hands_free.gestures: an encoder sees gestures of the gear, and there is no [encoder]; "
                "leave them out, and say where the gear is with a key or a pedal"
            )
        return self


class Stand(BaseModel):
    """A stand file together with the profiles it names: all that is needed to decode its bytes."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    file: StandFile
    indicator_profile: AnyProfile | None
    encoder_profile: AnyProfile | None

    def recorded(self) -> story.Stand:
        """As the record of a test keeps it."""
        return story.Stand(
            stand=self.file.stand.to_record(story.StandName),
            indicator=None if self.file.indicator is None else self.file.indicator.to_record(story.Indicator),
            encoder=None if self.file.encoder is None else self.file.encoder.to_record(story.Encoder),
            indicator_profile=None
            if self.indicator_profile is None
            else self.indicator_profile.model_dump(mode="json"),
            encoder_profile=None
            if self.encoder_profile is None
            else self.encoder_profile.model_dump(mode="json"),
        )


class _AnyKind(BaseModel):
    """The one key that says how the others are read."""

    model_config = ConfigDict(extra="allow", defer_build=True)

    kind: str


def load_profile(path: Path) -> InstrumentProfile:
    """Read an instrument profile.

    Raises:
        ConfigurationError: When the file is missing, its kind is unknown, or a key is wrong.
    """
    kind = toml_file.load(path, _AnyKind).kind
    try:
        found = find_kind(kind)
    except ValueError as error:
        raise ConfigurationError(str(path), [str(error)]) from error
    return toml_file.load(path, found)


def load_stand(path: Path) -> Stand:
    """Read a stand file and the instrument profiles it names (relative to itself).

    Raises:
        ConfigurationError: When a file is missing or a key is wrong.
    """
    return stand_of(toml_file.load(path, StandFile), path)


def stand_of(file: StandFile, path: Path) -> Stand:
    """The stand of a stand file that stands, or will stand, at ``path``, with the profiles it names.

    Raises:
        ConfigurationError: When a profile is missing or does not fit.
    """
    update: dict[str, object] = {"bus": file.bus.beside(path.parent) if file.bus else None}
    indicator = encoder = None
    if file.indicator is not None:
        indicator, indicator_port = _instrument(path, INDICATOR, file.indicator)
        update[INDICATOR] = file.indicator.model_copy(update={"port": indicator_port})
    if file.encoder is not None:
        encoder, encoder_port = _instrument(path, ENCODER, file.encoder)
        _check_counts(path, file.encoder, encoder, encoder_port)
        update[ENCODER] = file.encoder.model_copy(update={"port": encoder_port})
    _check_together(path, file, indicator, encoder)
    return Stand(file=file.model_copy(update=update), indicator_profile=indicator, encoder_profile=encoder)


def _instrument(
    stand_path: Path, role: str, table: IndicatorTable | EncoderTable
) -> tuple[InstrumentProfile, str]:
    """Profile and port of one instrument; a port that names a file is taken relative to the stand file."""
    path = stand_path.parent / table.profile
    if not os.path.isfile(path):  # noqa: PTH113 - Path.is_file fails at a name that is too long
        what = "is a folder; name the file in it:" if os.path.isdir(path) else "no such file"  # noqa: PTH112 - likewise
        raise ConfigurationError(
            str(stand_path), [f"{role}.profile: {what} {path}; the path is relative to the stand file"]
        )
    profile = load_profile(path)
    _check_port(path, profile, table.port)
    port = str(stand_path.parent / table.port) if profile.reads_file else table.port
    profile = profile.resolved(role, port)
    wanted = "a length" if role == INDICATOR else "an angle (deg or count)"
    if profile.quantity != ("length" if role == INDICATOR else "angle"):
        problem = f"{role}.profile: {path} describes an instrument whose unit is {profile.unit}; an {role}"
        raise ConfigurationError(str(stand_path), [f"{problem} measures {wanted}"])
    return profile, port


def _check_counts(stand_path: Path, table: EncoderTable, profile: InstrumentProfile, port: str) -> None:
    """Refuse counts per turn that differ from those of the board, or of the test that is played again."""
    there = profile.counts_of_a_turn()
    if there is not None and there != table.counts_per_turn:
        where = f"the test recorded in {port}" if profile.reads_file else table.profile
        here = f"is {table.counts_per_turn} here and {there} in {where}"
        raise ConfigurationError(str(stand_path), [f"encoder.counts_per_turn: {here}; make them agree"])


def _check_port(path: Path, profile: InstrumentProfile, port: str) -> None:
    """Refuse a profile whose port or pace nobody can mean."""
    polling = getattr(profile, "polling", None) or getattr(profile, "frame_polling", None)
    found = implausible_port(
        profile.port.baud,
        interval_s=polling and polling.interval_s,
        timeout_s=polling and polling.timeout_s,
        on_network="://" in port,
    )
    if problems := list(found):
        raise ConfigurationError(str(path), problems)


def _check_together(
    stand_path: Path,
    file: StandFile,
    indicator: InstrumentProfile | None,
    encoder: InstrumentProfile | None,
) -> None:
    """Refuse two instruments at one port, and a display that is said to be finer than its numbers."""
    if file.indicator is None or indicator is None:
        return
    problems: list[str] = []
    at_one_port = file.encoder is not None and file.encoder.port == file.indicator.port
    if at_one_port and not (indicator.reads_file and encoder is not None and encoder.reads_file):
        problems.append(
            f"encoder.port: {file.indicator.port} is the port of the indicator as well, and each instrument "
            "has one of its own; lashmap check with each plugged in alone shows which is which"
        )
    step_mm = indicator.step_mm()
    if step_mm is not None:
        problems += implausible_step(step_mm, file.indicator.resolution_mm)
    if problems:
        raise ConfigurationError(str(stand_path), problems)
