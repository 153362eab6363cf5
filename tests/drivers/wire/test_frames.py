"""Binary frames: built here by hand, cut anywhere, damaged, and never believed on a start mark alone."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.wire.frames import FrameChecksum, FrameCutter, FrameShape
from pydantic import ValidationError

CRC = FrameChecksum(method="crc", crc="CRC-16/MODBUS", at=-2)
SHAPE = FrameShape(length=6, start="A5", checksum=CRC)
BARE = FrameShape(length=4, start="A5", end="5A")


def frame(count: int) -> bytes:
    body = b"\xa5" + count.to_bytes(2, "little") + b"\0"
    return body + CRC.compute()(body).to_bytes(2, "little")


def cutter(shape: FrameShape = SHAPE, sends: str = "by itself") -> FrameCutter[int]:
    return FrameCutter(shape, lambda data: int.from_bytes(data[1:3], "little"), sends)


def pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[start:end] for start, end in pairwise(places)]


@given(
    counts=st.lists(st.integers(0, 65535), min_size=4, max_size=30),
    before=st.binary(max_size=5),
    cuts=st.lists(st.integers(0, 2000), max_size=40),
)
def test_a_stream_is_read_from_its_first_whole_frame(
    counts: list[int], before: bytes, cuts: list[int]
) -> None:
    data = before + b"".join(map(frame, counts))
    one = cutter()
    found = [count for piece in pieces(data, cuts) for count in one.cut(piece)]
    assert found == counts
    assert one.good_frames == len(counts)


@given(
    data=st.lists(st.one_of(st.binary(max_size=9), st.integers(0, 65535).map(frame)), max_size=40),
    cuts=st.data(),
)
def test_rubbish_between_frames_is_counted_alike_however_it_is_cut(
    data: list[bytes], cuts: st.DataObject
) -> None:
    joined = b"".join(data)
    whole, cut = cutter(), cutter()
    in_one = whole.cut(joined)
    places = cuts.draw(st.lists(st.integers(0, 500), max_size=30))
    assert [count for piece in pieces(joined, places) for count in cut.cut(piece)] == in_one
    assert (cut.good_frames, cut.bad_frames, cut.unfinished) == (
        whole.good_frames,
        whole.bad_frames,
        whole.unfinished,
    )
    sent = [int.from_bytes(part[1:3], "little") for part in data if len(part) == 6 and part == frame_of(part)]
    assert [count for count in in_one if count not in sent] == []


def frame_of(part: bytes) -> bytes:
    return frame(int.from_bytes(part[1:3], "little"))


def test_one_damaged_frame_costs_itself_only() -> None:
    one = cutter()
    data = bytearray(b"".join(frame(count) for count in range(20)))
    data[10 * 6 + 2] ^= 0x10
    assert one.cut(bytes(data)) == [count for count in range(20) if count != 10]
    assert one.bad_frames == 1
    assert one.last_bad == bytes(data[60:66])


def test_a_lost_byte_costs_its_frame_and_the_next_is_found() -> None:
    one = cutter()
    data = b"".join(frame(count) for count in range(20))
    assert one.cut(data[:61] + data[62:]) == [count for count in range(20) if count != 10]


def test_a_static_reading_that_looks_like_a_boundary_is_refused_until_it_moves() -> None:
    one = cutter(BARE)
    still = bytes.fromhex("A5 5A A5 5A")  # cut two bytes later, this is a frame just as well
    assert one.cut(still * 50) == []
    assert one.good_frames == 0
    assert one.bad_frames > 10
    moving = b"".join(b"\xa5" + bytes([count, 7]) + b"\x5a" for count in range(30))
    assert one.cut(moving)[-1] == 29 + 7 * 256


def test_two_frames_that_fit_are_not_yet_believed() -> None:
    one = cutter()
    assert one.cut(frame(7) + frame(8) + bytes(30)) == []
    assert one.good_frames == 0
    assert one.cut(frame(7) + frame(8) + frame(9) + bytes(30)) == [7, 8, 9]


def test_single_frames_are_read_as_they_come_and_found_again() -> None:
    one = cutter(sends="on its button")
    assert one.cut(frame(7)) == [7]
    assert one.cut(frame(8)[:3]) == []
    assert one.cut(frame(8)[3:]) == [8]
    assert one.cut(b"\x01\xa5\x02" + frame(9)) == [9]
    assert one.bad_frames >= 1


def test_a_reply_stands_at_the_end_and_alone() -> None:
    one = cutter(sends="when asked")
    assert one.cut(frame(7)) == [7]
    assert one.cut(b"R\r" + frame(8)) == [8]  # behind the echo of a request
    assert one.cut(frame(9)[:4]) == []
    assert one.cut(frame(9)[4:]) == []
    assert one.bad_frames == 2


def test_after_missing_bytes_halves_do_not_merge() -> None:
    one = cutter(sends="on its button")
    one.cut(frame(7)[:3])
    one.start_over()
    assert one.cut(frame(300)[3:] + frame(4)) == [4]


@pytest.mark.parametrize(
    ("keys", "complaint"),
    [
        ({"length": 2, "start": "A5", "end": "5A"}, "leave no room"),
        ({"length": 6, "start": "A"}, "pairs of hexadecimal digits"),
        ({"length": 6, "start": "A5", "checksum": {"method": "xor", "at": 6}}, "inside the frame"),
        ({"length": 6, "start": "A5", "checksum": {"method": "xor", "at": -7}}, "inside the frame"),
        ({"length": 6, "start": "A5", "checksum": {"method": "xor", "at": 11}}, "inside the frame"),
        (
            {"length": 6, "start": "A5", "checksum": {"method": "crc", "crc": "CRC-16/ARC", "at": -1}},
            "inside the frame",
        ),
    ],
)
def test_frames_that_do_not_fit_together_are_refused(keys: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        FrameShape.model_validate(keys)
