"""The page: gathers sheet, evidence and closing words, and pours them into the template.

The order and the look are decided by the template and the style sheet beside it; what each part says is
decided in `sheet.py` and by the sections (`facts/`). Nothing is fetched. One script of our own shows the
figures under the pointer and zooms; its hash and that of the style sheet are in the content security policy,
so that a browser runs no other, whatever was typed into a record. With scripts off the page is whole.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Iterator
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import TYPE_CHECKING

from lashmap_analysis.charts.lash_map import BAND, LashView, lash_view
from lashmap_analysis.charts.style import HATCHES, style_sheet
from lashmap_analysis.charts.svg import cut_to, visible
from lashmap_analysis.facts import verdict
from lashmap_analysis.facts.result import SECTIONS
from lashmap_analysis.facts.section import Chapter, Facts, Points, Section
from lashmap_analysis.gears.tooth_names import COUNTING
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.record import DecisionRule, Identity
from lashmap_analysis.render.sheet import Sheet, sheet

if TYPE_CHECKING:
    from jinja2 import Template


FOOTER = 90  # columns; what one line of the page margin holds


def render_html(assessment: Assessment, sections: Iterable[Section] = SECTIONS) -> str:
    """Render the report of one test.

    Args:
        assessment: What was concluded; parts that are None are left out and the page says why.
        sections: What it is handed over in.

    Returns:
        A whole HTML document in UTF-8 text: no links out, styles, script and pictures inside. Lengths are in
        the units of the box's paperwork.
    """
    front = sheet(assessment)
    identity = front.identity
    style = f"{style_sheet()}@page {{ @bottom-left {{ content: {css_string(footer(identity))}; }} }}\n"
    script = _part("look.js")
    return page_template("report.html.j2").render(
        policy=policy(style=style, script=script),
        style=style,
        script=script,
        hatches=HATCHES,
        sheet=front,
        chapters=tuple(evidence(assessment, front, sections)),
        closing_words=closing_words(assessment),
        identity=identity,
        units=assessment.record.units,
    )


def policy(*, style: str, script: str) -> str:
    """Allow exactly this style sheet and this script, and fetch nothing (W3C CSP Level 3, 2.3.1)."""
    hashes = [f"'sha256-{b64encode(sha256(part.encode()).digest()).decode()}'" for part in (style, script)]
    own = f"style-src {hashes[0]}; script-src {hashes[1]}"
    return f"default-src 'none'; {own}; base-uri 'none'; form-action 'none'"


def footer(identity: Identity) -> str:
    """Say at the foot of every page what it belongs to."""
    return cut_to(f"{identity.test} · {identity.box} · {identity.serial}", FOOTER)


def css_string(words: str) -> str:
    """Write words as a CSS string that cannot end early, whatever they hold (CSS Syntax 3, 4.3.7)."""
    plain = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c) or 0xFFFD:06x} " for c in words)
    return f'"{plain}"'


@cache
def _part(name: str) -> str:
    return (files("lashmap_analysis.render") / "templates" / name).read_text(encoding="utf-8")


@cache
def page_template(name: str) -> Template:
    """A template of this room: texts escaped, letters that hide shown, nothing left undefined."""
    import jinja2  # noqa: PLC0415  (the start of the command line must not pay for it)

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("lashmap_analysis.render", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        finalize=lambda value: visible(value) if type(value) is str else value,
    )
    return environment.get_template(name)


# The report's standing words. Limits, torque values and acceptance come from the drawing; none is stated
# here.
CAUTIONS = (
    "Isolate and lock out the drive and release stored energy before hands go near the mesh.",
    "Keep clear of pinch points. Rock lightly, by hand or bar. Refit guards before power.",
    "lashmap is not a safety device: it never starts or stops a drive.",
    "Limits, torque values and acceptance come from the box's drawing and the people licensed to sign.",
    "Local codes and the maker's instructions come first.",
)

_READ_BY_TIP = (
    "The reading is the mean step between settled dwells, on the indicator's own line of action.",
    "Tip radius and direction turn the reading into normal backlash.",
)
_READ_BY_ANGLE = (
    "The reading is the mean step between settled dwells, of the gear's angle as an arc of the pitch circle.",
    "That arc is transverse backlash; pressure and spiral angle turn it into normal backlash.",
)
HOW_TO_READ = (
    "Backlash is normal backlash: play perpendicular to the flank, at the outer end of the teeth.",
    "An engagement counts gear teeth past the matched teeth. The same teeth meet again after one mesh cycle.",
    COUNTING,
    *_READ_BY_TIP,
    "u is a standard uncertainty, U an expanded one at 95 %. The interval judged is not value ± U.",
    "In the table of positions u holds the scatter of the rock and of setting the tip; the budget holds all.",
)
# What the outcomes mean (ISO 14253-1), by decision rule.
OUTCOMES: dict[DecisionRule, str] = {
    "two-sided": "Conforming: the whole 95 % interval lies inside the limits, with room for a bad tooth that "
    "no position touched, and every precondition is proven. Nonconforming: the whole interval lies outside. "
    "Between them: not proven.",
    "one-sided": "Conforming: 95 % lie to the allowed side of each limit, with room for a bad tooth that no "
    "position touched, and every precondition is proven. Nonconforming: 95 % lie to the other side. "
    "Between them: not proven.",
}
# Where the PDF shows the lash map over the mesh cycle when the page to sign had no room for it.
STRAIGHT = Chapter("", "straight", ())


def evidence(assessment: Assessment, front: Sheet, sections: Iterable[Section]) -> Iterator[Chapter]:
    """Everything after the first page; what that shortens stands in full behind the verdict."""
    for section in sections:
        yield from section.chapters(assessment)
        if section is verdict.SECTION:
            if front.in_full:
                shortened = Facts(front.in_full, "words", 22)
                yield Chapter("In full: what the first page shortens", "in-full", (shortened,))
            yield STRAIGHT


def closing_words(assessment: Assessment) -> tuple[Chapter, Chapter]:
    """What stands side by side at the end: how to read the record, and cautions."""
    view = lash_view(assessment)
    outcomes = OUTCOMES[assessment.record.limits.decision_rule]
    read: tuple[str, ...] = HOW_TO_READ
    if assessment.record.indicator.is_encoder:
        by_angle = dict(zip(_READ_BY_TIP, _READ_BY_ANGLE, strict=True))
        read = tuple(by_angle.get(line, line) for line in HOW_TO_READ)
    how = (*read, outcomes, *(_map_notes(view) if view is not None else ()))
    return (
        Chapter("How to read this record", "reading", (Points(how),)),
        Chapter("Cautions", "cautions", (Points(CAUTIONS),)),
    )


def _map_notes(view: LashView) -> tuple[str, ...]:
    """Say what band and bars of the lash map mean."""
    turns = view.cycle // view.gear_teeth
    notes = [f"Bars in the lash map: ±{BAND} standard uncertainties of a position (95 %), as in that table."]
    if view.curve is not None:
        notes.append(
            f"Band: ±{BAND} standard uncertainties of the fitted curve (95 %), tooth scatter included."
        )
    if view.curve is not None and turns > 1:
        notes.append(
            "Around the gear, the curve is the turn with the tight spot, "
            f"and the band spans all {turns} turns of the mesh cycle."
        )
    return tuple(notes)
