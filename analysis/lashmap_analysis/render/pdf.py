"""The same report as PDF, set by typst from wheels alone: no browser, no system library, nothing fetched.

Every text reaches the template as data (JSON), never as markup, so that no text can become an instruction.
The file is tagged for screen readers (PDF/UA-1) and made for archives (PDF/A-2a), and the same record gives
the same bytes: fonts are the ones in the wheel, the date is the test's. What each part says is decided in
`sheet.py` and by the sections (`facts/`), the look in ``templates/*.typ``.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import Any

from markupsafe import Markup

from lashmap_analysis.charts.style import COLOURS, standalone
from lashmap_analysis.charts.svg import code_name, visible
from lashmap_analysis.facts.result import SECTIONS
from lashmap_analysis.facts.section import Section
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.render.page import closing_words, evidence, footer
from lashmap_analysis.render.sheet import sheet
from lashmap_analysis.render.typesetting import Refused, typeset

_TEMPLATES = ("style.typ", "blocks.typ", "front.typ", "report.typ")
_OUTCOME_COLOURS = {"conforming": "good", "nonconforming": "bad", "not proven": "open"}
# A run of letters this long finds no place to break, and would leave the page.
_UNBROKEN = re.compile(r"[^\s\u200b-]{25,}")
_BREAK_EVERY = 10
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
    date = _date(assessment.record.identity.started_utc)
    try:
        return _set_without_gaps(data, date)
    except Refused as error:
        raise PdfError(f"the PDF could not be set: {error.message}") from error


def _set_without_gaps(data: str, date: datetime | None) -> bytes:
    """Set the document; characters without a shape are looked for on this machine, then written by number."""
    for system in (False, True, True, True):
        try:
            return _set(data, date, system=system)
        except Refused as error:
            missing = _unshown(error.diagnostic)
            if not missing:
                raise
            if system:
                data = re.sub(f"[{re.escape(missing)}]", lambda found: code_name(found[0]), data)
    # Not reached in any test: shapes that the standards ask for are still missing, so they are not claimed.
    return _set(data, date, system=True, standards=())


def _set(data: str, date: datetime | None, *, system: bool, standards: tuple[str, ...] = _STANDARDS) -> bytes:
    # PDF/A wants a date, and no other than the test's would give the same bytes again.
    wanted = tuple(one for one in standards if one != "a-2a" or date is not None)
    when = date.isoformat() if date else ""
    return typeset(template=_template(), data=data, date=when, standards=wanted, system_fonts=system)


def _unshown(diagnostic: str) -> str:
    """Characters that typst found in no font: those of a quoted text that are not plain ASCII."""
    quoted = "".join(_UNSHOWN.findall(diagnostic))
    codes = re.sub(r"\\u\{([0-9a-fA-F]+)\}", lambda found: chr(int(found[1], 16)), quoted)
    return "".join(sorted({character for character in codes if not character.isascii()}))


@cache
def _template() -> str:
    folder = files("lashmap_analysis.render") / "templates"
    return "\n".join((folder / name).read_text(encoding="utf-8") for name in _TEMPLATES)


def _date(started_utc: str) -> datetime | None:
    try:
        parsed = datetime.fromisoformat(started_utc)
    except ValueError:
        return None
    when = parsed.astimezone(UTC) if parsed.tzinfo else parsed.replace(tzinfo=UTC)
    return when if when.year >= 1970 else None  # the time stamp counts from then


def _document(assessment: Assessment, sections: Iterable[Section] = SECTIONS) -> dict[str, Any]:
    """Everything the template shows, as plain values."""
    front = sheet(assessment)
    colour = _OUTCOME_COLOURS[front.outcome]
    date = _date(assessment.record.identity.started_utc)
    return {
        "sheet": {**_plain(front), "seal": _plain(front.seal, colour)},
        "chapters": _plain(tuple(evidence(assessment, front, sections))),
        "closing_words": _plain(closing_words(assessment)),
        "colours": COLOURS,
        "footer": _plain(footer(front.identity)),
        "units": assessment.record.units,
        "date": [date.year, date.month, date.day, date.hour, date.minute, date.second] if date else None,
    }


def _plain(value: object, colour: str = "ink") -> Any:  # noqa: ANN401 - whatever JSON takes
    """Turn dataclasses, tuples and pictures into what JSON takes; texts become visible and breakable."""
    if isinstance(value, Markup):
        svg, alt = standalone(value, colour=colour)
        return {"svg": svg, "alt": visible(alt)}
    if isinstance(value, str):
        return _breakable(visible(value))
    if isinstance(value, tuple | list):
        return [_plain(item, colour) for item in value]
    if is_dataclass(value):
        return {part.name: _plain(getattr(value, part.name), colour) for part in fields(value)}
    return value


def _breakable(words: str) -> str:
    """Let long runs without a space be broken."""
    return _UNBROKEN.sub(
        lambda run: "\N{ZERO WIDTH SPACE}".join(
            run[0][i : i + _BREAK_EVERY] for i in range(0, len(run[0]), _BREAK_EVERY)
        ),
        words,
    )
