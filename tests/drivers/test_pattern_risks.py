"""Patterns that could hang the reader, or tear a number apart, are refused; those of instruments are not."""

from __future__ import annotations

import re
import time

import pytest
from lashmap_drivers.kinds import build
from lashmap_drivers.line_parser import MAX_LINE_BYTES
from lashmap_drivers.pattern_risks import refuse_risks
from pydantic import ValidationError

# Each takes seconds to ages for a line of the text beside it; `test_the_danger_is_real` shows it.
HANGING = [
    (r"(?P<value>(?:\d+)+\.\d+)", b"1"),
    (r"(?P<value>(?:\d|\d\d)+)x", b"1"),
    (r"(?P<value>\d+)(?:a|ab?)*c", b"a"),
    (r"(?P<value>(?:\d*)*)x", b"1"),
    (r"(?: *\w*)*(?P<value>\d),", b"1"),
    (r"(?=(?:a+)+b)(?P<value>\d+)", b"a"),
    (r" *\d*\d*\d*(?P<value>\d*\d*)x", b"1"),
    (r".*?.*?.*?(?P<value>[+-]?\d+)x", b"1"),
    ("a?" * 30 + "a" * 30 + r"(?P<value>\d)", b"a"),
]
TEARING = [
    (r"[+-](?P<value>\d+)", "minus sign before"),
    (r"-?(?P<value>\d+)", "minus sign before"),
    (r"[+-]? +(?P<value>\d+)", "minus sign before"),
    (r".*(?P<value>\d+\.\d+)", "minus sign before"),
    (r"[^\d]*(?P<value>\d+)", "minus sign before"),
    (r"[\w ]*(?P<value>[+-]?\d+\.\d+)", "swallow its first digits"),
    (r"(?P<value>\d+\.\d+)[+-]?", "sign behind"),
    (r"(?P<value>\d+\.\d+) *[ -] mm", "sign behind"),
]
HARMLESS = [
    r"(?P<value>[+-]?\d*\.\d+) in",
    r"(?P<sign>[+-]) *(?P<value>\d+,\d+) (?P<unit>mm|in) (?P<status>[KLV])",
    r"\s*(?P<value>[+-]?\d*\.?\d*)\s*(?P<unit>mm|in)?\s*",
    r"(?P<value>\d+\.\d+)(?P<sign>[+-]?)",
    r"CH-1 (?P<value>[+-]?\d+)(?:,[+-]?\d+)*",
    r".*?(?P<value>[+-]?\d+\.\d+).*",
    r"(?P<value>\d?\d?\d?\d?\d?\d?)",
    r"(?i)\d+-\d+-\d+ (?P<value>[+-]?\d+)(?: mm)? *(?:OK|LO)?",
    r"X-(?P<value>\d+)",
    r"(?P<value>\d+)(?:;[^;]*)*",
]


def least_cpu_s(pattern: str, line: bytes) -> float:
    """Processor time of a match, at best of three: a machine that pauses counts it for whoever is at work."""
    match, taken_s = re.compile(pattern.encode()).fullmatch, []
    for _ in range(3):
        start_s = time.process_time()
        match(line)
        taken_s.append(time.process_time() - start_s)
    return min(taken_s)


@pytest.mark.parametrize("pattern", [pattern for pattern, _ in HANGING])
def test_a_pattern_that_could_hang_is_refused(pattern: str) -> None:
    with pytest.raises(ValueError, match=r"take forever|take seconds|millions of ways"):
        refuse_risks(pattern, "value")


@pytest.mark.parametrize(("pattern", "text"), HANGING[:5])
def test_the_danger_is_real(pattern: str, text: bytes) -> None:
    # The reference is the machine itself: six characters more, and the time is many times as long.
    short_s, long_s = (least_cpu_s(pattern, b"1" + text * length + b"!") for length in (12, 18))
    assert long_s > 4.0 * short_s


@pytest.mark.parametrize(("pattern", "complaint"), TEARING)
def test_a_pattern_that_loses_sign_or_digits_is_refused(pattern: str, complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        build({"kind": "ascii line", "pattern": pattern})


@pytest.mark.parametrize("pattern", HARMLESS)
def test_patterns_of_instruments_pass_and_are_quick(pattern: str) -> None:
    refuse_risks(pattern, "value")
    for text in (b"1", b" ", b"-", b"1 ", b"1.", b"a"):
        line = (text * MAX_LINE_BYTES)[:MAX_LINE_BYTES] + b"\n!"
        assert least_cpu_s(pattern, line) < 0.1  # seconds, forever for the ones above


def test_the_count_of_a_board_is_looked_after_as_well() -> None:
    with pytest.raises(ValidationError, match=r"outside of the group \(\?P<count>"):
        build({"kind": "counter board", "pattern": r"[+-]?(?P<count>\d+)"})
