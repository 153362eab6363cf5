"""Words cut to the room they have: nothing is lost unseen, and hidden characters are shown by number."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.charts.svg import MORE, cut_to, visible, width

texts = st.text(max_size=300)


@given(texts)
def test_nothing_hidden_is_left(words: str) -> None:
    # Unicode Standard, table 4-4: the general categories of characters that have no shape of their own.
    allowed = {"\t", "\n", "\u200d", "\u200c", "\u00ad"}
    for character in visible(words):
        assert character in allowed or unicodedata.category(character) not in {
            "Cc",
            "Cf",
            "Cs",
            "Zl",
            "Zp",
            "Co",
        }


@given(texts)
def test_what_can_be_seen_is_left_alone(words: str) -> None:
    plain = "".join(c for c in words if unicodedata.category(c)[0] in "LNPSM" or c == " ")
    assert visible(plain) == plain


def test_numbers_of_hidden_characters_are_written_out() -> None:
    assert visible("a\u202eb") == "a‹U+202E›b"
    assert visible("\ud800\x07") == "‹U+D800›‹U+0007›"
    assert visible("one\r\ntwo") == "one\ntwo"
    assert visible("נכון صحيح") == "נכון صحيح"


@given(texts, st.integers(10, 80))
def test_cut_words_fit_and_begin_as_the_whole(words: str, most: int) -> None:
    short = cut_to(words, most)
    assert width(short) <= most
    whole = cut_to(words, 10**6)
    if short != whole:
        assert short.endswith(MORE)
        assert whole.startswith(short.removesuffix(MORE))
        assert width(whole) > most


def test_no_break_space_is_kept() -> None:
    assert cut_to("0.1000\N{NO-BREAK SPACE}mm \n\t x", 40) == "0.1000\N{NO-BREAK SPACE}mm x"


def test_a_cut_falls_between_words_where_one_is_near() -> None:
    assert cut_to("alpha beta gamma delta", 14) == "alpha beta …"
    assert cut_to("x" * 30, 12) == "x" * 10 + MORE
