"""Instrument profiles: what an instrument does on the wire, as a technician writes it from its manual.

Here stands what every kind of instrument has in common: who starts a transmission, the unit, the parser. Each
kind adds its own file; `lashmap_drivers.kinds` knows them all.
"""

from __future__ import annotations

from abc import abstractmethod
from typing import Annotated, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from lashmap_drivers.parser import Parser
from lashmap_drivers.ports.port import Port
from lashmap_drivers.ports.source import Poll, PortSettings, Source

MM_PER_INCH = 25.4  # exact, by definition of the inch
MM_PER_UNIT = {"mm": 1.0, "um": 0.001, "in": MM_PER_INCH}

Unit = Literal["mm", "um", "in", "deg", "count"]
Quantity = Literal["length", "angle"]
Scale = Annotated[float, Field(ge=1e-12, le=1e12)]  # so that no number of fifteen digits overflows


class InstrumentProfile(BaseModel):
    """What all kinds have in common.

    Attributes:
        kind: Which kind of instrument; chooses the class.
        description: For people.
        port: How the port is set.
        sends: Whether it streams at a steady pace, answers requests, or sends when its button is pressed.
        unit: Of the numbers that its parser gives.
        wraps_at_deg: Of an angle in degrees: after which it begins again, 360 as a rule; None when it goes on
            over any number of turns.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    #: True when the port of the stand file names a file instead of a serial port.
    reads_file: ClassVar[bool] = False

    kind: str
    description: str = ""
    port: PortSettings = PortSettings()
    sends: Literal["by itself", "when asked", "on its button"] = "by itself"
    unit: Unit = "mm"
    wraps_at_deg: Annotated[float, Field(ge=1.0, le=36_000.0)] | None = None

    @model_validator(mode="after")
    def _wraps_an_angle(self) -> Self:
        if self.wraps_at_deg is not None and self.unit != "deg":
            raise ValueError(
                f"wraps_at_deg: is for an angle in degrees, but unit is {self.unit!r}"
                + ("; counts have wraps_at" if self.unit == "count" else "")
            )
        if self.wraps_at_deg is not None and self.sends == "on its button":
            raise ValueError("wraps_at_deg: between two presses nobody can follow the angle over its turns")
        return self

    @property
    def streams(self) -> bool:
        """True when its samples come at a steady pace, so that their times may be smoothed."""
        return self.sends == "by itself"

    @property
    def quantity(self) -> Quantity:
        """What it measures: a length (an indicator) or an angle (an encoder)."""
        return "length" if self.unit in MM_PER_UNIT else "angle"

    def step_mm(self) -> float | None:
        """The least step of the lengths that it sends, in mm; None where the profile does not tell it."""
        return None

    @property
    def mm_per_unit(self) -> float:
        """Factor from the instrument's unit to mm.

        Raises:
            KeyError: When it measures no length.
        """
        return MM_PER_UNIT[self.unit]

    @property
    def is_checked(self) -> bool:
        """True when a wrong digit on the wire makes a bad frame: a checksum covers it."""
        return False

    @property
    def expected(self) -> str:
        """What a good frame looks like, for messages."""
        return self.kind

    def resolved(self, instrument: str, name: str) -> InstrumentProfile:  # noqa: ARG002 - some kinds need it
        """This profile with everything in it that its port knows; called once, when the stand file is read.

        A record of a test holds what this returns, so its bytes can be read without the port.

        Args:
            instrument: Its role.
            name: The port as the stand file names it.

        Raises:
            PortNotOpened: When the port had to be looked at, and could not.
        """
        return self

    def repeats_after(self, counts_per_turn: int) -> int | None:  # noqa: ARG002 - some kinds need it
        """After how many counts a fresh parser may give the same number again; None when it never does.

        Args:
            counts_per_turn: Of the encoder after interpolation.
        """
        return None

    def counts_of_a_turn(self) -> int | None:
        """Counts that one turn of the encoder gives, where the profile knows them; None where it does not."""
        return None

    def second(self) -> InstrumentProfile | None:
        """This profile as it reads the second of two counts that its frames carry; None when they carry one.

        Both readings of one stream have their samples on the same frames.
        """
        return None

    def poll(self) -> Poll | None:
        """How it is asked; None when it sends of its own accord."""
        return None

    @abstractmethod
    def make_parser(self) -> Parser:
        """A fresh parser of its bytes."""

    def open(self, instrument: str, name: str) -> Source:
        """Open the port that it hangs on.

        Args:
            instrument: Its role, for messages.
            name: The port as the stand file names it.

        Raises:
            PortNotOpened: When it cannot be opened, with the reason.
        """
        return Port(instrument, name, self.port, poll=self.poll())
