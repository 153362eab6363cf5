"""The board in a real browser without a window: sorted, filtered by keys, cut off, hostile, a thousand rows.

Accessibility is judged by axe-core (`tests/data/axe/axe.md`).
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from analysis.browser import Browser, chromium_anew
from daemon.hall.halls import RESULT, Halls, halls, idle, state, status
from daemon.page.shown import wait_until
from daemon.page.test_in_browser import AXE, PHONE, TABLET, WALL, said
from lashmap_daemon.hall import served
from lashmap_daemon.page import guard
from lashmap_daemon.screens.phrases import texts_of

JUDGED = (
    "axe.run().then((found) => found.violations.map((one) => [one.id, one.nodes.map((node) => node.html)]))"
)
NAMES_PX = (
    "[...document.querySelectorAll('#stands .name')].map((one) => "
    "[one.getBoundingClientRect().width, parseFloat(getComputedStyle(one).fontSize)])"
)
ROWS = "[...document.querySelectorAll('#stands > li')]"


@pytest.fixture(scope="module", name="browser")
def one_browser() -> Iterator[Browser]:
    with chromium_anew() as browser:
        yield browser


@pytest.fixture(name="hall")
def one_hall(tmp_path: Path, browser: Browser, monkeypatch: pytest.MonkeyPatch) -> Iterator[Halls]:
    monkeypatch.setattr(guard, "_BURST", 10_000)
    with halls(tmp_path) as found:
        found.is_there("bench-2")
        found.is_there("bench-10", state("bench-10", "recording the rock"))
        found.is_there("bench-1", idle("bench-1"))
        found.is_there("bench-3", state("bench-3", "waiting for the cause of refused rocks"))
        found.say("bench-4/status", status("bench-4", online=False, reason="the program ended"))
        found.say("bench-1/result", {**RESULT, "stand": "bench-1"})
        found.until(lambda rows: len(rows) == 5 and rows.get("bench-1", {}).get("verdict"))
        open_board(browser, found)
        yield found
        assert browser.refused == []
        assert [one for one in browser.requests if not one.startswith("http://127.0.0.1:")] == []


def open_board(browser: Browser, hall: Halls) -> None:
    browser.open(f"http://127.0.0.1:{hall.board.port}/")
    browser.resize(*TABLET)
    wait_until(lambda: len(order(browser, hall)) == len(hall.rows))


def order(browser: Browser, hall: Halls) -> list[str]:
    """Names of the rows from the top."""
    hall.board.turn()
    found = browser.evaluate(f"{ROWS}.map((li) => li.querySelector('.name').textContent.split(' · ')[0])")
    assert isinstance(found, list)
    return found


def chosen(browser: Browser, which: str) -> None:
    browser.evaluate(
        f"(() => {{ const node = document.querySelector('#which'); node.value = {json.dumps(which)};"
        " node.dispatchEvent(new Event('input', { bubbles: true })); })()"
    )


def test_what_needs_a_person_is_on_top_and_numbers_count_as_numbers(browser: Browser, hall: Halls) -> None:
    assert order(browser, hall) == ["bench-3", "bench-2", "bench-10", "bench-1", "bench-4"]
    assert browser.evaluate("document.title") == "(1) Stands"
    hall.say("bench-1/state", idle("bench-1", [{"instrument": "encoder", "state": "silent"}]))
    wait_until(lambda: order(browser, hall)[0] == "bench-1")
    assert "encoder: sends nothing" in browser.evaluate(f"{ROWS}[0].textContent")


def test_a_test_that_hangs_behind_a_living_connection_needs_a_person(
    browser: Browser, hall: Halls, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(served, "time", SimpleNamespace(monotonic=lambda: time.monotonic() + 90.0))
    wait_until(lambda: order(browser, hall) == ["bench-2", "bench-3", "bench-10", "bench-1", "bench-4"])
    assert "QUIET for" in browser.evaluate(f"{ROWS}[0].textContent")
    assert browser.evaluate("document.title") == "(3) Stands"

    def is_alive() -> bool:  # a person thinks, and the test goes on
        hall.says_live("bench-2", "bench-10")
        return order(browser, hall) == ["bench-3", "bench-2", "bench-10", "bench-1", "bench-4"]

    wait_until(is_alive)


def test_filters_by_state_alarm_and_text(browser: Browser, hall: Halls) -> None:
    for which, left in (
        ("alarm", ["bench-3"]),
        ("person", ["bench-3", "bench-2"]),
        ("testing", ["bench-3", "bench-2", "bench-10"]),
        ("idle", ["bench-1"]),
        ("away", ["bench-4"]),
    ):
        chosen(browser, which)
        assert order(browser, hall) == left, which
        assert said(browser, "#count").startswith(f"{len(left)} of 5 stands")
    chosen(browser, "all")


def test_keys_alone_find_a_stand(browser: Browser, hall: Halls) -> None:
    focused = "document.activeElement.id"
    for _ in range(10):
        browser.key("Tab")
        if browser.evaluate(focused) == "text":
            break
    assert browser.evaluate(focused) == "text"
    for letter in "inv-bench-2":
        browser.key(letter)
    wait_until(lambda: order(browser, hall) == ["bench-2"])
    browser.key("Tab")
    assert browser.evaluate(focused) == "which"
    assert browser.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"


@pytest.mark.parametrize("dress", ["light", "dark", "high contrast"])
def test_nothing_keeps_anybody_from_reading_it(browser: Browser, hall: Halls, dress: str) -> None:
    browser.resize(*TABLET, dark=dress == "dark")
    if dress == "high contrast":
        browser.evaluate("document.querySelector('#contrast').click()")
    order(browser, hall)
    browser.evaluate(AXE)
    for opened in ("", "settings"):
        if opened:
            browser.evaluate(f"document.getElementById('{opened}').showModal()")
        found = browser.evaluate(JUDGED)
        assert found == [], opened
    browser.evaluate("document.getElementById('settings').close(); localStorage.clear()")


@pytest.mark.parametrize(("size", "dark"), [(PHONE, False), (TABLET, False), (WALL, True)])
def test_it_is_as_wide_as_the_screen(
    browser: Browser,
    hall: Halls,
    size: tuple[int, int],
    dark: bool,  # noqa: FBT001 - of a table
) -> None:
    hall.say("bench-2/state", state("bench-2", instruction="x" * 1900))
    hall.say("bench-2/status", status("bench-2", name="N" * 150))
    hall.until(lambda rows: "NNN" in rows["bench-2"]["name"])
    browser.resize(*size, dark=dark)
    order(browser, hall)
    assert not browser.evaluate("document.documentElement.scrollWidth > innerWidth")
    for width, letters in browser.evaluate(NAMES_PX):
        assert width > 100  # no column of single letters
        assert letters >= 16


@pytest.mark.usefixtures("hall")
@pytest.mark.parametrize("language", ["de", "fr"])
def test_it_speaks_the_language_that_is_chosen(browser: Browser, language: str) -> None:
    browser.evaluate(
        f"(() => {{ const node = document.querySelector('#language'); node.value = '{language}';"
        " node.dispatchEvent(new Event('change', { bubbles: true })); })()"
    )
    words = texts_of(language)
    wait_until(lambda: said(browser, "h1 span") == words["board.title"])
    assert words["cue.find_cause"] in browser.evaluate(f"{ROWS}[0].textContent")
    free = browser.evaluate(f"{ROWS}[3].textContent")
    assert words["board.idle"] in free
    assert words["desk.outcome.not_proven"] in free  # the same word as at the desk
    assert browser.evaluate("document.documentElement.lang") == language
    browser.evaluate("localStorage.clear()")


def test_a_hostile_name_is_text(browser: Browser, hall: Halls) -> None:
    name = "<img src=x onerror=document.title='owned'>\x1b[31m\N{RIGHT-TO-LEFT OVERRIDE}"
    hall.say("evil/status", status("evil", name=name))
    hall.say("evil/state", state("evil", serial="<script>1</script>", instruction="<b>x</b>"))
    wait_until(lambda: any("<img" in one for one in order(browser, hall)))
    assert browser.evaluate("document.querySelectorAll('#stands img, #stands script, #stands b').length") == 0
    shown = browser.evaluate("document.querySelector('#stands').textContent")
    assert "\x1b" not in shown
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in shown
    assert "owned" not in browser.evaluate("document.title")


def test_cut_off_it_keeps_the_last_picture_with_its_age(browser: Browser, hall: Halls) -> None:
    hall.broker.kill()

    def broker_is_gone() -> bool:
        hall.board.turn()
        return "THE BROKER IS AWAY" in said(browser, "#broker")

    wait_until(broker_is_gone)
    assert len(order(browser, hall)) == 5
    hall.board._server.close()
    wait_until(lambda: "THE BOARD IS AWAY. This picture is" in said(browser, "#away"))
    assert browser.evaluate(f"{ROWS}.length") == 5
    assert browser.evaluate("document.body.classList.contains('gone')")


def test_a_thousand_stands(browser: Browser, hall: Halls) -> None:
    for number in range(1000):
        hall.client.publish(f"lashmap/st-{number}/status", json.dumps(status(f"st-{number}")), qos=1)
    hall.until(lambda rows: len(rows) == 1005)
    wait_until(lambda: len(order(browser, hall)) == 1005, within_s=60.0)
    hall.say("st-777/status", status("st-777", online=False, reason="the connection broke"))
    wait_until(lambda: order(browser, hall)[1] == "st-777")
