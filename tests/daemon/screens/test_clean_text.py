from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.clean_text import MARK, clean, visible, visible_lines


@given(st.text())
def test_nothing_that_moves_a_cursor_or_hides_text_is_left(text: str) -> None:
    left = clean(text)
    assert all(unicodedata.category(one)[0] != "C" for one in left)
    assert "\n" not in left
    assert len(left) <= 301


def test_known_attacks() -> None:
    assert clean("\x1b[2Jgone") == f"{MARK}[2Jgone"
    assert clean("\x9b31m") == f"{MARK}31m"  # the one-byte form of the same
    assert clean("a\u202eb") == f"a{MARK}b"
    assert clean("e" + "\u0301" * 50).count("\u0301") == 3
    assert clean("x" * 500, 10) == "x" * 10 + "…"
    assert clean("Prüfstand 3 [bold]") == "Prüfstand 3 [bold]"


def test_texts_that_pass_unread_hold_nothing_unwanted() -> None:
    for character in map(chr, range(0x3000)):
        if character != "\n":
            assert visible_lines(f"a{character}b") == visible(f"a{character}b")
    assert visible_lines("a\nb\x1b\n") == f"a\nb{MARK}\n"
