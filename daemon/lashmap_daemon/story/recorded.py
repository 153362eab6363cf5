"""The set-up in the start record of a test: plain values, apart from the models of the files people write.

What decoding and judging need is here and nothing else, and every value is written out, so that neither a
new key of a file nor another default changes what was recorded. Names are those of the files' keys, lengths
in mm. Whoever changes a field here changes the format: then `VERSION` counts on, and any other is refused.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import asdict, dataclass, replace
from typing import Annotated, Any, ClassVar, Literal, TypeAlias, overload

from lashmap_analysis.gears.gear_set import GearSet as AnalysisGearSet
from lashmap_analysis.gears.indicator import CorrectionCurve
from lashmap_analysis.gears.indicator import Indicator as AnalysisIndicator
from lashmap_analysis.judge.shim_stock import MountingDistance, ShimStock
from lashmap_analysis.record.conditions import EXPANSION, Conditions, Material
from lashmap_analysis.record.lengths import MM_PER_INCH
from lashmap_analysis.record.record import DecisionRule, Shaft, Units
from lashmap_analysis.record.record import Encoder as AnalysisEncoder
from lashmap_analysis.record.record import Limits as AnalysisLimits
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.kinds import build
from lashmap_drivers.profile import InstrumentProfile
from pydantic import (
    AfterValidator,
    ConfigDict,
    Field,
    JsonValue,
    SerializerFunctionWrapHandler,
    model_serializer,
)

VERSION: Literal[3] = 3
BY_HAND: Literal["3 by hand"] = "3 by hand"
COUNTED: Literal["3 without encoder"] = "3 without encoder"
BY_ANGLE: Literal["3 without indicator"] = "3 without indicator"
WITH_PINION: Literal["3 with two encoders"] = "3 with two encoders"
OnStand: TypeAlias = Literal[3, "3 without encoder", "3 without indicator", "3 with two encoders"]
# Parts of the face width from the toe; a number is taken as it is.
CONTACT_PLACES = {"toe": 0.0, "mean": 0.5, "heel": 1.0}
ContactPlace = Literal["toe", "mean", "heel"] | float | None
INDICATOR = "indicator"
ENCODER = "encoder"
PINION_ENCODER = "pinion encoder"
ENCODERS = (ENCODER, PINION_ENCODER)
GEAR_TABLE, PINION_TABLE = "encoder.gear", "encoder.pinion"  # of two encoders, in the stand file


# Words that say that there is none, so that what is left of a text speaks of end play that there is.
_NO_END_PLAY = re.compile(
    r"\b(?:no|zero|without|free (?:of|from))\s+(?:(?:any|axial|measurable|noticeable)\s+)*end play\b"
    r"|\bend play\s*[:=]?\s*none\b"
)


class _Value:
    """Read strictly: what is not as it was written is damage."""

    __pydantic_config__ = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


@dataclass(frozen=True, kw_only=True)
class BoxName(_Value):
    """Which gearbox it was, and the units of its papers."""

    type: str
    serial: str
    set_number: str
    units: Units
    remark: str


@dataclass(frozen=True, kw_only=True)
class GearSet(_Value):
    """The gear set as its drawing gives it: one of module and diametral pitch."""

    pinion_teeth: int
    gear_teeth: int
    outer_module_mm: float | None
    outer_diametral_pitch_per_inch: float | None
    face_width_mm: float
    normal_pressure_angle_deg: float
    mean_spiral_angle_deg: float
    shaft_angle_deg: float
    cutter_radius_mm: float | None

    def gear_set(self) -> AnalysisGearSet:
        """The gear set for the analysis.

        Raises:
            GearSetError: When the figures do not describe a gear set.
        """
        values = asdict(self)
        pitch = values.pop("outer_diametral_pitch_per_inch")
        return AnalysisGearSet(
            **values if pitch is None else values | {"outer_module_mm": MM_PER_INCH / pitch}
        )


@dataclass(frozen=True, kw_only=True)
class Mounting(_Value):
    """What was recorded while the box was built; None and empty where nothing was."""

    pinion_marked_mm: float | None
    pinion_set_mm: float | None
    gear_marked_mm: float | None
    gear_set_mm: float | None
    tolerance_mm: float | None
    bearings: str
    bearings_within_drawing: bool | None
    pinion_end_play_mm: float | None
    gear_end_play_mm: float | None

    def distances(self) -> dict[Shaft, MountingDistance]:
        """Where the members stand, for shim advice; those of which all three figures were recorded."""
        members: dict[Shaft, tuple[float | None, float | None]] = {
            "gear": (self.gear_marked_mm, self.gear_set_mm),
            "pinion": (self.pinion_marked_mm, self.pinion_set_mm),
        }
        return {
            member: MountingDistance(marked_mm=marked, set_mm=actual, tolerance_mm=self.tolerance_mm)
            for member, (marked, actual) in members.items()
            if marked is not None and actual is not None and self.tolerance_mm is not None
        }


@dataclass(frozen=True, kw_only=True)
class MatchedTeeth(_Value):
    """The encoder's angle with the marked teeth together, where the box file gave it."""

    encoder_deg: float | None


@dataclass(frozen=True, kw_only=True)
class Tip(_Value):
    """Where the tip touched the gear and which way the indicator looked."""

    touch_radius_mm: float
    direction: Literal["normal", "plane of rotation"]
    off_normal_deg: float
    lever_deg: float | None
    on_arm: bool
    touch_radius_uncertainty_mm: float
    angle_uncertainty_deg: float
    height_mm: float | None
    height_uncertainty_mm: float | None


@dataclass(frozen=True, kw_only=True)
class Contact(_Value):
    """Where along the face the teeth touch, and how much the play varies while the pair rolls one pitch."""

    place: ContactPlace
    roll_variation_mm: float | None

    @property
    def from_toe(self) -> float | None:
        """The place as a fraction of the face width from the toe; None when nobody saw it."""
        return CONTACT_PLACES[self.place] if isinstance(self.place, str) else self.place


@dataclass(frozen=True, kw_only=True)
class Temperature(_Value):
    """How warm housing and gears were, and what they are made of: a name, or µm per metre and kelvin."""

    housing_c: float | None
    gears_c: float | None
    uncertainty_c: float
    housing_material: Material | float | None
    gears_material: Material | float


@overload
def _expansion(material: Material | float) -> float: ...
@overload
def _expansion(material: Material | float | None) -> float | None: ...
def _expansion(material: Material | float | None) -> float | None:
    return EXPANSION[material] if isinstance(material, str) else material


@dataclass(frozen=True, kw_only=True)
class Torque(_Value):
    """How hard the gear was rocked, and what more torque adds to a reading."""

    rock_nm: float | None
    rock_uncertainty_nm: float | None
    compliance_um_per_nm: float | None
    compliance_uncertainty_um_per_nm: float | None
    second_nm: float | None
    second_adds_mm: float | None

    def compliance(self) -> float | None:
        """In µm per N m: as given, or from rocks of one position with two torques; None when neither is."""
        if self.compliance_um_per_nm is not None:
            return self.compliance_um_per_nm
        if self.rock_nm is None or self.second_nm is None or self.second_adds_mm is None:
            return None
        if self.second_nm <= self.rock_nm:
            raise ValueError("torque.second_nm is not more than torque.rock_nm")
        return 1e3 * self.second_adds_mm / (self.second_nm - self.rock_nm)


@dataclass(frozen=True, kw_only=True)
class Limits(_Value):
    """Backlash allowed at the tightest point."""

    minimum_mm: float | None
    maximum_mm: float | None
    variation_mm: float | None
    kind: Literal["normal", "transverse"]
    source: str
    untouched_tooth_mm: float | None
    tooth_accuracy_grade: int | None
    decision_rule: DecisionRule


@dataclass(frozen=True, kw_only=True)
class Plan(_Value):
    """How the test was to be run."""

    positions: int | None
    gear_turns: float
    reversals: int
    confirming_positions: int
    rock_seconds: float
    turn_seconds: float
    tries: int
    stop_when_settled: bool
    teeth: Literal["every", "sample", "auto"]
    repeats: int
    roll_phases: Literal[3] | None = None

    @model_serializer(mode="wrap")
    def _said(self, write: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return said(write(self), "roll_phases")


@dataclass(frozen=True, kw_only=True)
class Runout(_Value):
    """How a runout sweep was to be taken, and where the indicator sat."""

    turns: int
    gear_indicator_from_mesh_deg: float | None
    pinion_indicator_from_mesh_deg: float | None


@dataclass(frozen=True, kw_only=True)
class Shim(_Value):
    """Shims at hand for one member, and which way a thicker pack moves it."""

    thicknesses_mm: tuple[float, ...]
    thicker_moves: Literal["out", "in"]
    fitted_mm: float | None
    most_pieces: int
    thickness_uncertainty_mm: float

    def stock(self) -> ShimStock:
        """The stock for the analysis.

        Raises:
            ShimError: When it cannot be.
        """
        return ShimStock(**vars(self))


@dataclass(frozen=True, kw_only=True)
class Shims(_Value):
    """Shims of the members that may be moved."""

    gear: Shim | None
    pinion: Shim | None

    def stocks(self) -> dict[Shaft, ShimStock]:
        """Stocks for the analysis, of the members that have one."""
        shims: dict[Shaft, Shim | None] = {"gear": self.gear, "pinion": self.pinion}
        return {member: shim.stock() for member, shim in shims.items() if shim is not None}


@dataclass(frozen=True, kw_only=True)
class Box(_Value):
    """The gearbox under test, what its drawing says, and how it is tested."""

    box: BoxName
    gear_set: GearSet
    mounting: Mounting
    matched_teeth: MatchedTeeth
    tip: Tip
    contact: Contact
    temperature: Temperature
    torque: Torque
    limits: Limits
    plan: Plan
    runout: Runout
    shims: Shims

    def __post_init__(self) -> None:
        """Refuse what the analysis could not work with.

        Raises:
            ValueError: When gear set and tip cannot be.
        """
        try:
            gear_set = self.gear_set_in_contact()
        except ValueError as error:
            said = str(error).replace("contact_from_toe", "place")  # the key of the box file
            raise ValueError(f"contact: {said}") from error
        try:
            self._indicator(resolution_mm=0.001).arc_per_reading(gear_set)
        except ValueError as error:
            raise ValueError(f"tip: {error}") from error
        try:
            self.conditions()
        except ValueError as error:
            raise ValueError(f"conditions of the box: {error}") from error

    def gear_set_in_contact(self) -> AnalysisGearSet:
        """The gear set for the analysis, with the place along the face at which its teeth touch.

        Raises:
            GearSetError: When the figures do not describe a gear set.
        """
        return replace(self.gear_set.gear_set(), contact_from_toe=self.contact.from_toe)

    def gauge(self, gauge: Gauge) -> AnalysisIndicator:
        """A dial gauge that is read by eye, set up as this box asks."""
        return self._indicator(
            resolution_mm=gauge.read_to_mm,
            calibration_uncertainty_mm=gauge.calibration_uncertainty_mm,
            hysteresis_mm=gauge.hysteresis_mm,
            by_eye=True,
        )

    def indicator(self, stand: Stand) -> AnalysisIndicator:
        """The indicator of ``stand``, set up as this box asks; without one, its encoder in that place."""
        indicator, encoder = stand.indicator, stand.encoder
        if indicator is not None:
            return self._indicator(
                resolution_mm=indicator.resolution_mm,
                calibration_uncertainty_mm=indicator.calibration_uncertainty_mm,
                hysteresis_mm=indicator.hysteresis_mm,
                correction=indicator.curve(),
            )
        if encoder is None:
            raise ValueError("a stand without any instrument")
        return AnalysisIndicator.of_angle(
            self.gear_set.gear_set(),
            resolution_deg=360.0 / encoder.counts_per_turn,
            standard_uncertainty_deg=encoder.standard_uncertainty_deg or None,
        )

    def conditions(self) -> Conditions:
        """How the box was when it was tested, for the analysis.

        Raises:
            ConditionsError: When a figure cannot be.
        """
        mounting, warmth, torque = self.mounting, self.temperature, self.torque
        distances = (
            (mounting.pinion_set_mm, mounting.pinion_marked_mm),
            (mounting.gear_set_mm, mounting.gear_marked_mm),
        )
        pinion, gear = (at if at is not None else marked for at, marked in distances)
        return Conditions(
            housing_c=warmth.housing_c,
            gears_c=warmth.gears_c,
            temperature_uncertainty_c=warmth.uncertainty_c,
            housing_expansion_um_per_m_k=_expansion(warmth.housing_material),
            gears_expansion_um_per_m_k=_expansion(warmth.gears_material),
            pinion_distance_mm=pinion,
            gear_distance_mm=gear,
            pinion_end_play_mm=mounting.pinion_end_play_mm,
            gear_end_play_mm=mounting.gear_end_play_mm,
            has_end_play="end play" in _NO_END_PLAY.sub("", mounting.bearings.lower()),
            rock_nm=torque.rock_nm,
            rock_uncertainty_nm=torque.rock_uncertainty_nm,
            compliance_um_per_nm=torque.compliance(),
            compliance_uncertainty_um_per_nm=torque.compliance_uncertainty_um_per_nm,
            roll_variation_mm=self.contact.roll_variation_mm,
        )

    def limits_for_analysis(self) -> AnalysisLimits:
        """The limits for the analysis."""
        return AnalysisLimits(**vars(self.limits))

    def _indicator(
        self,
        *,
        resolution_mm: float,
        calibration_uncertainty_mm: float | None = None,
        hysteresis_mm: float | None = None,
        correction: CorrectionCurve | None = None,
        by_eye: bool = False,
    ) -> AnalysisIndicator:
        return AnalysisIndicator(
            by_eye=by_eye,
            resolution_mm=resolution_mm,
            calibration_uncertainty_mm=calibration_uncertainty_mm,
            hysteresis_mm=hysteresis_mm,
            correction=correction,
            **vars(self.tip),
        )


@dataclass(frozen=True, kw_only=True)
class StandName(_Value):
    """Which stand it was, and how long a test waits there for an instrument that was unplugged."""

    name: str
    remark: str
    reconnect_seconds: float


@dataclass(frozen=True, kw_only=True)
class Correction(_Value):
    """The indicator's correction curve from its certificate: what is added to what the display shows."""

    readings_mm: tuple[float, ...]
    corrections_mm: tuple[float, ...]
    uncertainties_mm: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Indicator(_Value):
    """The dial indicator; ``profile`` is the name of its file."""

    port: str
    profile: str
    sense: Literal[1, -1]
    resolution_mm: float
    serial: str
    calibration_due: dt.date | None
    calibration_uncertainty_mm: float | None
    hysteresis_mm: float | None
    correction: Correction | None

    def curve(self) -> CorrectionCurve | None:
        """The correction curve for the analysis, turned round where the readings are (``sense``).

        Raises:
            IndicatorError: When its figures do not fit together.
        """
        if self.correction is None:
            return None
        order = slice(None, None, self.sense)
        return CorrectionCurve(
            readings_mm=tuple(self.sense * one for one in self.correction.readings_mm[order]),
            corrections_mm=tuple(self.sense * one for one in self.correction.corrections_mm[order]),
            uncertainties_mm=self.correction.uncertainties_mm[order],
        )


def said(written: dict[str, Any], *later: str) -> dict[str, Any]:
    """A value as it is written down, without those fields of ``later`` that say nothing.

    A record in which they say nothing is so the same as before there were such fields.
    """
    return {name: value for name, value in written.items() if value is not None or name not in later}


@dataclass(frozen=True, kw_only=True)
class Encoder(_Value):
    """An angle encoder; ``profile`` is the name of its file.

    ``absolute``: it shows the same angle at the same place after it was switched off, so that the angle of
    the matched teeth in a box file means something. ``number``: which count of a frame that carries those of
    both encoders, 1 or 2; None for an encoder with a port of its own.
    """

    port: str
    profile: str
    sense: Literal[1, -1]
    shaft: Shaft
    counts_per_turn: Annotated[int, Field(gt=0)]
    serial: str
    calibration_due: dt.date | None
    standard_uncertainty_deg: float
    absolute: bool
    number: Literal[1, 2] | None = None

    @model_serializer(mode="wrap")
    def _said(self, write: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return said(write(self), "number")

    def for_analysis(self) -> AnalysisEncoder:
        """The encoder for the analysis."""
        return AnalysisEncoder(
            shaft=self.shaft,
            resolution_deg=360.0 / self.counts_per_turn,
            standard_uncertainty_deg=self.standard_uncertainty_deg,
        )


def _known(profile: dict[str, JsonValue]) -> dict[str, JsonValue]:
    build(profile)
    return profile


Profile = Annotated[dict[str, JsonValue], AfterValidator(_known)]
"""Every key of an instrument's profile; its ``kind``, of another package perhaps, says what they mean."""


@dataclass(frozen=True, kw_only=True)
class Stand(_Value):
    """The stand and its instruments: all that is needed to decode their bytes.

    ``encoder`` and its profile are None together, where a person counts the teeth; ``indicator`` and its
    profile, where the encoder alone is read. ``pinion_encoder`` is a second encoder on the pinion's shaft;
    ``encoder`` is then that on the gear's.
    """

    stand: StandName
    indicator: Indicator | None
    encoder: Encoder | None
    indicator_profile: Profile | None
    encoder_profile: Profile | None
    pinion_encoder: Encoder | None = None
    pinion_encoder_profile: Profile | None = None

    @model_serializer(mode="wrap")
    def _said(self, write: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return said(write(self), "pinion_encoder", "pinion_encoder_profile")

    def __post_init__(self) -> None:
        """Refuse half an instrument, and a stand with none.

        Raises:
            ValueError: When one of an instrument and its profile is missing, both instruments are, or two
                encoders are not those of gear and pinion.
        """
        for name in ("encoder", "indicator", "pinion_encoder"):
            if (getattr(self, name) is None) != (getattr(self, f"{name}_profile") is None):
                spoken = name.replace("_", " ")
                raise ValueError(f"{spoken} and {spoken} profile: one is there without the other")
        if self.indicator is None and (self.encoder is None or self.encoder.shaft != "gear"):
            raise ValueError("without an indicator, an encoder on the gear's shaft is needed")
        numbers = [one.number for one in (self.encoder, self.pinion_encoder) if one is not None]
        if self.pinion_encoder is not None:
            shafts = self.encoder and self.encoder.shaft, self.pinion_encoder.shaft
            if shafts != ("gear", "pinion"):
                raise ValueError("two encoders: one on the gear's shaft and one on the pinion's are needed")
        if any(numbers) and sorted(number or 0 for number in numbers) != [1, 2]:
            raise ValueError("encoder numbers: two encoders read the counts 1 and 2 of one frame, or neither")

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the instruments, the indicator first."""
        names = (INDICATOR, *ENCODERS)
        return tuple(name for name in names if self._found(name) is not None)

    @property
    def is_latched(self) -> bool:
        """Whether the frames of one counter board carry the counts of both encoders."""
        return self.pinion_encoder is not None and self.pinion_encoder.number is not None

    def wire(self, channel: str) -> str:
        """The channel under whose name the bytes of an instrument come and are kept: mostly its own."""
        return ENCODER if self.is_latched and channel == PINION_ENCODER else channel

    def shaft(self, channel: str) -> Shaft:
        """The shaft that carries an encoder; the gear's where there is none."""
        found = self._found(channel)
        return found.shaft if isinstance(found, Encoder) else "gear"

    @property
    def wires(self) -> tuple[str, ...]:
        """The channels that have a port of their own."""
        return tuple(dict.fromkeys(map(self.wire, self.channels)))

    def port(self, channel: str) -> str:
        """The port of an instrument.

        Raises:
            KeyError: When the stand has none of that name.
        """
        return self._instrument(channel).port

    def profile(self, channel: str) -> InstrumentProfile:
        """The profile of an instrument, as the drivers use it.

        Raises:
            KeyError: When the stand has none of that name.
            ValueError: When it is to read the second count of frames that carry one.
        """
        instrument, made = self._instrument(channel), self.written_profile(channel)
        if not isinstance(instrument, Encoder) or instrument.number != 2:
            return made
        second = made.second()
        if second is None:
            raise ValueError(f"{channel}: reads the second count of a frame, and its profile has none")
        return second

    def written_profile(self, channel: str) -> InstrumentProfile:
        """The profile of an instrument as its file has it, whichever count of a frame is the instrument's.

        Raises:
            KeyError: When the stand has none of that name.
        """
        self._instrument(channel)
        profiles = {
            INDICATOR: self.indicator_profile,
            ENCODER: self.encoder_profile,
            PINION_ENCODER: self.pinion_encoder_profile,
        }
        made: InstrumentProfile = build(profiles[channel] or {})
        return made

    def counts_per_turn(self, wire: str) -> int | None:
        """Of the encoder whose count stands first in what comes at a port; None where none does."""
        for name in ENCODERS:
            found = self._found(name)
            if isinstance(found, Encoder) and self.wire(name) == wire and found.number in {None, 1}:
                return found.counts_per_turn
        return None

    def decoders(self) -> dict[str, Decoder]:
        """Fresh decoders for the instruments, by channel."""
        return {channel: self.decoder(channel) for channel in self.channels}

    def decoder(self, channel: str) -> Decoder:
        """A fresh decoder for an instrument.

        Raises:
            KeyError: When the stand has none of that name.
        """
        instrument = self._instrument(channel)
        if isinstance(instrument, Encoder):
            return Decoder.for_encoder(
                self.profile(channel), counts_per_turn=instrument.counts_per_turn, sense=instrument.sense
            )
        return Decoder.for_indicator(self.profile(channel), sense=instrument.sense)

    def encoder_for_analysis(self) -> AnalysisEncoder | None:
        """The encoder for the analysis; None where teeth are counted."""
        return None if self.encoder is None else self.encoder.for_analysis()

    def _found(self, channel: str) -> Encoder | Indicator | None:
        found: Encoder | Indicator | None = getattr(self, channel.replace(" ", "_"), None)
        return found

    def _instrument(self, channel: str) -> Encoder | Indicator:
        """The instrument of a channel."""
        found = self._found(channel)
        if found is None:
            raise KeyError(channel)
        return found


def unused_angle(angle_deg: float, table: str = ENCODER) -> str:
    """The sentence that says so, as part of another; ``table`` is the encoder's in the stand file."""
    return (
        f"the box file's angle of the matched teeth ({angle_deg:.3f}°) was not used, since the encoder is "
        f"not declared absolute in the stand file ({table}.absolute)"
    )


def _version_of(stand: Stand) -> OnStand:
    if stand.pinion_encoder is not None:
        return WITH_PINION
    if stand.encoder is None:
        return COUNTED
    return VERSION if stand.indicator is not None else BY_ANGLE


@dataclass(frozen=True, kw_only=True)
class Setup(_Value):
    """Box and stand as they were when a test began, in the version in which they are written down.

    A stand without an encoder has a version of its own, and so has one without an indicator, or with two
    encoders: programs that know none refuse it.
    """

    version: OnStand = VERSION
    box: Box
    stand: Stand

    def __post_init__(self) -> None:
        """See that the version says which instruments there are.

        Raises:
            ValueError: When it says otherwise.
        """
        if self.version != _version_of(self.stand):
            raise ValueError(f"version {self.version!r} does not fit the instruments of the stand")

    @classmethod
    def of(cls, box: Box, stand: Stand) -> Setup:
        """Box and stand, in the version that fits them."""
        return cls(version=_version_of(stand), box=box, stand=stand)

    @property
    def matched_deg(self) -> float | None:
        """The box file's angle of the matched teeth; None without one, or with an encoder not absolute."""
        encoder = self.stand.encoder
        return self.box.matched_teeth.encoder_deg if encoder is not None and encoder.absolute else None

    @property
    def unused_angle(self) -> str:
        """Why the angle that the box file gives was not used; empty when it was, or there is none."""
        angle_deg, encoder = self.box.matched_teeth.encoder_deg, self.stand.encoder
        if angle_deg is None or encoder is None or encoder.absolute:
            return ""
        return unused_angle(angle_deg, ENCODER if self.stand.pinion_encoder is None else GEAR_TABLE)


@dataclass(frozen=True, kw_only=True)
class Gauge(_Value):
    """A dial gauge without a cable: read by eye to ``read_to_mm``, and typed."""

    name: str
    remark: str
    division_mm: float
    read_to_mm: float
    rocks: int
    serial: str
    calibration_due: dt.date | None
    calibration_uncertainty_mm: float | None
    hysteresis_mm: float | None


@dataclass(frozen=True, kw_only=True)
class HandSetup(_Value):
    """Box and gauge of a test by hand; programs that know none refuse its version."""

    version: Literal["3 by hand"] = BY_HAND
    box: Box
    gauge: Gauge

    # No encoder, and so no angle of the box file that could be used or not.
    matched_deg: ClassVar[None] = None
    unused_angle: ClassVar[str] = ""


class OtherVersion(ValueError):
    """A set-up that is not damaged, but was written down in another version."""


def must_be_of_this_version(event: str) -> None:
    """Look why a start record is none.

    Args:
        event: It, as JSON.

    Raises:
        OtherVersion: Since its set-up is of another version.
    """
    try:
        version = json.loads(event)["setup"]["version"]
    except (ValueError, KeyError, TypeError):
        return
    if version not in {VERSION, BY_HAND, COUNTED, BY_ANGLE, WITH_PINION}:
        raise OtherVersion(
            f"its set-up is of version {version!r:.20}, and this program reads version {VERSION}"
        )
