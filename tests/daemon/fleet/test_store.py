"""Rows of a store: once each, never replaced, whole or not at all; what is not believed is kept apart."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest
from daemon.fleet.halls import FIRST, events_of, gathered, invented, rows
from deltalake import DeltaTable
from lashmap_daemon.fleet.gather import Gatherer
from lashmap_daemon.fleet.rows import NotBelieved, rows_of
from lashmap_daemon.fleet.store import Store, StoreError
from lashmap_daemon.fleet.tables import TABLES

NOW = dt.datetime(2026, 12, 1, tzinfo=dt.UTC)


def test_every_record_stands_in_its_table_as_it_came(tmp_path: Path) -> None:
    records = invented()
    store, said = gathered(tmp_path / "store", records)
    assert said == []
    came = [json.loads(payload) for topic, payload in records if topic.endswith("/position")]
    kept = {(row["test"], row["event"]): row for row in rows(store, "positions")}
    assert len(kept) == len(came) > 300
    for one in came:
        row, record = kept[one["test"], one["event"]], one["record"]
        assert (row["stand"], row["kind"]) == (one["stand"], "RockAccepted")
        assert row["utc"] == dt.datetime.fromisoformat(one["utc"])
        assert row["day"] == dt.datetime.strptime(one["test"][:8], "%Y%m%d").replace(tzinfo=dt.UTC).date()
        for name in ("number", "engagement", "normal_backlash_mm", "standard_uncertainty_mm", "reversals"):
            assert row[name] == record[name]
    results = {row["test"]: row for row in rows(store, "results")}
    runouts = {(row["test"], row["member"]): row for row in rows(store, "runouts")}
    for one in (json.loads(payload) for topic, payload in records if topic.endswith("/result")):
        row, spot = results[one["test"]], one["tight_spot_stated"]
        assert (row["how"], row["outcome"], row["mean_mm"]) == (
            "recorded",
            one["outcome"],
            one["lash"]["mean_mm"],
        )
        assert (row["low_mm"], row["high_mm"]) == (spot["interval_low_mm"], spot["interval_high_mm"])
        for member in one["runout"]["members"]:
            assert runouts[one["test"], member["member"]]["amplitude_mm"] == member["amplitude_mm"]


def test_what_comes_twice_stands_there_once(tmp_path: Path) -> None:
    records = invented()
    store, _ = gathered(tmp_path / "store", records)
    before = {name: len(rows(store, name)) for name in TABLES}
    said: list[str] = []
    again = Gatherer(Store(store.place, create=True), "lashmap", said.append)
    again.merge([(topic, payload, "") for topic, payload in [*records, *records[:50]]])
    assert said == []
    assert sum(again.count.rows.values()) == 0
    assert {name: len(rows(store, name)) for name in TABLES} == before


def test_other_content_under_a_known_name_is_quarantined_and_changes_nothing(tmp_path: Path) -> None:
    records = invented(stands=1, days=1)
    store, _ = gathered(tmp_path / "store", records)
    before = rows(store, "positions")
    topic, payload = records[0]
    told = json.loads(payload)
    told["record"]["normal_backlash_mm"] += 0.01
    _, said = gathered(store.place, [(topic, json.dumps(told).encode())])
    assert rows(store, "positions") == before
    (kept,) = rows(store, "quarantine")
    assert "is there already with another normal_backlash_mm" in kept["reason"]
    assert json.loads(kept["payload"]) == told
    assert len(said) == 1
    assert kept["reason"] in said[0]


def test_a_result_that_contradicts_brings_none_of_its_rows(tmp_path: Path) -> None:
    records = invented(stands=1, days=1)
    store, _ = gathered(tmp_path / "store", records)
    before = {name: rows(store, name) for name in ("tests", "results", "runouts")}
    topic, payload = next(one for one in records if one[0].endswith("/result"))
    told = json.loads(payload)
    told |= {"serial": "ANOTHER", "id": f"{told['test']}/result/2"}
    gathered(store.place, [(topic, json.dumps(told).encode())])
    assert {name: rows(store, name) for name in before} == before
    assert "another serial" in rows(store, "quarantine")[0]["reason"]


def test_a_stand_cannot_speak_of_the_test_of_another(tmp_path: Path) -> None:
    records = invented(stands=1, days=1)
    store, _ = gathered(tmp_path / "store", records)
    before = rows(store, "positions")
    told = json.loads(records[0][1])
    told |= {"stand": "bench-99", "event": 9_999, "id": f"{told['test']}/9999"}
    gathered(store.place, [("lashmap/bench-99/position", json.dumps(told).encode())])
    assert rows(store, "positions") == before
    assert "is known as of stand bench-01" in rows(store, "quarantine")[0]["reason"]


def changed(**more: object) -> Callable[[dict[str, Any]], None]:
    return lambda told: told.update(more)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (changed(stand="bench-02"), "claims to be of another stand"),
        (changed(schema=2), "does not fit the schema"),
        (changed(kind="NoSuchThing"), "does not fit the schema"),
        (changed(utc="yesterday"), "no time with its offset"),
        (changed(utc="2026-11-01T06:00:31"), "no time with its offset"),
        (changed(utc="2025-11-01T06:00:31+00:00"), "does not fit its test"),
        (changed(test="20271101-060001-X", utc="2027-11-01T06:00:31+00:00"), "still to come"),
        (changed(test="20251001-060001-X", utc="2025-10-01T06:00:31+00:00"), "more than a year ago"),
        (changed(test="x' OR '1'='1"), "does not say when it began"),
        (changed(test="20269901-060001-X"), "does not say when it began"),
        (lambda told: told["record"].update(normal_backlash_mm=float("nan")), "no finite number"),
        (lambda told: told["record"].update(engagement="many"), "does not fit the schema"),
    ],
)
def test_what_is_not_believed_has_its_reason(change: Callable[[dict[str, Any]], None], reason: str) -> None:
    topic, payload = invented(stands=1, days=1)[0]
    told = json.loads(payload)
    change(told)
    with pytest.raises(NotBelieved, match=reason):
        rows_of(topic, json.dumps(told).encode(), "lashmap", NOW)


@pytest.mark.parametrize(
    ("topic", "payload", "reason"),
    [
        ("lashmap/bench-01/position", b"not json", "does not fit the schema"),
        ("lashmap/bench-01/position", b"[" * 100_000, "does not fit the schema"),
        ("lashmap/bench-01/position", b" " * 300_000, "it has 300000 bytes"),
        ("lashmap/bench-01/state", b"{}", "none that a stand sends records on"),
        ("other/bench-01/position", b"{}", "none that a stand sends records on"),
        ("lashmap/\x1b[2J/position", b"{}", "what no stand is called"),
    ],
)
def test_what_is_no_record_has_its_reason(topic: str, payload: bytes, reason: str) -> None:
    with pytest.raises(NotBelieved, match=reason):
        rows_of(topic, payload, "lashmap", NOW)


def test_one_bad_record_stops_nobody(tmp_path: Path) -> None:
    records = invented(stands=1, days=1)
    store, said = gathered(tmp_path / "store", [("lashmap/bench-01/position", b"?"), *records])
    assert len(events_of(store)) == sum(topic.endswith("/position") for topic, _ in records)
    assert len(said) == 1


# In a process of its own, in small batches, so that the gatherers meet often.
_GATHER = """
import datetime as dt, sys
from lashmap_daemon.fleet.gather import Gatherer
from lashmap_daemon.fleet.invented import Hall
from lashmap_daemon.fleet.store import Store
place, part = sys.argv[1], int(sys.argv[2])
records = list(Hall(stands=2, first=dt.date(2026, 11, 1), days=2).records())
start = len(records) * part // 3
turned = records[start:] + records[:start]
gatherer = Gatherer(Store(place, create=True), "lashmap", print)
for at in range(0, len(turned), 30):
    gatherer.merge([(topic, payload, "") for topic, payload in turned[at : at + 30]])
"""


def test_gatherers_that_write_the_same_at_once_write_it_once(tmp_path: Path) -> None:
    place = str(tmp_path / "store")
    each = [subprocess.Popen([sys.executable, "-c", _GATHER, place, str(part)]) for part in range(3)]
    assert [one.wait(300.0) for one in each] == [0, 0, 0]
    store = Store(place, create=False)
    records = invented(stands=2, days=2)
    count = events_of(store)
    assert set(count.values()) == {1}
    assert len(count) == sum(topic.endswith("/position") for topic, _ in records)
    assert len(rows(store, "results")) == sum(topic.endswith("/result") for topic, _ in records)
    assert rows(store, "quarantine") == []


def test_small_files_become_large_ones_and_no_row_changes(tmp_path: Path) -> None:
    records = invented(stands=2, days=2)
    store = Store(str(tmp_path / "store"), create=True)
    gatherer = Gatherer(store, "lashmap", print)
    for at in range(0, len(records), 20):
        gatherer.merge([(topic, payload, "") for topic, payload in records[at : at + 20]])

    def sorted_rows() -> list[str]:
        return sorted(map(repr, rows(store, "positions")))

    before, files = sorted_rows(), len(store.files("positions"))
    assert files > 5
    store.tidy(FIRST + dt.timedelta(days=10))
    assert len(store.files("positions")) == 2  # a file for each day
    assert sorted_rows() == before
    for one in store.files("positions"):
        stands = [row[0] for row in duckdb.read_parquet(one).project("stand").fetchall()]
        assert stands == sorted(stands)
        assert len(set(stands)) == 2
    store.tidy(FIRST + dt.timedelta(days=10))
    gatherer.merge([(topic, payload, "") for topic, payload in records])
    assert sorted_rows() == before


def test_a_place_that_is_no_store_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="is no store of lashmap"):
        Store(str(tmp_path), create=False)
    store, _ = gathered(tmp_path / "store", invented(stands=1, days=1))
    handle = DeltaTable(f"{store.place}/tests")
    handle.alter.set_table_description('{"lashmap store": 2}')
    with pytest.raises(StoreError, match="is of version 2, this program reads version 1"):
        Store(store.place, create=False)
    handle.alter.set_table_description("somebody else's")
    with pytest.raises(StoreError, match="a table that lashmap did not make"):
        Store(store.place, create=False)
