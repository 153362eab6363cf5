"""The kind ``modbus rtu``: a number in the registers of an instrument that is asked over Modbus RTU.

Frames are built and taken apart by pymodbus, the bytes are moved by `lashmap_drivers.ports.port`. A reply
counts only when device, function, length and check are those of the request.
"""

from __future__ import annotations

import importlib.util
import math
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, model_validator

from lashmap_drivers.errors import OVERLOAD
from lashmap_drivers.parser import Tally
from lashmap_drivers.ports.source import Poll, Polling
from lashmap_drivers.profile import InstrumentProfile, Scale
from lashmap_drivers.timing.angles import Counting, CountTracker, Sample

if TYPE_CHECKING:
    from pymodbus.framer import FramerRTU


RegisterType = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
_FUNCTION = {"holding": 3, "input": 4}
_REQUEST_BYTES = 8
_EXCEPTION_BYTES = 5
_AROUND_REGISTERS = 5  # device, function, byte count, check


class ModbusProfile(InstrumentProfile):
    """An instrument with Modbus RTU registers.

    Attributes:
        device: Its address on the bus.
        registers: Which table: ``holding`` (function 3) or ``input`` (function 4).
        address: First register as it goes over the wire, from 0; manuals that count from 1, or from 40001,
            must be turned into that.
        type: Of the number.
        word_order: Which register of several comes first.
        byte_order: Inside a register; the specification says big.
        scale: The number times this is the value in ``unit``.
        wraps_at: For counts: number of different counts before it starts again; the type's own range unless
            told otherwise (64-bit counts do not wrap).
        polling: How often it is asked.
    """

    kind: Literal["modbus rtu"]
    sends: Literal["when asked"] = "when asked"
    device: Annotated[int, Field(ge=1, le=247)] = 1
    registers: Literal["holding", "input"] = "holding"
    address: Annotated[int, Field(ge=0, le=65535)]
    type: RegisterType
    word_order: Literal["big", "little"] = "big"
    byte_order: Literal["big", "little"] = "big"
    scale: Scale = 1.0
    wraps_at: Annotated[int, Field(ge=16, le=2**48)] | None = None
    polling: Polling = Polling(interval_s=0.1, timeout_s=0.5)

    @property
    def is_checked(self) -> bool:
        """Every reply carries a cyclic redundancy check."""
        return True

    @property
    def expected(self) -> str:
        """Which reply is awaited."""
        return f"a reply of device {self.device} with {self.count} {self.registers} registers"

    @property
    def count(self) -> int:
        """Registers that hold the number."""
        return int(self.type[-2:]) // 16

    def request(self) -> bytes:
        """The request for these registers."""
        from pymodbus.pdu.register_message import (  # noqa: PLC0415 - takes its time to load
            ReadHoldingRegistersRequest,
            ReadInputRegistersRequest,
        )

        kind = ReadHoldingRegistersRequest if self.registers == "holding" else ReadInputRegistersRequest
        request = kind(address=self.address, count=self.count, dev_id=self.device)
        return _framer().buildFrame(request)

    def poll(self) -> Poll:
        """The request, and a reply that is whole when its check is right."""
        parser = self.make_parser()
        longest = _REQUEST_BYTES + _AROUND_REGISTERS + 2 * self.count

        def complete(reply: bytes) -> bool:
            return len(reply) >= longest or parser.pdu(reply) is not None

        return Poll(
            request=parser.request,
            interval_s=self.polling.interval_s,
            timeout_s=self.polling.timeout_s,
            complete=complete,
        )

    def step_mm(self) -> float | None:
        """One of a whole number, scaled."""
        if self.quantity != "length" or "int" not in self.type:
            return None
        return abs(self.scale) * self.mm_per_unit

    def make_parser(self) -> ModbusParser:
        """A parser of its replies."""
        return ModbusParser(self)

    def counting(self) -> Counting:
        """How a count wraps."""
        bits = 16 * self.count
        return Counting(wraps_at=self.wraps_at or (1 << bits if bits < 64 else None))

    def repeats_after(self, counts_per_turn: int) -> int | None:  # noqa: ARG002 - its range is its own
        """The counter's range."""
        return self.counting().wraps_at if self.unit == "count" else None

    @model_validator(mode="after")
    def _is_usable(self) -> Self:
        if importlib.util.find_spec("pymodbus") is None:
            raise ValueError(
                "kind: 'modbus rtu' needs the package pymodbus, which is not installed; do: "
                "pip install 'lashmap[modbus]'"
            )
        if self.address + self.count > 65536:
            raise ValueError("address: the registers reach beyond the last one, 65535")
        if self.unit == "count" and ("int" not in self.type or self.scale != 1.0):
            raise ValueError("unit: a count is a whole number with scale 1")
        if self.unit != "count" and self.wraps_at is not None:
            raise ValueError("wraps_at: belongs to unit 'count'")
        return self


class ModbusParser(Tally):
    """Reads replies; each feed is one whole reply, perhaps behind an echo of the request.

    Args:
        profile: What was asked.
    """

    def __init__(self, profile: ModbusProfile) -> None:
        from pymodbus.client.mixin import ModbusClientMixin  # noqa: PLC0415 - takes its time to load

        super().__init__()
        self.request = profile.request()
        self._profile = profile
        self._framer = _framer()
        self._convert = ModbusClientMixin.convert_from_registers
        self._type = ModbusClientMixin.DATATYPE[profile.type.upper()]
        self._size = _AROUND_REGISTERS + 2 * profile.count
        self._function = _FUNCTION[profile.registers]
        counts = profile.unit == "count"
        self._tracker = CountTracker(profile.counting(), self.marks) if counts else None

    @property
    def unfinished(self) -> bytes:
        """Nothing is ever kept from one reply to the next."""
        return b""

    def start_over(self) -> None:
        """Nothing is ever kept from one reply to the next."""

    def unseen(self, most: float) -> bool:
        """No reply came while the shaft may have turned by ``most`` counts; true when the count is lost."""
        return self._tracker is not None and self._tracker.unseen(most)

    def feed(self, data: bytes) -> list[float]:
        """Take a reply; return its number, nan when the instrument says that it has none."""
        self.bytes_seen += len(data)
        if not data:
            return []
        pdu = self.pdu(data)
        number = None if pdu is None else self._number(pdu)
        if number is None:
            self.reject(data)
            return []
        self.good_frames += 1
        if math.isnan(number) and self._tracker is None:  # a lost count is marked by its tracker
            self.marks[OVERLOAD] += 1
        return [number]

    def pdu(self, reply: bytes) -> bytes | None:
        """Function code and data of a whole and right reply to the request; None for anything else."""
        for frame in (reply, reply[_REQUEST_BYTES:] if reply.startswith(self.request) else b""):
            if len(frame) < _EXCEPTION_BYTES or frame[0] != self._profile.device:
                continue
            answers = frame[1] == self._function and len(frame) == self._size and frame[2] == self._size - 5
            refuses = frame[1] == self._function | 0x80 and len(frame) == _EXCEPTION_BYTES
            if answers or refuses:
                pdu = self._framer.decode(frame)[3]
                if pdu and pdu == frame[1:-2]:
                    return pdu
        return None

    def _number(self, pdu: bytes) -> float | None:
        decoded = self._framer.decoder.decode(pdu)
        if decoded is None:
            return None
        if decoded.isError():
            self.marks[f"modbus exception {decoded.exception_code}"] += 1
            return None
        registers = decoded.registers
        if self._profile.byte_order == "little":
            registers = [(register << 8 | register >> 8) & 0xFFFF for register in registers]
        number = self._convert(registers, self._type, word_order=self._profile.word_order)
        if not isinstance(number, int | float):
            return None
        if self._tracker is not None:
            return self._tracker.follow(Sample(int(number)))
        return number * self._profile.scale if math.isfinite(number) else math.nan


def _framer() -> FramerRTU:
    from pymodbus.framer import FramerRTU  # noqa: PLC0415 - takes its time to load
    from pymodbus.pdu import DecodePDU  # noqa: PLC0415 - as above

    return FramerRTU(DecodePDU(is_server=False))
