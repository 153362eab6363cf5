"""The PDF: the same words as the page, signatures on page one whatever was written, the same bytes again."""

from __future__ import annotations

import html as markup
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest
import typst
from analysis.long_winded import long_winded
from analysis.made_assessment import Scenario, made_assessment, with_every_text
from analysis.made_review import reviewed
from analysis.pdf_reading import front_pdf, pdf_text, places, word_boxes, word_sizes
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.render import pdf, render_html, render_pdf, typesetting

SCENARIOS: tuple[Scenario, ...] = get_args(Scenario)
HOSTILE = (
    '#panic("x") #read("/etc/passwd")',
    "$ \\ ] [ ` ``` *b* _e_ <label> @ref // c /* #{",
    "bell \a nul \0 escape \x1b[31m surrogate \ud800 over\u202eride",
    "שלום مرحبا Ελληνικά Кириллица",
    "王 ｗｉｄｅ 😀 👩\u200d🔧 \u0301 \U000e0041",
    "W" * 10_000,
    "lorem ipsum " * 850,
)


# Where the signatures may begin at most: the footer begins at 0.96, and the lines are 0.04 high.
ABOVE_THE_FOOTER = 0.92


def signed_on(assessment: Assessment) -> tuple[int, float]:
    """Page and height (0 top, 1 bottom) at which the signature lines stand, as typst itself says.

    Of the pages behind it only the last chapter is set: page one ends with a break whatever follows.
    """
    document = pdf._document(assessment)
    document["chapters"] = document["chapters"][-1:]
    data = json.dumps(document, ensure_ascii=False)
    answer = typst.query(
        pdf._template(pdf._TEMPLATES).encode(),
        "<signatures>",
        field="value",
        one=True,
        font_paths=typst.Fonts(include_system_fonts=False),
        ignore_system_fonts=True,
        sys_inputs={"data": data},
    )
    place = json.loads(answer)
    return place["page"], place["y"]


def lying_on_one_another(made: bytes) -> list[tuple[str, str]]:
    """Words of page one that lie on others."""
    _, words = word_boxes(made)[0]
    return [
        (one.word, other.word)
        for number, one in enumerate(words)
        for other in words[number + 1 :]
        if one.on(other)
    ]


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_file_is_tagged_archivable_and_runs_nothing(scenario: Scenario) -> None:
    made = render_pdf(made_assessment(scenario))
    assert made.startswith(b"%PDF-1.")
    # ISO 14289-1, clause 5 and ISO 19005-2, 6.6.4: how a file says in its metadata which standard it keeps;
    # typst refuses to claim them for pictures without alternative text or letters without a shape.
    assert re.search(rb"<pdfuaid:part>1</pdfuaid:part>|pdfuaid:part=\"1\"", made)
    assert re.search(rb"<pdfaid:part>2</pdfaid:part>|pdfaid:part=\"2\"", made)
    # The file's identifier is a digest in base64, in which any of these may stand by chance.
    named = re.sub(rb"/ID\s*\[.*?\]", b"", made, flags=re.DOTALL)
    assert len(made) - 100 < len(named) < len(made)
    for forbidden in (b"JavaScript", b"JS", b"URI", b"Launch", b"EmbeddedFile", b"OpenAction"):
        # ISO 32000-1, 7.2.2: a name ends at white space or at a delimiter.
        assert not re.search(rb"/" + forbidden + rb"(?=[\x00\t\n\f\r ()<>\[\]{}/%])", named)


def test_the_same_record_gives_the_same_bytes_also_in_another_process() -> None:
    code = (
        "import sys, hashlib; from analysis.made_assessment import made_assessment as m;"
        "from lashmap_analysis.render import render_pdf as r;"
        "print(hashlib.sha256(r(m(count=9))).hexdigest())"
    )
    hashes = [
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "TZ": zone, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for zone, seed in (("UTC", "1"), ("Asia/Kathmandu", "2"))
    ]
    assert hashes[0] == hashes[1]
    assert len(hashes[0].strip()) == 64


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize("count", [1, 8, 40])
def test_signatures_stay_on_the_first_page(count: int, units: str) -> None:
    assessment = long_winded(made_assessment("not proven", units="in" if units == "in" else "mm"), count)
    page, height = signed_on(assessment)
    assert page == 1
    assert 0.5 < height < ABOVE_THE_FOOTER


def test_signatures_of_a_reviewed_test_stay_there_too() -> None:
    for count in (8, 30):
        assessment = reviewed(long_winded(made_assessment("not proven", count=9), count))
        remark = "Invented box, set and figures, for demonstration; no real gearbox was tested. " * 3
        identity = replace(assessment.record.identity, remark=remark)
        page, height = signed_on(replace(assessment, record=replace(assessment.record, identity=identity)))
        assert page == 1
        assert height < ABOVE_THE_FOOTER


@pytest.mark.parametrize(("reasons", "steps"), [(1, 0), (3, 2), (5, 2), (3, 4), (5, 4)])
def test_preconditions_of_a_reviewed_test_take_the_room_that_the_verdict_leaves(
    reasons: int, steps: int
) -> None:
    given = long_winded(made_assessment("not proven"), 12)
    verdict = replace(
        given.verdict,
        reasons=given.verdict.reasons[:reasons],
        would_settle=given.verdict.would_settle[:steps],
    )
    record = replace(given.record, preconditions=given.record.preconditions[:9])
    assessment = reviewed(replace(given, verdict=verdict, record=record))
    made = front_pdf(assessment)
    ((page, height),) = places(made, "Accepted")
    assert page == 1
    assert 0.5 < height < 0.96  # where the footer begins
    assert not lying_on_one_another(made)
    shown, following = pdf_text(made, page=1), pdf_text(made, page=2)
    assert ("more, in full" in shown) == (reasons + steps > 7)
    # What the cut words still have no room for stands on the next page, and page one says so.
    moved = "others: on page 2" in shown
    assert moved == ("Page 1, continued" in following)
    assert moved or (reasons, steps) != (5, 2)
    assert not moved or reasons > 1
    for number in range(9 if reasons + steps <= 7 else 0):
        name = f"mounting distance {number}:"
        assert (name in shown) != (moved and name in following)


@pytest.mark.parametrize("words", HOSTILE)
def test_hostile_words_become_words(words: str) -> None:
    assessment = with_every_text(made_assessment("not proven", count=9), words[:700])
    assessment = replace(assessment, record=replace(assessment.record, notes=((1.0, words),)))
    made = render_pdf(assessment)
    assert [page for page, _ in places(made, "Accepted")] == [1]
    assert not lying_on_one_another(made)
    text = pdf_text(made)
    # Whatever is left of the words must be letters; nothing was read, evaluated or hidden.
    assert "root:" not in text
    for hidden in "\a\0\x1b\u202e\ud800\U000e0041":
        if hidden in words:
            assert f"‹U+{ord(hidden):04X}›" in text
    if words.startswith(("#", "$")):
        assert " ".join(words.split())[:30] in text


def test_both_forms_of_the_report_say_the_same() -> None:
    assessment = made_assessment("not proven")
    text = pdf_text(render_pdf(assessment))
    page = re.sub(r"<(style|svg|script)\b.*?</\1>", " ", render_html(assessment), flags=re.DOTALL)
    page = re.sub(r'<p class="small hint" hidden>.*?</p>', "", page)  # shown by the script alone
    body = re.sub(r"<[^>]*>", " ", page.split("<body>")[1])

    def bare(words: str) -> str:
        return re.sub(r"[^0-9A-Za-zµ%°±=]+", " ", markup.unescape(words).replace("\N{SOFT HYPHEN}", ""))

    said = set(bare(text).split())
    # Headings of tables are broken by hand in one form, by soft hyphens in the other.
    missing = {word for word in bare(body).split() if word not in said}
    assert missing <= {"engagement", "reversals", "caption"}, missing
    assert len(said) > 400


@pytest.mark.parametrize("case", ["mm", "in", "dense", "reviewed"])
def test_nothing_on_paper_is_smaller_than_eight_points(case: str) -> None:
    assessment = made_assessment("not proven", units="in" if case == "in" else "mm")
    if case in {"dense", "reviewed"}:
        assessment = long_winded(assessment, 12)
    if case == "reviewed":
        assessment = reviewed(assessment)
    sizes = word_sizes(render_pdf(assessment))
    assert max(size for size, _ in sizes[0]) > 18  # the verdict: what is measured is a size of letters
    # Signs are of another font, whose boxes are as high as its letters are large; the unit of an upright axis
    # is as high as it is long.
    other = {"✓", "✕", "?", "in", "\u200b"}
    small = [(size, word) for page in sizes for size, word in page if size < 7.99 and word not in other]
    assert not small


@pytest.mark.parametrize(
    ("outcome", "counts"), [("conforming", (4, 12, 20, 28)), ("not proven", (9, 17, 25))]
)
def test_no_page_behind_the_first_holds_next_to_nothing_and_no_table_leaves_its_end_behind(
    outcome: Scenario, counts: tuple[int, ...]
) -> None:
    for count in counts:
        pages = word_boxes(render_pdf(made_assessment(outcome, count=count)))
        assert len(pages[-1][1]) > 120, count  # words: more than a few lines
        for height, words in pages[1:]:
            lines = {round(one.bottom) for one in words if one.bottom < 0.94 * height}
            assert max(lines) > 0.3 * height, count
        # The sums of the budget stand on the page of its terms.
        budget = [
            number for number, (_, words) in enumerate(pages) for one in words if one.word == "expanded"
        ]
        terms = [number for number, (_, words) in enumerate(pages) for one in words if one.word == "variance"]
        assert budget[:1] == terms[:1], count


@pytest.mark.parametrize("units", ["mm", "in"])
def test_the_words_of_the_code_lie_inside_the_title_block(units: str) -> None:
    assessment = made_assessment("not proven", count=9, units="in" if units == "in" else "mm")
    short = replace(assessment.record.identity, test="t", stand="s", operator="o", remark="", seal="ab" * 32)
    _, words = word_boxes(front_pdf(replace(assessment, record=replace(assessment.record, identity=short))))[
        0
    ]
    (under,) = [one for one in words if one.word == "seal" and one.left > 0.75 * max(w.right for w in words)]
    first = min(one.top for one in words if one.word == "Verdict")
    assert under.bottom < first - 8.0  # the frame of the title block and that of the verdict lie between


def test_what_page_one_shortens_stands_in_full_behind_it() -> None:
    assessment = long_winded(made_assessment("not proven", count=9), 12)
    made = render_pdf(assessment)
    front, whole = pdf_text(made, page=1), pdf_text(made)
    assert "more, in full in the evidence" in front
    for number in range(12):
        assert f"Reason {number}." in whole
        assert f"Step {number}." in whole
        assert f"mounting distance {number}" in whole
    assert "failed" in front  # the worst of what did not fit decides the mark of the rest
    root = render_html(assessment)
    assert all(f"Reason {number}." in root for number in range(12))


def test_report_of_a_large_test_is_small() -> None:
    assessment = made_assessment(count=47)
    assert sum(trace.time_s.size for trace in assessment.record.traces) == 48 * 2000
    made = render_pdf(assessment)
    assert len(made) < 1_000_000


def test_a_record_without_a_date_makes_a_pdf_too() -> None:
    assessment = made_assessment("empty")
    for when in ("", "yesterday", "1066-10-14T00:00:00Z", "2030-05-17"):
        identity = replace(assessment.record.identity, started_utc=when)
        made = render_pdf(replace(assessment, record=replace(assessment.record, identity=identity)))
        assert made.startswith(b"%PDF")
        dated = b"CreationDate" in made
        assert dated == (when == "2030-05-17")


def test_long_runs_break_inside_the_page() -> None:
    pieces = pdf._breakable("a" * 64).split("\N{ZERO WIDTH SPACE}")
    assert "".join(pieces) == "a" * 64
    assert max(map(len, pieces)) <= 10
    assert pdf._breakable("20261125-065513-INV-1340-07 short") == "20261125-065513-INV-1340-07 short"
    mixed = pdf._breakable("x" * 40 + "-" + "y" * 24)
    assert max(map(len, mixed.replace("-", "\N{ZERO WIDTH SPACE}").split("\N{ZERO WIDTH SPACE}"))) <= 24


def test_a_process_that_cannot_set_it_is_an_error_with_its_words(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    broken = tmp_path / "broken.py"
    broken.write_text("raise SystemExit('no typesetter here')", "utf-8")
    monkeypatch.setattr(typesetting, "__file__", str(broken))
    with pytest.raises(pdf.PdfError, match="the process that sets it failed: no typesetter here"):
        render_pdf(made_assessment(SCENARIOS[0]))


def test_setting_documents_takes_no_memory_of_this_process() -> None:
    def resident_mb() -> float:
        return int(Path("/proc/self/statm").read_text("ascii").split()[1]) * 4096 / 1e6  # proc(5)

    assessment = made_assessment(SCENARIOS[0])
    render_pdf(assessment)
    before = resident_mb()
    for _ in range(2):
        render_pdf(assessment)
    assert resident_mb() - before < 20.0  # typst itself would keep some 30 MB of each
