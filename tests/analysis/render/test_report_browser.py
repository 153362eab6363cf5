"""The report in a real browser: nothing is fetched, nothing typed in runs, charts answer the pointer.

What is compared is structure and words, never pixels.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from analysis.browser import Browser, chromium
from analysis.long_winded import long_winded
from analysis.made_assessment import HOSTILE, Scenario, made_assessment, with_every_text
from analysis.made_review import reviewed
from analysis.pdf_reading import pdf_text
from lashmap_analysis.render import render_html

ATTACK = (
    "<script>document.title='PWNED'</script>"
    "<img src=http://example.invalid/x onerror=\"document.title='PWNED'\">"
)
NAMES = "[...document.querySelectorAll('*')].map(e => e.localName).join(' ')"
PAPER = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}  # ISO 216 and ANSI/ASME Y14.1, in inches


# Every text that is drawn, with the size of its letters in pt: of words that of the style, of a picture's
# words that times how much the picture is enlarged. 96 pixels are 72 pt (CSS Values 4, 6.2).
LETTERS = """(() => {
  const found = [], walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const node = walk.currentNode, of = node.parentElement, range = document.createRange();
    range.selectNodeContents(node);
    if (!node.textContent.trim() || !range.getClientRects().length) continue;
    if (['title', 'desc', 'style', 'script'].includes(of.localName)) continue;
    let size = parseFloat(getComputedStyle(of).fontSize);
    if (of.ownerSVGElement) { const m = of.getScreenCTM(); size *= Math.hypot(m.a, m.b); }
    found.push([0.75 * size, node.textContent.trim().slice(0, 40)]);
  }
  return found;
})()"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with chromium(tmp_path_factory.mktemp("browser")) as opened:
        yield opened


def show(browser: Browser, folder: Path, html: str) -> str:
    path = folder / "report.html"
    path.write_text(html, "utf-8")
    browser.open(path)
    return path.as_uri()


def box_of(browser: Browser, name: str) -> tuple[float, float, float, float]:
    """Where a chart is on the screen, after it was brought into view and stands still there.

    A wheel's scrolling may come after the wheel, and would move the chart away from under a click.
    """
    chart = f"document.getElementById('{name}-t').parentNode"
    box = f"(() => {{ const r = {chart}.getBoundingClientRect(); return [r.x, r.y, r.width, r.height] }})()"
    for _ in range(100):
        browser.evaluate(f"{chart}.scrollIntoView({{block: 'center'}})")
        first = browser.evaluate(box)
        time.sleep(0.05)  # some frames
        if browser.evaluate(box) == first:
            x, y, width, height = first
            return x, y, width, height
    raise AssertionError(f"{name} does not stand still")


def test_the_browser_would_notice(browser: Browser, tmp_path: Path) -> None:
    # The same attack in a page without escaping and policy: it runs and asks, so the tests below can fail.
    show(browser, tmp_path, f"<!doctype html><title>quiet</title>{ATTACK}")
    assert browser.evaluate("document.title") == "PWNED"
    assert "http://example.invalid/x" in browser.requests


@pytest.mark.parametrize(
    "attack", [HOSTILE, ATTACK, f"</title></style></script></svg>{ATTACK}", f"]]>--><svg onload=x()>{ATTACK}"]
)
def test_hostile_words_do_nothing(browser: Browser, tmp_path: Path, attack: str) -> None:
    plain = made_assessment("not proven", count=9)
    show(browser, tmp_path, render_html(with_every_text(plain, "q" * len(attack))))
    quiet = browser.evaluate(NAMES)
    address = show(browser, tmp_path, render_html(with_every_text(plain, attack)))
    assert browser.requests == [address]
    assert browser.console == []
    assert browser.evaluate("document.title").startswith("Backlash record ")
    assert browser.evaluate(NAMES) == quiet


def test_policy_stops_what_escaping_would_have_missed(browser: Browser, tmp_path: Path) -> None:
    html = render_html(made_assessment("empty")).replace(
        "<main>", f"<main>{ATTACK}<b style='color: red'>b</b>"
    )
    address = show(browser, tmp_path, html)
    assert browser.evaluate("document.title").startswith("Backlash record")
    refused = [line for line in browser.console if "Content Security Policy" in line]
    assert len(refused) >= 3  # the script, the picture, the inline style
    assert [one for one in browser.requests if one not in browser.refused] == [address]


def test_everything_is_there_with_scripts_off(browser: Browser, tmp_path: Path) -> None:
    html = render_html(made_assessment("not proven"))
    show(browser, tmp_path, html)
    scripted = browser.evaluate("document.querySelector('main').innerText")
    hint = browser.evaluate("document.querySelector('.hint').innerText")
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        show(browser, tmp_path, html)
        plain = browser.evaluate("document.querySelector('main').innerText")
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)
    assert "zoom" in hint
    assert scripted.replace(hint, "").split() == plain.split()


def test_every_picture_has_a_name_in_the_accessibility_tree(browser: Browser, tmp_path: Path) -> None:
    # What assistive technology is given (W3C SVG-AAM, 6: role img is named by title, described by desc).
    show(browser, tmp_path, render_html(made_assessment("not proven", count=9)))
    browser.call("Accessibility.enable")
    nodes = browser.call("Accessibility.getFullAXTree")["nodes"]
    pictures = [n for n in nodes if n.get("role", {}).get("value") in {"img", "image"} and not n["ignored"]]
    assert len(pictures) >= 14
    for picture in pictures:
        assert len(picture["name"]["value"].split()) >= 2


def test_the_pointer_is_told_the_sample_under_it(browser: Browser, tmp_path: Path) -> None:
    assessment = made_assessment("conforming", count=9)
    show(browser, tmp_path, render_html(assessment))
    trace = assessment.record.traces[2]
    x, y, width, height = box_of(browser, "trace-3")
    for along in (0.1, 0.35, 0.62, 0.9):
        browser.mouse("mouseMoved", x + along * width, y + 0.5 * height)
        said = browser.evaluate("document.querySelector('.readout').textContent")
        found = re.fullmatch(r"([\d.]+) s, indicator (-?[\d.]+) mm", said)
        assert found, said
        column_s = (trace.time_s[-1] - trace.time_s[0]) / (2 * 208)  # half a pixel of the drawing
        at = trace.time_s[0] + float(found[1])
        near = abs(trace.time_s - at) <= column_s + 0.0006
        # A fourteen hundredth of the height of the picture, and the last digit shown.
        allowed = float(trace.indicator_mm.max() - trace.indicator_mm.min()) / 1300 + 0.00006
        assert abs(trace.indicator_mm[near] - float(found[2])).min() <= allowed


def test_the_pointer_is_told_backlash_and_engagement(browser: Browser, tmp_path: Path) -> None:
    assessment = made_assessment("conforming")
    lash_map, stated = assessment.lash_map, assessment.stated
    assert lash_map is not None
    assert stated is not None
    show(browser, tmp_path, render_html(assessment))
    x, y, width, height = box_of(browser, "around")
    browser.mouse("mouseMoved", x + width * 331 / 680, y + height / 2)  # the tight spot is in the middle
    said = browser.evaluate("document.querySelector('.readout').textContent").split()
    assert said[0] == "engagement"
    there = float(lash_map.predict(np.array([int(said[1].rstrip(":"))])).backlash_mm[0])
    assert float(said[2]) == pytest.approx(there, abs=0.00015)
    assert abs(int(said[1].rstrip(":")) - stated.engagement) <= 2


def test_a_chosen_chart_zooms_and_comes_back(browser: Browser, tmp_path: Path) -> None:
    show(browser, tmp_path, render_html(made_assessment("conforming", count=9)))
    view = "document.getElementById('trace-3-t').parentNode.getAttribute('viewBox')"
    x, y, width, height = box_of(browser, "trace-3")
    browser.mouse("mouseWheel", x + 9, y + 9, deltaX=0, deltaY=-100)
    assert browser.evaluate(view) == "0 0 216 88"  # not chosen: the wheel is the page's
    x, y, width, height = box_of(browser, "trace-3")
    browser.click(x + width / 2, y + height / 2)
    # Laid out anew in the browser's next frame.
    assert any(box_of(browser, "trace-3")[2] > 2 * width for _ in range(200))
    browser.key("+")
    browser.key("+")
    left, top, wide, high = map(float, browser.evaluate(view).split())
    assert wide == pytest.approx(216 * 0.64, abs=0.02)
    assert high / wide == pytest.approx(88 / 216, abs=1e-3)
    assert 0 < left < 216 - wide
    assert 0 < top < 88 - high
    browser.key("ArrowRight")
    assert float(browser.evaluate(view).split()[0]) > left
    browser.key("0")
    assert browser.evaluate(view) == "0 0 216 88"
    browser.key("+")
    browser.key("Escape")
    assert browser.evaluate(view) == "0 0 216 88"
    assert box_of(browser, "trace-3")[2] == pytest.approx(width)


def test_a_narrow_page_does_not_scroll_sideways_and_shows_the_whole_decision(
    browser: Browser, tmp_path: Path
) -> None:
    show(browser, tmp_path, render_html(made_assessment("not proven", count=9)))
    screen = {"height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.call("Emulation.setDeviceMetricsOverride", width=420, **screen)
    try:
        assert browser.evaluate("document.documentElement.scrollWidth") == 420
        right = (
            "Math.max(...[...document.querySelectorAll('.rail *')].map(e => e.getBoundingClientRect().right))"
        )
        assert browser.evaluate(right) <= 420
        labels = (
            "[...document.querySelectorAll('.rail .strong')].map(e => e.getBoundingClientRect())"
            ".map(r => [r.left, r.right])"
        )
        low, high = sorted(browser.evaluate(labels))
        assert low[1] < high[0]
        scrolls = "[...document.querySelectorAll('.wide')].map(e => e.parentNode.scrollWidth > 420)"
        tables = browser.evaluate(scrolls)
        assert tables
        assert all(tables)
    finally:
        browser.call("Emulation.clearDeviceMetricsOverride")


@pytest.mark.parametrize("case", ["plain", "nonconforming", "inch", "dense", "tight", "reviewed"])
def test_no_letter_is_smaller_than_eight_points_on_screen_and_paper(
    browser: Browser, tmp_path: Path, case: str
) -> None:
    outcome: Scenario = "nonconforming" if case == "nonconforming" else "not proven"
    assessment = made_assessment(outcome, count=9, units="in" if case == "inch" else "mm")
    if case in {"dense", "tight", "reviewed"}:
        assessment = long_winded(assessment, 4 if case == "dense" else 30)
    if case == "reviewed":
        assessment = reviewed(assessment)
    show(browser, tmp_path, render_html(assessment))
    # Widths between the margins of the style sheet: 13 mm on either side of A4 and Letter, in pixels.
    views = [("screen", width) for width in (1200, 784, 601, 420, 360)] + [("print", 695), ("print", 717)]
    try:
        for media, width in views:
            browser.call("Emulation.setEmulatedMedia", media=media)
            browser.call(
                "Emulation.setDeviceMetricsOverride",
                width=width, height=900, deviceScaleFactor=1, mobile=False,
            )  # fmt: skip
            letters = browser.evaluate(LETTERS)
            assert len(letters) > 200
            assert max(size for size, _ in letters) > 17  # the verdict
            assert not [one for one in letters if one[0] < 7.99], (media, width)
            # A browser prints a page that is wider than the paper smaller.
            assert browser.evaluate("document.documentElement.scrollWidth") <= width
    finally:
        browser.call("Emulation.setEmulatedMedia", media="")
        browser.call("Emulation.clearDeviceMetricsOverride")


@pytest.mark.parametrize("paper", PAPER)
@pytest.mark.parametrize("case", ["plain", "long", "longer", "unbroken", "reviewed"])
def test_printed_signatures_stay_on_the_first_page(
    browser: Browser, tmp_path: Path, paper: str, case: str
) -> None:
    assessment = made_assessment("not proven", count=9)
    if case == "unbroken":
        assessment = with_every_text(assessment, "W" * 900)
    elif case != "plain":
        assessment = long_winded(assessment, 8 if case == "long" else 30)
        remark = "Invented box, set and figures, for demonstration; no real gearbox was tested. " * 3
        identity = replace(assessment.record.identity, remark=remark)
        assessment = replace(assessment, record=replace(assessment.record, identity=identity))
    if case == "reviewed":
        assessment = reviewed(assessment)
    show(browser, tmp_path, render_html(assessment))
    width_in, height_in = PAPER[paper]
    made = browser.printed(width_in=width_in, height_in=height_in)
    first, second = pdf_text(made, page=1), pdf_text(made, page=2)
    for words in ("Accepted by, date", "Preconditions", "Not proven", "matched teeth"):
        assert words in first
    assert "Accepted by, date" not in second
