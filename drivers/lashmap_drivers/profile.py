"""Instrument profiles: what an instrument does on the wire, as a technician writes it from its manual."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

MM_PER_INCH = 25.4  # exact, by definition of the inch
_MM_PER_UNIT = {"mm": 1.0, "um": 0.001, "in": MM_PER_INCH}


class PortSettings(BaseModel):
    """How the port is set."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    baud: Annotated[int, Field(gt=0)] = 115200
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1


class LineProfile(BaseModel):
    """An instrument that sends one ASCII line a sample, by itself.

    The pattern must match a whole line without its terminator and name one group: ``value`` for an indicator,
    ``count`` for an encoder.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["indicator line", "encoder line"]
    description: str = ""
    port: PortSettings = PortSettings()
    terminator: Annotated[str, Field(min_length=1, max_length=4)] = "\r\n"
    pattern: str
    unit: Literal["mm", "um", "in"] = "mm"

    @property
    def group(self) -> str:
        """Name of the group that holds the number."""
        return "value" if self.kind == "indicator line" else "count"

    @property
    def mm_per_unit(self) -> float:
        """Factor from the instrument's unit to mm; meaningless for an encoder."""
        return _MM_PER_UNIT[self.unit]

    @model_validator(mode="after")
    def _pattern_compiles(self) -> Self:
        try:
            compiled = re.compile(self.pattern.encode("ascii"))
        except (re.error, UnicodeEncodeError) as error:
            raise ValueError(f"pattern is not a usable regular expression: {error}") from error
        if self.group not in compiled.groupindex:
            raise ValueError(f"pattern has no group (?P<{self.group}>…), which an {self.kind} needs")
        if not self.terminator.isascii():
            raise ValueError("terminator must be ASCII")
        return self
