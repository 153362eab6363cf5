"""Figures for a monitoring system: scraped over loopback, held against promtool."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon.page.shown import Client, Shown, shown
from daemon.virtual_time import CONFIGS
from lashmap_daemon.page import metrics
from lashmap_daemon.page.health import BusHealth, Count, Health, InstrumentHealth
from lashmap_daemon.page.metrics import Metrics
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.story import events
from prometheus_client import CollectorRegistry
from prometheus_client.parser import text_string_to_metric_families
from tools import tool

HALL = CONFIGS / "hall"
TOKEN = "a-token-of-more-than-twenty-letters"  # noqa: S105 - invented
Found = dict[tuple[str, str], float]


@pytest.fixture(name="on_page")
def served(tmp_path: Path) -> Iterator[Shown]:
    with shown(tmp_path) as found:
        yield found


def read(text: str) -> Found:
    """Each sample by its name and its labels, written as ``key=value``."""
    return {
        (
            sample.name,
            ",".join(f"{key}={value}" for key, value in sorted(sample.labels.items())),
        ): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def scraped(client: Client) -> Found:
    status, headers, body = client.get("/metrics")
    assert status == 200
    assert headers["content-type"].startswith("text/plain; version=")
    return read(body.decode())


def checked(text: str) -> str:
    """What promtool finds wrong with names, units and types; empty for nothing."""
    promtool = [tool("promtool"), "check", "metrics"]
    return subprocess.run(promtool, input=text, capture_output=True, text=True, check=False).stderr


def test_a_running_test_in_figures(on_page: Shown) -> None:
    on_page.page.metrics.logbook = on_page.test.folder / "virtual.logbook"
    on_page.page.metrics.bus = lambda: BusHealth(connected=False, waiting=17)
    on_page.until(events.RockAccepted)
    on_page.go_on(80)  # of 20 ms: it tells once a second
    found = scraped(Client(on_page.port))
    assert found["lashmap_up", ""] == 1
    assert found["lashmap_state", "state=testing"] == 1
    assert found["lashmap_state", "state=idle"] == 0
    accepted = len(on_page.test.of(events.RockAccepted))
    assert 1 <= found["lashmap_test_positions_accepted", ""] <= accepted
    assert found["lashmap_test_positions", ""] >= 4
    for instrument in ("indicator", "encoder"):
        assert found["lashmap_instrument_up", f"instrument={instrument}"] == 1
        assert 0 <= found["lashmap_instrument_age_seconds", f"instrument={instrument}"] < 60
        assert found["lashmap_instrument_bad_frames_total", f"instrument={instrument}"] == 0
    assert found["lashmap_outbox_records", ""] == 17
    assert found["lashmap_broker_connected", ""] == 0
    assert found["lashmap_disk_free_bytes", ""] > 0
    assert found["lashmap_page_lookers", ""] == 0
    (about,) = (labels for name, labels in found if name == "lashmap_info")
    assert about.startswith("stand=Bench 3, invented,version=")


def test_a_test_that_no_longer_goes_on_is_seen_behind_a_page_that_lives(
    on_page: Shown, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_page.go_on(80)
    monkeypatch.setattr(metrics, "LATE_S", 0.0)
    found = scraped(Client(on_page.port))
    assert found["lashmap_up", ""] == 0
    assert found["lashmap_told_age_seconds", ""] > 0


def test_the_guard_of_the_page_stands_before_it(tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text(TOKEN)
    file.chmod(0o600)
    table = PageTable(host="0.0.0.0", port=0, token_file=str(file))  # noqa: S104 - that is what is tried
    with shown(tmp_path, table=table) as on_page:
        status, headers, body = Client(on_page.port).get("/metrics")
        assert status == 401
        assert headers["www-authenticate"] == "Bearer"
        assert b"lashmap_" not in body
        assert Client(on_page.port, token="wrong" * 8).get("/metrics")[0] == 401
        assert Client(on_page.port, token=TOKEN, host="elsewhere.example").get("/metrics")[0] == 421
        refused = scraped(Client(on_page.port, token=TOKEN))["lashmap_page_requests_refused_total", ""]
        assert refused == 3


class Port:
    """Counts as a port does."""

    missed_polls = dropped_chunks = reconnects = 0


def text_of(one: Metrics) -> str:
    from prometheus_client import generate_latest  # noqa: PLC0415 - as the route does it

    registry = CollectorRegistry()
    registry.register(one)
    return generate_latest(registry).decode()


def figures() -> tuple[Metrics, Port]:
    port = Port()
    one = Metrics('Ständ "1"\n{}', lambda: (2, 5))
    one.ports = lambda: {"indicator": port}
    return one, port


def told(source: str, bad_frames: int) -> Health:
    indicator = InstrumentHealth(name="indicator", heard=False, age_s=None, bad_frames=bad_frames)
    return Health(state="idle", source=source, instruments=(indicator,))


def test_frames_are_counted_once_though_each_test_begins_at_nought() -> None:
    one, port = figures()
    for source, bad in (("", 100), ("first", 0), ("first", 3), ("", 100), ("", 104), ("second", 2), ("", 1)):
        one.tell(told(source, bad))  # at the end the port was opened anew
    port.missed_polls = 7
    found = read(text_of(one))
    assert found["lashmap_instrument_bad_frames_total", "instrument=indicator"] == 100 + 3 + 4 + 2 + 1
    assert found["lashmap_instrument_missed_polls_total", "instrument=indicator"] == 7
    assert ("lashmap_instrument_age_seconds", "instrument=indicator") not in found  # no value, no age


def test_a_counter_remembers_few_sources() -> None:
    count = Count()
    for test in range(1000):
        count.take(str(test), 1)
    assert count.total == 1000
    assert len(count._last) < 10


def test_before_a_test_begins_nothing_is_said_of_it() -> None:
    one, _ = figures()
    names = {name for name, _ in read(text_of(one))}
    assert "lashmap_info" in names
    assert not names & {"lashmap_up", "lashmap_state"}


def test_a_name_cannot_break_the_text() -> None:
    one, _ = figures()
    one.tell(told("", 0))
    one.logbook = Path("/nowhere/at/all.logbook")  # a disk that is gone is no failure of the page
    assert ("lashmap_disk_free_bytes", "") not in read(text_of(one))
    assert any(labels.startswith('stand=Ständ "1"\n{}') for _, labels in read(text_of(one)))


def test_promtool_finds_nothing_wrong_with_the_figures(on_page: Shown) -> None:
    on_page.page.metrics.bus = lambda: BusHealth(connected=True, waiting=0)
    on_page.page.metrics.logbook = on_page.test.folder / "virtual.logbook"
    on_page.page.metrics.ports = lambda: {"indicator": Port()}
    on_page.go_on(80)
    _, _, body = Client(on_page.port).get("/metrics")
    assert checked(body.decode()) == ""


@pytest.mark.parametrize(
    "words",
    [
        ("check", "rules", "alerts.yml"),
        ("test", "rules", "alerts_test.yml"),
        ("check", "config", "--syntax-only", "prometheus.yml"),
    ],
    ids=" ".join,
)
def test_promtool_finds_nothing_wrong_with_the_shipped_files(words: tuple[str, ...]) -> None:
    done = subprocess.run([tool("promtool"), *words], cwd=HALL, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_figure_that_an_alert_asks_for_is_there(on_page: Shown) -> None:
    """Without promtool, too: an alert on a name that nobody exports never fires."""
    on_page.page.metrics.bus = lambda: BusHealth(connected=True, waiting=0)
    on_page.page.metrics.logbook = on_page.test.folder / "virtual.logbook"
    on_page.page.metrics.ports = lambda: {"indicator": Port()}
    on_page.go_on(80)
    names = {name for name, _ in scraped(Client(on_page.port))}
    asked = {
        word
        for line in (HALL / "alerts.yml").read_text("utf-8").splitlines()
        if line.strip().startswith("expr:")
        for word in line.replace("(", " ").replace("[", " ").replace("{", " ").split()
        if word.startswith("lashmap_")
    }
    assert len(asked) > 8
    assert asked <= names


def test_the_figures_are_as_old_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    now_s = time.monotonic()
    one, _ = figures()
    heard = InstrumentHealth(name="indicator", heard=True, age_s=0.5, bad_frames=0)
    one.tell(Health(state="testing", source="x", instruments=(heard,)))
    monkeypatch.setattr("lashmap_daemon.page.metrics.time.monotonic", lambda: now_s + 60.0)
    found = read(text_of(one))
    assert found["lashmap_instrument_age_seconds", "instrument=indicator"] >= 60.0
    assert found["lashmap_up", ""] == 0
