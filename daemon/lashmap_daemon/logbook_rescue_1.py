"""What is left of a damaged logbook of schema 1: its rows carry no digests, so nothing tells good from bad.

What can be read is chained as a migration does it. It is not sealed: a seal would hide what is gone, and a
record that may have lost something must not be judged.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable
from typing import Any

from pydantic import ValidationError

from lashmap_daemon import events
from lashmap_daemon.logbook_migration import chain_of_schema_1, chunks_of_schema_1

Columns = tuple[Any, ...]


def rescue_schema_1(
    base: sqlite3.Connection, some: Iterable[tuple[int, Columns]]
) -> dict[str, tuple[str, ...]]:
    """Write what can be read of rows of schema 1 into a new logbook.

    Args:
        base: Open on the new file, within a transaction.
        some: Row number and columns, as found; the same row may come in several copies, newer ones later.

    Returns:
        What was left out, by test.
    """
    base.execute(
        "CREATE TEMP TABLE event_1 (test, number, time_s, utc, kind, body, PRIMARY KEY (test, number))"
    )
    base.execute("CREATE TEMP TABLE raw_1 (id INTEGER PRIMARY KEY, test, channel, last_s, arrivals, data)")
    left_out: dict[str, dict[str, None]] = {}
    for number, columns in some:
        test = columns[1] if columns[0] is None else columns[0]
        wrong = _pack(base, number, columns) if columns[0] is None else _event(base, columns)
        if wrong:
            left_out.setdefault(test, {})[wrong] = None
    tests = [
        name for (name,) in base.execute("SELECT test FROM event_1 GROUP BY test ORDER BY min(utc), test")
    ]
    for test in tests:
        chain_of_schema_1(base, test, sealed=False)
    return {test: (*left_out.get(test, {}), *_gone(base, test)) for test in tests}


def _event(base: sqlite3.Connection, columns: Columns) -> str:
    test, number, time_s, utc, kind, body = columns
    try:
        events.from_json(kind, body)
        base.execute(
            "INSERT OR REPLACE INTO event_1 VALUES (?, ?, ?, ?, ?, ?)",
            (test, number, float(time_s), utc, kind, body),
        )
    except (KeyError, ValidationError, UnicodeError):
        return f"event {number} cannot be read and was left out"
    return ""


def _pack(base: sqlite3.Connection, number: int, columns: Columns) -> str:
    _, test, channel, first_s, last_s, arrivals, data = columns
    try:
        chunks = chunks_of_schema_1(arrivals, data)
        if chunks and (chunks[0].arrival_s, chunks[-1].arrival_s) == (first_s, last_s):
            base.execute(
                "INSERT OR REPLACE INTO raw_1 VALUES (?, ?, ?, ?, ?, ?)",
                (number, test, channel, float(last_s), arrivals, data),
            )
            return ""
    except (ValueError, struct.error):
        pass
    return f"samples of the {channel}, {first_s:.2f} to {last_s:.2f} s, cannot be read and were left out"


def _gone(base: sqlite3.Connection, test: str) -> list[str]:
    """Events by their numbers; packs have none of their own in this schema."""
    numbers = [
        n for (n,) in base.execute("SELECT number FROM event_1 WHERE test = ? ORDER BY number", (test,))
    ]
    gone = sorted(set(range(1, numbers[-1] + 1)) - set(numbers)) if numbers[-1] < 1_000_000 else []
    named = [f"event {number} is gone" for number in gone[:20]]
    return [*named, "rows of schema 1 carry no digests: nothing shows whether the rest is whole"]
