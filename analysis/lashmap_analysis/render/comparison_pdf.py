"""The comparison of tests as PDF: the words, figures and pictures of its page, set by typst."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

from lashmap_analysis.charts.style import COLOURS
from lashmap_analysis.facts.section import Chapter, Facts, Picture, Points, Words
from lashmap_analysis.judge.comparison import Pair
from lashmap_analysis.record.lengths import UNIT_NAMES
from lashmap_analysis.record.record import Units
from lashmap_analysis.render.comparison import figures, letter, pair_view
from lashmap_analysis.render.pdf import PdfError, date_of, plain, set_document
from lashmap_analysis.render.typesetting import Refused

_TEMPLATES = ("style.typ", "blocks.typ", "pages.typ", "compare.typ")


def render_comparison_pdf(pairs: Sequence[Pair]) -> bytes:
    """Set a comparison; its date is that of the first test, so that the same tests give the same bytes.

    Args:
        pairs: As `render_comparison` takes them.

    Raises:
        PdfError: typst refused it.
    """
    first = pairs[0].first.assessment.record
    date = date_of(first.identity.started_utc)
    tests = [pairs[0].first.test, *(pair.second.test for pair in pairs)]
    document = {
        "title": "Comparison of tests",
        "footer": plain(" · ".join(tests)),
        "colours": COLOURS,
        "units": first.units,
        "date": [date.year, date.month, date.day, date.hour, date.minute, date.second] if date else None,
        "chapters": plain(tuple(_chapters(pairs, first.units))),
    }
    try:
        return set_document(_TEMPLATES, json.dumps(document, ensure_ascii=False), date)
    except Refused as error:
        raise PdfError(f"the PDF could not be set: {error.message}") from error


def _chapters(pairs: Sequence[Pair], units: Units) -> Iterator[Chapter]:
    builds = [pairs[0].first, *(pair.second for pair in pairs)]
    for n, build in enumerate(builds):
        rows = Facts(tuple(figures(build, units)), "words", 34)
        yield Chapter(f"{letter(n)}: test {build.test}", f"test-{n}", (rows,))
    for n, pair in enumerate(pairs, 1):
        view = pair_view(pair, n, units)
        blocks: list[Facts | Picture | Points | Words] = [Facts(view.rows, "words", 34)]
        if view.picture is not None:
            blocks.append(Picture(view.picture))
        blocks.append(Points(view.shims))
        if view.budget:
            caption = f"Uncertainty of the tight spots' difference, u in {UNIT_NAMES[units]}"
            lines = tuple(
                (quantity, f"A {one}, {view.letter} {other}, difference {together}; {taken}")
                for quantity, one, other, together, taken in view.budget
            )
            blocks += [Words(caption, "caption"), Facts(lines, "words", 34)]
        blocks.append(Points(view.cautions))
        yield Chapter(f"{view.letter} less A", f"pair-{n}", tuple(blocks))
