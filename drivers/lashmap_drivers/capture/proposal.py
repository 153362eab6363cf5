"""A profile proposed from a few seconds of unknown ASCII traffic, and how sure it is.

What the traffic shows (terminator, layout, decimal mark, checksum) is told apart from what it cannot show (a
unit that is not sent, which of several numbers is meant): each finding says whether it is ``sure``,
``likely`` or a ``guess``. Traffic that is not lines of text is refused with the likely cause. The proposal is
parsed back over the same traffic, and the share of lines that fit is given with its lower 95 % bound.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from pydantic import ValidationError

from lashmap_drivers.capture.fields import (
    SYMBOLS,
    UNKNOWN,
    Check,
    Quantity,
    Tail,
    find_check,
    majority_layout,
    unexplained_tail,
    write_pattern,
)
from lashmap_drivers.kinds import build
from lashmap_drivers.ports.source import PortSettings

Certainty = Literal["sure", "likely", "guess"]
_TERMINATORS = (b"\r\n", b"\n\r", b"\r", b"\n", b"\x03")
_FEWEST_LINES = 8
_SHOWN = 60
# Behind a number at the end of a line or field; anywhere else such a byte is a sign of a wrong parity.
_UNIT_SIGNS = re.compile(rb"(?<=[\d ])(?:" + SYMBOLS.pattern + rb")(?=[\s;,\x03])")


@dataclass(frozen=True)
class Finding:
    """One thing that was found out.

    Attributes:
        what: Which part of the profile.
        found: What it is, as a sentence for a technician.
        certainty: How sure it is.
    """

    what: str
    found: str
    certainty: Certainty


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """A profile that fits the traffic.

    Attributes:
        keys: The profile's keys, port settings apart.
        findings: What they rest on.
        lines: Whole lines in the capture.
        fitting: How many of them the profile reads.
        port: Settings that the traffic was captured with.
    """

    keys: dict[str, Any]
    findings: tuple[Finding, ...]
    lines: int
    fitting: int
    port: PortSettings

    @property
    def least_share(self) -> float:
        """Lower bound of the share of lines that fit, at 95 % (Clopper and Pearson, 1934, one-sided)."""
        return least_share(self.fitting, self.lines)

    @property
    def certainty(self) -> Certainty:
        """Of the whole: that of its weakest finding."""
        found = {finding.certainty for finding in self.findings}
        return "guess" if "guess" in found else "likely" if "likely" in found else "sure"

    def toml(self) -> str:
        """The profile as a file."""
        lines = [f"# {finding.what}: {finding.found} ({finding.certainty})" for finding in self.findings]
        lines += [f"{key} = {_toml(value)}{_to_do(key, value)}" for key, value in self.keys.items()]
        lines += ["", "[port]"]
        lines += [f"{key} = {_toml(value)}" for key, value in self.port.model_dump(exclude_none=True).items()]
        return "\n".join(lines) + "\n"


class CaptureRefused(ValueError):
    """No profile can be proposed; the message says why and what to try."""


def propose(data: bytes, port: PortSettings | None = None, *, quantity: Quantity | None = None) -> Proposal:
    """Propose a profile.

    Args:
        data: Everything that came in a few seconds.
        port: Settings it was captured with.
        quantity: What the instrument is there to measure; None when nobody said.

    Raises:
        CaptureRefused: When the traffic is not lines of text that hold a number, or too little.
    """
    _refuse_what_is_no_text(data)
    terminator = _terminator(data)
    lines = [line for line in data.split(terminator)[1:-1] if line]
    if len(lines) < _FEWEST_LINES:
        raise CaptureRefused(
            f"only {len(lines)} whole lines came, {_FEWEST_LINES} are needed; capture longer, or move the tip"
        )
    findings = [Finding("terminator", f"every line ends with {terminator!r}", "sure")]
    check = find_check(lines)
    tail = check or unexplained_tail(lines)
    bodies = lines if tail is None else [line[: tail.body_length(line)] for line in lines]
    layout = majority_layout(bodies, quantity)
    if layout is None or not layout.numbers:
        raise CaptureRefused(f"the lines hold no number, for example {lines[-1][:_SHOWN]!r}")
    findings += _check_findings(tail)
    written = write_pattern(layout, quantity)
    if quantity == "two counts" and "(?P<second_count>" not in written.pattern:
        raise CaptureRefused(
            f"the lines hold no two whole numbers for the counts of two encoders, for example "
            f"{lines[-1][:_SHOWN]!r}"
        )
    findings += [Finding(*finding) for finding in written.findings]
    keys = _keys(terminator, written.keys, written.pattern, tail)
    try:
        parser = build(keys | ({"unit": "mm"} if keys["unit"] == UNKNOWN else {})).make_parser()
    except ValidationError as error:
        why = "; ".join(one["msg"].removeprefix("Value error, ") for one in error.errors())
        raise CaptureRefused(
            f"no pattern can be written for lines like {lines[-1][:_SHOWN]!r}: {why}. Write it from the "
            "manual"
        ) from error
    parser.feed(data[: data.find(terminator)] + terminator + b"".join(line + terminator for line in lines))
    share = f"{parser.good_frames} of {len(lines)} lines fit"
    findings.append(Finding("lines", share, "sure" if parser.good_frames == len(lines) else "likely"))
    if parser.good_frames < len(lines) / 2:
        raise CaptureRefused(f"no layout fits most lines ({share}), for example {lines[-1][:_SHOWN]!r}")
    return Proposal(
        keys=keys,
        findings=tuple(findings),
        lines=len(lines),
        fitting=parser.good_frames,
        port=port or PortSettings(),
    )


def least_share(fitting: int, lines: int) -> float:
    """The share at which as many lines or more fit in one capture of twenty: the root of a binomial tail."""
    if fitting == lines:
        return float(0.05 ** (1.0 / lines))
    misses = np.arange(lines - fitting + 1)
    # ln of the binomial coefficients C(lines, misses)
    ways = np.concatenate(([0.0], np.cumsum(np.log((lines - misses[:-1]) / misses[1:]))))
    low, high = 0.0, fitting / lines
    while low < (middle := 0.5 * (low + high)) < high:
        tail = np.exp(ways + misses * math.log1p(-middle) + (lines - misses) * math.log(middle)).sum()
        low, high = (middle, high) if tail < 0.05 else (low, middle)
    return low


def _refuse_what_is_no_text(data: bytes) -> None:
    if not data:
        raise CaptureRefused("nothing came; check power and cable, and that it is set to send by itself")
    counts = Counter(_UNIT_SIGNS.sub(b"", data))
    text = sum(number for byte, number in counts.items() if 0x20 <= byte < 0x7F or byte in b"\r\n\t\x02\x03")
    if text >= 0.9 * counts.total():
        return
    bare = bytes(byte & 0x7F for byte in data)
    good = sum(1 for byte in bare if 0x20 <= byte < 0x7F or byte in b"\r\n\t\x02\x03")
    if good > 0.97 * len(data):
        raise CaptureRefused(
            "the bytes are text but for their highest bit: the instrument sends 7 data bits with parity; set "
            "data_bits = 7 and parity = even (or odd)"
        )
    raise CaptureRefused(
        f"only {100 * text / len(data):.0f} % of the bytes are text, for example {data[:24]!r}: try another "
        "baud or parity; if none gives text, the instrument sends binary frames, and its manual is needed"
    )


def _terminator(data: bytes) -> bytes:
    """The longest ending that explains most of the single ones."""
    singles = max(data.count(b"\r"), data.count(b"\n"), data.count(b"\x03"))
    for candidate in _TERMINATORS:
        if singles and data.count(candidate) >= 0.9 * singles:
            return candidate
    raise CaptureRefused(f"no line ends in the traffic, for example {data[:_SHOWN]!r}")


def _check_findings(tail: Check | Tail | None) -> list[Finding]:
    match tail:
        case Check():
            return [Finding("checksum", f"{tail.name} fits all {tail.lines} different lines", "sure")]
        case Tail():
            what = f"none of the known ones explains the last {tail.digits} digits: lines are not checked"
            return [Finding("checksum", what, "guess")]
    return []


def _keys(terminator: bytes, keys: dict[str, Any], pattern: str, tail: Check | Tail | None) -> dict[str, Any]:
    kind = "counter board" if keys.get("unit") == "count" else "ascii line"
    if kind == "counter board":
        pattern = pattern.replace("(?P<value>", "(?P<count>")
    whole: dict[str, Any] = {"kind": kind, "terminator": terminator.decode("ascii")}
    whole["pattern"] = pattern if tail is None else tail.pattern(pattern)
    whole |= keys
    if isinstance(tail, Check):
        whole["checksum"] = tail.keys
    return whole


def _to_do(key: str, value: object) -> str:
    return "  # to be filled in: see above" if key == "unit" and value == UNKNOWN else ""


def _toml(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case dict():
            pairs = (
                f"{key if key.isidentifier() else json.dumps(key)} = {_toml(one)}"
                for key, one in value.items()
            )
            return "{ " + ", ".join(pairs) + " }"
        case list() | tuple():
            return "[" + ", ".join(_toml(one) for one in value) + "]"
        case str() if "\\" in value and "'" not in value and value.isprintable():
            return f"'{value}'"
        case str():
            return json.dumps(value)  # a TOML basic string escapes as JSON does
        case _:
            return repr(value)
