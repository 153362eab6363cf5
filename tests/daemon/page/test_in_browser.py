"""The page in a real browser without a window: followed through a test, read, used by keys, cut off.

Letters that are read at 2 m: 20 minutes of arc are 11.6 mm (ISO 9241-303 wants 20 to 22 for comfort, *from
memory*). A tablet of 10 inches shows 1280 pixels of CSS on 217 mm, and capitals are 0.7 of the size of a
letter, so that makes 98 pixels. Accessibility is judged by axe-core (`tests/data/axe/axe.md`).
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from analysis.browser import Browser, chromium_anew
from daemon.page.shown import ALL, Shown, shown, wait_until
from lashmap_daemon.logbook.photograph import photo
from lashmap_daemon.page import guard
from lashmap_daemon.page.picture import no_test, of_no_test
from lashmap_daemon.page.stand_page import StandPage
from lashmap_daemon.screens.phrases import texts_of
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.story import events

AXE = (Path(__file__).parents[2] / "data" / "axe" / "axe.min.js").read_text("utf-8")
PHONE, TABLET, WALL = (360, 640), (1280, 800), (1920, 1080)
READ_AT_2_M_PX = 98.0


@pytest.fixture(scope="module", name="browser")
def one_browser() -> Iterator[Browser]:
    with chromium_anew() as browser:
        yield browser


@pytest.fixture(name="on_page")
def served(tmp_path: Path, browser: Browser, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shown]:
    monkeypatch.setattr(guard, "_BURST", 10_000)
    with shown(tmp_path) as found:
        found.go_on(2)
        open_page(browser, found)
        yield found
        assert browser.refused == []
        assert [one for one in browser.requests if not one.startswith("http://127.0.0.1:")] == []


def open_page(browser: Browser, on_page: Shown) -> None:
    browser.open(f"http://127.0.0.1:{on_page.port}/")
    browser.resize(*TABLET)
    wait_until(lambda: browser.evaluate("document.querySelectorAll('#deeds button').length") == len(ALL))
    wait_until(lambda: said(browser, "#words"))


def said(browser: Browser, where: str) -> str:
    return str(browser.evaluate(f"document.querySelector({json.dumps(where)}).textContent"))


def gone_on(on_page: Shown) -> bool:
    """The test went on by a tick."""
    on_page.go_on()
    return True


def seen(browser: Browser) -> dict[str, Any]:
    """The structure of what is seen now."""
    found = browser.evaluate("""(() => {
      const inside = (id) => {
        const box = document.getElementById(id).getBoundingClientRect();
        const below = box.right <= innerWidth && box.bottom <= innerHeight;
        return box.width > 0 && box.left >= 0 && box.top >= 0 && below;
      };
      const words = document.getElementById("words");
      return {
        wide: document.documentElement.scrollWidth > innerWidth,
        words: words.textContent, size: parseFloat(getComputedStyle(words).fontSize),
        cut: words.scrollWidth > words.clientWidth + 1,
        share: document.getElementById("do").getBoundingClientRect().bottom / innerHeight,
        kind: document.body.dataset.kind,
        shape: document.querySelector("#shape use").getAttribute("href"),
        inside: ["do", "values", "around", "rocked", "know", "told", "deeds"].filter(inside),
        marks: document.querySelectorAll("#map .measured, #map .todo, #map .outside").length,
        band: document.querySelectorAll("#trace .band").length,
      };
    })()""")
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize(("size", "dark"), [(PHONE, False), (TABLET, False), (WALL, True)])
def test_a_test_is_followed_to_its_end(
    browser: Browser,
    on_page: Shown,
    size: tuple[int, int],
    dark: bool,  # noqa: FBT001 - of a table
) -> None:
    browser.resize(*size, dark=dark)
    for done, kind in enumerate((events.RockAccepted, events.RockAccepted, events.RockStarted)):
        on_page.until(kind)
        on_page.go_on(8)
        wanted = len(on_page.test.of(events.RockAccepted))
        wait_until(lambda wanted=wanted: f"{wanted} of" in said(browser, "#count"))  # type: ignore[misc]
        found = seen(browser)
        assert not found["wide"], found
        assert not found["cut"], found
        assert found["shape"] == f"#shape-{found['kind']}"
        assert "do" in found["inside"]
        assert found["share"] > 0.35
        assert found["marks"] >= 3
        assert found["band"] == 1 or done != 1  # a rock that has just begun has none yet
        if size != PHONE:
            assert found["size"] >= READ_AT_2_M_PX, found
            assert len(found["inside"]) == 7, found  # nothing has to be scrolled
    while not on_page.test.conductor.closed:
        on_page.go_on(5)
    wait_until(lambda: said(browser, "#words") == "DONE")
    assert browser.evaluate("document.querySelector('#deeds button').disabled")


@pytest.mark.parametrize("dress", ["light", "dark", "high contrast"])
def test_nothing_keeps_anybody_from_reading_it(browser: Browser, on_page: Shown, dress: str) -> None:
    on_page.until(events.RockAccepted)
    on_page.go_on(40)
    on_page.settle()
    browser.resize(*TABLET, dark=dress == "dark")
    if dress == "high contrast":
        browser.evaluate("document.querySelector('#contrast').click()")
    browser.evaluate(AXE)
    for opened in ("", "settings", "ask-note", "ask-photo"):
        if opened:
            browser.evaluate(f"document.querySelectorAll('dialog').forEach(d => d.close()), "
                             f"document.getElementById('{opened}').showModal()")  # fmt: skip
        found = browser.evaluate(
            "axe.run({resultTypes: ['violations']}).then(r => r.violations.map("
            "v => v.id + ': ' + v.nodes.map(n => n.target + ' ' + n.failureSummary).join('; ')))"
        )
        assert found == [], opened
    browser.evaluate("localStorage.clear()")


def test_it_is_used_with_keys_alone(browser: Browser, on_page: Shown) -> None:
    on_page.until(events.RockAccepted)
    on_page.settle()

    def press(*keys: str) -> None:
        for key in keys:
            browser.key(key)
            on_page.go_on()

    def focus() -> str:
        return str(browser.evaluate("document.activeElement.dataset.deed ?? document.activeElement.id"))

    wait_until(lambda: not browser.evaluate("document.querySelector('#deeds button').disabled"))
    browser.evaluate("document.body.focus()")
    passed = []
    while focus() != "note":
        press("Tab")
        passed.append(focus())
        assert len(passed) < 12, passed
    assert {"open-settings", "repeat", "skip"} <= set(passed)
    press("Enter")
    assert browser.evaluate("document.getElementById('ask-note').open")
    press(*"worn tip <i>", "Tab", "Tab", "Enter")
    wait_until(lambda: gone_on(on_page) and len(on_page.test.of(events.NoteTaken)))
    (note,) = on_page.test.of(events.NoteTaken)
    assert isinstance(note, events.NoteTaken)
    assert note.text == "worn tip <i> (on the page)"
    wait_until(lambda: gone_on(on_page) and "Done: Note" in said(browser, "#answer"))
    while focus() != "stop":
        press("Tab")
    press("Enter", "Escape")  # it asks, and goes on
    assert not browser.evaluate("document.getElementById('ask-stop').open")
    assert not on_page.test.conductor.closed


def test_a_photograph_is_made_small_and_kept_with_what_it_shows(browser: Browser, on_page: Shown) -> None:
    on_page.until(events.RockAccepted)
    on_page.settle()
    wait_until(lambda: not browser.evaluate("document.querySelector('#deeds button').disabled"))
    # What a camera gives: larger than the page sends, and chosen as a person would choose a file.
    browser.evaluate(
        """(async () => {
            const large = document.createElement("canvas");
            [large.width, large.height] = [4000, 3000];
            large.getContext("2d").fillRect(0, 0, 2000, 3000);
            const blob = await new Promise((made) => { large.toBlob(made, "image/png"); });
            const input = document.getElementById("camera");
            input.click = () => {
                const files = new DataTransfer();
                files.items.add(new File([blob], "gear.png", { type: "image/png" }));
                input.files = files.files;
                input.dispatchEvent(new Event("change"));
            };
            document.querySelector('[data-deed="photo"]').click();
        })()"""
    )
    wait_until(lambda: browser.evaluate("document.getElementById('ask-photo').open"))
    browser.evaluate(
        "document.getElementById('shows').value = 'heel side',"
        "document.querySelector('#ask-photo [value=yes]').click()"
    )
    wait_until(lambda: gone_on(on_page) and "Done: Photo" in said(browser, "#answer"))
    (taken,) = on_page.test.of(events.PhotoTaken)
    assert isinstance(taken, events.PhotoTaken)
    assert taken.words == "heel side"
    data = photo(on_page.test.logbook, on_page.test.started.test, 1, taken.channel, taken.sha256)
    size = browser.evaluate(
        f"createImageBitmap(new Blob([new Uint8Array({list(data)})])).then(p => [p.width, p.height])"
    )
    assert size == [1600, 1200]


def test_texts_of_others_stay_texts_and_another_language_is_one_choice_away(
    browser: Browser, on_page: Shown
) -> None:
    on_page.until(events.RockStarted)
    on_page.obey("note <img src=x onerror='document.title=1'><script>document.title=2</script>")
    on_page.go_on(4)
    wait_until(lambda: "<script>" in said(browser, "#lines"))
    assert browser.evaluate("document.querySelectorAll('#lines img, #lines script').length") == 0
    browser.evaluate(
        "document.querySelector('#language').value = 'de',"
        "document.querySelector('#language').dispatchEvent(new Event('change'))"
    )
    rock = str(texts_of("de")["cue.rock"])
    wait_until(lambda: gone_on(on_page) and said(browser, "#words").startswith(rock))
    assert browser.evaluate("document.documentElement.lang") == "de"
    assert browser.evaluate("document.querySelector('#lines').lang") == "en"
    browser.evaluate("localStorage.clear()")


def test_it_sounds_when_the_gear_has_arrived_and_when_a_rock_was_good(
    browser: Browser, on_page: Shown
) -> None:
    for kind, tone in ((events.RockStarted, "arrived"), (events.RockAccepted, "good")):
        on_page.until(kind)
        on_page.go_on(2)
        wait_until(lambda tone=tone: browser.evaluate("document.body.dataset.tone") == tone)  # type: ignore[misc]


def test_without_the_stand_the_last_picture_stays_with_its_age_until_it_is_back(
    browser: Browser, tmp_path: Path
) -> None:
    with shown(tmp_path) as on_page:
        on_page.until(events.RockAccepted)
        on_page.settle()
        open_page(browser, on_page)
        wait_until(lambda: "1 of" in said(browser, "#count"))
        port, words = on_page.port, said(browser, "#words")
    wait_until(lambda: "THE STAND IS AWAY. This picture is" in said(browser, "#away"))
    assert (said(browser, "#words"), "1 of" in said(browser, "#count")) == (words, True)
    assert browser.evaluate("[...document.querySelectorAll('#deeds button')].every(b => b.disabled)")
    time.sleep(0.1)
    with StandPage(PageTable(port=port, may=ALL), "Bench 3, invented") as page:
        page.show(lambda: of_no_test(no_test(), (), ()))
        wait_until(lambda: said(browser, "#words") == "NO TEST")
        wait_until(lambda: browser.evaluate("document.getElementById('away').hidden"))


def test_a_test_that_hangs_behind_a_server_that_lives_is_seen_to_hang(
    browser: Browser, on_page: Shown
) -> None:
    on_page.until(events.RockStarted)
    wait_until(lambda: "THE STAND IS AWAY. This picture is" in said(browser, "#away"))
    on_page.go_on(4)
    wait_until(lambda: browser.evaluate("document.getElementById('away').hidden"))


def test_the_token_leaves_the_address_and_is_asked_for_where_it_is_wrong(
    browser: Browser, tmp_path: Path
) -> None:
    file = tmp_path / "token"
    with shown(tmp_path, table=PageTable(port=0, token_file=str(file))) as on_page:
        on_page.go_on(2)
        address = f"http://127.0.0.1:{on_page.port}/"
        browser.open(f"{address}#{'wrong' * 8}")
        wait_until(lambda: "token" in said(browser, "#away"))
        assert on_page.test.started.test not in said(browser, "body")
        browser.open("about:blank")
        browser.open(f"{address}#{file.read_text('utf-8').strip()}")
        wait_until(lambda: said(browser, "#words"))
        assert browser.evaluate("location.href") == address
        assert browser.evaluate("document.cookie") == ""
        wait_until(lambda: "Look only" in said(browser, "#state"))
