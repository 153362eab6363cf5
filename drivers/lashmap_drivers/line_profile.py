"""The kind ``ascii line``: an instrument that sends one line of ASCII text a sample."""

from __future__ import annotations

from collections import Counter
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from lashmap_drivers.checksums import Checksum
from lashmap_drivers.line_parser import LineParser
from lashmap_drivers.pattern import checked_groups
from lashmap_drivers.pattern_signs import refuse_torn_numbers
from lashmap_drivers.polling import Poll, Polling
from lashmap_drivers.profile import MM_PER_UNIT, InstrumentProfile, Scale

GROUPS = ("value", "sign", "unit", "status", "checked", "checksum")
LengthUnit = Literal["mm", "um", "in"]


class LinePolling(Polling):
    """How an instrument is asked for a line; ``request`` is text, control characters as TOML escapes."""

    request: Annotated[str, Field(min_length=1, max_length=64)]

    @field_validator("request")
    @classmethod
    def _is_bytes(cls, request: str) -> str:
        try:
            request.encode("latin-1")
        except UnicodeEncodeError as error:
            raise ValueError("every character must be one byte: write \\u0000 to \\u00FF") from error
        return request


class Marks(BaseModel):
    """Texts of the group ``status`` and what they mean; any other text makes a bad frame.

    Attributes:
        good: The reading is sound.
        overload: There is no reading, whatever the number says.
        low_battery: The reading is sound, the battery will not be for long.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    good: tuple[str, ...] = ()
    overload: tuple[str, ...] = ()
    low_battery: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _one_meaning_each(self) -> Self:
        texts = Counter(text for texts in (self.good, self.overload, self.low_battery) for text in set(texts))
        if twice := [text for text, meanings in texts.items() if meanings > 1]:
            raise ValueError(f"{twice[0]!r} cannot mean two things; name it once")
        return self


class LineProfile(InstrumentProfile):
    r"""An instrument that sends ASCII lines.

    The pattern is a regular expression (`lashmap_drivers.pattern`) that must match a whole line without its
    terminator. Its named groups
    say what is what: ``value`` (required), and where the instrument has them ``sign``, ``unit``, ``status``,
    ``checksum`` and ``checked`` (what the checksum covers; all before the checksum when left out).

    Attributes:
        terminator: Characters that end a line.
        pattern: What a line looks like.
        decimal: Decimal point or comma.
        scale: The number on the wire times this is the value in ``unit``; for a decimal point that is not
        sent. negative: Texts of the group ``sign`` that make the value negative; any other leaves it as it
        is. units: Texts of the group ``unit`` and the unit each stands for; any other makes a bad frame.
        status: Texts of the group ``status``.
        checksum: How each line is checked.
        polling: How it is asked, when it ``sends`` only ``when asked``.
    """

    kind: Literal["ascii line"]
    unit: Literal["mm", "um", "in", "deg"] = "mm"
    terminator: Annotated[str, Field(min_length=1, max_length=4)] = "\r\n"
    pattern: Annotated[str, Field(max_length=1000)]
    decimal: Literal[".", ","] = "."
    scale: Scale = 1.0
    negative: tuple[str, ...] = ("-",)
    units: dict[str, LengthUnit] | None = None
    status: Marks | None = None
    checksum: Checksum | None = None
    polling: LinePolling | None = None

    @property
    def is_checked(self) -> bool:
        """True with a checksum."""
        return self.checksum is not None

    @property
    def expected(self) -> str:
        """The pattern of a line."""
        return self.pattern

    def poll(self) -> Poll | None:
        """The request, and a reply that is whole at its terminator."""
        return line_poll(self.polling, self.terminator)

    def make_parser(self) -> LineParser:
        """A parser of its lines."""
        return LineParser(
            self.terminator.encode("ascii"),
            self.pattern,
            decimal=self.decimal,
            scale=self.scale,
            negative=self.negative,
            unit_factors=self._unit_factors(),
            status=self._status(),
            checksum=self.checksum,
            whole_replies=self.sends == "when asked",
            in_step=self.sends != "by itself",
        )

    def _unit_factors(self) -> dict[bytes, float] | None:
        if self.units is None:
            return None
        own = MM_PER_UNIT[self.unit]
        return {text.encode("ascii"): MM_PER_UNIT[unit] / own for text, unit in self.units.items()}

    def _status(self) -> dict[bytes, str] | None:
        if self.status is None:
            return None
        meanings = {
            "": self.status.good,
            "overload": self.status.overload,
            "low battery": self.status.low_battery,
        }
        return {text.encode("ascii"): meaning for meaning, texts in meanings.items() for text in texts}

    @model_validator(mode="after")
    def _is_usable(self) -> Self:
        groups = line_groups(self.pattern, self.terminator)
        if "value" not in groups:
            raise ValueError("pattern has no group (?P<value>…), which holds the number")
        if unknown := groups - set(GROUPS):
            raise ValueError(f"pattern: unknown group {min(unknown)}; known are {', '.join(GROUPS)}")
        for group, key, given in (
            ("unit", "units", self.units),
            ("status", "status", self.status),
            ("checksum", "checksum", self.checksum),
        ):
            if (group in groups) != (given is not None):
                raise ValueError(f"the pattern's group (?P<{group}>…) and the key {key} belong together")
        refuse_torn_numbers(self.pattern, "value")
        if "sign" in groups and not self.negative:
            raise ValueError("negative: name at least one text of the group (?P<sign>…) that means minus")
        if "sign" not in groups and self.negative != ("-",):
            raise ValueError("negative: belongs to the group (?P<sign>…), which the pattern does not have")
        if "checked" in groups and self.checksum is None:
            raise ValueError("the pattern's group (?P<checked>…) needs a checksum")
        if self.checksum is not None and self.checksum.written == "binary":
            raise ValueError(
                "checksum.written: an ASCII line cannot carry binary bytes; write hex or decimal"
            )
        if self.units is not None and self.unit == "deg":
            raise ValueError("units: are units of length, but unit is 'deg'")
        texts = [
            *self.negative,
            *(self.units or ()),
            *(text for kind in _texts(self.status) for text in kind),
        ]
        if not all(text.isascii() for text in texts):
            raise ValueError("negative, units and status must be ASCII")
        check_polling(self.sends, self.polling)
        return self


def _texts(status: Marks | None) -> tuple[tuple[str, ...], ...]:
    return () if status is None else (status.good, status.overload, status.low_battery)


def line_groups(pattern: str, terminator: str) -> frozenset[str]:
    """Names of the groups of a pattern of lines that end so.

    Raises:
        ValueError: When the pattern or the terminator cannot be used.
    """
    if not terminator.isascii():
        raise ValueError("terminator must be ASCII")
    if part := set(terminator) & set("0123456789+-.,"):
        raise ValueError(f"terminator: {min(part)!r} may be part of a number and cannot end a line")
    return checked_groups(pattern)


def check_polling(sends: str, polling: Polling | None) -> None:
    """Refuse a profile whose ``sends`` and ``polling`` do not go together.

    Raises:
        ValueError: Then.
    """
    if (sends == "when asked") != (polling is not None):
        raise ValueError('sends = "when asked" and the table polling belong together')


def line_poll(polling: LinePolling | None, terminator: str) -> Poll | None:
    """The poll of an instrument whose reply is one line.

    Raises:
        ValueError: When the request holds a character beyond one byte.
    """
    if polling is None:
        return None
    ending = terminator.encode("ascii")

    def complete(reply: bytes) -> bool:
        return reply.endswith(ending)

    return Poll(
        request=polling.request.encode("latin-1"),
        interval_s=polling.interval_s,
        timeout_s=polling.timeout_s,
        complete=complete,
    )
