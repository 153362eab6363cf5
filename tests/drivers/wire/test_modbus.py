"""Modbus RTU against the specification's example frames and against pymodbus's own server as a peer."""

from __future__ import annotations

import asyncio
import importlib.util
import math
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from drivers.pty_pair import pty_pair
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.readings import Chunks
from lashmap_drivers.wire.modbus import ModbusProfile
from pydantic import ValidationError
from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
from pymodbus.framer import FramerRTU
from pymodbus.server import ModbusSerialServer


def profile(**keys: object) -> ModbusProfile:
    return ModbusProfile.model_validate({"kind": "modbus rtu", "address": 0, "type": "uint16", **keys})


def rtu(device: int, pdu: str) -> bytes:
    """A frame around a PDU of the specification."""
    body = bytes([device]) + bytes.fromhex(pdu)
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def test_the_check_of_the_specification() -> None:
    # MODBUS over serial line V1.02, appendix B: address 02, function 07 are followed by 41 12 (from memory).
    assert rtu(2, "07") == bytes.fromhex("02 07 41 12")


def test_the_specification_reads_input_register_9() -> None:
    # MODBUS application protocol V1.1b3, 6.4: request 04 0008 0001, response 04 02 000A (from memory).
    one = profile(registers="input", address=8, device=17)
    assert one.request() == rtu(17, "04 0008 0001")
    assert one.make_parser().feed(rtu(17, "04 02 000A")) == [10.0]


def test_the_specification_reads_holding_registers_from_108() -> None:
    # The same, 6.3: request 03 006B 0003, response 03 06 022B 0000 0064: 555, 0 and 100 (from
    # memory). Our types have one, two or four registers, so the first, and the last two, are read alone.
    assert profile(address=0x6B).request() == rtu(1, "03 006B 0001")
    assert profile(address=0x6B).make_parser().feed(rtu(1, "03 02 022B")) == [555.0]
    two = profile(address=0x6C, type="uint32")
    assert two.request() == rtu(1, "03 006C 0002")
    assert two.make_parser().feed(rtu(1, "03 04 0000 0064")) == [100.0]


def test_without_pymodbus_a_profile_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _name: None)
    with pytest.raises(ValidationError, match=r"kind: 'modbus rtu' needs .*pip install 'lashmap\[modbus\]'"):
        profile()


def test_an_exception_reply_is_a_bad_frame_with_its_code() -> None:
    # The same, section 7: an error answers with the function code plus 80, and 02 for an illegal address.
    parser = profile().make_parser()
    assert parser.feed(rtu(1, "83 02")) == []
    assert (parser.bad_frames, parser.marks) == (1, {"modbus exception 2": 1})


@pytest.mark.parametrize(
    ("kind", "form"),
    [
        ("int16", ">h"),
        ("uint16", ">H"),
        ("int32", ">i"),
        ("uint32", ">I"),
        ("int64", ">q"),
        ("uint64", ">Q"),
        ("float32", ">f"),
        ("float64", ">d"),
    ],
)
@given(
    data=st.data(),
    word_order=st.sampled_from(["big", "little"]),
    byte_order=st.sampled_from(["big", "little"]),
)
def test_every_type_and_order(
    kind: str, form: str, data: st.DataObject, word_order: str, byte_order: str
) -> None:
    raw = data.draw(st.binary(min_size=struct.calcsize(form), max_size=struct.calcsize(form)))
    (number,) = struct.unpack(form, raw)  # the standard library packs apart from pymodbus
    words = [raw[at : at + 2] for at in range(0, len(raw), 2)]
    if word_order == "little":
        words.reverse()
    if byte_order == "little":
        words = [word[::-1] for word in words]
    reply = rtu(1, f"03 {len(raw):02x} {b''.join(words).hex()}")
    one = profile(type=kind, word_order=word_order, byte_order=byte_order, scale=0.5)
    (read,) = one.make_parser().feed(reply)
    if math.isfinite(number):
        assert read == number * 0.5
    else:
        assert math.isnan(read)


def test_a_count_of_16_bits_is_followed_over_its_end() -> None:
    parser = profile(unit="count").make_parser()
    counts = [parser.feed(rtu(1, f"03 02 {count:04x}"))[0] for count in (0xFFF0, 0xFFFF, 0x0005, 0xFFFE)]
    assert counts == [65520.0, 65535.0, 65541.0, 65534.0]


@given(place=st.integers(0, 6), flip=st.integers(1, 255))
def test_a_damaged_reply_is_never_believed(place: int, flip: int) -> None:
    reply = bytearray(rtu(1, "03 02 022B"))
    reply[place] ^= flip
    parser = profile().make_parser()
    assert parser.feed(bytes(reply)) == []
    assert (parser.good_frames, parser.bad_frames) == (0, 1)


@pytest.mark.parametrize(
    "reply",
    [
        rtu(2, "03 02 022B"),
        rtu(1, "04 02 022B"),
        rtu(1, "03 04 022B 0000"),
        rtu(1, "03 02 022B") + b"\0",
        b"\1",
    ],
)
def test_a_reply_to_something_else_is_never_believed(reply: bytes) -> None:
    assert profile().make_parser().feed(reply) == []


@given(st.binary(max_size=40))
def test_a_reply_is_whole_at_its_last_byte_and_never_waits_forever(rubbish: bytes) -> None:
    poll = profile().poll()
    reply = rtu(1, "03 02 022B")
    for before in (b"", poll.request):
        assert [poll.complete((before + reply)[:size]) for size in range(len(before) + 8)] == [
            *[False] * (len(before) + 7),
            True,
        ]
        assert profile().make_parser().feed(before + reply) == [555.0]
    assert poll.complete(rtu(1, "83 02"))
    assert len(rubbish) < 15 or poll.complete(rubbish)


@contextmanager
def server(port: str, holding: list[int]) -> Iterator[None]:
    """The server of pymodbus on ``port``, in a loop of its own."""
    runner = asyncio.Runner()
    loop = runner.get_loop()
    ready, done = threading.Event(), asyncio.Event()

    async def serve() -> None:
        block = ModbusSequentialDataBlock(1, holding)  # type: ignore[no-untyped-call] # of pymodbus
        context = ModbusServerContext(devices={1: ModbusDeviceContext(hr=block)})
        one = ModbusSerialServer(context, port=port, baudrate=115200)
        await one.serve_forever(background=True)
        ready.set()
        await done.wait()
        await one.shutdown()  # type: ignore[no-untyped-call] # of pymodbus

    thread = threading.Thread(target=lambda: runner.run(serve()))
    thread.start()
    try:
        assert ready.wait(60.0)
        yield
    finally:
        loop.call_soon_threadsafe(done.set)
        thread.join(60.0)
        runner.close()  # ends what the server of pymodbus may leave: a handler that was never begun


def test_pymodbus_answers_our_port() -> None:
    one = profile(type="int32", scale=0.0001, unit="mm", polling={"interval_s": 0.01, "timeout_s": 60.0})
    decoder = Decoder.for_indicator(one)
    values: list[float] = []
    known_s: list[float] = []
    with (
        pty_pair() as (ours, theirs),
        server(theirs, [0xFFFF, 0xCFC7, 7, 7]),
        one.open("indicator", ours) as port,
    ):
        deadline_s = time.monotonic() + 60.0
        while len(values) < 5 and time.monotonic() < deadline_s:
            port.wait(0.1)
            batches = [decoder.feed(Chunks.of(chunk)) for chunk in port.take()]
            values += [float(value) for batch in batches for value in batch.value]
            known_s += [float(one) for batch in batches for one in batch.time_uncertainty_s]
    assert all(0.0 < one < 60.0 for one in known_s)  # a registers' transaction is timed like any other
    # 0xFFFFCFC7 is -12345 in two's complement; times 0.1 um.
    assert values[:5] == pytest.approx([-1.2345] * 5, rel=1e-12)
    assert decoder.parser.bad_frames == 0


def test_pymodbus_refuses_an_address_it_lacks() -> None:
    one = profile(address=100, polling={"interval_s": 0.01, "timeout_s": 60.0})
    decoder = Decoder.for_indicator(one)
    with pty_pair() as (ours, theirs), server(theirs, [1]), one.open("indicator", ours) as port:
        deadline_s = time.monotonic() + 60.0
        while not decoder.parser.bad_frames and time.monotonic() < deadline_s:
            port.wait(0.1)
            for chunk in port.take():
                decoder.feed(Chunks.of(chunk))
    assert decoder.parser.marks["modbus exception 2"] >= 1
    assert decoder.parser.good_frames == 0


@pytest.mark.parametrize(
    ("keys", "complaint"),
    [
        ({"address": 65535, "type": "uint32"}, "beyond the last one"),
        ({"unit": "count", "type": "float32"}, "whole number"),
        ({"unit": "count", "scale": 2.0}, "whole number"),
        ({"wraps_at": 1000}, "belongs to unit 'count'"),
        ({"device": 0}, "greater than or equal to 1"),
    ],
)
def test_registers_that_cannot_be_are_refused(keys: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        profile(**keys)


def test_a_count_that_jumps_is_no_overload() -> None:
    one = profile(unit="count").make_parser()
    replies = [one.feed(rtu(1, f"0302{count:04X}")) for count in (0, 30000, 10)]
    assert [len(reply) for reply in replies] == [1, 1, 1]
    assert math.isnan(replies[1][0])
    assert "overload" not in one.marks


def test_a_reply_whose_byte_count_is_not_its_own_is_never_believed() -> None:
    one = profile(type="int32").make_parser()
    assert one.feed(rtu(1, "03 02 0001 0002")) == []  # says two bytes, holds four, and its check is right
    assert one.bad_frames == 1
