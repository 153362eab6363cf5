"""The dossier of a build as one PDF: sheet, photographs, what changed, signatures, every test's first page.

What the sheet says is decided by whoever keeps it; here it is only set. The first page of a test is the very
page of its own report, and the comparison is the one of `judge/compare.py`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace

from lashmap_analysis.charts.qr_code import code_chart
from lashmap_analysis.charts.style import COLOURS
from lashmap_analysis.facts.in_words import without_keys
from lashmap_analysis.facts.section import Chapter, Facts, Points
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.compare import Build
from lashmap_analysis.judge.comparison import compare_tests
from lashmap_analysis.record.record import Units
from lashmap_analysis.render.comparison import figures, letter, pair_view
from lashmap_analysis.render.pdf import PdfError, date_of, page_to_sign, plain, set_document
from lashmap_analysis.render.sheet import code_lines
from lashmap_analysis.render.typesetting import Refused, typeset

_IN_CODE = 6  # tests; more would make a code that no camera reads at its size
_TEMPLATES = ("style.typ", "blocks.typ", "front.typ", "pages.typ", "dossier.typ")


@dataclass(frozen=True, kw_only=True)
class Photograph:
    """A photograph of the build.

    Attributes:
        name: Of its file, whose ending says which kind it is.
        data: The file.
        caption: What it shows, and its digest.
    """

    name: str
    data: bytes
    caption: str


@dataclass(frozen=True, kw_only=True)
class Dossier:
    """All that is put together.

    Attributes:
        build: Name of the build.
        digest: SHA-256 over what was entered on its sheet, in hexadecimal digits.
        heading: What stands above the sheet: box, when, who.
        sheet: The steps: title with state, and what is recorded.
        photographs: In the order of their numbers.
        tests: That name the build, oldest first; at least one.
        signatures: Who accepted, closed and signed what: role and name with date.
        units: Of the paperwork.
    """

    build: str
    digest: str
    heading: tuple[str, ...]
    sheet: tuple[tuple[str, str], ...]
    photographs: tuple[Photograph, ...]
    tests: tuple[Build, ...]
    signatures: tuple[tuple[str, str], ...]
    units: Units


def render_dossier(dossier: Dossier) -> bytes:
    """Set the dossier as PDF; a photograph that cannot be drawn is named in its place.

    Raises:
        PdfError: typst refused it.
    """
    files = {f"photo-{n}{_ending(one.name)}": one.data for n, one in enumerate(dossier.photographs, start=1)}
    names = list(files)
    try:
        return _set(dossier, names, files)
    except Refused:
        sound = [name if _can_be_drawn(name, files[name]) else "" for name in names]
    try:
        return _set(dossier, sound, {name: files[name] for name in sound if name})
    except Refused as error:
        raise PdfError(f"the dossier could not be set: {error.message}") from error


def _ending(name: str) -> str:
    return ".png" if name.lower().endswith(".png") else ".jpg"


def _can_be_drawn(name: str, data: bytes) -> bool:
    try:
        typeset(
            template=f'#image("{name}")',
            data="",
            date="",
            standards=(),
            system_fonts=False,
            files={name: data},
        )
    except Refused:
        return False
    return True


def _set(dossier: Dossier, names: Sequence[str], files: dict[str, bytes]) -> bytes:
    assessments = [one.assessment for one in dossier.tests]
    started = assessments[-1].record.identity.started_utc
    date = date_of(started)
    document = {
        "title": f"Dossier of {dossier.build}",
        "footer": plain(
            f"{dossier.build} · {len(assessments)} {'test' if len(assessments) == 1 else 'tests'}"
        ),
        "colours": COLOURS,
        "units": dossier.units,
        "date": [date.year, date.month, date.day, date.hour, date.minute, date.second] if date else None,
        "code": plain(
            code_chart(_code_lines(dossier), name="code", title="QR code of build, tests and seals")
        ),
        "code_name": "build, tests and seals",
        "before": plain(tuple(_sheet(dossier))),
        "photos": [
            {
                "file": name,
                "caption": plain(
                    one.caption if name else f"{one.caption}: cannot be drawn, and is in the logbook"
                ),
            }
            for name, one in zip(names, dossier.photographs, strict=True)
        ],
        "after": plain(tuple(_tests(dossier))),
        "sheets": [page_to_sign(one) for one in assessments],
    }
    return set_document(_TEMPLATES, json.dumps(document, ensure_ascii=False), date, files=files)


def _code_lines(dossier: Dossier) -> tuple[str, ...]:
    """What the code of a dossier holds: the build with its digest, then the newest tests with their seals."""
    lines = [f"lashmap build {dossier.build}", f"sheet SHA-256 {dossier.digest}"]
    for one in dossier.tests[-_IN_CODE:]:
        lines += code_lines(one.assessment.record)
    earlier = len(dossier.tests) - _IN_CODE
    return (*lines, *([f"{earlier} earlier not named here"] if earlier > 0 else ()))


def _sheet(dossier: Dossier) -> list[Chapter]:
    """The sheet, which is signed: what a key of a file means, not where it is typed."""
    sheet = tuple((title, without_keys(lines)) for title, lines in dossier.sheet)
    return [
        Chapter("Box and order of work", "build", (Points(tuple(map(without_keys, dossier.heading))),)),
        Chapter("Sheet of the build", "sheet", (Facts(sheet, "words", 22),)),
    ]


def _tests(dossier: Dossier) -> list[Chapter]:
    tests, units = dossier.tests, dossier.units
    chapters = [
        Chapter(
            f"Test {letter(n)}: {one.test}", f"test-{n}", (Facts(tuple(figures(one, units)), "words", 34),)
        )
        for n, one in enumerate(tests)
    ]
    if len(tests) > 1:
        [pair] = compare_tests([tests[0], tests[-1]])
        view = replace(pair_view(pair, 1, units), letter=letter(len(tests) - 1))
        blocks = (Facts(tuple(view.rows), "words", 34), Points(view.shims), Points(view.cautions))
        chapters.append(Chapter(f"From test A to test {view.letter}", "comparison", blocks))
    chapters.append(Chapter("Signatures", "signatures", (Facts(dossier.signatures, "words", 34),)))
    return chapters


def signatures_of(assessment: Assessment) -> tuple[tuple[str, str], ...]:
    """Reviewers who signed for a test, with what for and when."""
    if assessment.review is None:
        return ()
    test = assessment.record.identity.test
    return tuple(
        (f"test {test}, {one.outcome}", f"{one.by}, {one.utc}") for one in assessment.review.sign_offs
    )
