"""The stand file: which instruments hang on which ports, and when they were last calibrated."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated, Literal

from lashmap_analysis.record import Encoder
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.profile import LineProfile
from pydantic import BaseModel, ConfigDict, Field

from lashmap_daemon import toml_file
from lashmap_daemon.errors import ConfigurationError

Sense = Literal[1, -1]
INDICATOR = "indicator"
ENCODER = "encoder"


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class NameTable(_Table):
    """Which stand this is."""

    name: str
    remark: str = ""


class IndicatorTable(_Table):
    """The dial indicator."""

    port: Annotated[str, Field(min_length=1)]
    profile: str
    sense: Sense = 1
    resolution_mm: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    serial: str = ""
    calibration_due: dt.date | None = None
    calibration_uncertainty_mm: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0


class EncoderTable(_Table):
    """The angle encoder."""

    port: Annotated[str, Field(min_length=1)]
    profile: str
    sense: Sense = 1
    shaft: Literal["gear", "pinion"] = "gear"
    counts_per_turn: Annotated[int, Field(gt=0)]
    serial: str = ""
    calibration_due: dt.date | None = None
    standard_uncertainty_deg: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0


class PromptsTable(_Table):
    """A file that repeats what the technician is shown, for a second display or a powered stand to follow."""

    file: str


class StandFile(_Table):
    """A whole stand file, its profiles not yet read."""

    stand: NameTable
    indicator: IndicatorTable
    encoder: EncoderTable
    prompts: PromptsTable | None = None

    def encoder_for_analysis(self) -> Encoder:
        """The encoder for the analysis."""
        return Encoder(
            shaft=self.encoder.shaft,
            resolution_deg=360.0 / self.encoder.counts_per_turn,
            standard_uncertainty_deg=self.encoder.standard_uncertainty_deg,
        )


class Stand(BaseModel):
    """A stand file together with the profiles it names: all that is needed to decode its bytes."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    file: StandFile
    indicator_profile: LineProfile
    encoder_profile: LineProfile

    def decoders(self) -> dict[str, Decoder]:
        """Fresh decoders for both instruments, by channel."""
        return {
            INDICATOR: Decoder.for_indicator(self.indicator_profile, sense=self.file.indicator.sense),
            ENCODER: Decoder.for_encoder(
                self.encoder_profile,
                counts_per_turn=self.file.encoder.counts_per_turn,
                sense=self.file.encoder.sense,
            ),
        }


def load_stand(path: Path) -> Stand:
    """Read a stand file and the instrument profiles it names (relative to itself).

    Raises:
        ConfigurationError: When a file is missing or a key is wrong.
    """
    file = toml_file.load(path, StandFile)
    return Stand(
        file=file,
        indicator_profile=_profile(path, INDICATOR, file.indicator.profile),
        encoder_profile=_profile(path, ENCODER, file.encoder.profile),
    )


def _profile(stand_path: Path, role: str, name: str) -> LineProfile:
    path = stand_path.parent / name
    if not path.is_file():
        raise ConfigurationError(
            str(stand_path), [f"{role}.profile: no such file {path}; the path is relative to the stand file"]
        )
    profile = toml_file.load(path, LineProfile)
    if profile.kind != f"{role} line":
        raise ConfigurationError(
            str(stand_path),
            [f'{role}.profile: {path} describes an {profile.kind}, expected an "{role} line"'],
        )
    return profile
