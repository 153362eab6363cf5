"""An encoder that goes further than any shaft turns, and gaps in which a count may have gone round, or not.

One rule for degrees and counts, wrapped or not; the speeds are worked out by hand from ten turns a second.
"""

from __future__ import annotations

import numpy as np
import pytest
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.errors import LOST_COUNT
from lashmap_drivers.readings import Chunk, Chunks
from lashmap_drivers.wire.ascii_line import LineProfile
from lashmap_drivers.wire.counter_board import CounterBoardProfile
from lashmap_drivers.wire.modbus import ModbusProfile
from pymodbus.framer import FramerRTU

TURN = 36_000  # counts
APART_S = 0.005


def encoder(kind: str) -> Decoder:
    """Of one kind; all send the hundredth of a degree."""
    if kind in {"degrees", "wrapped degrees"}:
        return Decoder.for_encoder(
            LineProfile(
                kind="ascii line",
                unit="deg",
                pattern=r"(?P<value>[+-]?\d+\.\d\d)",
                terminator="\n",
                wraps_at_deg=360.0 if kind == "wrapped degrees" else None,
            ),
            counts_per_turn=1,
        )
    wraps_at = {"counts": None, "counts that wrap soon": 3 * TURN, "counts that wrap late": 2**32}[kind]
    profile = CounterBoardProfile.model_validate(
        {"kind": "counter board", "pattern": r"(?P<count>[+-]?\d+)", "terminator": "\n", "wraps_at": wraps_at}
    )
    return Decoder.for_encoder(profile, counts_per_turn=TURN)


def line(kind: str, angle_deg: float) -> bytes:
    if kind in {"degrees", "wrapped degrees"}:
        return b"%.2f\n" % (angle_deg % 360.0 if kind == "wrapped degrees" else angle_deg)
    count = round(angle_deg * 100.0)
    return b"%d\n" % (count % (3 * TURN) if kind == "counts that wrap soon" else count)


def chunks(kind: str, angles_deg: list[float], apart_s: float = APART_S) -> list[Chunk]:
    return [Chunk(apart_s * at, line(kind, angle)) for at, angle in enumerate(angles_deg)]


KINDS = ["degrees", "wrapped degrees", "counts", "counts that wrap soon", "counts that wrap late"]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("group", [1, 1000])
def test_a_jump_of_nine_teeth_in_a_sample_is_not_believed(kind: str, group: int) -> None:
    # 9 of 40 teeth in 5 ms are 45 turns a second.
    decoder = encoder(kind)
    some = chunks(kind, [100.0] * 400 + [181.0] * 400)
    found = np.concatenate(
        [decoder.feed(Chunks.of(*some[at : at + group])).value for at in range(0, len(some), group)]
    )
    assert len(found) == 399  # the first line may be half a one
    assert np.ptp(found) == 0.0
    assert decoder.jump is not None
    assert decoder.jump.step_deg == pytest.approx(81.0)
    assert decoder.jump.wait_s == pytest.approx(0.005, abs=0.001)


@pytest.mark.parametrize("kind", KINDS)
def test_a_wrong_sample_or_two_are_left_out_and_are_no_jump(kind: str) -> None:
    angles = [100.0] * 800
    angles[400] = angles[600] = angles[601] = 181.0
    decoder = encoder(kind)
    found = np.concatenate([decoder.feed(Chunks.of(one)).value for one in chunks(kind, angles)])
    assert len(found) == 799 - 3
    assert np.ptp(found) == 0.0
    assert decoder.jump is None


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("apart_s", [0.001, 0.005, 0.02])
def test_a_shaft_at_six_turns_a_second_is_believed(kind: str, apart_s: float) -> None:
    # A pinion of 13 on a gear of 40 that makes two turns a second. A count of three turns and an angle of one
    # are followed while the steps are shorter than a quarter of them.
    angles = (2160.0 * apart_s * np.arange(1000.0)).tolist()
    decoder = encoder(kind)
    found = np.concatenate([decoder.feed(Chunks.of(one)).value for one in chunks(kind, angles, apart_s)])
    assert found[-1] - found[0] == pytest.approx(angles[-1] - angles[1], abs=0.02)
    assert decoder.jump is None


def modbus(kind: str = "int32") -> Decoder:
    """A count asked for ten times a second."""
    profile = ModbusProfile.model_validate(
        {
            "kind": "modbus rtu",
            "address": 0,
            "type": kind,
            "unit": "count",
            "sends": "when asked",
            "polling": {"interval_s": 0.1, "timeout_s": 0.2},
        }
    )
    return Decoder.for_encoder(profile, counts_per_turn=TURN)


def reply(count: int, bits: int = 32) -> bytes:
    size = bits // 8
    body = bytes([1, 3, size]) + count.to_bytes(size, "big", signed=bits == 32)
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def spoilt(count: int, bits: int = 32) -> bytes:
    whole = bytearray(reply(count, bits))
    whole[-1] ^= 0x10
    return bytes(whole)


@pytest.mark.parametrize(
    "missing",
    [
        [Chunk(1.0, spoilt(100)), Chunk(1.0, b"")],  # as a port hands over a reply that is not whole
        [Chunk(1.0, spoilt(100))],
        [Chunk(1.0, b"")],
        [],
    ],
)
def test_a_reply_that_is_missing_or_bad_loses_no_count_of_thousands_of_turns(missing: list[Chunk]) -> None:
    # A count of 32 bits at 36,000 a turn has 119,304 turns: half of them take 1.6 h at ten a second.
    decoder = modbus()
    before = [decoder.feed(Chunks.of(Chunk(0.1 * at, reply(100 + at)))) for at in range(10)]
    for chunk in missing:
        assert not len(decoder.feed(Chunks.of(chunk)))
    after = [decoder.feed(Chunks.of(Chunk(0.1 * at, reply(100 + at)))) for at in range(11, 20)]
    assert [len(batch) for batch in (*before, *after)] == [1] * 19
    assert after[-1].value[0] == pytest.approx((100 + 19) * 0.01)
    assert not decoder.parser.marks[LOST_COUNT]


@pytest.mark.parametrize(
    ("gap_s", "lost"),
    # A count of 16 bits at 36,000 a turn has 655.36 degrees: half of them take 0.091 s at ten turns a second,
    # and 0.1 s of the gap are the usual wait for the next reply.
    [(0.18, False), (0.2, True)],
)
@pytest.mark.parametrize("bad", [True, False])
def test_a_count_that_may_have_gone_round_in_the_gap_is_lost(
    gap_s: float,
    lost: bool,  # noqa: FBT001 - a table
    bad: bool,  # noqa: FBT001 - a table
) -> None:
    decoder = modbus("uint16")
    for at in range(10):
        assert len(decoder.feed(Chunks.of(Chunk(0.1 * at, reply(100, 16)))))
    if bad:
        decoder.feed(Chunks.of(Chunk(0.95, spoilt(100, 16))))
    assert len(decoder.feed(Chunks.of(Chunk(0.9 + gap_s, reply(100, 16))))) == (not lost)
    assert decoder.parser.marks[LOST_COUNT] == lost
