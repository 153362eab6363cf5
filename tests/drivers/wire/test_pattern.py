"""Patterns of lines cannot hang, mean what Python's documentation says, and never tear a number apart."""

from __future__ import annotations

import re
import time
import tomllib
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from lashmap_drivers.kinds import build
from lashmap_drivers.wire.ascii_line import MAX_LINE_BYTES
from lashmap_drivers.wire.patterns import checked_groups, engine, groups_of, refuse_torn_numbers
from pydantic import ValidationError

SHIPPED = Path(__file__).parents[3] / "configs" / "instruments"
# Python's own engine takes seconds to ages for a line of the text beside each.
HANGING = [
    (r"(?P<value>(?:\d+)+\.\d+)", b"1"),
    (r"(?P<value>(?:\d|\d\d)+)x", b"1"),
    (r"(?P<value>\d+)(?:a|ab?)*c", b"a"),
    (r"(?P<value>(?:\d*)*)x", b"1"),
    (r"(?P<value>\d)(?: *\w*)*,", b"1"),
    (r"(?P<value>\d*\d*\d*\d*)x", b"1"),
    ("a?" * 30 + "a" * 30 + r"(?P<value>\d)", b"a"),
    (r"(a?){60}a{60}(?P<value>\d+)", b"a"),
]
TEARING = [
    (r"[+-](?P<value>\d+)", "minus sign before"),
    (r"-?(?P<value>\d+)", "minus sign before"),
    (r"(?:-|\+|)(?P<value>\d+)", "minus sign before"),
    (r"[+-]? +(?P<value>\d+)", "minus sign before"),
    (r".*(?P<value>\d+\.\d+)", "minus sign before"),
    (r"[^\d]*(?P<value>\d+)", "minus sign before"),
    (r"(?:(?:X|[\x20-\x2f]){2})?(?P<value>\d+)", "minus sign before"),
    (r"[\w ]*(?P<value>[+-]?\d+\.\d+)", "swallow its first digits"),
    (r"\d?(?P<value>\d+\.\d+)", "swallow its first digits"),
    (r"(?:\d\d)?(?P<value>\d+\.\d+)", "swallow its first digits"),
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
    r"(?i:x)-\d{2}(?P<value>\d+)",
    r"(?P<value>\d+)(?:;[^;]*)*",
]
# What the engine cannot compute, or reads in another way than Python: the reason, and what to write instead.
REFUSED = [
    (r"(?P<value>\d+)(?=x)x", r"looks ahead or behind.*as a part of the pattern"),
    (r"(?<![+-])(?P<value>\d+)", r"looks ahead or behind.*as a part of the pattern"),
    (r"(?P<a>\d)(?P<value>\d+)(?P=a)", r"refers back to a group.*once more"),
    (r"(\d)(?P<value>\d+)\1", r"refers back to a group.*once more"),
    (r"(x)?(?P<value>\d+)(?(1)y|z)", r"depends on another group.*with \|"),
    (r"(?P<value>(?>\d+))", "giving back.*leave that mark out"),
    (r"(?P<value>\d++)", "giving back.*leave that mark out"),
    (r"(?x)(?P<value>\d+)", "flag other than.*leave it out"),
    (r"(?P<value>\d+)(?#mm)", "comment of the TOML file"),
    (r"(?P<value>\d+)\Z", "always matches the whole line"),
    (r"(?P<value>\d{1,2000})", "1000 times.*smaller number"),
    (r"(?P<value>\d+)((x{30}){30}){30}", "1000 times.*smaller number|1000, so that.*repeat less"),
    (r"(?P<value>\d+)((x?){30}){30}", "1000, so that.*repeat less"),
    (r"(?P<value>\d{,3})", r"two ways; write \{0,n\}"),
    (r"(?P<value>[[:digit:]]+)", "two ways; write"),
    (r"(?<value>\d+)", "not a usable regular expression"),
    (r"(?P<value>\pN+)", "not a usable regular expression"),
    (r"(?P<value>\d+", "not a usable regular expression"),
    (r"(?P<value>é+)", "not a usable regular expression"),
    ("(" * 400 + r"(?P<value>\d+)" + ")" * 400, "more than 100 groups; leave out"),
]


def least_cpu_s(pattern: str, line: bytes) -> float:
    """Processor time of a match, at best of three: a machine that pauses counts it for whoever is at work."""
    match, taken_s = engine(pattern.encode()).fullmatch, []
    for _ in range(3):
        start_s = time.process_time()
        match(line)
        taken_s.append(time.process_time() - start_s)
    return min(taken_s)


@pytest.mark.parametrize(("pattern", "text"), HANGING)
def test_a_line_of_rubbish_costs_milliseconds_whatever_the_pattern(pattern: str, text: bytes) -> None:
    profile = build({"kind": "ascii line", "pattern": pattern})

    def takes_s() -> float:
        parser = profile.make_parser()
        start_s = time.process_time()
        for _ in range(10):
            parser.feed(b"\r\n1" + text * (MAX_LINE_BYTES - 2) + b"!\r\n")
        took_s = time.process_time() - start_s
        assert parser.bad_frames >= 9
        return took_s

    assert min(takes_s() for _ in range(3)) < 1.0  # Python's engine: ages


def test_the_dearest_pattern_that_is_taken_costs_milliseconds() -> None:
    pattern = r"(((a?){6}){6}){6}(?P<value>\d+)"
    assert 800 < engine(pattern.encode()).programsize < 1000
    assert "value" in checked_groups(pattern)
    assert least_cpu_s(pattern, b"a" * (MAX_LINE_BYTES - 1) + b"1") < 0.05


@pytest.mark.parametrize(("pattern", "complaint"), TEARING)
def test_a_pattern_that_loses_sign_or_digits_is_refused(pattern: str, complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        build({"kind": "ascii line", "pattern": pattern})


@pytest.mark.parametrize(("pattern", "complaint"), REFUSED)
def test_what_the_engine_cannot_do_is_refused_with_what_to_write(pattern: str, complaint: str) -> None:
    with pytest.raises(ValidationError, match=rf"pattern:? .*(?:{complaint})"):
        build({"kind": "ascii line", "pattern": pattern})


@pytest.mark.parametrize("pattern", HARMLESS)
def test_patterns_of_instruments_pass_and_are_quick(pattern: str) -> None:
    checked_groups(pattern)
    refuse_torn_numbers(pattern, "value")
    for text in (b"1", b" ", b"-", b"1 ", b"1.", b"a"):
        line = (text * MAX_LINE_BYTES)[:MAX_LINE_BYTES] + b"\n!"
        assert least_cpu_s(pattern, line) < 0.1  # seconds


def test_the_count_of_a_board_is_looked_after_as_well() -> None:
    with pytest.raises(ValidationError, match=r"outside of the group \(\?P<count>"):
        build({"kind": "counter board", "pattern": r"[+-]?(?P<count>\d+)"})


def shipped_patterns() -> list[str]:
    tables = [tomllib.loads(file.read_text("utf-8")) for file in sorted(SHIPPED.glob("*.toml"))]
    return [table["pattern"] for table in tables if "pattern" in table]


BOTH = [
    *HARMLESS,
    *shipped_patterns(),
    r"\W*(?P<value>\d)(?:a|ab)*?[^\n]?\b.",
    r"(?s)(?P<value>\d|.)*",
    "x*?(x*)",
]
LINES = st.one_of(
    st.binary(max_size=24),
    st.text("+-0123456789., minKLV*ABxX;CH-1OKok\n\r\t\xff", max_size=24).map(
        lambda text: text.encode("latin-1")
    ),
    st.sampled_from(BOTH).flatmap(lambda pattern: st.from_regex(pattern.encode(), fullmatch=True)),
)


@pytest.mark.parametrize("pattern", BOTH)
@given(line=LINES)
@example(line=b"- 012,3456 mm K*1A")
@example(line=b"+000.1234")
@example(line=b".1234 in")
@example(line=b"359.999")
@example(line=b"X-12\n")
def test_a_line_means_the_same_as_to_python_s_engine(pattern: str, line: bytes) -> None:
    if b"\x0b" in line:
        return  # the one difference: \s does not take the vertical tab
    reference = re.compile(pattern.encode()).fullmatch(line)
    found = engine(pattern.encode()).fullmatch(line)
    assert (found is None) == (reference is None)
    if found is not None and reference is not None:
        groups = groups_of(engine(pattern.encode()))
        assert {name: found[at] for name, at in groups.items()} == reference.groupdict()
