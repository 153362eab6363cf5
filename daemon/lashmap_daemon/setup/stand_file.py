"""The stand file: which instruments hang on which ports, and when they were last calibrated."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeGuard

from lashmap_analysis.gears.indicator import CorrectionCurve, IndicatorError
from lashmap_drivers.kinds import AnyProfile, find_kind
from lashmap_drivers.profile import InstrumentProfile
from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, model_validator

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.bus_table import BusTable
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.setup.plausible import (
    implausible_encoder,
    implausible_indicator,
    implausible_port,
    implausible_step,
)
from lashmap_daemon.setup.toml_file import FilePath, Finite, Label, NotNegative, Positive, Remark, Table
from lashmap_daemon.story import recorded as story

Sense = Literal[1, -1]
INDICATOR, ENCODER, PINION_ENCODER = story.INDICATOR, story.ENCODER, story.PINION_ENCODER
GEAR_TABLE, PINION_TABLE = story.GEAR_TABLE, story.PINION_TABLE


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
    of the matched teeth that stands in a box file believed. ``number``: of two encoders at one counter board,
    which of both counts of a frame is this one's.
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
    number: Literal[1, 2] | None = None


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


class OneOrTwoEncoders(Table):
    """A file with the table ``encoder``, or with ``encoder.gear`` and ``encoder.pinion``.

    It has a field ``encoder``, which holds the gear's of two, and ``pinion_encoder``.
    """

    model_config = ConfigDict(populate_by_name=True)  # as it is written down again, no file

    @model_validator(mode="before")
    @classmethod
    def _one_or_two(cls, tree: Any, info: ValidationInfo) -> Any:  # noqa: ANN401 - whatever the file holds
        """Give each of two encoders a place of its own; its shaft is the name of its table."""
        if info.context == toml_file.FROM_FILE:
            for key in tree.keys() & {"pinion_encoder", PINION_TABLE}:
                raise ValueError(
                    f"{key}: unknown key; two encoders are the tables [encoder.gear] and [encoder.pinion]"
                )
        encoder = tree.get(ENCODER) if isinstance(tree, dict) else None
        if not has_two(encoder):
            return tree
        if problems := list(_mixed(encoder)):
            raise ValueError("\n".join(problems))
        gear, pinion = ({**encoder[shaft], "shaft": shaft} for shaft in ("gear", "pinion"))
        return {**tree, ENCODER: gear, PINION_TABLE: pinion}

    @classmethod
    def as_modelled(cls, table: str) -> str:
        """Both encoders have the keys of one."""
        return ENCODER if table in {GEAR_TABLE, PINION_TABLE} else table

    @classmethod
    def as_written(cls, problem: str, tree: dict[str, Any]) -> str:
        """The gear's encoder by the name of its table, where that is one of two."""
        of_gear = problem.startswith(f"{ENCODER}.") and not problem.startswith((GEAR_TABLE, PINION_TABLE))
        if of_gear and has_two(tree.get(ENCODER)):
            return GEAR_TABLE + problem.removeprefix(ENCODER)
        return problem


class StandFile(OneOrTwoEncoders):
    """A whole stand file, its profiles not yet read.

    Without an encoder a person counts the teeth; without an indicator the encoder alone sees the rock. Two
    encoders stand in the tables ``encoder.gear``, here ``encoder``, and ``encoder.pinion``.
    """

    stand: NameTable
    indicator: IndicatorTable | None = None
    encoder: EncoderTable | None = None
    pinion_encoder: EncoderTable | None = Field(default=None, alias="encoder.pinion")
    prompts: PromptsTable | None = None
    bus: BusTable | None = None
    page: PageTable | None = None
    hands_free: HandsFreeTable | None = None
    check_standard: CheckStandardTable | None = None

    @property
    def encoders(self) -> dict[str, EncoderTable]:
        """The encoders by the table that the file has them in."""
        if self.encoder is None:
            return {}
        if self.pinion_encoder is None:
            return {ENCODER: self.encoder}
        return {GEAR_TABLE: self.encoder, PINION_TABLE: self.pinion_encoder}

    @model_validator(mode="after")
    def _two_go_together(self) -> Self:
        gear, pinion = self.encoder, self.pinion_encoder
        if gear is not None and pinion is None and gear.number is not None:
            raise ValueError(
                "encoder.number: tells the two encoders of one counter board apart; write both, in the "
                "tables [encoder.gear] and [encoder.pinion], or leave it out"
            )
        if gear is not None and pinion is not None and (problems := list(_apart(gear, pinion))):
            raise ValueError("\n".join(problems))
        return self

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
        for name, table in self.encoders.items():
            found += implausible_encoder(table.to_record(story.Encoder), name)
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


def has_two(encoder: object) -> TypeGuard[dict[str, Any]]:
    """Whether what stands under ``encoder`` in a file names an encoder by its shaft."""
    return isinstance(encoder, dict) and bool(encoder.keys() & {"gear", "pinion"})


def _mixed(encoder: dict[str, Any]) -> Iterator[str]:
    """What is wrong with tables of two encoders, before anything in them is looked at."""
    if beside := sorted(encoder.keys() - {"gear", "pinion"}):
        yield (
            f"encoder: {', '.join(beside)} beside [encoder.gear] or [encoder.pinion]; each of two encoders "
            "has a whole table of its own, so write these keys into the one they belong to"
        )
        return
    for here, other in (("gear", "pinion"), ("pinion", "gear")):
        if other not in encoder:
            yield (
                f"encoder.{other}: is missing beside [encoder.{here}]; add the table of the other encoder, "
                f'or call this one [encoder] with shaft = "{here}" when it is the only one'
            )
        table = encoder.get(here, {})
        if not isinstance(table, dict):
            yield f"encoder.{here}: expected a table [encoder.{here}], got {table!r:.200}"
        elif "shaft" in table:
            yield f"encoder.{here}.shaft: the name of the table says the shaft; remove the line"


def _apart(gear: EncoderTable, pinion: EncoderTable) -> Iterator[str]:
    """What two encoders have in common and should not, or should and have not."""
    numbers, at_one_port = (gear.number, pinion.number), gear.port == pinion.port
    if pinion.absolute:
        yield (
            f"{PINION_TABLE}.absolute: a box file gives the angle of the matched teeth as the gear's encoder "
            "shows it; remove the line"
        )
    if numbers == (None, None):
        return
    if not at_one_port:
        yield (
            f"{PINION_TABLE}.port: is {pinion.port} here and {gear.port} in [{GEAR_TABLE}], and number is "
            "for two encoders at one counter board; give both its port, or remove number"
        )
    if gear.profile != pinion.profile:
        yield (
            f"{PINION_TABLE}.profile: is {pinion.profile} here and {gear.profile} in [{GEAR_TABLE}], and one "
            "board sends both counts; make them agree"
        )
    for table, number in ((GEAR_TABLE, gear.number), (PINION_TABLE, pinion.number)):
        if number is None:
            yield f"{table}.number: is missing; {_NUMBER}"
    if gear.number == pinion.number:
        yield f"{PINION_TABLE}.number: is {pinion.number} in [{GEAR_TABLE}] as well; {_NUMBER}"


_NUMBER = "write 1 for the encoder whose count stands first in a frame of the board, 2 for the other"


class Stand(BaseModel):
    """A stand file together with the profiles it names: all that is needed to decode its bytes."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    file: StandFile
    indicator_profile: AnyProfile | None
    encoder_profile: AnyProfile | None
    pinion_encoder_profile: AnyProfile | None = None

    def recorded(self) -> story.Stand:
        """As the record of a test keeps it."""
        file = self.file
        profiles = (self.indicator_profile, self.encoder_profile, self.pinion_encoder_profile)
        indicator, encoder, pinion_encoder = (
            None if one is None else one.model_dump(mode="json") for one in profiles
        )
        return story.Stand(
            stand=file.stand.to_record(story.StandName),
            indicator=None if file.indicator is None else file.indicator.to_record(story.Indicator),
            encoder=None if file.encoder is None else file.encoder.to_record(story.Encoder),
            indicator_profile=indicator,
            encoder_profile=encoder,
            pinion_encoder=None
            if file.pinion_encoder is None
            else file.pinion_encoder.to_record(story.Encoder),
            pinion_encoder_profile=pinion_encoder,
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
    update: dict[str, object] = {
        "bus": file.bus.beside(path.parent) if file.bus else None,
        "page": file.page.beside(path.parent) if file.page else None,
    }
    profiles: dict[str, InstrumentProfile] = {}
    if file.indicator is not None:
        profiles[INDICATOR], port = _instrument(path, INDICATOR, INDICATOR, file.indicator)
        update[INDICATOR] = file.indicator.model_copy(update={"port": port})
    for channel, (name, table) in zip(story.ENCODERS, file.encoders.items(), strict=False):
        is_second = channel == PINION_ENCODER and table.number is not None
        role = ENCODER if is_second else channel  # one board, whose bytes come once
        profiles[channel], port = _instrument(path, role, name, table)
        _check_number(path, file, name, profiles[channel])
        _check_counts(path, name, table, profiles[channel], port)
        update[channel.replace(" ", "_")] = table.model_copy(update={"port": port})
    _check_together(path, file, profiles)
    return Stand(
        file=file.model_copy(update=update),
        indicator_profile=profiles.get(INDICATOR),
        encoder_profile=profiles.get(ENCODER),
        pinion_encoder_profile=profiles.get(PINION_ENCODER),
    )


def _instrument(
    stand_path: Path, role: str, name: str, table: IndicatorTable | EncoderTable
) -> tuple[InstrumentProfile, str]:
    """Profile and port of one instrument; a port that names a file is taken relative to the stand file.

    Args:
        stand_path: Of the stand file.
        role: The channel under which its bytes come.
        name: Of its table in the file.
        table: What that says.
    """
    path = stand_path.parent / table.profile
    if not os.path.isfile(path):  # noqa: PTH113 - Path.is_file fails at a name that is too long
        what = "is a folder; name the file in it:" if os.path.isdir(path) else "no such file"  # noqa: PTH112 - likewise
        raise ConfigurationError(
            str(stand_path), [f"{name}.profile: {what} {path}; the path is relative to the stand file"]
        )
    profile = load_profile(path)
    _check_port(path, profile, table.port)
    port = str(stand_path.parent / table.port) if profile.reads_file else table.port
    profile = profile.resolved(role, port)
    wanted = "a length" if role == INDICATOR else "an angle (deg or count)"
    if profile.quantity != ("length" if role == INDICATOR else "angle"):
        problem = f"{name}.profile: {path} describes an instrument whose unit is {profile.unit}; an"
        kind = INDICATOR if role == INDICATOR else ENCODER
        raise ConfigurationError(str(stand_path), [f"{problem} {kind} measures {wanted}"])
    return profile, port


def _check_number(stand_path: Path, file: StandFile, name: str, profile: InstrumentProfile) -> None:
    """Refuse an encoder of which nobody could say which count is its own, or that cannot follow a turn."""
    table, carries_two = file.encoders[name], profile.second() is not None
    problem = ""
    if file.pinion_encoder is None and carries_two:
        problem = (
            f"{name}.profile: frames of {table.profile} carry the counts of two encoders; write both, in the "
            "tables [encoder.gear] and [encoder.pinion], or take a profile that reads one of them"
        )
    elif table.number is None and carries_two:
        problem = f"{name}.number: is missing, and frames of {table.profile} carry two counts; {_NUMBER}"
    elif table.number is not None and not carries_two:
        problem = (
            f"{name}.number: frames of {table.profile} carry one count; name the second in the profile "
            "(group second_count, or frame.second_count_at), or give each encoder a port of its own, "
            "without number"
        )
    elif name == PINION_TABLE and profile.sends == "on its button":
        problem = (
            f"{name}.profile: the instrument of {table.profile} sends at a press of its button, and an "
            "encoder on the pinion is read while that turns; take one that goes on sending, or leave "
            "the table out"
        )
    if problem:
        raise ConfigurationError(str(stand_path), [problem])


def _check_counts(
    stand_path: Path, name: str, table: EncoderTable, profile: InstrumentProfile, port: str
) -> None:
    """Refuse counts per turn that differ from those of the board, or of the test that is played again."""
    own = profile.second() if table.number == 2 else profile
    there = None if own is None else own.counts_of_a_turn()
    if there is not None and there != table.counts_per_turn:
        where = f"the test recorded in {port}" if profile.reads_file else table.profile
        here = f"is {table.counts_per_turn} here and {there} in {where}"
        raise ConfigurationError(str(stand_path), [f"{name}.counts_per_turn: {here}; make them agree"])


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


def _check_together(stand_path: Path, file: StandFile, profiles: Mapping[str, InstrumentProfile]) -> None:
    """Refuse two instruments at one port, and a display that is said to be finer than its numbers."""
    problems: list[str] = []
    encoders = list(zip(file.encoders.items(), story.ENCODERS, strict=False))
    reads_file = {channel for channel, profile in profiles.items() if profile.reads_file}
    if file.indicator is not None:
        for (name, table), channel in encoders:
            if table.port == file.indicator.port and not {INDICATOR, channel} <= reads_file:
                problems.append(
                    f"{name}.port: {table.port} is the port of the indicator as well, and each instrument "
                    "has one of its own; lashmap check with each plugged in alone shows which is which"
                )
    gear, pinion = file.encoder, file.pinion_encoder
    at_one_port = gear is not None and pinion is not None and gear.port == pinion.port
    if at_one_port and gear and gear.number is None and not {ENCODER, PINION_ENCODER} <= reads_file:
        problems.append(
            f"{PINION_TABLE}.port: {gear.port} is the port of [{GEAR_TABLE}] as well. Two encoders at one "
            "port are those of a counter board whose frame carries both counts: name it in both tables, by a "
            "profile with second_count, and say number = 1 and number = 2. Otherwise each has a port of its "
            "own"
        )
    indicator = profiles.get(INDICATOR)
    step_mm = None if indicator is None else indicator.step_mm()
    if step_mm is not None and file.indicator is not None:
        problems += implausible_step(step_mm, file.indicator.resolution_mm)
    if problems:
        raise ConfigurationError(str(stand_path), problems)
