"""Texts that a spreadsheet would take for formulas, guarded and given back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.tables import guarded, unguarded

SIGNS = st.text(alphabet="'=+-@\t\r\n ＝a1", max_size=6)


@given(st.one_of(st.text(), SIGNS))
def test_every_text_comes_back(text: str) -> None:
    assert unguarded(guarded(text)) == text


@given(st.one_of(st.text(), SIGNS))
def test_no_guarded_text_begins_like_a_formula(text: str) -> None:
    # OWASP, "CSV Injection" (memory): = + - @ and their full-width forms, tab, carriage return, line feed.
    cell = guarded(text)
    assert not cell.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"))


@pytest.mark.parametrize("text", ["plain", "", "13:40", "don't", "'quoted'", "a=b", "INV-0007", "'", " "])
def test_ordinary_texts_are_left_alone(text: str) -> None:
    assert guarded(text) == text
