"""What the analysis says when it is given something impossible.

One base class for a field that cannot be right: the facts are attributes, the message is built here, so that
a caller can put a file name in front of it. What is wrong with a trace is a flag, never an exception.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from math import isfinite
from numbers import Integral, Real
from typing import Any


class FieldError(ValueError):
    """A field holds a value that cannot be right.

    Attributes:
        field: Name of the field, units in the name.
        got: The value that was given.
        expected: What would have been right, in words, with its reason.
    """

    def __init__(self, field: str, got: object, expected: str) -> None:
        self.field = field
        self.got = got
        self.expected = expected
        super().__init__(f"{field}: expected {expected}; got {got!r}")

    def __reduce__(self) -> tuple[type[FieldError], tuple[str, object, str]]:
        """Pickle by the three facts, not by the message."""
        return type(self), (self.field, self.got, self.expected)


def require_whole(error: type[FieldError], field: str, got: object, expected: str) -> None:
    """Refuse what is not a whole number; True and 13.0 are not counts."""
    if isinstance(got, bool) or not isinstance(got, Integral):
        raise error(field, got, expected)


def require_finite(error: type[FieldError], field: str, got: object, expected: str) -> float:
    """Refuse what is not a finite real number, and return it as float."""
    if isinstance(got, bool) or not isinstance(got, Real) or not isfinite(got):
        raise error(field, got, expected)
    return float(got)


def require_ranges(
    error: type[FieldError],
    holder: Any,  # noqa: ANN401 - whichever dataclass
    ranges: Iterable[tuple[str, float, float, str]],
) -> None:
    """Refuse the first field of a dataclass that is no number from least to most.

    Args:
        error: What to raise.
        holder: The dataclass; a field that is None by default may be None.
        ranges: Field, least, most and what is expected, in words.
    """
    optional = {one.name for one in fields(holder) if one.default is None}
    for field, least, most, expected in ranges:
        got = getattr(holder, field)
        if got is None and field in optional:
            continue
        if not least <= require_finite(error, field, got, expected) <= most:
            raise error(field, got, expected)
