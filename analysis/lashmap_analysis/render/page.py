"""The page: gathers what the sheet and the evidence show and pours it into the template.

The order and the look are decided by the template and the style sheet beside it; what each part says is
decided in `sheet.py` and by the sections (`facts/`). Nothing is fetched. One script of our own shows the
figures under the pointer and zooms; its hash and that of the style sheet are in the content security policy,
so that a browser runs no other, whatever was typed into a record. With scripts off the page is whole.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from functools import cache
from hashlib import sha256
from importlib.resources import files

from lashmap_analysis.charts.style import HATCHES, style_sheet
from lashmap_analysis.charts.visible import cut_to
from lashmap_analysis.facts.result import SECTIONS
from lashmap_analysis.facts.section import Section
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.record import Identity
from lashmap_analysis.render.environment import page_template
from lashmap_analysis.render.evidence import closing_words, evidence
from lashmap_analysis.render.sheet import sheet

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
