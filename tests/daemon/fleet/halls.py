"""An invented hall in a store, and what a store holds."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from pathlib import Path
from typing import Any

import duckdb
from lashmap_daemon.fleet.gather import Gatherer
from lashmap_daemon.fleet.invented import Hall, Truth
from lashmap_daemon.fleet.store import Store

FIRST = dt.date(2026, 11, 1)


def invented(
    stands: int = 3, days: int = 4, *, positions: int = 8, truth: Truth | None = None
) -> list[tuple[str, bytes]]:
    """Topic and payload of every record."""
    hall = Hall(stands=stands, first=FIRST, days=days, positions=positions, truth=truth or Truth())
    return list(hall.records())


def gathered(place: Path | str, records: list[tuple[str, bytes]]) -> tuple[Store, list[str]]:
    """A store with these records, and what was said about them."""
    said: list[str] = []
    store = Store(str(place), create=True)
    Gatherer(store, "lashmap", said.append).merge([(topic, payload, "") for topic, payload in records])
    return store, said


def rows(store: Store, table: str) -> list[dict[str, Any]]:
    """Every row of a table, read without lashmap's own views."""
    places = store.files(table)
    if not places:
        return []
    read = duckdb.read_parquet(places, hive_partitioning=True)
    return [dict(zip(read.columns, one, strict=True)) for one in read.fetchall()]


def events_of(store: Store) -> Counter[tuple[str, int]]:
    """How often each event stands in the positions."""
    return Counter((row["test"], row["event"]) for row in rows(store, "positions"))
