"""The same report as PDF, set by typst from wheels alone: no browser, no system library, nothing fetched.

Every text reaches the template as data (JSON), never as markup, so that no text can become an instruction.
The file is tagged for screen readers (PDF/UA-1) and made for archives (PDF/A-2a), and the same record gives
the same bytes: fonts are the ones in the wheel, the date is the test's. What each part says is decided in
`sheet.py` and by the sections (`facts/`), the look in ``templates/*.typ``.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files as resources
from typing import Any

from markupsafe import Markup

from lashmap_analysis.charts.style import COLOURS, standalone
from lashmap_analysis.charts.svg import code_name, visible
from lashmap_analysis.facts.result import SECTIONS
from lashmap_analysis.facts.section import Section
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.render.page import closing_words, evidence, footer
from lashmap_analysis.render.sheet import Sheet, sheet
from lashmap_analysis.render.typesetting import Refused, typeset

_TEMPLATES = ("style.typ", "blocks.typ", "front.typ", "report.typ")
_OUTCOME_COLOURS = {"conforming": "good", "nonconforming": "bad", "not proven": "open"}
# A run of letters this long finds no place to break, and would leave the page.
_UNBROKEN = re.compile(r"[^\s\u200b-]{25,}")
_BREAK_EVERY, _BREAK = 10, "\N{ZERO WIDTH SPACE}"
_UNSHOWN = re.compile(r'the text `(".*?")` could not be displayed', re.DOTALL)

_STANDARDS = ("a-2a", "ua-1")


class PdfError(RuntimeError):
    """The PDF could not be set; the message says what typst said."""


def render_pdf(assessment: Assessment, sections: Iterable[Section] = SECTIONS) -> bytes:
    """Render the report of one test as PDF.

    Args:
        assessment: What was concluded; as in `render_html`.
        sections: As there.

    Returns:
        The file, A4, or US Letter when the box's paperwork is in inches. The same assessment gives the same
        bytes. Characters that no font in the wheel has are looked for in the fonts of this machine; those
        that none has are written by their numbers, such as ``‹U+738B›``.

    Raises:
        PdfError: typst refused; nothing that was recorded makes it do so.
    """
    data = json.dumps(_document(assessment, sections), ensure_ascii=False)
    date = date_of(assessment.record.identity.started_utc)
    try:
        return set_document(_TEMPLATES, data, date)
    except Refused as error:
        raise PdfError(f"the PDF could not be set: {error.message}") from error


def set_document(
    templates: tuple[str, ...], data: str, date: datetime | None, files: Mapping[str, bytes] | None = None
) -> bytes:
    """Set a document; characters without a shape are looked for on this machine, then written by number.

    Args:
        templates: Names of templates beside this file, one after the other.
        data: JSON that they read.
        date: Of the file; None for none.
        files: Pictures that they name, by name.

    Raises:
        Refused: typst refused it.
    """
    template = _template(templates)
    for system in (False, True, True, True):
        try:
            return _set(template, data, date, files or {}, system=system)
        except Refused as error:
            missing = _unshown(error.diagnostic)
            if not missing:
                raise
            if system:
                data = re.sub(f"[{re.escape(missing)}]", lambda found: code_name(found[0]) + _BREAK, data)
    # Not reached in any test: shapes that the standards ask for are still missing, so they are not claimed.
    return _set(template, data, date, files or {}, system=True, standards=())


def _set(
    template: str,
    data: str,
    date: datetime | None,
    files: Mapping[str, bytes],
    *,
    system: bool,
    standards: tuple[str, ...] = _STANDARDS,
) -> bytes:
    # PDF/A wants a date, and no other than the test's would give the same bytes again.
    wanted = tuple(one for one in standards if one != "a-2a" or date is not None)
    when = date.isoformat() if date else ""
    return typeset(
        template=template, data=data, date=when, standards=wanted, system_fonts=system, files=files
    )


def _unshown(diagnostic: str) -> str:
    """Characters that typst found in no font: those of a quoted text that are not plain ASCII."""
    quoted = "".join(_UNSHOWN.findall(diagnostic))
    codes = re.sub(r"\\u\{([0-9a-fA-F]+)\}", lambda found: chr(int(found[1], 16)), quoted)
    return "".join(sorted({character for character in codes if not character.isascii()}))


@cache
def _template(names: tuple[str, ...]) -> str:
    folder = resources("lashmap_analysis.render") / "templates"
    return "\n".join((folder / name).read_text(encoding="utf-8") for name in names)


def date_of(started_utc: str) -> datetime | None:
    """The date of a document from that of a test; None where that is none, or before 1970."""
    try:
        parsed = datetime.fromisoformat(started_utc)
    except ValueError:
        return None
    when = parsed.astimezone(UTC) if parsed.tzinfo else parsed.replace(tzinfo=UTC)
    return when if when.year >= 1970 else None  # the time stamp counts from then


def _document(assessment: Assessment, sections: Iterable[Section] = SECTIONS) -> dict[str, Any]:
    """Everything the template shows, as plain values."""
    front = sheet(assessment)
    date = date_of(assessment.record.identity.started_utc)
    return {
        "sheet": _on_paper(front),
        "chapters": plain(tuple(evidence(assessment, front, sections))),
        "closing_words": plain(closing_words(assessment)),
        "colours": COLOURS,
        "footer": plain(footer(front.identity)),
        "units": assessment.record.units,
        "date": [date.year, date.month, date.day, date.hour, date.minute, date.second] if date else None,
    }


def page_to_sign(assessment: Assessment) -> dict[str, Any]:
    """The page to sign of a test, as its template takes it."""
    return _on_paper(sheet(assessment))


def _on_paper(front: Sheet) -> dict[str, Any]:
    return {**plain(front), "seal": plain(front.seal, _OUTCOME_COLOURS[front.outcome])}


def plain(value: object, colour: str = "ink") -> Any:  # noqa: ANN401 - whatever JSON takes
    """Turn dataclasses, tuples and pictures into what JSON takes; texts become visible and breakable."""
    if isinstance(value, Markup):
        svg, alt = standalone(value, colour=colour)
        return {"svg": svg, "alt": visible(alt)}
    if isinstance(value, str):
        return _breakable(visible(value))
    if isinstance(value, tuple | list):
        return [plain(item, colour) for item in value]
    if is_dataclass(value):
        return {part.name: plain(getattr(value, part.name), colour) for part in fields(value)}
    return value


def _breakable(words: str) -> str:
    """Let long runs without a space be broken."""
    return _UNBROKEN.sub(
        lambda run: _BREAK.join(run[0][i : i + _BREAK_EVERY] for i in range(0, len(run[0]), _BREAK_EVERY)),
        words,
    )
