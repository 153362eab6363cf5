"""What instruments with the shipped profiles put on the wire for a known truth, frame by frame.

The formats are written down here once more, from the examples at the head of each profile, and share nothing
with the parsers. CRC-16/MODBUS gives 0x4B37 for the digits 1 to 9 (from memory; the example of the encoder's
profile agrees).
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Literal

from daemon.virtual_time import CONFIGS
from lashmap_drivers.kinds import build
from lashmap_drivers.profile import InstrumentProfile

Guarantee = Literal["three bits", "one bit", "none"]


def _table_entry(byte: int) -> int:
    for _ in range(8):
        byte = (byte >> 1) ^ (0xA001 if byte & 1 else 0)
    return byte


_CRC_TABLE = [_table_entry(byte) for byte in range(256)]


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def _crc(body: bytes) -> bytes:
    return body + crc16(body).to_bytes(2, "little")


@dataclass(frozen=True, kw_only=True)
class Wire:
    """One instrument on the wire.

    Attributes:
        name: Its shipped profile, or what it is otherwise.
        frame: Bytes for a whole number of steps.
        step: Of the last digit, in mm (indicator) or degrees (encoder).
        rate_hz: Frames a second.
        guarantee: Damage to a whole frame from which its check guarantees that no wrong value comes.
        range_steps: Of an encoder: after how many steps the wire begins again; None when it never does.
        is_encoder: It gives an angle.
        whole: Each frame comes in a read of its own: it was asked for, or its button was pressed.
        profile: What the product knows of it.
    """

    name: str
    frame: Callable[[int], bytes]
    step: float
    rate_hz: float
    guarantee: Guarantee = "none"
    range_steps: int | None = None
    is_encoder: bool = False
    whole: bool = False
    profile: InstrumentProfile


COUNTS_PER_TURN = 36_000


def _shipped(name: str) -> InstrumentProfile:
    path = CONFIGS / "instruments" / f"{name}.toml"
    profile = build(tomllib.loads(path.read_text("utf-8")))
    assert isinstance(profile, InstrumentProfile)
    return profile


def _polled(steps: int) -> bytes:
    mm = f"{abs(steps) / 1e4:07.4f}".replace(".", ",")
    body = f"{'-' if steps < 0 else '+'} {mm} mm K".encode()
    return b"%b*%02X\r\n" % (body, reduce(xor, body))


def _bcd(steps: int) -> bytes:
    return bytes.fromhex(f"FFFF{8 if steps < 0 else 0}{abs(steps):06d}300")


def _line_crc(steps: int) -> bytes:
    text = f"{steps / 1e4:+09.4f}".encode()
    return b"%b*%04X\r\n" % (text, crc16(text))


def _count(steps: int) -> bytes:
    return _crc(b"\xa5" + (steps % 65536).to_bytes(2, "little") + b"\x00")


def wires() -> tuple[Wire, ...]:
    """Every shipped profile that has a wire, and a line with a CRC."""
    return (*_indicators(), *_encoders())


def _indicators() -> tuple[Wire, ...]:
    with_crc = build(
        {
            "kind": "ascii line",
            "pattern": r"(?P<checked>(?P<value>[+-]\d+\.\d{4}))\*(?P<checksum>[0-9A-F]{4})",
            "checksum": {"method": "crc", "crc": "CRC-16/MODBUS"},
        }
    )
    return (
        Wire(
            name="indicator-line-mm",
            frame=lambda steps: b"%b\r\n" % f"{steps / 1e4:+09.4f}".encode(),
            step=1e-4,
            rate_hz=1000.0,
            profile=_shipped("indicator-line-mm"),
        ),
        Wire(
            name="indicator-line-inch",
            frame=lambda steps: f"{steps / 1e5:+.5f} in\r".encode(),
            step=2.54e-4,
            rate_hz=60.0,
            profile=_shipped("indicator-line-inch"),
        ),
        Wire(
            name="indicator-line-button",
            frame=lambda steps: f"{steps:+08d}\r".encode(),
            step=1e-4,
            rate_hz=1.0,
            whole=True,
            profile=_shipped("indicator-line-button"),
        ),
        Wire(
            name="indicator-line-polled",
            frame=_polled,
            step=1e-4,
            rate_hz=10.0,
            guarantee="one bit",
            whole=True,
            profile=_shipped("indicator-line-polled"),
        ),
        Wire(name="indicator-bcd", frame=_bcd, step=1e-3, rate_hz=100.0, profile=_shipped("indicator-bcd")),
        Wire(
            name="indicator-modbus",
            frame=lambda steps: _crc(b"\x01\x03\x04" + steps.to_bytes(4, "big", signed=True)),
            step=1e-4,
            rate_hz=50.0,
            guarantee="three bits",
            whole=True,
            profile=_shipped("indicator-modbus"),
        ),
        Wire(
            name="indicator line with CRC-16",
            frame=_line_crc,
            step=1e-4,
            rate_hz=500.0,
            guarantee="three bits",
            profile=with_crc,
        ),
    )


def _encoders() -> tuple[Wire, ...]:
    count_deg = 360.0 / COUNTS_PER_TURN
    return (
        Wire(
            name="encoder-line",
            frame=lambda steps: f"{steps:+011d}\r\n".encode(),
            step=count_deg,
            rate_hz=500.0,
            is_encoder=True,
            profile=_shipped("encoder-line"),
        ),
        Wire(
            name="encoder-degrees",
            frame=lambda steps: b"%07.3f\r\n" % (steps % 360_000 / 1000.0),
            step=1e-3,
            rate_hz=500.0,
            range_steps=360_000,
            is_encoder=True,
            profile=_shipped("encoder-degrees"),
        ),
        Wire(
            name="encoder-binary",
            frame=_count,
            step=count_deg,
            rate_hz=1000.0,
            guarantee="three bits",
            range_steps=65536,
            is_encoder=True,
            profile=_shipped("encoder-binary"),
        ),
    )
