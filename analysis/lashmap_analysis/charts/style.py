"""How charts look, as data: one table of styles for the page and for the pictures of the PDF.

Decided here: colours, strokes and letters of every shape, and the hatches. From the table are made the rules
of the page's style sheet and those that a picture of the PDF carries with it: HTML and PDF show the same
pictures. How the page around them looks is decided in ``templates/style.css`` and ``templates/style.typ``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from html import unescape
from importlib.resources import files

from markupsafe import Markup

# By name: where a style says a name, this colour is meant.
COLOURS: Mapping[str, str] = {
    "ink": "#17212A",
    "soft": "#4C5862",
    "hair": "#C2C8CC",
    "plate": "#F7F7F4",
    "good": "#0B5A4E",
    "bad": "#8C2A08",
    "open": "#4A4218",
    "curve": "#0A4C86",
    "band": "#CBDDEC",
    "accent": "#B04300",
}
# Selector of the parts of a picture, and what they look like (SVG 2, presentation attributes).
STYLES: Mapping[str, Mapping[str, str]] = {
    "svg text": {"font-size": "10.7px", "fill": "soft", "font-family": "inherit"},
    "svg .strong": {"fill": "ink", "font-weight": "600"},
    "svg .halo": {
        "paint-order": "stroke",
        "stroke": "#FFFFFF",
        "stroke-width": "3px",
        "stroke-linejoin": "round",
    },
    ".plate": {"fill": "plate"},
    ".plate.refused": {"fill": "url(#hatch-wide)"},
    ".grid": {"fill": "none", "stroke": "#D5D9DB", "stroke-width": "0.7"},
    ".axis": {"fill": "none", "stroke": "soft", "stroke-width": "0.9"},
    ".turn": {"stroke": "#FFFFFF", "stroke-width": "1.6"},
    ".forbidden": {"fill": "url(#hatch)", "opacity": "0.55"},
    ".limit": {"fill": "none", "stroke": "ink", "stroke-width": "1.4"},
    ".limit.minimum": {"stroke-dasharray": "8 3"},
    ".limit.maximum": {"stroke-dasharray": "8 3 1.5 3"},
    ".band": {"fill": "band", "opacity": "0.85"},
    ".band-edge": {"fill": "none", "stroke": "curve", "stroke-width": "0.5"},
    ".curve": {"fill": "none", "stroke": "curve", "stroke-width": "1.3", "stroke-linejoin": "round"},
    ".stem": {"fill": "none", "stroke": "curve", "stroke-width": "1.3"},
    ".bar": {"stroke": "ink", "stroke-width": "0.9"},
    ".m-planned": {"fill": "ink", "stroke": "#FFFFFF", "stroke-width": "0.7"},
    ".m-confirming": {"fill": "accent", "stroke": "#FFFFFF", "stroke-width": "0.8"},
    ".m-open": {"fill": "#FFFFFF", "stroke": "ink", "stroke-width": "1.3"},
    ".m-cross": {"stroke": "ink", "stroke-width": "1.3"},
    ".m-matched": {"fill": "ink"},
    ".m-tight": {"fill": "none", "stroke": "accent", "stroke-width": "2.4"},
    ".matched": {"stroke": "ink", "stroke-width": "0.8", "stroke-dasharray": "1.5 2.5"},
    ".leader": {"stroke": "accent", "stroke-width": "1", "stroke-dasharray": "3 2"},
    ".interval": {"stroke": "ink", "stroke-width": "5"},
    ".interval-end": {"stroke": "ink", "stroke-width": "2"},
    ".samples": {
        "fill": "none",
        "stroke": "curve",
        "stroke-width": "11",
        "stroke-linejoin": "round",
        "stroke-linecap": "round",
    },
    ".dwell": {"stroke": "ink", "stroke-width": "2.4"},
    ".dwell-end": {"stroke": "ink", "stroke-width": "1"},
    ".seal-solid": {"fill": "currentColor"},
    ".seal-cut": {"fill": "none", "stroke": "#FFFFFF", "stroke-width": "6"},
    ".seal-broken": {
        "fill": "none",
        "stroke": "currentColor",
        "stroke-width": "5",
        "stroke-dasharray": "11 6.5",
    },
    ".code-ground": {"fill": "#FFFFFF"},
    ".code": {"fill": "#000000", "shape-rendering": "crispEdges"},
    ".seal-line": {"fill": "none", "stroke": "currentColor", "stroke-width": "5.5"},
}
HATCHES = (
    '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><path d="M0 0V6" stroke="#8A949B" stroke-width="1.6"/></pattern>'
    '<pattern id="hatch-wide" width="10" height="10" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="10" height="10" fill="#F4F4F2"/>'
    '<path d="M0 0V10" stroke="#C9CED1" stroke-width="2"/></pattern></defs>'
)
FONT = "Libertinus Serif"  # of the PDF; the page sets its charts in its own


@cache
def style_sheet() -> str:
    """The style sheet of a page with charts."""
    page = (files("lashmap_analysis.render") / "templates" / "style.css").read_text(encoding="utf-8")
    names = "".join(f"  --{name}: {colour};\n" for name, colour in COLOURS.items())
    return f":root {{\n{names}  color-scheme: light;\n}}\n{page}\n/* charts */\n{chart_rules()}"


@cache
def chart_rules() -> str:
    """The rules of the charts alone; each colour is a variable of its name, which the page sets."""
    return _rules({name: f"var(--{name})" for name in COLOURS})


def standalone(markup: Markup, *, colour: str = "ink") -> tuple[str, str]:
    """Make a file of a chart.

    Args:
        markup: From `charts.svg.chart`.
        colour: Name of what `currentColor` stands for.

    Returns:
        The file, and what a person without the picture must know.
    """
    svg = str(markup)
    words = [unescape(found) for found in re.findall(r"<(?:title|desc) [^>]*>([^<]*)<", svg)]
    start = svg.index("<title")
    style = f"<style>svg {{ color: {COLOURS[colour]}; }}\n{_paper_rules()}</style>"
    return f"{svg[:start]}{style}{HATCHES}{svg[start:]}", ". ".join(one.rstrip(".") for one in words) + "."


@cache
def _paper_rules() -> str:
    """The rules of a picture that stands by itself: it knows no variables, and brings its font."""
    return _rules({**COLOURS, "inherit": f'"{FONT}"'})


def _rules(meant: Mapping[str, str]) -> str:
    """The table as CSS, with what its names mean."""
    return "".join(
        f"{selector} {{ {' '.join(f'{key}: {meant.get(value, value)};' for key, value in style.items())} }}\n"
        for selector, style in STYLES.items()
    )
