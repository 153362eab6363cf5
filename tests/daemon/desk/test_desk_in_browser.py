"""The desk in a real browser without a window: list, filter, open, zoom, compare, review, by keys alone.

Accessibility is judged by axe-core (`tests/data/axe/axe.md`).
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from analysis.browser import Browser, chromium_anew
from daemon.desk.served import desk, first_test, golden
from daemon.page.shown import wait_until
from lashmap_daemon.desk.desk import ServedDesk
from lashmap_daemon.desk.opened import Opened
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.page import guard
from lashmap_daemon.replay.conclude import conclude

AXE = (Path(__file__).parents[2] / "data" / "axe" / "axe.min.js").read_text("utf-8")
PHONE, WIDE = (360, 740), (1400, 900)
WITHIN_S = 60.0
_VIOLATIONS = (
    "axe.run({resultTypes: ['violations']}).then(r => r.violations.map("
    "v => v.id + ': ' + v.nodes.map(n => n.target + ' ' + n.failureSummary).join('; ')))"
)


@pytest.fixture(scope="module", name="browser")
def one_browser() -> Iterator[Browser]:
    with chromium_anew() as browser:
        yield browser


@pytest.fixture(name="books")
def two_books(tmp_path: Path) -> list[Path]:
    return golden(tmp_path, "spiral", "resumed")


@pytest.fixture(name="served")
def a_desk(books: list[Path], browser: Browser, monkeypatch: pytest.MonkeyPatch) -> Iterator[ServedDesk]:
    monkeypatch.setattr(guard, "_BURST", 10_000)
    with desk(*books) as found:
        browser.open("about:blank")
        browser.resize(*WIDE)
        yield found
        assert browser.refused == []
        assert [one for one in browser.console if "status of 409" not in one] == []
        # The browser draws a picture of its own beside a field for dates.
        own = ("http://127.0.0.1:", "data:image/svg+xml")
        assert [one for one in browser.requests if not one.startswith(own)] == []


def seen(browser: Browser, expression: str) -> None:
    """Wait until something is so."""
    wait_until(lambda: browser.evaluate(f"!!({expression})"), WITHIN_S)


def listed(browser: Browser, served: ServedDesk, *, token: bool = True) -> None:
    browser.open(f"http://127.0.0.1:{served.port}/{f'#{served.token}' if token else ''}")
    seen(browser, "document.querySelectorAll('#list tbody tr').length")


def opened(browser: Browser, served: ServedDesk, book: Path, number: int = 0, *, token: bool = True) -> str:
    """Open a test by its address."""
    test = first_test(book)
    fragment = f"#{served.token}" if token else ""
    browser.open(f"http://127.0.0.1:{served.port}/?book={number}&test={test}{fragment}")
    drawn(browser)
    return test


def drawn(browser: Browser) -> None:
    """Wait until a trace is there with its samples."""
    seen(browser, "window.lashmapTrace?.sets.indicator?.length && !window.lashmapTrace.asking")


def text(browser: Browser, where: str) -> str:
    return str(browser.evaluate(f"document.querySelector({json.dumps(where)}).textContent"))


def choose(browser: Browser, where: str, value: str) -> None:
    """Fill in a field."""
    browser.evaluate(
        f"(() => {{ const one = document.querySelector({json.dumps(where)}); one.value = {json.dumps(value)};"
        "one.dispatchEvent(new Event('input')); one.dispatchEvent(new Event('change')); })()"
    )


def test_the_list_is_filtered_and_a_test_is_opened_and_left_again(
    browser: Browser, served: ServedDesk, books: list[Path]
) -> None:
    listed(browser, served)
    assert browser.evaluate("location.hash") == ""  # the token left the address
    rows = "[...document.querySelectorAll('#list tbody tr')].map(r => r.querySelector('th').textContent)"
    assert set(browser.evaluate(rows)) == {first_test(path) for path in books}
    choose(browser, "#filter-book", "1")
    assert browser.evaluate(rows) == [first_test(books[1])]
    assert text(browser, "#count") == "1 of 2 tests"
    choose(browser, "#filter-book", "")
    choose(browser, "#filter-verdict", "conforming")
    assert browser.evaluate(rows) == [first_test(books[0])]
    choose(browser, "#filter-from", "2031-01-01")
    assert browser.evaluate(rows) == []
    browser.evaluate("document.querySelector('#filters [type=reset]').click()")
    seen(browser, "document.querySelectorAll('#list tbody tr').length === 2")
    choose(browser, "#filter-text", f"{first_test(books[0])[-6:]} 080003")
    assert browser.evaluate(rows) == [first_test(books[0])]
    browser.evaluate("document.querySelector('#list a').click()")
    drawn(browser)
    assert text(browser, "h1") == first_test(books[0])
    browser.evaluate("history.back()")
    seen(browser, "document.querySelector('#list')")
    assert browser.evaluate("document.querySelector('#filter-text').value")  # as it was left


def test_a_wide_screen_shows_all_columns_in_rows_of_two_lines(browser: Browser, tmp_path: Path) -> None:
    with desk(*golden(tmp_path, "built", "imported", "faults", "straight", "inch")) as served:
        browser.open("about:blank")
        browser.resize(*WIDE)
        listed(browser, served)
        fits = "(one => one.scrollWidth <= one.clientWidth)(document.querySelector('#content .scroll'))"
        assert browser.evaluate(fits)
        most_px = 2 * 1.4 * 13 + 10  # two lines of the page's letters, padding and a hair line
        rows = "[...document.querySelectorAll('#list tbody tr')]"
        assert max(browser.evaluate(f"{rows}.map(r => r.offsetHeight)")) <= most_px


def test_a_point_of_the_map_shows_its_rock_down_to_the_samples(
    browser: Browser, served: ServedDesk, books: list[Path]
) -> None:
    test = opened(browser, served, books[0])
    with Logbook(books[0], create=False) as book:
        traces = {one.position: one for one in conclude(book, test).record.traces}
    browser.evaluate(
        "document.querySelectorAll('#map-section .hit')[4].dispatchEvent(new MouseEvent('click'))"
    )
    seen(browser, "document.querySelector('#trace-name').textContent.startsWith('position 5:')")
    drawn(browser)
    assert browser.evaluate("new URLSearchParams(location.search).get('position')") == "5"
    assert browser.evaluate(
        "document.querySelector('#positions [aria-current=true]').textContent"
    ).startswith("5")
    browser.evaluate("lashmapTrace.show(0.30, 0.36), lashmapTrace.point(0.33)")
    seen(browser, "lashmapTrace.best('indicator').whole && !lashmapTrace.asking")
    origin_s = traces[5].time_s[0]
    inside = (traces[5].time_s - origin_s >= 0.30) & (traces[5].time_s - origin_s <= 0.36)
    got = browser.evaluate(
        "(() => { const s = lashmapTrace.best('indicator');"
        "return [...s.t.keys()].filter(i => s.t[i] >= 0.30 && s.t[i] <= 0.36).map(i => s.v[i]); })()"
    )
    assert got == pytest.approx(traces[5].indicator_mm[inside], abs=0.0)
    seen(browser, "document.querySelector('#trace-cursor').textContent.includes('mm')")


@pytest.mark.parametrize(
    ("kind", "key", "words"),
    [("cycle", "pass 1", "pass 1, forward"), ("sweeps", "sweep gear", "runout sweep, gear")],
)
def test_a_pass_and_a_sweep_are_chosen_and_zoomed_like_a_rock(
    browser: Browser, tmp_path: Path, kind: str, key: str, words: str
) -> None:
    (path,) = golden(tmp_path, kind)
    with desk(path) as served:
        browser.open("about:blank")
        browser.resize(*WIDE)
        browser.open(f"http://127.0.0.1:{served.port}/?book=0&test={first_test(path)}")
        seen(browser, "window.lashmapTrace?.sets[lashmapTrace.about.channels[0]]?.length")
        choose(browser, "#trace-of", key)
        channel = "lashmapTrace.about.channels[0]"
        seen(browser, f"lashmapTrace.about.kind !== 'rock' && lashmapTrace.sets[{channel}]?.length")
        assert browser.evaluate("document.querySelector('#trace-of').selectedOptions[0].textContent") == words
        assert browser.evaluate("new URLSearchParams(location.search).get('trace')") == key
        browser.evaluate("lashmapTrace.show(1.0, 1.1), lashmapTrace.point(1.05)")
        seen(browser, f"lashmapTrace.best({channel}).whole && !lashmapTrace.asking")
        told = "°" if kind == "cycle" else "mm"
        seen(browser, f"document.querySelector('#trace-cursor').textContent.includes('{told}')")
        browser.evaluate(AXE)
        assert browser.evaluate(_VIOLATIONS) == []
        browser.open(browser.evaluate("location.href"))  # a link leads to the same trace
        seen(browser, f"window.lashmapTrace && document.querySelector('#trace-of').value === '{key}'")


def test_the_trace_is_moved_by_wheel_and_pointer(
    browser: Browser, served: ServedDesk, books: list[Path]
) -> None:
    opened(browser, served, books[0])

    def place() -> tuple[float, float]:
        x, y = browser.evaluate(
            "(() => { const c = document.querySelector('#trace'); c.scrollIntoView({block: 'center'});"
            "const b = c.getBoundingClientRect(); return [b.left + 300, b.top + 100]; })()"
        )
        return x, y

    x, y = place()
    span = "(lashmapTrace.to - lashmapTrace.from)"
    whole = browser.evaluate(span)
    turned = "new WheelEvent('wheel', {deltaY: -120, cancelable: true})"
    # The wheel scrolls the page until the trace is chosen.
    assert browser.evaluate(f"document.querySelector('#trace').dispatchEvent({turned})")
    assert browser.evaluate(span) == whole
    browser.click(x, y)
    browser.mouse("mouseWheel", x, y, deltaX=0, deltaY=-120)
    seen(browser, f"{span} < {whole} * 0.8")
    before = browser.evaluate("lashmapTrace.from")
    browser.mouse("mousePressed", x, y, button="left", clickCount=1, buttons=1)
    browser.mouse("mouseMoved", x - 60, y, button="left", buttons=1)
    browser.mouse("mouseReleased", x - 60, y, button="left", clickCount=1)
    seen(browser, f"lashmapTrace.from > {before}")
    browser.evaluate("document.querySelector('#trace').dispatchEvent(new MouseEvent('dblclick'))")
    assert browser.evaluate(span) == whole


@pytest.mark.parametrize("size", [PHONE, WIDE])
def test_what_was_stored_is_there_at_once_and_says_that_it_is_not_checked(
    browser: Browser, books: list[Path], monkeypatch: pytest.MonkeyPatch, size: tuple[int, int]
) -> None:
    go_on = threading.Event()

    def held(path: Path, test: str) -> Opened:
        assert go_on.wait(WITHIN_S)
        return opened_before(path, test)

    with desk(books[0]) as served:
        openings = served.openings
        opened_before = openings.open
        monkeypatch.setattr(openings, "open", held)
        browser.open("about:blank")
        browser.resize(*size)
        browser.open(f"http://127.0.0.1:{served.port}/?book=0&test={first_test(books[0])}")
        try:
            seen(browser, "document.querySelector('.stored')")
            assert "not checked yet" in text(browser, ".stored")
            assert "conforming" in text(browser, ".stored")
            assert "INV-" in text(browser, ".opening .cells")
            assert browser.evaluate("document.querySelector('.verdict') === null")
            browser.evaluate(AXE)
            assert browser.evaluate(_VIOLATIONS) == []
            assert browser.evaluate("document.documentElement.scrollWidth <= innerWidth")
        finally:
            go_on.set()
        drawn(browser)
        assert browser.evaluate("document.querySelector('.stored, .opening') === null")
        assert browser.evaluate("document.querySelectorAll('.verdict').length")


def test_two_tests_are_picked_and_compared(browser: Browser, served: ServedDesk, books: list[Path]) -> None:
    listed(browser, served)
    assert browser.evaluate("document.querySelector('#compare').disabled")
    browser.evaluate("document.querySelectorAll('#list input').forEach(one => one.click())")
    browser.evaluate("document.querySelector('#compare').click()")
    seen(browser, "document.querySelector('.comparison svg')")
    for path in books:
        assert first_test(path) in text(browser, ".comparison")


def test_a_reviewer_leaves_a_position_out_and_sees_the_new_state(
    browser: Browser, served: ServedDesk, books: list[Path]
) -> None:
    test = opened(browser, served, books[0])
    submit = "document.querySelector('#review-form').requestSubmit()"
    browser.evaluate(submit)
    seen(browser, "document.querySelector('#review-refused').textContent.includes('Reason: say why')")
    choose(browser, "#review-position", "16")
    choose(browser, "#review-reason", "a burr <img src=x onerror='document.title=1'>")
    choose(browser, "#review-by", "R. Viewer")
    browser.evaluate(submit)
    seen(browser, "document.querySelector('.exclusions')")
    assert "a burr <img" in text(browser, ".exclusions")
    assert browser.evaluate("document.querySelectorAll('.exclusions img, .review img').length") == 0
    assert "Written" in text(browser, "#told")
    choose(browser, "#review-deed", "sign")
    choose(browser, "#review-by", "R. Viewer")
    browser.evaluate(submit)
    seen(browser, "document.querySelector('.review')?.textContent.includes('igned')")
    with Logbook(books[0], create=False) as book:
        review = conclude(book, test).review
    assert review is not None
    assert [one.by for one in review.sign_offs] == ["R. Viewer"]
    assert [one.reason for one in review.exclusions] == ["a burr <img src=x onerror='document.title=1'>"]


def test_without_the_token_nobody_is_asked_to_write(
    browser: Browser, served: ServedDesk, books: list[Path]
) -> None:
    browser.open("about:blank")
    browser.evaluate("0")
    browser.open(f"http://127.0.0.1:{served.port}/")
    browser.evaluate("sessionStorage.clear()")
    opened(browser, served, books[0], token=False)
    assert browser.evaluate("document.querySelector('#review-form') === null")
    assert "read only" in text(browser, "#access")


@pytest.mark.parametrize("dress", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, WIDE])
def test_nothing_keeps_anybody_from_reading_it(
    browser: Browser, served: ServedDesk, books: list[Path], dress: str, size: tuple[int, int]
) -> None:
    browser.resize(*size, dark=dress == "dark")
    tests = [first_test(path) for path in books]
    ways = {
        "": "document.querySelectorAll('#list tbody tr').length",
        f"?book=0&test={tests[0]}": "window.lashmapTrace?.sets.indicator?.length",
        f"?book1=0&test1={tests[0]}&book2=1&test2={tests[1]}": "document.querySelector('.comparison svg')",
    }
    for query, there in ways.items():
        browser.open(f"http://127.0.0.1:{served.port}/{query}#{served.token}")
        seen(browser, there)
        browser.evaluate(AXE)
        assert browser.evaluate(_VIOLATIONS) == [], query
        assert browser.evaluate("document.documentElement.scrollWidth <= innerWidth"), query
        assert browser.evaluate("document.documentElement.dataset.theme") == dress


def test_it_is_used_with_keys_alone(browser: Browser, served: ServedDesk) -> None:
    listed(browser, served)

    def focus() -> str:
        return str(browser.evaluate(
            "(a => a.id || a.className || a.tagName)(document.activeElement)"))  # fmt: skip

    def until(wanted: str, most: int = 40) -> None:
        for _ in range(most):
            if browser.evaluate(f"document.activeElement.matches({json.dumps(wanted)})"):
                return
            browser.key("Tab")
        raise AssertionError(f"{wanted} is not reached; at {focus()}")

    until("#list a")
    browser.key("Enter")
    drawn(browser)
    until("#trace")
    span = "(lashmapTrace.to - lashmapTrace.from)"
    whole = browser.evaluate(span)
    for _ in range(3):
        browser.key("+")
    assert browser.evaluate(span) < 0.5 * whole
    browser.key("0")
    assert browser.evaluate(span) == whole
    until("#positions tbody button")
    before = text(browser, "#trace-name")
    browser.key("ArrowDown")
    seen(browser, f"document.querySelector('#trace-name').textContent !== {json.dumps(before)}")
    until("#review-reason")
    until("#taking button")


def test_another_language_is_one_choice_away(browser: Browser, served: ServedDesk, books: list[Path]) -> None:
    opened(browser, served, books[0])
    choose(browser, "#language", "de")
    seen(browser, "document.documentElement.lang === 'de' && document.querySelector('#map-h')")
    assert text(browser, "#map-h").startswith("Spielkarte")
    assert browser.evaluate("document.querySelector('.verdict').closest('[lang]').lang") == "en"
    browser.evaluate("localStorage.clear()")
