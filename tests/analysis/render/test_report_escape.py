"""Hostile words in every place that holds words: they are shown as words and do nothing."""

from __future__ import annotations

import re

import pytest
from analysis.made_assessment import HOSTILE, made_assessment, with_every_text
from analysis.page_reading import read_page
from hypothesis import given, settings
from hypothesis import strategies as st
from lashmap_analysis.charts.svg import MORE
from lashmap_analysis.render import render_html
from lashmap_analysis.render.page import css_string

ATTACKS = (
    HOSTILE,
    "</style><script>alert(1)</script>",
    "</title></head><body onload=alert(1)>",
    '" onmouseover="alert(1)" x="',
    "]]><svg onload=alert(1)>",
    "{{ config }}{% raw %}",
    "}@import 'http://example.invalid/x';",
)


@pytest.mark.parametrize("attack", ATTACKS)
def test_hostile_words_are_shown_as_they_are_and_add_no_element(attack: str) -> None:
    plain = made_assessment("not proven", count=10)
    # As long as the attack, since the first page shortens what is long and the evidence then has it in full.
    quiet = read_page(render_html(with_every_text(plain, "q" * len(attack))))
    loud = read_page(render_html(with_every_text(plain, attack)))
    assert [e.name for e in loud.all()] == [e.name for e in quiet.all()]
    assert [sorted(e.attributes) for e in loud.all()] == [sorted(e.attributes) for e in quiet.all()]
    shown = " ".join(attack.split())
    box = loud.all("p", kind="box")[0].text
    assert box == shown or (box.endswith(MORE) and shown.startswith(box.removesuffix(MORE)))
    if box != shown:
        assert shown in loud.all("dl", kind="words")[0].text
    assert loud.all("ul", kind="reasons")[0].all("li")[0].text == shown
    assert loud.all("title")[0].text.startswith(f"Backlash record {shown[:30]}")


def test_style_sheet_holds_nothing_that_was_typed_in() -> None:
    html = render_html(with_every_text(made_assessment("empty"), "</style><b>@import 'x'; url(//x)"))
    styles = re.findall(r"<style>(.*?)</style>", html, flags=re.DOTALL)
    assert len(styles) == 1
    assert "<" not in styles[0]
    typed = styles[0].rsplit("content: ", 1)[1].removesuffix("; } }\n")
    assert re.fullmatch(r'"[A-Za-z0-9\\ ]*"', typed)
    assert set(re.findall("@[a-z-]+", styles[0])) == {"@media", "@page", "@bottom-left", "@bottom-right"}


def decoded(css: str) -> str:
    """Decode a CSS string token by the rules of CSS Syntax Level 3, section 4.3.5 and 4.3.7."""
    assert css[0] == css[-1] == '"'
    body = css[1:-1]
    assert '"' not in body
    assert "\n" not in body
    return re.sub(r"\\([0-9a-fA-F]{1,6})\s?", lambda match: chr(int(match[1], 16)), body)


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=60))
@settings(max_examples=200)
def test_css_string_says_the_same_words(words: str) -> None:
    assert decoded(css_string(words)) == words


def test_css_string_survives_what_css_cannot_hold() -> None:
    # CSS Syntax Level 3, 4.3.7: zero and surrogates become the replacement character.
    assert decoded(css_string("a\0b")) == "a\ufffdb"
