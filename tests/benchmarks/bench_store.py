"""How long each question takes over a hall of many stands, and how much memory it needs.

``PYTHONPATH=tests python tests/benchmarks/bench_store.py [stands] [days] [tests] [positions] [folder]``

Tests are those of a stand and day; positions those of a test. 1,000 stands, 30 days, 20 tests, 29 positions
without numbers. The rows are drawn at random and appended a day at a time without messages: what is measured
is asking, not gathering. Each question runs in a process of its own; pandas over the same files stands beside
one of them.
"""

from __future__ import annotations

import datetime as dt
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from deltalake import write_deltalake
from lashmap_daemon.fleet.ask import questions
from lashmap_daemon.fleet.store import Store, arrow_schema
from lashmap_daemon.fleet.tables import TABLES

FIRST = dt.date(2026, 1, 1)
# Of this program alone: what getrusage says begins with the memory of whoever started it.
_MEMORY = """
def most_mb():
    with open("/proc/self/status") as lines:
        return int(next(one for one in lines if one.startswith("VmHWM")).split()[1]) / 1024
"""
_ASK = """
import datetime as dt, sys, time
from lashmap_daemon.fleet.ask import ask, questions
from lashmap_daemon.fleet.store import Store
place, name, since, until = sys.argv[1:]
begin = time.perf_counter()
found = ask(Store(place, create=False), questions()[name], since=dt.date.fromisoformat(since),
            until=dt.date.fromisoformat(until), check="CHECK-")
print(f"{time.perf_counter() - begin:.2f} {time.process_time():.2f} {most_mb():.0f} {len(found.rows)}")
"""
_PANDAS = """
import sys, time
import pandas as pd
from lashmap_daemon.fleet.store import Store
store = Store(sys.argv[1], create=False)
begin = time.perf_counter()
kinds = {name: pd.concat(pd.read_parquet(one) for one in store.files(name)) for name in ("tests", "results")}
both = kinds["tests"].merge(kinds["results"][kinds["results"].how == "recorded"], on="test")
both = both[~both.serial.str.startswith("CHECK-")]
both.groupby(["box", both.started.dt.month]).normal_backlash_mm.agg(["size", "mean", "std", "min", "max"])
print(f"{time.perf_counter() - begin:.2f} {time.process_time():.2f} {most_mb():.0f}")
"""


def _append(store: Store, name: str, columns: dict[str, Any]) -> None:
    schema, size = arrow_schema(TABLES[name]), len(columns["test"])
    arrays = []
    for field in schema:
        given = columns.get(field.name)
        if given is None and pa.types.is_string(field.type):
            given = np.full(size, "")
        elif given is None and pa.types.is_list(field.type):
            given = [[]] * size
        arrays.append(pa.nulls(size, field.type) if given is None else pa.array(given, type=field.type))
    write_deltalake(f"{store.place}/{name}", pa.table(arrays, schema=schema), mode="append")


class Size(NamedTuple):
    """Of the hall; tests of a stand and day, positions of a test."""

    stands: int
    days: int
    tests: int
    positions: int


def _day(store: Store, rng: np.random.Generator, day: dt.date, size_of: Size) -> None:
    """All rows of a day."""
    stands, _, tests, positions = size_of
    size = stands * tests
    stand = np.repeat(np.char.add("bench-", np.arange(stands).astype(str)), tests)
    turn = np.tile(np.arange(tests), stands)
    check = turn == 0
    kind = np.array(["INV-1340", "INV-2020", "INV-1545"])[rng.integers(0, 3, size)]
    lot = np.char.add(np.char.add(kind, "-L"), rng.integers(1, 40, size).astype(str))
    serial = np.where(
        check,
        np.char.add("CHECK-", stand),
        np.char.add(np.char.add(lot, "-"), rng.integers(0, 10_000, size).astype(str)),
    )
    name = np.char.add(
        np.char.add(np.char.add(f"{day:%Y%m%d}-", np.char.zfill((60000 + 100 * turn).astype(str), 6)), "-"),
        stand,
    )
    at = np.datetime64(day) + np.timedelta64(6, "h") + (turn * 1200).astype("timedelta64[s]")
    common = {"day": np.full(size, np.datetime64(day)), "stand": stand, "test": name}
    given = {
        "box": kind,
        "serial": serial,
        "operator": np.char.add("Nobody ", rng.integers(0, 3, size).astype(str)),
    }
    _append(
        store,
        "tests",
        {
            **common,
            **given,
            "started": at,
            "gear_teeth": np.full(size, 40),
            "pinion_teeth": np.full(size, 13),
        },
    )
    lash = 0.12 + rng.normal(0.0, 0.008, size)
    _results(store, rng, common, (at, lash), positions)
    _rocks(store, rng, common, (at, lash), positions)


def _results(
    store: Store, rng: np.random.Generator, common: dict[str, Any], of: tuple[Any, Any], positions: int
) -> None:
    """Results and runouts of a day."""
    at, lash = of
    size = len(lash)
    identity = np.char.add(common["test"], "/result/1")
    outcome = np.where(lash > 0.11, "conforming", "not proven")
    figures = {
        "normal_backlash_mm": lash,
        "low_mm": lash - 0.003,
        "high_mm": lash + 0.003,
        "gear_tooth": rng.integers(1, 41, size),
        "positions": np.full(size, positions),
    }
    words = {
        "id": identity,
        "how": np.full(size, "recorded"),
        "outcome": outcome,
        "closing": np.full(size, "completed"),
    }
    _append(store, "results", {**common, **words, **figures, "utc": at + np.timedelta64(12, "m")})
    twice = {key: np.repeat(value, 2) for key, value in {**common, "id": identity}.items()}
    of_member = {
        "how": np.full(2 * size, "map"),
        "member": np.tile(["gear", "pinion"], size),
        "number": np.ones(2 * size, dtype=np.int64),
        "separable": np.ones(2 * size, dtype=bool),
        "amplitude_mm": np.abs(rng.normal(0.005, 0.002, 2 * size)),
    }
    _append(store, "runouts", {**twice, **of_member})


def _rocks(
    store: Store, rng: np.random.Generator, common: dict[str, Any], of: tuple[Any, Any], positions: int
) -> None:
    """Positions of a day."""
    at, lash = of
    size = len(lash)
    rocks = {key: np.repeat(value, positions) for key, value in common.items()}
    number = np.tile(np.arange(1, positions + 1), size)
    of_rock = {
        "event": 3 * number + 4,
        "utc": np.repeat(at, positions) + (number * 20).astype("timedelta64[s]"),
        "kind": np.full(size * positions, "RockAccepted"),
        "number": number,
        "engagement": rng.integers(0, 520, size * positions),
        "attempt": np.ones(size * positions, dtype=np.int64),
        "normal_backlash_mm": np.repeat(lash, positions) + np.abs(rng.normal(0.0, 0.004, size * positions)),
        "standard_uncertainty_mm": np.full(size * positions, 0.0008),
        "reversals": np.full(size * positions, 8),
    }
    _append(store, "positions", {**rocks, **of_rock})


def _run(script: str, *words: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", _MEMORY + script, *words], capture_output=True, text=True, check=False
    )
    return done.stdout.split() or ["–", "–", "–", done.stderr.strip().splitlines()[-1][:60]]


def main() -> None:
    """Make the store where it is missing, and print the table."""
    words = [*sys.argv[1:], *("1000", "30", "20", "29")[len(sys.argv) - 1 :]]
    size = Size(*map(int, words[:4]))
    stands, days, tests, positions = size
    place = words[4] if len(words) > 4 else tempfile.mkdtemp(prefix="store-")
    store, begin = Store(place, create=True), time.perf_counter()
    if not store.files("tests"):
        rng = np.random.default_rng(1)
        for day in range(days):
            _day(store, rng, FIRST + dt.timedelta(days=day), size)
    size_mb = sum(one.stat().st_size for one in Path(place).rglob("*.parquet")) / 1e6
    most_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{stands * days * tests:,} results, {stands * days * tests * positions:,} positions, "
        f"{size_mb:.0f} MB on disk; "
        f"made in {time.perf_counter() - begin:.0f} s with {most_mb:.0f} MB"
    )
    last = FIRST + dt.timedelta(days=days - 1)
    print("| question | days | wait s | processor s | memory MB | rows |\n|---|---|---|---|---|---|")
    for name in questions():
        for length in sorted({min(30, days), days}):
            since = last - dt.timedelta(days=length - 1)
            found = _run(_ASK, place, name, since.isoformat(), last.isoformat())
            print(f"| {name} | {length} | {' | '.join(found)} |", flush=True)
    print(f"| `tight`, pandas over the same files | {days} | {' | '.join(_run(_PANDAS, place))} | |")


if __name__ == "__main__":
    main()
