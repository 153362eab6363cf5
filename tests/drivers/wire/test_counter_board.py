"""Counters: the true angle is made here, wrapped as a board would, and must come back turn for turn."""

from __future__ import annotations

import math
from itertools import accumulate
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.parser import Parser
from lashmap_drivers.wire.checksums import Checksum
from lashmap_drivers.wire.counter_board import CounterBoardProfile
from pydantic import ValidationError

CRC = Checksum(method="crc", crc="CRC-16/MODBUS").compute()
CHECK: dict[str, object] = {"method": "crc", "crc": "CRC-16/MODBUS", "at": -2}


def board(**keys: object) -> CounterBoardProfile:
    return CounterBoardProfile.model_validate({"kind": "counter board", **keys})


def lines(**keys: object) -> Parser:
    parser = board(pattern=r"(?P<count>[+-]?\d+)", terminator="\n", **keys).make_parser()
    parser.feed(b"\n")
    return parser


def feed(parser: Parser, text: str) -> list[float]:
    return [float(number) for number in parser.feed(text.encode())]


def test_plain_counts_with_direction() -> None:
    assert feed(lines(), "5\n-7\n") == [5.0, -7.0]
    assert feed(lines(direction=-1), "5\n-7\n") == [-5.0, 7.0]


@pytest.mark.parametrize("wraps_at", [16, 1000, 65536, 360_000, 2**24, 2**32, 2**48])
@given(start=st.integers(0, 2**48), steps=st.lists(st.floats(-0.24, 0.24), max_size=60))
def test_wrap_around_at_any_width(wraps_at: int, start: int, steps: list[float]) -> None:
    parser = lines(wraps_at=wraps_at)
    first = start % wraps_at
    truth = list(accumulate([int(step * wraps_at) for step in steps], initial=first))
    text = "".join(f"{count % wraps_at}\n" for count in truth)
    assert feed(parser, text) == [float(count) for count in truth]
    assert not parser.marks


@pytest.mark.parametrize("count_bytes", [1, 2, 3, 4, 6])
@pytest.mark.parametrize("form", ["signed", "unsigned"])
@given(steps=st.lists(st.floats(-0.24, 0.24), min_size=3, max_size=40))
def test_binary_counts_of_any_width_over_many_turns(
    count_bytes: int,
    form: str,
    steps: list[float],
) -> None:
    wraps_at = 1 << (8 * count_bytes)
    frame = {
        "length": 1 + count_bytes + 2,
        "start": "A5",
        "count_at": 1,
        "count_bytes": count_bytes,
        "signed": form == "signed",
        "checksum": CHECK,
    }
    truth = list(accumulate([int(step * wraps_at) for step in steps], initial=0))
    bodies = [b"\xa5" + (count % wraps_at).to_bytes(count_bytes, "little") for count in truth]
    data = b"".join(body + CRC(body).to_bytes(2, "little") for body in bodies)
    assert list(board(frame=frame).make_parser().feed(data)) == [float(count) for count in truth]


def test_a_lone_jump_is_a_glitch_and_a_real_one_loses_the_count() -> None:
    parser = lines(wraps_at=65536)
    numbers = feed(parser, "100\n30000\n101\n")
    assert numbers[::2] == [100.0, 101.0]
    assert math.isnan(numbers[1])
    assert parser.marks["lost count"] == 0
    # Nobody knows how often it went round: from here on there is no count.
    assert all(map(math.isnan, feed(parser, "30000\n30001\n30002\n30003\n103\n")))
    assert parser.marks["lost count"] == 1


def test_a_count_turned_fast_is_lost_and_not_taken_a_range_wrong() -> None:
    # 100 of 360 a sample, then at rest: the third is nearer to the first the other way round.
    parser = lines(wraps_at=360)
    numbers = feed(parser, "0\n100\n200\n300\n300\n300\n")
    assert numbers[0] == 0.0
    assert all(map(math.isnan, numbers[1:]))
    assert parser.marks["lost count"] == 1


def test_glitches_far_apart_do_not_add_up_to_a_real_jump() -> None:
    parser = lines(wraps_at=65536)
    numbers = feed(parser, "".join(f"{count}\n{count + 30000}\n" for count in range(100, 110)) + "110\n")
    assert numbers[::2] == [float(count) for count in range(100, 111)]
    assert all(map(math.isnan, numbers[1::2]))
    assert parser.marks["lost count"] == 0


def test_a_gap_of_half_the_range_loses_a_wrapped_count_but_not_a_whole_one() -> None:
    wrapped, whole = lines(wraps_at=65536), lines()
    for parser in (wrapped, whole):
        feed(parser, "100\n")
        parser.start_over()
        assert not parser.unseen(32_767.0)
        assert feed(parser, "1\n101\n") == [101.0]  # the first line may be half a one
    assert wrapped.unseen(32_768.0)
    assert not whole.unseen(1e9)
    assert math.isnan(feed(wrapped, "101\n")[0])
    assert wrapped.marks["lost count"] == 1
    assert feed(whole, "101\n") == [101.0]


def test_a_count_that_cannot_be_is_a_bad_frame() -> None:
    parser = lines(wraps_at=1000)
    assert feed(parser, "999\n1000\n998\n") == [999.0, 998.0]
    assert (parser.good_frames, parser.bad_frames, parser.last_bad) == (2, 1, b"1000")


def indexed(**keys: object) -> Parser:
    pattern = r"(?P<count>[+-]?\d+)(?P<index>I?)"
    parser = board(pattern=pattern, terminator="\n", counts_per_turn=1000, **keys).make_parser()
    parser.feed(b"\n")
    return parser


def test_zero_at_the_index() -> None:
    parser = indexed(zero="index", wraps_at=65536)
    numbers = feed(parser, "65530\n65534\n2I\n10\n")
    assert all(map(math.isnan, numbers[:2]))
    # The pulse lay between 65534 and 65538 in unwrapped counts: its middle, 65536, is zero.
    assert numbers[2:] == [2.0, 10.0]


def test_an_index_passed_too_fast_sets_no_zero() -> None:
    parser = indexed(zero="index")
    assert all(map(math.isnan, feed(parser, "0\n500I\n600\n")))
    assert feed(parser, "998\n1000I\n") == [pytest.approx(math.nan, nan_ok=True), 1.0]


@pytest.mark.parametrize(
    ("said", "passes"),
    [
        ("0\n300I\n600\n900\n1200\n1300I\n1500\n1800\n2100\n2300I\n2600\n", 0),  # over 300 counts: no place
        ("0\n299\n300I\n700\n1299\n1300I\n1700\n2299\n2300I\n2600\n", 2),
        ("0\n299\n300I\n700\n1299\n1300I\n1700\n2299\n2600\n", 0),  # it was due at 2300
        ("0\n299\n300I\n700\n1329\n1330I\n1400\n", 0),  # a slip
        ("0\n1299\n1300I\n1700\n2299\n2300I\n2600\n", 0),  # it did not come at 300
        ("0\n299\n300I\n700\n", 0),  # it came once, and nobody knows whether it would have come again
    ],
)
def test_an_index_proves_a_count_when_it_came_in_each_turn(said: str, passes: int) -> None:
    parser = indexed()
    feed(parser, said)
    assert parser.index_passes == passes


def test_an_index_out_of_place_is_a_slip() -> None:
    parser = indexed()
    feed(parser, "0\n2I\n500\n1000\n1002I\n4000\n4002I\n-998I\n")
    assert (
        parser.marks["index slip"] == 0
    )  # whole turns apart; the last was passed fast, which proves nothing
    feed(parser, "29\n31I\n")
    assert parser.marks["index slip"] == 1  # 30 counts from where it should be: counts were lost


def test_a_latched_index_count() -> None:
    frame: dict[str, Any] = {
        "length": 7,
        "start": "A5",
        "count_at": 1,
        "count_bytes": 2,
        "index_count_at": 3,
        "checksum": CHECK,
    }
    parser = board(frame=frame, zero="index", counts_per_turn=1000).make_parser()

    def sent(count: int, latched: int) -> bytes:
        body = b"\xa5" + (count % 65536).to_bytes(2, "little") + (latched % 65536).to_bytes(2, "little")
        return body + CRC(body).to_bytes(2, "little")

    numbers = parser.feed(sent(90, 0) + sent(110, 0) + sent(130, 117) + sent(140, 117) + sent(1120, 1117))
    assert [float(number) for number in numbers[2:]] == [13.0, 23.0, 1003.0]
    assert all(math.isnan(number) for number in numbers[:2])
    parser.feed(sent(2140, 2137))
    assert parser.marks["index slip"] == 1  # 1020 counts after the last one


@pytest.mark.parametrize(
    ("keys", "complaint"),
    [
        ({}, "either pattern"),
        ({"pattern": r"\d+"}, "no group"),
        ({"pattern": r"(?P<count>\d+)(?P<value>x)"}, "unknown group value"),
        ({"pattern": r"(?P<count>\d+)", "zero": "index"}, "nothing on the wire tells the index"),
        ({"pattern": r"(?P<count>\d+)", "checksum": {"method": "xor"}}, "belong together"),
        ({"pattern": r"(?P<count>\d+)", "sends": "when asked"}, "belong together"),
        ({"frame": {"length": 4, "count_at": 1, "count_bytes": 2}}, "where a frame begins"),
        ({"frame": {"length": 4, "start": "A5", "count_at": 3, "count_bytes": 2}}, "count_at: lies behind"),
        ({"pattern": r"(?P<count>\d+)", "unit": "mm"}, "'count'"),
        ({"pattern": r"(?P<second_count>\d+)"}, "no group"),
        ({"pattern": r"(?P<count>\d+),-?(?P<second_count>\d+)"}, "a minus sign before the number"),
        (
            {"frame": {"length": 6, "start": "A5", "count_at": 1, "count_bytes": 2, "second_count_at": 5}},
            "second_count_at: lies behind",
        ),
        (
            {"frame": {"length": 6, "start": "A5", "count_at": 1, "count_bytes": 2, "second_count_at": 2}},
            "second_count_at: lies upon the first count",
        ),
    ],
)
def test_a_board_that_cannot_be_is_refused(keys: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        board(**keys)


def test_an_exponent_does_not_make_half_a_count() -> None:
    parser = board(sends="on its button", pattern=r"(?P<count>[0-9E-]+)").make_parser()
    assert list(parser.feed(b"15E-1\r\n15\r\n")) == [15.0]
    assert parser.bad_frames == 1


PAIR = r"(?P<count>[+-]?\d+),(?P<second_count>[+-]?\d+)(?P<index>I?)"


def both(profile: CounterBoardProfile) -> tuple[Parser, Parser]:
    second = profile.second()
    assert second is not None
    return profile.make_parser(), second.make_parser()


def test_a_frame_of_one_count_has_no_second() -> None:
    assert board(pattern=r"(?P<count>\d+)").second() is None
    assert board(frame={"length": 6, "start": "A5", "count_at": 1, "count_bytes": 2}).second() is None


@pytest.mark.parametrize("wraps_at", [1000, 65536])
@given(steps=st.lists(st.tuples(st.floats(-0.24, 0.24), st.floats(-0.24, 0.24)), max_size=40))
def test_both_counts_of_a_line_go_round_by_themselves(
    wraps_at: int, steps: list[tuple[float, float]]
) -> None:
    first = list(accumulate([int(one * wraps_at) for one, _ in steps], initial=7))
    second = list(accumulate([int(other * wraps_at) for _, other in steps], initial=-7 % wraps_at))
    lines_sent = "".join(f"{a % wraps_at},{b % wraps_at}\n" for a, b in zip(first, second, strict=True))
    parsers = both(board(pattern=PAIR, terminator="\n", wraps_at=wraps_at, direction=-1))
    for parser, truth, sense in zip(parsers, (first, second), (-1.0, 1.0), strict=True):
        assert feed(parser, f"\n{lines_sent}") == [sense * count for count in truth]


def test_both_counts_of_a_binary_frame() -> None:
    frame = {
        "length": 9,
        "start": "A5",
        "count_at": 1,
        "count_bytes": 3,
        "second_count_at": 4,
        "checksum": CHECK,
    }
    # By hand, low byte first: 258 = 0x000102, -2 = 0xFFFFFE.
    body = bytes.fromhex("A5 02 01 00 FE FF FF")
    sent = body + CRC(body).to_bytes(2, "little")
    first, second = both(board(frame=frame))
    assert list(first.feed(5 * sent)) == [258.0] * 5
    assert list(second.feed(5 * sent)) == [-2.0] * 5


@pytest.mark.parametrize("bad", ["5,1000", "1000,5", "5,", "5", "5.,6"])
def test_a_line_is_bad_for_both_counts_or_for_neither(bad: str) -> None:
    for parser in both(board(pattern=PAIR, terminator="\n", wraps_at=1000)):
        assert len(feed(parser, f"\n1,2\n{bad}\n3,4\n")) == 2
        assert (parser.good_frames, parser.bad_frames, parser.last_bad) == (2, 1, bad.encode())


def test_a_count_that_jumps_leaves_the_other_one_alone() -> None:
    first, second = both(board(pattern=PAIR, terminator="\n", wraps_at=1000))
    sent = "\n1,1\n2,500\n3,501\n4,502\n5,503\n"
    assert feed(first, sent) == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert [math.isnan(one) for one in feed(second, sent)] == [False, True, True, True, True]
    assert (first.marks["lost count"], second.marks["lost count"]) == (0, 1)


def test_the_index_belongs_to_the_first_count() -> None:
    profile = board(pattern=PAIR, terminator="\n", zero="index", counts_per_turn=1000)
    first, second = both(profile)
    sent = "\n98,7\n100,8I\n105,9\n"
    assert feed(first, sent)[1:] == [1.0, 6.0]  # zero in the middle of the step with the pulse, at 99
    assert feed(second, sent) == [7.0, 8.0, 9.0]
    other = profile.second()
    assert other is not None
    assert (profile.repeats_after(1000), other.repeats_after(1000)) == (1000, None)
    assert (profile.counts_of_a_turn(), other.counts_of_a_turn()) == (1000, None)


def test_a_board_that_is_asked_gives_both_counts_of_its_reply() -> None:
    asked = {"request": "?", "interval_s": 0.01, "timeout_s": 0.1}
    for parser, count in zip(
        both(board(pattern=PAIR, sends="when asked", polling=asked)), (12.0, -3.0), strict=True
    ):
        assert feed(parser, "12,-3\r\n") == [count]
        assert feed(parser, "12,\r\n") == []


@pytest.mark.parametrize("wraps_at", [None, 65536])
@given(
    said=st.lists(
        st.one_of(
            st.tuples(st.integers(-300, 300), st.integers(-300, 300)).map(
                lambda one: f"{one[0]:+07d},{one[1]}"
            ),
            st.sampled_from(["-0,-0", "5", "1,2,3", ",", "5,70000", "+,1", "9" * 300 + ",1", ""]),
        ),
        max_size=40,
    )
)
def test_lines_of_two_counts_are_the_same_in_one_go(wraps_at: int | None, said: list[str]) -> None:
    profile = board(
        pattern=r"(?P<count>[+-]?\d+),(?P<second_count>[+-]?\d+)", terminator="\n", wraps_at=wraps_at
    )
    data = [b"\n", *(f"{line}\n".encode() for line in said)]
    for whole, single in zip(both(profile), both(profile), strict=True):
        frames = whole.feed_reads(b"".join(data), np.array([len(one) for one in data]))
        one_by_one = np.array([number for one in data for number in single.feed(one)])
        assert frames.numbers.tobytes() == one_by_one.tobytes()
        assert (whole.good_frames, whole.bad_frames) == (single.good_frames, single.bad_frames)
        assert int(frames.counts.sum()) == len(one_by_one)
        assert int(frames.missed.sum()) == single.bad_frames
