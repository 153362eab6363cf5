"""Checksums of instrument frames: sum, exclusive or, and cyclic redundancy checks by their parameters.

A cyclic redundancy check is named by its six parameters, as the public catalogue of parametrised CRC
algorithms
gives them: width, polynomial, initial value, input and output reflected, final exclusive or. What a checksum
covers belongs to the frame, not here.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property, lru_cache, reduce
from operator import xor
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, model_validator

Compute = Callable[[bytes], int]
_HEX = frozenset(b"0123456789abcdefABCDEF")

# Names and aliases of the catalogue; the tests hold every one of them to its published check value.
# name: (width, polynomial, initial, reflect in, reflect out, final exclusive or)
CRC_BY_NAME: dict[str, tuple[int, int, int, bool, bool, int]] = {
    "CRC-8/SMBUS": (8, 0x07, 0x00, False, False, 0x00),
    "CRC-8/ROHC": (8, 0x07, 0xFF, True, True, 0x00),
    "CRC-8/I-432-1": (8, 0x07, 0x00, False, False, 0x55),
    "CRC-8/DVB-S2": (8, 0xD5, 0x00, False, False, 0x00),
    "CRC-8/SAE-J1850": (8, 0x1D, 0xFF, False, False, 0xFF),
    "CRC-16/ARC": (16, 0x8005, 0x0000, True, True, 0x0000),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, True, 0x0000),
    "CRC-16/USB": (16, 0x8005, 0xFFFF, True, True, 0xFFFF),
    "CRC-16/UMTS": (16, 0x8005, 0x0000, False, False, 0x0000),
    "CRC-16/XMODEM": (16, 0x1021, 0x0000, False, False, 0x0000),
    "CRC-16/CCITT-FALSE": (16, 0x1021, 0xFFFF, False, False, 0x0000),
    "CRC-16/KERMIT": (16, 0x1021, 0x0000, True, True, 0x0000),
    "CRC-16/X-25": (16, 0x1021, 0xFFFF, True, True, 0xFFFF),
    "CRC-16/DNP": (16, 0x3D65, 0x0000, True, True, 0xFFFF),
    "CRC-16/EN-13757": (16, 0x3D65, 0x0000, False, False, 0xFFFF),
}


class CrcParameters(BaseModel):
    """The six parameters of a cyclic redundancy check of 8 or 16 bits."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    width: Literal[8, 16]
    polynomial: Annotated[int, Field(ge=1)]
    initial: Annotated[int, Field(ge=0)] = 0
    reflect_in: bool = False
    reflect_out: bool = False
    final_xor: Annotated[int, Field(ge=0)] = 0

    @model_validator(mode="after")
    def _fits_its_width(self) -> Self:
        for name in ("polynomial", "initial", "final_xor"):
            if getattr(self, name) >> self.width:
                raise ValueError(f"{name} has more than {self.width} bits")
        return self


# Told apart by its form, so that a wrong parameter is not also called a wrong name.
Crc = Annotated[
    Annotated[str, Tag("name")] | Annotated[CrcParameters, Tag("parameters")],
    Discriminator(lambda given: "name" if isinstance(given, str) else "parameters"),
]


class Checksum(BaseModel):
    """How a frame is checked.

    Attributes:
        method: ``sum`` or ``xor`` of the covered bytes, or ``crc``.
        crc: For ``crc``: the name in the catalogue, or the parameters.
        bits: For ``sum``: how many low bits are kept.
        negated: For ``sum``: ``ones`` or ``twos`` complement of it is what is sent.
        written: ``hex`` or ``decimal`` digits, or ``binary`` bytes.
        byte_order: Of binary bytes.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    method: Literal["sum", "xor", "crc"]
    crc: Crc | None = None
    bits: Literal[8, 16] = 8
    negated: Literal["no", "ones", "twos"] = "no"
    written: Literal["hex", "decimal", "binary"] = "hex"
    byte_order: Literal["little", "big"] = "little"

    @property
    def width(self) -> int:
        """Bits of the checksum."""
        if self.method == "crc":
            return self.parameters().width
        return self.bits if self.method == "sum" else 8

    @cached_property
    def _hex_digits(self) -> int:
        return self.width // 4

    def parameters(self) -> CrcParameters:
        """Parameters of a ``crc``.

        Raises:
            ValueError: When none are given.
        """
        if isinstance(self.crc, CrcParameters):
            return self.crc
        if self.crc is None or self.crc not in CRC_BY_NAME:
            known = ", ".join(CRC_BY_NAME)
            raise ValueError(f"crc: name one of {known}, or give its parameters; got {self.crc!r}")
        keys = ("width", "polynomial", "initial", "reflect_in", "reflect_out", "final_xor")
        return CrcParameters.model_validate(dict(zip(keys, CRC_BY_NAME[self.crc], strict=True)))

    def compute(self) -> Compute:
        """The function from covered bytes to the number that should be on the wire."""
        match self.method:
            case "sum":
                return _sum(self.bits, self.negated)
            case "xor":
                return lambda data: reduce(xor, data, 0)
            case "crc":
                return crc(self.parameters())

    def read(self, text: bytes) -> int | None:
        """The checksum as it stands in the frame; None when it is not written as told."""
        match self.written:
            case "binary":
                return int.from_bytes(text, self.byte_order) if len(text) == self.width // 8 else None
            case "hex":
                # int would take signs, spaces, underscores and a leading 0x as well.
                return int(text, 16) if len(text) == self._hex_digits and _HEX.issuperset(text) else None
            case "decimal":
                return int(text) if 1 <= len(text) <= 5 and text.isdigit() else None

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        if self.method == "crc":
            self.parameters()
        elif self.crc is not None:
            raise ValueError(f"crc: is given, but method is {self.method!r}")
        if self.method != "sum" and (self.negated != "no" or self.bits != 8):
            raise ValueError("bits and negated belong to method 'sum'")
        return self


@lru_cache(maxsize=64)
def crc(parameters: CrcParameters) -> Compute:
    """The check with these parameters, by a table of 256 remainders."""
    width, mask = parameters.width, (1 << parameters.width) - 1
    table = _table(parameters)
    initial, final = parameters.initial, parameters.final_xor
    turned = parameters.reflect_in != parameters.reflect_out

    def reflected(data: bytes) -> int:
        rest = _mirror(initial, width)
        for byte in data:
            rest = (rest >> 8) ^ table[(rest ^ byte) & 0xFF]
        return (_mirror(rest, width) if turned else rest) ^ final

    def straight(data: bytes) -> int:
        rest = initial
        for byte in data:
            rest = ((rest << 8) & mask) ^ table[(rest >> (width - 8)) ^ byte]
        return (_mirror(rest, width) if turned else rest) ^ final

    return reflected if parameters.reflect_in else straight


def _table(parameters: CrcParameters) -> tuple[int, ...]:
    width = parameters.width
    top, mask = 1 << (width - 1), (1 << width) - 1
    remainders = []
    for byte in range(256):
        rest = (_mirror(byte, 8) if parameters.reflect_in else byte) << (width - 8)
        for _ in range(8):
            rest = ((rest << 1) ^ parameters.polynomial if rest & top else rest << 1) & mask
        remainders.append(_mirror(rest, width) if parameters.reflect_in else rest)
    return tuple(remainders)


def _mirror(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def _sum(bits: int, negated: str) -> Compute:
    mask = (1 << bits) - 1
    match negated:
        case "ones":
            return lambda data: ~sum(data) & mask
        case "twos":
            return lambda data: -sum(data) & mask
        case _:
            return lambda data: sum(data) & mask
