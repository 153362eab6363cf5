"""The tables of a store: what a row is, what its columns mean, and what makes it that row and no other.

Decided here and nowhere else; the store is made from it, rows are held against it, and the help of
``lashmap fleet`` prints it. All rows of a test lie on the day on which the test began, which its name says:
so a copy of a record is looked for in one day alone. Lengths are in mm, angles in degrees, times are UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

VERSION: Final = 1

Kind = Literal["text", "texts", "whole", "number", "yes or no", "time", "day", "bytes"]


@dataclass(frozen=True)
class Column:
    """One column; the unit stands at the end of its name."""

    name: str
    kind: Kind
    meaning: str


@dataclass(frozen=True)
class StoreTable:
    """One table.

    Attributes:
        key: Columns that name a row; with ``day`` before them.
        columns: Those of its own, after ``day``, ``stand`` and ``test``.
    """

    name: str
    meaning: str
    key: tuple[str, ...]
    own: tuple[Column, ...]

    @property
    def columns(self) -> tuple[Column, ...]:
        """All columns in order."""
        return (*COMMON, *self.own)


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", meaning)


def _number(name: str, meaning: str) -> Column:
    return Column(name, "number", meaning)


def _whole(name: str, meaning: str) -> Column:
    return Column(name, "whole", meaning)


COMMON: Final = (
    Column("day", "day", "day on which the test began, UTC; the store is divided by it"),
    _text("stand", "topic level of the stand"),
    _text("test", "name of the test"),
)
_EVENT = (
    _whole("event", "number of the event in its test"),
    Column("utc", "time", "when it happened"),
    _text("kind", "what happened: the event's name"),
)
_SPOT = (
    _whole("engagement", "of the tight spot, in gear teeth past the matched teeth"),
    _number("normal_backlash_mm", "at the tight spot"),
    _number("low_mm", "lower end of its 95 % interval"),
    _number("high_mm", "upper end of its 95 % interval"),
)

TABLES: Final = {
    table.name: table
    for table in (
        StoreTable(
            "tests",
            "a test of which a result is known",
            ("test",),
            (
                Column("started", "time", "when its measuring began"),
                _text("box", "type of the box"),
                _text("serial", "serial number of the box"),
                _text("set_number", "of the gear set"),
                _whole("gear_teeth", "teeth of the gear; missing where the record does not say"),
                _whole("pinion_teeth", "teeth of the pinion; missing likewise"),
                _text("operator", "who began it"),
            ),
        ),
        StoreTable(
            "results",
            "what was concluded from a test: as recorded when it ended, as reviewed, or as judged anew",
            ("test", "id"),
            (
                _text("id", "identifier of the result"),
                _text("how", "'recorded', 'reviewed' (a signature), or 'judged anew'"),
                Column("utc", "time", "when it was concluded"),
                _text("analysis_version", "of lashmap's analysis"),
                _text("outcome", "'conforming', 'nonconforming' or 'not proven'"),
                _text("closing", "how the test had ended; empty for a signature"),
                Column("reasons", "texts", "why; empty for a signature"),
                Column("confirmed", "yes or no", "the tight spot was measured; missing for a signature"),
                *_SPOT,
                _whole("gear_tooth", "gear tooth of the tight spot, the marked one is 1"),
                _whole("pinion_tooth", "pinion tooth of the tight spot, the marked one is 1"),
                _number("standard_uncertainty_mm", "of the tight spot's backlash"),
                _text("judged", "'rocks' or 'cycle run'; empty where neither gave a lash map"),
                _number("mean_mm", "mean backlash over the mesh cycle"),
                _number("variation_mm", "loosest less tightest"),
                _number("tooth_scatter_mm", "standard deviation about the once-per-turn parts"),
                _text("cause", "what moved the tight spot, in words"),
                _whole("positions", "positions that were recorded"),
                _text("signed_by", "who signed; empty where nobody did"),
            ),
        ),
        StoreTable(
            "runouts",
            "runout of a member by the lash map, or by a sweep with the indicator",
            ("test", "id", "how", "member", "number"),
            (
                _text("id", "identifier of the result that states it"),
                _text("how", "'map' or 'sweep'"),
                _text("member", "'gear', 'pinion', or 'both' for their sum where it cannot be divided"),
                _whole("number", "from 1 within one way and member"),
                Column("separable", "yes or no", "the part stands by itself; missing for a sweep"),
                _number("amplitude_mm", "half of peak to peak of normal backlash; missing for a sweep"),
                _number("fim_mm", "full indicator movement"),
                _number("standard_uncertainty_mm", "of amplitude (map) or full indicator movement (sweep)"),
                _number("high_point_deg", "angle at which it takes most backlash away; missing for a sweep"),
            ),
        ),
        StoreTable(
            "preconditions",
            "one thing that must be true before a result can prove a build",
            ("test", "id", "name"),
            (
                _text("id", "identifier of the result that it belongs to"),
                _text("name", "which"),
                _text("state", "'proven', 'unproven' or 'failed'"),
                _text("detail", "what was recorded"),
            ),
        ),
        StoreTable(
            "positions",
            "a position of the rock test: a rock accepted or refused, or a position left out",
            ("test", "event"),
            (
                *_EVENT,
                _whole("number", "of the position"),
                _whole("engagement", "in gear teeth past the matched teeth"),
                _whole("attempt", "which try, from 1; missing for a position left out"),
                _text("purpose", "why it was measured; empty for others than accepted rocks"),
                _number("normal_backlash_mm", "as the screen showed it; missing for others"),
                _number("standard_uncertainty_mm", "of it"),
                _whole("reversals", "of the rock"),
                _number("gear_deg", "middle of the gear's way past the matched teeth"),
                Column("reasons", "texts", "flags of an accepted rock; reasons of the others"),
            ),
        ),
        StoreTable(
            "movements",
            "a runout sweep or a pass of a cycle run that was recorded",
            ("test", "event"),
            (
                *_EVENT,
                _text("member", "that was swept; empty for a pass"),
                _text("direction", "of a pass; empty for a sweep"),
                _number("lasted_s", "how long"),
                _number("fim_mm", "full indicator movement of a sweep"),
                _number("pinion_deg_per_s", "speed of a pass"),
                _number("brake_nm", "torque of the brake in a pass; missing where not measured"),
            ),
        ),
        StoreTable(
            "reviews",
            "what a reviewer left out, took back or signed for",
            ("test", "event"),
            (
                *_EVENT,
                _text("by", "who"),
                _text("reason", "why; the remark of a signature"),
                _whole("exclusion", "number of the exclusion; missing for a signature"),
                _whole("position", "position left out; missing for others"),
                _text("outcome", "that was signed for; empty for others"),
                _text("recorded_outcome", "outcome as recorded beside it; empty for others"),
            ),
        ),
        StoreTable(
            "alarms",
            "an instrument lost or back, rock after rock refused, a test closed early",
            ("test", "event"),
            (
                *_EVENT,
                _text("instrument", "that was lost or came back; empty for others"),
                _text("reason", "why, in the words of the record"),
            ),
        ),
        StoreTable(
            "sources",
            "a logbook or archive in which a test was read, in one state of its record",
            ("test", "state"),
            (
                _text("state", "digest of the last row of the test's chain, in hexadecimal digits"),
                _text("place", "the file"),
                _whole("events", "events of the test in that state"),
                Column("raw", "yes or no", "its raw samples lie there"),
                Column("utc", "time", "when it was read"),
            ),
        ),
        StoreTable(
            "quarantine",
            "what came in and was not merged, with its reason; 'day' is when it came",
            ("digest",),
            (
                _text("digest", "SHA-256 over what came, in hexadecimal digits"),
                Column("utc", "time", "when it came"),
                _text("place", "topic or file"),
                _text("reason", "why it was not merged"),
                Column("payload", "bytes", "what came, its first 64 kB"),
            ),
        ),
    )
}
