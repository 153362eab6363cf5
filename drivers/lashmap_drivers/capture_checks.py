"""Which checksum, if any, ends the lines of a capture: every known one is tried over what it may cover."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from lashmap_drivers.checksums import CRC_BY_NAME, Checksum

_FEWEST_DIFFERENT = 4  # of 8 bits each: chance alone would fit all of them once in four thousand million


@dataclass(frozen=True, kw_only=True)
class Check:
    """A checksum that fits all lines.

    Attributes:
        name: For people.
        keys: Of the table ``checksum``.
        digits: Hexadecimal digits at the end of the line.
        mark: What stands before them, not covered; empty when they follow directly.
        skip: Bytes at the start of the line that it does not cover.
        lines: Different lines that it was tried on.
        first: Those bytes at the start.
    """

    name: str
    keys: dict[str, Any]
    digits: int
    mark: bytes
    skip: int
    lines: int
    first: bytes

    def body_length(self, line: bytes) -> int:
        """Bytes of a line before mark and checksum."""
        return len(line) - self.digits - len(self.mark)

    def pattern(self, body: str) -> str:
        """The pattern of the whole line around that of its body."""
        start = escaped(self.first) if self.skip else ""
        covered = body.removeprefix(start)
        return f"{start}(?P<checked>{covered}){escaped(self.mark)}(?P<checksum>[0-9A-Fa-f]{{{self.digits}}})"


@dataclass(frozen=True)
class Tail:
    """A mark and hexadecimal digits behind it that end every line."""

    mark: bytes
    digits: int

    def body_length(self, line: bytes) -> int:
        """Bytes of a line before them."""
        return len(line) - self.digits - len(self.mark)

    def pattern(self, body: str) -> str:
        """The pattern of the whole line around that of its body."""
        return f"{body}{escaped(self.mark)}[0-9A-Fa-f]{{{self.digits}}}"


def escaped(text: bytes) -> str:
    """A pattern that matches this text, with no more escapes than needed; itself always ASCII."""
    plain = re.sub(r"([\\.+*?()\[\]{}|^$])", r"\\\1", text.decode("latin-1"))
    return re.sub(r"[^\x00-\x7f]", lambda sign: f"\\x{ord(sign[0]):02x}", plain)


def find_check(lines: Sequence[bytes]) -> Check | None:
    """The first known checksum that fits every line; None when none does, or there are too few."""
    different = sorted(set(lines))
    if len(different) < _FEWEST_DIFFERENT:
        return None
    for digits in (4, 2):
        for mark in _marks(different, digits):
            check = _fitting(different, digits, mark)
            if check is not None:
                return check
    return None


def unexplained_tail(lines: Sequence[bytes]) -> Tail | None:
    """Digits behind a mark that look like a checksum; for lines that no known checksum fits."""
    for digits in (4, 2):
        mark = next(_marks(lines, digits), b"")
        tails = {line[-digits:] for line in lines}
        if mark and len(tails) > 1 and any(not tail.isdigit() for tail in tails):
            return Tail(mark, digits)
    return None


def _marks(lines: Sequence[bytes], digits: int) -> Iterator[bytes]:
    """What may stand between body and checksum: the same sign in every line, or nothing."""
    if any(len(line) < digits + 3 for line in lines):
        return
    if not all(_is_hex(line[-digits:]) for line in lines):
        return
    before = {line[-digits - 1 : -digits] for line in lines}
    if len(before) == 1 and not (mark := next(iter(before))).isalnum():
        yield mark
    yield b""


def _is_hex(text: bytes) -> bool:
    return all(byte in b"0123456789abcdefABCDEF" for byte in text)


def _fitting(lines: Sequence[bytes], digits: int, mark: bytes) -> Check | None:
    for skip in (0, 1):
        first = {line[:skip] for line in lines}
        if len(first) != 1:
            continue
        for name, keys in _candidates(digits):
            checksum = Checksum.model_validate(keys)
            compute = checksum.compute()
            if all(
                checksum.read(line[-digits:]) == compute(line[skip : len(line) - digits - len(mark)])
                for line in lines
            ):
                return Check(
                    name=name,
                    keys=keys,
                    digits=digits,
                    mark=mark,
                    skip=skip,
                    lines=len(lines),
                    first=next(iter(first)),
                )
    return None


def _candidates(digits: int) -> Iterator[tuple[str, dict[str, Any]]]:
    bits = 4 * digits
    if bits == 8:
        yield "exclusive or", {"method": "xor"}
    for negated, words in (("no", "sum"), ("twos", "negated sum"), ("ones", "inverted sum")):
        yield f"{words} of {bits} bits", {"method": "sum", "bits": bits, "negated": negated}
    for name, parameters in CRC_BY_NAME.items():
        if parameters[0] == bits:
            yield name, {"method": "crc", "crc": name}
