"""The page's pictures as files of their own: the rules of the style sheet that a picture needs go into it.

Only copied here, never drawn: HTML and PDF show the same pictures.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from html import unescape
from importlib.resources import files

from markupsafe import Markup

FONT = "Libertinus Serif"
_SEAL = re.compile(r"^\.seal-\w+ \{[^}]*\}", re.MULTILINE)
_RULE = re.compile(r"([^{}]+)\{([^{}]*)\}")


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A picture that stands by itself.

    Attributes:
        svg: The file.
        alt: What a person without the picture must know.
    """

    svg: str
    alt: str


def standalone(markup: Markup, *, colour: str = "ink") -> Picture:
    """Make a file of a chart.

    Args:
        markup: From `charts_svg.chart`.
        colour: Name in the style sheet of what `currentColor` stands for.
    """
    svg = str(markup)
    words = [unescape(found) for found in re.findall(r"<(?:title|desc) [^>]*>([^<]*)<", svg)]
    classes = frozenset(name for names in re.findall(r'class="([^"]*)"', svg) for name in names.split())
    start = svg.index("<title")
    rules = "".join(rule for needed, rule in _rules() if needed <= classes)
    style = f"<style>svg{{color:{_colours()[colour]}}}{rules}</style>"
    hatches = _hatches() if "forbidden" in classes or "refused" in classes else ""
    return Picture(
        svg=svg[:start] + style + hatches + svg[start:], alt=". ".join(one.rstrip(".") for one in words) + "."
    )


@cache
def _sheet() -> str:
    sheet = (files("lashmap_analysis.report") / "templates" / "style.css").read_text(encoding="utf-8")
    return re.sub(r"/\*.*?\*/", "", sheet, flags=re.DOTALL)


@cache
def _colours() -> dict[str, str]:
    return dict(re.findall(r"--([a-z]+): (#[0-9A-F]{6});", _sheet()))


@cache
def _hatches() -> str:
    defs = (files("lashmap_analysis.report") / "templates" / "defs.svg.j2").read_text(encoding="utf-8")
    return defs[defs.index("<defs>") : defs.index("</svg>")]


@cache
def _rules() -> tuple[tuple[frozenset[str], str], ...]:
    """Rules that dress parts of pictures, each with the classes it needs; variables are put in."""
    start = _sheet().index("svg text {")
    text = _sheet()[start : _sheet().index("@media screen")] + "".join(_SEAL.findall(_sheet()))
    for name, colour in _colours().items():
        text = text.replace(f"var(--{name})", colour)
    text = text.replace("font-family: inherit", f'font-family: "{FONT}"')
    return tuple(
        (frozenset(re.findall(r"\.([-\w]+)", selector)), f"{selector.strip()}{{{body.strip()}}}")
        for selector, body in _RULE.findall(text)
    )
