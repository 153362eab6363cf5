"""The page as it is started at a stand: by ``run`` and by ``serve``, in processes of their own."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import pytest
from daemon.command import lashmap, simulated_stand, start
from daemon.page.shown import Client
from daemon.page.test_metrics import scraped
from daemon.running_service import Serve, short_boxes
from daemon.virtual_time import CONFIGS
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.story import events

TABLE = '\n[page]\nport = 0\nmay = ["note", "stop"]\n'


def with_page(stand: Path, table: str = TABLE) -> Path:
    """A stand file beside a simulated one, with a page."""
    path = stand.with_name("with-page.toml")
    path.write_text(stand.read_text("utf-8") + table, "utf-8")
    return path


def port_in(out: IO[str]) -> int:
    """The port that a command says its page has."""
    for line in out:
        if found := re.search(r"The page of the stand: http://127\.0\.0\.1:(\d+)/", line):
            return int(found[1])
    raise AssertionError("no page was named")


def shown_when(port: int, good: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    """The parts of the page as soon as they are good, in one look: too many requests are refused."""
    shown: dict[str, Any] = {}
    with Client(port).look() as parts:
        for name, part in parts:
            shown[name] = part
            if {"now", "told"} <= shown.keys() and good(shown):
                return shown
    raise AssertionError("the page ended")


@pytest.mark.begins_first
def test_run_shows_its_test_and_obeys_what_is_asked_there(tmp_path: Path) -> None:
    box = short_boxes(tmp_path / "boxes") / "short.toml"
    book = tmp_path / "book.logbook"
    with simulated_stand(tmp_path / "stand", box=box) as stand:
        words = ("run", with_page(stand), box, "--logbook", book, "--locked-out", "--plain", "--page")
        process = start(*words)
        try:
            assert process.stdout is not None
            port = port_in(process.stdout)
            client = Client(port)
            test = shown_when(port, lambda page: "place" in page["now"])["now"]["test"]
            assert client.ask({"deed": "skip", "test": test})[0] == 409
            assert client.ask({"deed": "note", "test": test, "words": "seen"}) == (200, "")
            assert client.ask({"deed": "stop", "test": test}) == (200, "")
            out, err = process.communicate(timeout=200.0)
        finally:
            process.kill()
            process.communicate()
    assert process.returncode == 130, err
    assert f"Test {test} stopped" in out
    with Logbook(book, create=False) as kept:
        happened = [one.event for one in kept.events(test)]
    notes = [one.text for one in happened if isinstance(one, events.NoteTaken)]
    assert {"seen (on the page)", "stop was asked on the page"} <= set(notes)


@pytest.mark.begins_first
def test_a_service_shows_its_instruments_between_tests_and_each_test(tmp_path: Path, serve: Serve) -> None:
    box = short_boxes(tmp_path / "simulated") / "short.toml"
    with simulated_stand(tmp_path / "stand", box=box) as stand, serve(with_page(stand)) as service:
        service.wait_heard()
        found = re.fullmatch(r"http://127\.0\.0\.1:(\d+)/: nobody looks", service.status().page)
        assert found
        port = int(found[1])
        idle = shown_when(port, lambda page: all(one["text"] for one in page["now"]["instruments"]))["now"]
        assert (idle["testing"], idle["words"]["key"]) == (False, "cue.no_test")
        heard = {one["name"]: one for one in idle["instruments"]}
        assert heard["indicator"]["text"].endswith("mm")
        assert not heard["encoder"]["stale"]
        ups = [("lashmap_instrument_up", f"instrument={name}") for name in ("indicator", "encoder")]
        figures = scraped(Client(port))
        while not all(figures[up] for up in ups):  # it tells once a second
            time.sleep(0.2)
            figures = scraped(Client(port))
        assert figures["lashmap_state", "state=idle"] == figures["lashmap_up", ""] == 1
        for name in ("indicator", "encoder"):
            assert figures["lashmap_instrument_dropped_chunks_total", f"instrument={name}"] == 0
        assert figures["lashmap_disk_free_bytes", ""] > 0
        assert ("lashmap_broker_connected", "") not in figures  # a stand without a bus
        status, reason = Client(port).ask({"deed": "stop", "test": ""})
        assert (status, "no test runs" in reason) == (409, True)  # nor does it begin one
        test = service.begin()
        shown_when(port, lambda page: page["now"].get("test") == test)
        status, reason = Client(port).ask({"deed": "stop", "test": "another"})
        assert (status, "has gone on" in reason) == (409, True)
        assert Client(port).ask({"deed": "stop", "test": test}) == (200, "")
        service.until(lambda status: status.state == "idle")
        stopped = f"test {test} stopped: by the operator"
        # What was told may come before the picture of a stand without a test.
        ended = shown_when(port, lambda page: page["now"]["words"]["key"] == "cue.no_test")
        assert any(stopped in one for one in ended["told"]["lines"])


def test_a_service_on_a_network_needs_a_token_file(tmp_path: Path) -> None:
    stand = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")
    path = tmp_path / "bench.toml"
    path.write_text(
        stand.replace('"../instruments/', f'"{CONFIGS}/instruments/') + '[page]\nhost = "0.0.0.0"\n', "utf-8"
    )
    (tmp_path / "boxes").mkdir()
    done = lashmap("serve", path, "--boxes", tmp_path / "boxes", "--logbook", tmp_path / "book.logbook")
    assert done.returncode == 2
    assert "page.token_file: a service has no terminal that shows a token" in done.stderr


def test_a_page_is_not_for_a_test_by_hand() -> None:
    done = lashmap("run", "--by-hand", CONFIGS / "boxes" / "spiral-13x40.toml", "--page")
    assert (done.returncode, "--page: shows a test with instruments" in done.stderr) == (2, True)


def test_without_its_packages_it_says_what_to_install(tmp_path: Path) -> None:
    program = """
import sys
sys.modules["starlette.applications"] = None
from contextlib import ExitStack
from lashmap_daemon.page.join import open_page
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.errors import ConfigurationError
assert "uvicorn" not in sys.modules and "starlette.routing" not in sys.modules
try:
    open_page(PageTable(port=0), "x", ExitStack())
except ConfigurationError as error:
    print(error)
"""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=tmp_path
    )
    assert done.stdout == (
        "page: needs starlette, which is not installed; run: pip install 'lashmap[page]'\n"
    )
