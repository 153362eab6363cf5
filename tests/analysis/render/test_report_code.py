"""The QR code of page one: what it holds, read off the printed page by a decoder of its own (zxing-cpp)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from analysis.browser import chromium
from analysis.code_reading import codes_on
from analysis.long_winded import long_winded
from analysis.made_assessment import made_assessment, with_every_text
from analysis.page_reading import read_page
from analysis.pdf_reading import front_pdf, pdf_text
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.render import render_html

TEST, SEAL = "20261125-065513-INV-1340-07", "fc2c0ae9019130cd30e0c4cf8ccca3544434d529176b77ef3858be2fb5b7141e"
SEALED = (f"lashmap test {TEST}", f"seal SHA-256 {SEAL}")


def sealed(*, seal: str = SEAL, closing: str = "completed", damage: tuple[str, ...] = ()) -> Assessment:
    made = made_assessment("not proven", count=9)
    identity = replace(made.record.identity, test=TEST, seal=seal)
    return replace(made, record=replace(made.record, identity=identity, closing=closing, damage=damage))


@pytest.mark.parametrize(
    ("assessment", "held"),
    [
        (sealed(), SEALED),
        (sealed(seal=""), (SEALED[0], "not sealed")),
        (sealed(closing="the operator went home"), (*SEALED, "ended early")),
        (sealed(damage=("row 7 was changed",)), (*SEALED, "not as it was written")),
        (sealed(seal="", closing="power"), (SEALED[0], "not sealed", "ended early")),
    ],
    ids=["sealed", "unsealed", "stopped", "damaged", "killed"],
)
def test_the_code_on_paper_holds_test_and_seal_and_what_is_not_whole(
    assessment: Assessment, held: tuple[str, ...]
) -> None:
    made = front_pdf(assessment)
    assert codes_on(made) == [held]
    assert codes_on(made, page=2) == []
    # ISO 32000-1, 8.9.5: drawn, not a picture of dots.
    assert b"/Subtype /Image" not in made
    assert b"/Subtype/Image" not in made


def test_the_name_beside_the_code_says_that_there_is_no_seal() -> None:
    assert "test and seal" in pdf_text(front_pdf(sealed()), page=1)
    assert "test, not sealed" in pdf_text(front_pdf(sealed(seal="")), page=1)


def test_the_code_of_the_page_is_read_off_its_print(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text(render_html(sealed()), "utf-8")
    with chromium(tmp_path) as browser:
        browser.open(path)
        printed = browser.printed(width_in=8.27, height_in=11.69)  # A4, ISO 216
    assert codes_on(printed) == [SEALED]


def test_a_full_page_and_long_names_leave_the_code_readable() -> None:
    assessment = long_winded(sealed(), 30)
    identity = replace(assessment.record.identity, test="x" * 400, seal=SEAL)
    (code,) = codes_on(front_pdf(replace(assessment, record=replace(assessment.record, identity=identity))))
    assert code[0].startswith("lashmap test xxxx")
    assert code[1] == SEALED[1]


@pytest.mark.parametrize("words", ["T-1\nseal SHA-256 0000", "over\u202eride", "王 😀", "a\0b\x1b[31m"])
def test_a_forged_name_adds_no_line_and_hides_nothing(words: str) -> None:
    (code,) = codes_on(front_pdf(with_every_text(sealed(), words)))
    assert len(code) == 3  # test, seal, ended early
    assert code[0].startswith("lashmap test ")
    assert not set("\u202e\0\x1b") & set("".join(code))


def test_who_does_not_see_the_code_is_told_what_it_holds() -> None:
    (code,) = (
        one for one in read_page(render_html(sealed())).all("svg") if "QR code of test and seal" in one.text
    )
    assert SEAL in code.text
    assert TEST in code.text
