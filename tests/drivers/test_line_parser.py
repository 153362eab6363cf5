"""The parser is told the truth by construction: lines are written here, cut anywhere, and must come back."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.line_parser import MAX_LINE_BYTES, LineParser

PATTERN = r"(?P<value>[+-]\d+\.\d+)"


def parser() -> LineParser:
    return LineParser(b"\r\n", PATTERN, "value")


def pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[start:end] for start, end in pairwise(places)]


@given(
    steps=st.lists(st.integers(-99_999_999, 99_999_999), min_size=1, max_size=50),
    cuts=st.lists(st.integers(0, 2000), max_size=60),
)
def test_any_cutting_of_the_stream_gives_the_same_numbers(steps: list[int], cuts: list[int]) -> None:
    written = [f"{step / 10_000:+.4f}" for step in steps]
    data = b"tail\r\n" + "".join(f"{text}\r\n" for text in written).encode()
    one = parser()
    numbers = [number for piece in pieces(data, cuts) for number in one.feed(piece)]
    assert numbers == [float(text) for text in written]
    assert one.good_frames == len(steps)
    assert one.bad_frames == 0


def test_the_tail_of_a_line_is_never_taken_for_a_value() -> None:
    one = LineParser(b"\n", r"(?P<value>\d+\.\d+)", "value")
    assert one.feed(b"2.345\n10.500\n") == [10.5]  # 2.345 may be what is left of 12.345


@given(st.binary(max_size=4000))
def test_hostile_bytes_raise_nothing_and_stay_bounded(data: bytes) -> None:
    one = parser()
    one.feed(data)
    assert len(one.unfinished) <= MAX_LINE_BYTES
    # After any rubbish the next whole line but one is read.
    assert one.feed(b"\r\n+1.0000\r\n")[-1] == 1.0


def test_a_bad_frame_is_counted_and_kept_and_the_next_one_is_read() -> None:
    one = parser()
    one.feed(b"\r\n")
    assert one.feed(b"+1.0000\r\n+1.x000\r\n-2.0000\r\n") == [1.0, -2.0]
    assert (one.good_frames, one.bad_frames, one.last_bad) == (2, 1, b"+1.x000")


def test_a_line_without_end_is_dropped_up_to_the_next_terminator() -> None:
    one = parser()
    one.feed(b"\r\n")
    assert one.feed(b"7" * (MAX_LINE_BYTES + 50)) == []
    assert one.bad_frames == 1
    assert one.feed(b"7+9.0000\r\n+3.0000\r\n") == [3.0]


def test_a_number_that_no_float_can_hold_is_a_bad_frame() -> None:
    one = LineParser(b"\n", r"(?P<value>.+)", "value")
    one.feed(b"\n")
    assert one.feed(b"nan\ninf\n1e999\n1.5\n") == [1.5]
    assert one.bad_frames == 3
