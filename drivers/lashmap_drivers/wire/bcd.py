"""The kind ``bcd frame``: digits packed four bits each, at places that the profile names.

Nibbles are numbered from 0 in the order in which they are sent.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from lashmap_drivers.errors import LOW_BATTERY, OVERLOAD
from lashmap_drivers.ports.source import Poll
from lashmap_drivers.profile import MM_PER_UNIT, InstrumentProfile
from lashmap_drivers.wire.ascii_line import LengthUnit, check_polling
from lashmap_drivers.wire.frames import FrameCutter, FramePolling, FrameShape

Place = Annotated[int, Field(ge=0)]
Nibble = Annotated[int, Field(ge=0, le=15)]


class BcdShape(FrameShape):
    """Where the digits stand.

    Attributes:
        nibble_order: Which half of a byte is sent (numbered) first.
        digits: Nibbles of the digits, most significant first.
        sign: Nibble of the sign; None when there is none.
        negative: Values of that nibble that mean minus.
        positive: Values of that nibble that mean plus; any other makes a bad frame.
        decimal_places: Digits behind the decimal point when that is fixed.
        decimal_place_nibble: Nibble that holds this number otherwise.
        unit_nibble: Nibble of the unit; None when it is fixed.
        units: Unit for each value of that nibble, as decimal text; any other makes a bad frame.
        overload: (nibble, value) pairs that mean there is no reading.
        low_battery: (nibble, value) pairs that mean a low battery.
    """

    nibble_order: Literal["high first", "low first"] = "high first"
    digits: Annotated[tuple[Place, ...], Field(min_length=1, max_length=15)]
    sign: Place | None = None
    negative: Annotated[tuple[Nibble, ...], Field(min_length=1)] = (8,)
    positive: Annotated[tuple[Nibble, ...], Field(min_length=1)] = (0,)
    decimal_places: Annotated[int, Field(ge=0, le=9)] | None = None
    decimal_place_nibble: Place | None = None
    unit_nibble: Place | None = None
    units: dict[str, LengthUnit] | None = None
    overload: tuple[tuple[Place, Nibble], ...] = ()
    low_battery: tuple[tuple[Place, Nibble], ...] = ()

    @model_validator(mode="after")
    def _places_exist(self) -> Self:
        marks = [place for place, _ in (*self.overload, *self.low_battery)]
        places = [*self.digits, self.sign, self.decimal_place_nibble, self.unit_nibble, *marks]
        if beyond := [place for place in places if place is not None and place >= 2 * self.length]:
            raise ValueError(f"nibble {beyond[0]} lies behind the end of the frame")
        if len(set(self.digits)) != len(self.digits):
            raise ValueError("digits: a nibble is named twice")
        if shared := set(self.digits) & {self.sign, self.decimal_place_nibble, self.unit_nibble}:
            raise ValueError(f"digits: nibble {min(shared)} is named as something else as well")
        if self.sign is None and (self.negative, self.positive) != ((8,), (0,)):
            raise ValueError("negative and positive belong to sign; name its nibble")
        if (self.decimal_places is None) == (self.decimal_place_nibble is None):
            raise ValueError("give either decimal_places or decimal_place_nibble")
        if (self.unit_nibble is None) != (self.units is None):
            raise ValueError("unit_nibble and units belong together")
        if self.units is not None and not all(text in _NIBBLE_TEXTS for text in self.units):
            raise ValueError('units: the keys are nibble values, "0" to "15"')
        if set(self.negative) & set(self.positive):
            raise ValueError("a sign cannot be both negative and positive")
        return self


_NIBBLE_TEXTS = frozenset(str(value) for value in range(16))


class BcdProfile(InstrumentProfile):
    """An instrument that sends packed decimal digits.

    Attributes:
        frame: Where they stand.
        polling: How it is asked, when it ``sends`` only ``when asked``.
    """

    kind: Literal["bcd frame"]
    unit: Literal["mm", "um", "in", "deg"] = "mm"
    frame: BcdShape
    polling: FramePolling | None = None

    @property
    def is_checked(self) -> bool:
        """True with a checksum."""
        return self.frame.checksum is not None

    @property
    def expected(self) -> str:
        """Length and start of a frame."""
        start = f" that begin with {self.frame.start}" if self.frame.start else ""
        return f"frames of {self.frame.length} bytes{start}"

    def poll(self) -> Poll | None:
        """The request, and a reply that is whole at its length."""
        return self.frame.poll(self.polling)

    def step_mm(self) -> float | None:
        """One of the last digit, where the profile fixes its place and the unit."""
        places = self.frame.decimal_places
        if self.quantity != "length" or places is None or self.frame.units is not None:
            return None
        return float(10.0**-places) * self.mm_per_unit

    def make_parser(self) -> BcdParser:
        """A parser of its frames."""
        return BcdParser(self.frame, self.unit, self.sends)

    @model_validator(mode="after")
    def _is_usable(self) -> Self:
        check_polling(self.sends, self.polling)
        self.frame.check_sends(self.sends)
        if self.frame.units is not None and self.unit == "deg":
            raise ValueError("frame.units: are units of length, but unit is 'deg'")
        return self


@dataclass(frozen=True)
class _Reading:
    number: float
    marks: tuple[str, ...]


class BcdParser(FrameCutter[_Reading]):
    """Reads packed decimal frames.

    Args:
        shape: Where the digits stand.
        unit: Of the numbers given.
        sends: As in `FrameCutter`.
    """

    def __init__(self, shape: BcdShape, unit: str, sends: str) -> None:
        super().__init__(shape, _reader(shape, unit), sends)

    def feed(self, data: bytes) -> list[float]:
        """Take the next bytes; return the numbers of the frames they complete, nan for an overload."""
        readings = self.cut(data)
        for reading in readings:
            self.marks.update(reading.marks)
        return [reading.number for reading in readings]


def _reader(shape: BcdShape, unit: str) -> Callable[[bytes], _Reading | None]:
    factors = {int(text): MM_PER_UNIT[name] / MM_PER_UNIT[unit] for text, name in (shape.units or {}).items()}
    high_first = shape.nibble_order == "high first"

    def read(frame: bytes) -> _Reading | None:
        text = frame.hex() if high_first else bytes((b << 4 | b >> 4) & 0xFF for b in frame).hex()
        nibbles = [int(digit, 16) for digit in text]
        marks = tuple([LOW_BATTERY] if any(nibbles[place] == v for place, v in shape.low_battery) else [])
        if any(nibbles[place] == value for place, value in shape.overload):
            return _Reading(math.nan, (*marks, OVERLOAD))
        number = _number(shape, nibbles)
        if number is None:
            return None
        if shape.unit_nibble is None:
            return _Reading(number, marks)
        factor = factors.get(nibbles[shape.unit_nibble])
        return None if factor is None else _Reading(number * factor, marks)

    return read


def _number(shape: BcdShape, nibbles: list[int]) -> float | None:
    digits = [nibbles[place] for place in shape.digits]
    if max(digits) > 9:
        return None
    decimals = shape.decimal_places
    if decimals is None and shape.decimal_place_nibble is not None:
        decimals = nibbles[shape.decimal_place_nibble]
    if decimals is None or decimals > len(digits):
        return None
    minus = False
    if shape.sign is not None:
        minus = nibbles[shape.sign] in shape.negative
        if not minus and nibbles[shape.sign] not in shape.positive:
            return None
    # Division of two exact whole numbers gives the float nearest to the decimal; a factor of 0.001 would not.
    number = int("".join(map(str, digits))) / float(10**decimals)
    return -number if minus else number
