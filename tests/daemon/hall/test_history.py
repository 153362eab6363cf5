"""The history of a hall, end to end as far as it can be run: stand, broker, database, queries.

Telegraf and Grafana are in none of the registries that this is built with. A client of another kind stands
in for Telegraf and writes the rows that `telegraf.conf` asks for. The dashboard is held against the types
that its makers generate from its schema (grafana-foundation-sdk), and PostgreSQL itself runs its queries.
"""

from __future__ import annotations

import csv
import io
import json
import os
import pwd
import shutil
import subprocess
import tempfile
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from daemon.bus.broker import Broker
from daemon.bus.on_bus import settings
from daemon.bus.subscriber import subscriber
from daemon.bus.test_reviews import reviewed
from daemon.virtual_time import CONFIGS
from lashmap_analysis.facts.result import to_document
from lashmap_daemon.bus.connection import Identity
from lashmap_daemon.bus.messages import PUBLISHED
from lashmap_daemon.bus.outbox import enrol
from lashmap_daemon.bus.stand_bus import StandBus, announce_result
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from tools import tool

HALL = CONFIGS / "hall"
GOLDEN = Path(__file__).parents[2] / "golden"
DASHBOARD: dict[str, Any] = json.loads((HALL / "grafana" / "dashboard.json").read_text("utf-8"))


@dataclass(frozen=True)
class Database:
    """A PostgreSQL of its own, reached over a socket in its own folder."""

    folder: Path

    def sql(self, text: str, given: str = "") -> list[dict[str, str]]:
        """Rows by column; stops at the first error."""
        where = ["-h", str(self.folder), "-U", "lashmap", "-d", "postgres"]
        words = [tool("psql"), "--no-psqlrc", "--csv", "--quiet", *where, "-v", "ON_ERROR_STOP=1", "-c", text]
        done = subprocess.run(words, input=given, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return list(csv.DictReader(io.StringIO(done.stdout)))

    def made(self) -> None:
        self.sql((HALL / "history.sql").read_text("utf-8"))

    def keep(self, rows: list[tuple[str, str]]) -> None:
        """Topics and values, as `telegraf.conf` has them written."""
        out = io.StringIO()
        csv.writer(out).writerows(("2026-12-01T08:00:00Z", topic, value) for topic, value in rows)
        self.sql("COPY lashmap_message (time, topic, value) FROM STDIN (FORMAT csv)", out.getvalue())


def program(name: str) -> str:
    """A program of the server, which Debian keeps out of the path."""
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return str(found[-1]) if found else tool(name)


@pytest.fixture(scope="module", name="server")
def one_server() -> Iterator[Path]:
    initdb, postgres = program("initdb"), program("postgres")
    folder = Path(tempfile.mkdtemp(prefix="lashmap-pg-"))
    as_other: dict[str, Any] = {}
    if os.geteuid() == 0:  # PostgreSQL will not be run by root
        there = {one.pw_name for one in pwd.getpwall()}
        other = next((one for one in ("postgres", "nobody") if one in there), None)
        if other is None:
            pytest.skip("no user that may run PostgreSQL")
        shutil.chown(folder, other)
        as_other = {"user": other, "extra_groups": [], "cwd": "/"}
    data = folder / "data"
    made = [initdb, "-D", str(data), "-U", "lashmap", "--auth=trust", "--encoding=UTF8", "--no-sync"]
    subprocess.run(made, check=True, capture_output=True, **as_other)
    running = subprocess.Popen(
        [postgres, "-D", str(data), "-k", str(folder), "-c", "listen_addresses=", "-c", "fsync=off"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        **as_other,
    )
    try:
        ready = [tool("pg_isready"), "-h", str(folder), "-U", "lashmap", "-d", "postgres", "-t", "60"]
        while subprocess.run(ready, capture_output=True, check=False).returncode != 0:
            assert running.poll() is None, "PostgreSQL ended"
        yield folder
    finally:
        running.terminate()
        running.wait(timeout=60)
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(name="database")
def one_database(server: Path) -> Database:
    found = Database(server)
    found.sql("DROP TABLE IF EXISTS lashmap_message CASCADE")
    found.made()
    return found


def message(topic: str, **more: Any) -> tuple[str, str]:  # noqa: ANN401
    about = {"schema": 1, "stand": topic.split("/")[1], "utc": "2026-12-01T08:00:00Z"}
    return topic, json.dumps(about | more)


def of_golden() -> list[tuple[str, str]]:
    """What the stored tests say on the bus, each as a stand of its own."""
    rows = []
    for path in sorted(GOLDEN.glob("*/bus.json")):
        for one in json.loads(path.read_text("utf-8")):
            topic = one["topic"].replace("golden", path.parent.name)
            told = one["payload"] | {"stand": path.parent.name}
            if "outcome" in told:
                told |= {"runout": {"members": [{"member": "gear", "separable": True, "fim_mm": 0.01}]}}
            rows.append((topic, json.dumps(told)))
    return rows


def test_from_a_stand_over_the_broker_into_the_views(tmp_path: Path, database: Database) -> None:
    """A test and its review as the report has them, though the broker handed everything over twice."""
    logbook = tmp_path / "test.logbook"
    shutil.copy(GOLDEN / "spiral" / "test.logbook", logbook)
    with Logbook(logbook, create=False) as book:
        assessment = conclude(book, None)
    test = assessment.record.identity.test
    enrol(logbook, "lashmap/bench-1", test)
    stand = Identity(root="lashmap", stand="bench-1", name="Bench 1", version="0")
    announce_result(logbook, stand, assessment)
    reviewed(logbook)
    broker = Broker(tmp_path / "broker")
    broker.start()
    try:
        with subscriber(broker.port) as heard, StandBus(settings(broker.url), "Bench 1", logbook):
            assert heard.wait(lambda: bool(heard.on("result")) and len(heard.on("review")) == 3)
    finally:
        broker.kill()
    rows = [(one.topic, one.payload.decode()) for one in heard.heard]
    database.keep([*rows, *rows])
    document = to_document(assessment)
    stated = document["tight_spot"]["stated"]
    (verdict,) = database.sql("SELECT * FROM lashmap_verdict")
    assert (verdict["stand"], verdict["test"]) == ("bench-1", test)
    assert verdict["outcome"] == document["verdict"]["outcome"]
    assert float(verdict["least_mm"]) == stated["normal_backlash_mm"]
    for end in ("low", "high"):
        assert float(verdict[f"{end}_mm"]) == stated[f"interval_{end}_mm"]
    assert float(verdict["mean_mm"]) == document["lash_map"]["mean_mm"]
    assert (verdict["reviewed"], verdict["reviewer"]) == ("SignedOff", "S. Nobody")
    runouts = {one["member"]: one for one in database.sql("SELECT * FROM lashmap_runout")}
    for member in ("gear", "pinion"):
        part = document["runout"][member]
        found = runouts[member]["fim_mm"]
        assert (runouts[member]["separable"] == "t") == (part is not None)
        assert (float(found) if found else None) == (part["fim_mm"] if part else None)
    accepted = [one for one in heard.on("position") if b'"RockAccepted"' in one.payload]
    assert len(database.sql("SELECT * FROM lashmap_position")) == len({one.payload for one in accepted})


def test_what_is_no_message_of_ours_is_in_no_view(database: Database) -> None:
    result = json.loads(next(value for topic, value in of_golden() if topic == "lashmap/straight/result"))
    good = message("lashmap/straight/result", **(result | {"stand": "straight"}))
    database.keep(
        [
            good,
            ("lashmap/straight/result", "{"),
            ("lashmap/straight/result", "[" * 20_000),
            ("lashmap/straight/result", '"\\u0000"'),
            ("lashmap/other/result", good[1]),  # claims to be another stand's
            message("lashmap/straight/result", id="no schema", schema=2),
            message("lashmap/straight/result", id="no time", utc="yesterday, or so"),
            message("lashmap/straight/alarm", id="a'; DROP TABLE lashmap_message; --", record=7),
            ("'; DROP TABLE lashmap_message; --/result", good[1]),
        ]
    )
    assert [one["id"] for one in database.sql("SELECT id FROM lashmap_result")] == [result["id"]]
    odd = message(
        "lashmap/straight/result",
        id="odd",
        tight_spot_stated={"normal_backlash_mm": "1e5"},
        runout={"members": 3},
    )
    database.keep([odd])
    (found,) = database.sql("SELECT id, least_mm FROM lashmap_result WHERE id = 'odd'")
    assert found["least_mm"] == ""
    assert database.sql("SELECT * FROM lashmap_runout WHERE test IS NULL") == []
    assert len(database.sql("SELECT * FROM lashmap_message")) == 10


def test_it_can_be_made_again_over_what_is_there(database: Database) -> None:
    database.keep([message("lashmap/a/alarm", id="a/1", kind="x", record={"instrument": "indicator"})])
    database.made()
    (found,) = database.sql("SELECT instrument FROM lashmap_alarm")
    assert found["instrument"] == "indicator"


@pytest.mark.parametrize("panel", DASHBOARD["panels"], ids=lambda panel: panel["title"])
def test_every_query_of_the_dashboard_finds_something(panel: dict[str, Any], database: Database) -> None:
    database.keep([*of_golden(), message("lashmap/a/alarm", id="a/1", kind="InstrumentLost", record={})])
    (target,) = panel["targets"]
    asked = target["rawSql"].replace("$__timeFilter(time)", "time BETWEEN '2000-01-01' AND '2100-01-01'")
    rows = [row for serial in serials(database) for row in database.sql(asked.replace("$serial", serial))]
    assert rows
    if target["format"] == "time_series":
        assert {"time"} < rows[0].keys()


def serials(database: Database) -> list[str]:
    """What the variable of the dashboard offers."""
    (variable,) = DASHBOARD["templating"]["list"]
    found = [one["serial"] for one in database.sql(variable["query"])]
    assert len(found) > 3
    return found


def test_the_dashboard_has_no_key_that_its_schema_does_not_know() -> None:
    """By the types that its makers generate from the schema: what they do not know is lost on the way."""
    models = pytest.importorskip("grafana_foundation_sdk.models.dashboard")
    plugins = pytest.importorskip("grafana_foundation_sdk.cog.plugins")
    encoder = pytest.importorskip("grafana_foundation_sdk.cog.encoder")
    plugins.register_default_plugins()

    def known(raw: dict[str, Any]) -> Any:  # noqa: ANN401 - JSON
        return json.loads(json.dumps(models.Dashboard.from_json(raw), cls=encoder.JSONEncoder))

    assert lost(DASHBOARD, known(DASHBOARD)) == []
    wrong = DASHBOARD | {"panles": []}
    assert lost(wrong, known(wrong)) == [".panles"]


def lost(given: Any, found: Any, path: str = "") -> list[str]:  # noqa: ANN401 - JSON
    """Keys and values that are not there any more."""
    if isinstance(given, dict):
        there = found if isinstance(found, dict) else {}
        return [
            one
            for key, value in given.items()
            for one in (lost(value, there[key], f"{path}.{key}") if key in there else [f"{path}.{key}"])
        ]
    if isinstance(given, list):
        pairs = zip(given, found, strict=True)
        return [one for at, (a, b) in enumerate(pairs) for one in lost(a, b, f"{path}[{at}]")]
    return [] if given == found else [path]


def test_the_collector_asks_for_topics_that_there_are_and_writes_the_table_that_there_is() -> None:
    conf = tomllib.loads((HALL / "telegraf.conf").read_text("utf-8"))
    (collects,), (writes,) = conf["inputs"]["mqtt_consumer"], conf["outputs"]["postgresql"]
    there = {f"lashmap/+/{topic.name}" for topic in PUBLISHED}
    assert set(collects["topics"]) < there
    made = (HALL / "history.sql").read_text("utf-8")
    assert f"CREATE TABLE IF NOT EXISTS {collects['name_override']} (" in made
    assert f"    {collects['topic_tag']} text NOT NULL" in made
    assert (collects["data_format"], collects["data_type"]) == ("value", "string")
    assert conf["agent"]["omit_hostname"]
    assert writes["create_templates"] == []
    access = (CONFIGS / "bus" / "access.acl").read_text("utf-8")
    for topic in collects["topics"]:
        assert f"topic read {topic}\n" in access.partition(f"user {collects['username']}\n")[2]
