"""The parser is told the truth by construction: lines are written here, cut anywhere, and must come back."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.wire.ascii_line import MAX_LINE_BYTES, LineParser
from lashmap_drivers.wire.checksums import Checksum

PATTERN = r"(?P<value>[+-]\d+\.\d+)"


def parser() -> LineParser:
    return LineParser(b"\r\n", PATTERN)


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


@given(
    data=st.lists(
        st.sampled_from(
            [b"+1.25\r\n", b"-3.5\r\n", b"+1.x\r\n", b"\r\n", b"\r", b"\n", b"7" * 300, b"9" * 255]
        ),
        max_size=40,
    ).map(b"".join),
    cuts=st.lists(st.integers(0, 20_000), max_size=40),
)
def test_rubbish_is_counted_alike_however_it_is_cut(data: bytes, cuts: list[int]) -> None:
    whole, cut = parser(), parser()
    in_one = whole.feed(data)
    in_many = [number for piece in pieces(data, cuts) for number in cut.feed(piece)]
    assert in_many == in_one
    assert (cut.good_frames, cut.bad_frames) == (whole.good_frames, whole.bad_frames)


def test_the_tail_of_a_line_is_never_taken_for_a_value() -> None:
    one = LineParser(b"\n", r"(?P<value>\d+\.\d+)")
    assert one.feed(b"2.345\n10.500\n") == [10.5]  # 2.345 may be what is left of 12.345


@given(st.binary(max_size=4000))
def test_hostile_bytes_raise_nothing_and_stay_bounded(data: bytes) -> None:
    one = parser()
    one.feed(data)
    assert len(one.unfinished) <= MAX_LINE_BYTES + 1  # and a half terminator
    assert len(one.last_bad) <= MAX_LINE_BYTES
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
    one = LineParser(b"\n", r"(?P<value>.+)")
    one.feed(b"\n")
    assert one.feed(b"nan\ninf\n1e999\n1_5\n1.5\n") == [1.5]
    assert one.bad_frames == 4


def test_after_missing_bytes_half_lines_do_not_merge() -> None:
    one = parser()
    one.feed(b"\r\n+12.3")
    one.start_over()
    assert one.feed(b"45.0\r\n+1.0\r\n") == [1.0]


def test_after_missing_bytes_the_tail_of_a_line_is_no_number() -> None:
    one = LineParser(b"\r\n", r"(?P<value>\d+\.\d+)")
    one.feed(b"\r\n12.3")
    one.start_over()
    assert one.feed(b"45.0\r\n1.0\r\n") == [1.0]  # 45.0 may have been 1945.0


def test_a_point_among_decimal_commas_is_no_number() -> None:
    one = LineParser(b"\r", r"(?P<value>[\d,.]+)", decimal=",", in_step=True)
    assert one.feed(b"1,5\r1.5\r") == [1.5]  # the second may be fifteen
    assert one.bad_frames == 1


def test_decimal_comma_and_separate_sign() -> None:
    one = LineParser(b"\r", r"(?P<sign>[NP]) *(?P<value>[\d,.]+)", decimal=",", negative=["N"])
    one.feed(b"\r")
    assert one.feed(b"N  1,250\rP 0,5\rP 1.000,5\r") == [-1.25, 0.5]  # 1.000 may be one or a thousand
    assert one.last_bad == b"P 1.000,5"


def test_an_implied_decimal_point() -> None:
    one = LineParser(b"\r", r"(?P<value>[+-]\d{7})", scale=0.0001, in_step=True)
    assert one.feed(b"-0012345\r") == pytest.approx([-1.2345], rel=1e-15)


def test_units_and_marks_of_a_line() -> None:
    one = LineParser(
        b"\n",
        r"(?P<value>[+-]?\d+\.\d+) (?P<unit>\w+) (?P<status>\w)",
        unit_factors={b"mm": 1.0, b"in": 25.4},
        status={b"K": "", b"L": "low battery", b"V": "overload"},
        in_step=True,
    )
    # 25.4 mm an inch exactly, by definition.
    numbers = one.feed(b"1.5 mm K\n0.5 in L\n9.9 mm V\n1.5 ft K\n1.5 mm Z\n")
    assert numbers[:2] == [1.5, 12.7]
    assert len(numbers) == 3
    assert math.isnan(numbers[2])  # an overload carries no reading, but keeps its place
    assert one.marks == {"low battery": 1, "overload": 1}
    assert (one.good_frames, one.bad_frames, one.last_bad) == (3, 2, b"1.5 mm Z")


def test_an_overload_that_replaces_the_number() -> None:
    one = LineParser(b"\n", r"(?P<value>\d+)|(?P<status>OL)", status={b"OL": "overload"}, in_step=True)
    numbers = one.feed(b"5\nOL\n6\n")
    assert numbers[::2] == [5.0, 6.0]
    assert math.isnan(numbers[1])


@pytest.mark.parametrize(
    ("checksum", "line"),
    [
        # By hand: the exclusive or of "1.5" is 0x31 ^ 0x2E ^ 0x35 = 0x2A, the sum 0x31 + 0x2E + 0x35 = 0x94.
        (Checksum(method="xor"), b"1.5*2A"),
        (Checksum(method="sum"), b"1.5*94"),
        (Checksum(method="sum", negated="twos"), b"1.5*6c"),  # 0x94 + 0x6C = 0x100
        (Checksum(method="sum", negated="ones"), b"1.5*6B"),  # 0x94 + 0x6B = 0xFF
        (Checksum(method="sum", bits=16), b"1.5*0094"),
        (Checksum(method="sum", written="decimal"), b"1.5*148"),
    ],
)
def test_a_checked_line_counts_only_when_right(checksum: Checksum, line: bytes) -> None:
    pattern = r"(?P<checked>(?P<value>\d\.\d))\*(?P<checksum>[0-9A-Fa-f]+)"
    one = LineParser(b"\n", pattern, checksum=checksum, in_step=True)
    assert one.feed(line + b"\n") == [1.5]
    assert one.feed(line.replace(b"1", b"3", 1) + b"\n") == []
    assert one.feed(line + b"0\n") == []
    assert one.bad_frames == 2


def test_without_a_group_of_its_own_all_before_the_checksum_is_covered() -> None:
    pattern = r"\$(?P<value>\d\.\d)\*(?P<checksum>[0-9A-F]{2})"
    one = LineParser(b"\n", pattern, checksum=Checksum(method="xor"), in_step=True)
    # By hand: "$" 0x24 and "*" 0x2A on top of 0x2A give 0x24.
    assert one.feed(b"$1.5*24\n") == [1.5]


def test_a_reply_is_judged_alone() -> None:
    one = LineParser(b"\r\n", PATTERN, whole_replies=True)
    assert one.feed(b"+1.5\r\n") == [1.5]  # from the first: nothing stood before it
    assert one.feed(b"+2.") == []
    assert one.feed(b"5\r\n") == []  # the two halves are two bad replies, never +2.5
    assert one.bad_frames == 2
    assert one.feed(b"+3.5\r\n+4.5\r\n") == [4.5]  # the first came too late for the request before
    assert one.bad_frames == 3


def test_after_missing_bytes_the_next_press_of_the_button_counts() -> None:
    one = LineParser(b"\r", r"(?P<value>[+-]\d+)", in_step=True)
    assert one.feed(b"+1\r+2") == [1.0]
    one.start_over()
    assert one.feed(b"+3\r") == [3.0]
    assert one.bad_frames == 0


@pytest.mark.parametrize("pattern", [r"(?P<value>[+-z]+)", r"(?P<value>[ -~]+)", r"(?P<value>[0-z]+)"])
def test_an_underscore_is_no_part_of_a_number_whatever_the_range(pattern: str) -> None:
    one = LineParser(b"\n", pattern, in_step=True)
    assert one.feed(b"1_0\n" * 300) == []
    assert one.bad_frames == 300


def test_a_number_that_overflows_by_its_scale_is_a_bad_frame() -> None:
    one = LineParser(b"\n", r"(?P<value>[0-9e]+)", scale=1e10, in_step=True)
    assert one.feed(b"1e308\n1\n") == [1e10]
    assert one.bad_frames == 1
