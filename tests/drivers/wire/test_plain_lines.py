"""The quick way through a chunk must give what the careful one gives, which goes line by line."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from lashmap_drivers.wire.ascii_line import LineParser
from lashmap_drivers.wire.patterns import engine
from lashmap_drivers.wire.plain_lines import _ALIKE, plain_reader

# Patterns the quick way takes, among them ones whose groups, repeats and alternatives could be read two ways.
PLAIN = [
    r"(?P<value>[+-]\d+\.\d+)",
    r"(?P<value>[+-]?\d*\.\d+) in",
    r"(?P<value>\d+|\d+\.\d+)",
    r"V(?P<value>[+-]?[0-9]{1,3}(?:[.,]\d*)?)e",
    r"(?P<value>[+-]?\d+e?\d*)",
    r"(?P<value>(?:nan|inf|\d+))",
    r"1(?P<value>[ \d.]+)2",
]
TERMINATORS = [b"\r\n", b"\n", b"\r", b"\x03\x04"]


def slow(pattern: str, terminator: bytes, *, decimal: str = ".", scale: float = 1.0) -> LineParser:
    parser = LineParser(terminator, pattern, decimal=decimal, scale=scale)
    parser._plain = parser._fixed = None
    return parser


LINE = st.one_of(
    st.text("+-0123456789.,e_ VWXin\r", max_size=12).map(str.encode),
    st.sampled_from(
        [b"+1.5", b"+01.5000", b"12", b".5 in", b"V12.5e", b"nan", b"inf", b"1_2", b"9" * 260, b""]
    ),
    st.from_regex(r"[+-][0-9]{1,4}\.[0-9]{1,4}", fullmatch=True).map(str.encode),
)


@given(
    lines=st.lists(LINE, max_size=20),
    pattern=st.sampled_from(PLAIN),
    terminator=st.sampled_from(TERMINATORS),
    decimal=st.sampled_from([".", ","]),
    tail=LINE,
)
@example(lines=[b"X", b"12"], pattern=PLAIN[3], terminator=b"\n", decimal=".", tail=b"")
@example(lines=[b"x", b"1" * 400], pattern=PLAIN[2], terminator=b"\n", decimal=".", tail=b"")
@example(lines=[b"x", b"1,5"], pattern=PLAIN[3], terminator=b"\n", decimal=",", tail=b"V1")
def test_quick_and_careful_agree(
    lines: list[bytes], pattern: str, terminator: bytes, decimal: str, tail: bytes
) -> None:
    data = b"".join(line + terminator for line in lines) + tail
    quick = LineParser(terminator, pattern, decimal=decimal)
    careful = slow(pattern, terminator, decimal=decimal)
    assert quick._plain is not None
    assert quick.feed(data) == careful.feed(data)
    assert (quick.good_frames, quick.bad_frames, quick.last_bad) == (
        careful.good_frames,
        careful.bad_frames,
        careful.last_bad,
    )
    assert quick.unfinished == careful.unfinished


FIXED = [
    r"(?P<value>[+-]\d+\.\d+)",
    r"(?P<value>[+-]?\d*\.?\d*)",
    r"(?P<value>[+-]?[0-9]{1,15})",
    r"(?P<value>1\d+)",
    r"V: ?(?P<value>[+-]?[\d.]+)",
    r"V: (?P<value>[+-]?[\d.]+) m/s\?",
    r"1(?P<value>\d+\.\d)0",
    r"(?P<value>[01234][0-9.]+)",  # what cares for a digit or a sign: one line does not speak for all
    r"(?P<value>\+?[\d.]+)",
    r"(?P<value>-?\d+\.?\d*)",
    r"(?P<value>[+.]\d+)",
]
ODD = [
    b"+000.0000",
    b"-000.0000",
    b"+12.34567",
    b"+1234.567",
    b" 100.2500",
    b"+0x0.0000",
    b"1e5",
    b"9" * 20,
    b"",
    b"1_2",
]


@settings(max_examples=60)  # each reads two times 300 lines
@given(
    text=st.from_regex(r"(V: |1)?[+-]?[0-9]{0,9}\.?[0-9]{0,8}( m/s\?|0)?", fullmatch=True),
    varied=st.tuples(
        st.lists(st.integers(0, 9), min_size=1, max_size=40), st.sampled_from(["+", "-", "+-", "-++"])
    ),
    odd=st.lists(st.tuples(st.integers(0, 10_000), st.sampled_from(ODD)), max_size=2),
    form=st.tuples(st.sampled_from(FIXED), st.sampled_from([1.0, 0.0001])),
    cuts=st.lists(st.integers(0, 8000), max_size=5),
)
def test_columns_give_what_floats_give(
    text: str,
    varied: tuple[list[int], str],
    odd: list[tuple[int, bytes]],
    form: tuple[str, float],
    cuts: list[int],
) -> None:
    """Hundreds of lines of one layout, perhaps with one or two others among them."""
    (pattern, scale), (digits, signs) = form, varied
    lines = []
    for count in range(300):
        digit = iter(digits[count % len(digits) :] + digits * 20)
        sign = signs[count % len(signs)]
        line = "".join(str(next(digit)) if one.isdigit() else sign if one in "+-" else one for one in text)
        lines.append(line.encode())
    for place, other in odd:
        lines[place % len(lines)] = other
    data = b"".join(line + b"\r\n" for line in lines)
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    quick = LineParser(b"\r\n", pattern, scale=scale)
    careful = slow(pattern, b"\r\n", scale=scale)
    numbers = [float(number) for start, end in pairwise(places) for number in quick.feed(data[start:end])]
    expected = careful.feed(data)
    assert [number.hex() for number in numbers] == [float(number).hex() for number in expected]
    assert (quick.good_frames, quick.bad_frames) == (careful.good_frames, careful.bad_frames)


@pytest.mark.parametrize("pattern", FIXED[:3] + FIXED[4:6])
def test_one_line_speaks_for_all_where_no_digit_and_no_sign_is_special(pattern: str) -> None:
    assert _ALIKE.fullmatch(pattern)


@pytest.mark.parametrize(
    "pattern",
    [
        *FIXED[3:4],
        *FIXED[6:],
        r"\[+-](?P<value>\d+)",  # an escaped bracket, then a repeat: no class
        r"\[0-9](?P<value>\d+)",
        r"(?P<value>[+ -]?\d+)x{2}-",
        r"(?P<value>\d+)C1",
        r"(?P<value>\d+)\+",
    ],
)
def test_a_pattern_with_a_special_digit_or_sign_is_held_against_every_line(pattern: str) -> None:
    engine(pattern.encode())
    assert not _ALIKE.fullmatch(pattern)


def test_columns_are_used_at_all() -> None:
    parser = LineParser(b"\r\n", FIXED[0], in_step=True)
    assert isinstance(parser.feed(b"-000.1250\r\n" * 200), np.ndarray)


@given(numbers=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40))
def test_good_lines_do_take_the_quick_way(numbers: list[float]) -> None:
    reader = plain_reader(PLAIN[0], b"\r\n", decimal=".")
    assert reader is not None
    lines = [f"{number:+.6f}".encode() for number in numbers]
    assert reader(b"".join(line + b"\r\n" for line in lines), lines) == [float(line) for line in lines]


@pytest.mark.parametrize(
    "pattern",
    [
        r"(?P<value>.+)",  # a dot matches the carriage return
        r"(?P<value>[^x]+)",
        r"(?P<value>\D+)",
        r"(?P<value>\d+)\s*",
        r"^(?P<value>\d+)$",
        r"(?P<value>\d+)\d",  # more than a word around the number
        r"(?:V|W)(?P<value>\d+)",
        r"X|(?P<value>\d+)",
        r"(?P<value>\d+)(x)",
        r"(?P<value>\d)|x(y)",
        r"(?i)(?P<value>\d+)e",
        r"(?P<value>\d+)\b",
        r"(?P<value>[\d_]+)",
        r"(?P<value>\d+)\r?",
        "(?P<value>\\d+)\r?",
        r"(?P<value>\d+)(?P<unit>mm)",
    ],
)
def test_what_could_look_beyond_its_line_goes_the_careful_way(pattern: str) -> None:
    engine(pattern.encode())
    assert plain_reader(pattern, b"\r\n", decimal=".") is None


@pytest.mark.parametrize("terminator", [b"\r\r", b";", b"0", b"\n,"])
def test_terminators_that_could_stand_in_a_line_go_the_careful_way(terminator: bytes) -> None:
    assert plain_reader(PLAIN[0], terminator, decimal=".") is None


def test_more_digits_than_a_float_holds_are_rounded_as_float_does() -> None:
    texts = [f"0.{number:017d}" for number in range(10**16 + 1, 10**17, 997 * 10**12)]
    one = LineParser(b"\n", r"(?P<value>\d+\.\d+)", in_step=True)
    assert list(one.feed("".join(text + "\n" for text in texts).encode())) == list(map(float, texts))
