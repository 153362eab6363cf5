"""SVG as text: the few shapes the charts are drawn with, and the frame that gives each chart its words.

Everything a person or a file may have written is escaped here, once. Where the shapes go is not decided here.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape as escape_markup

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lashmap_analysis.report.visible import visible

Floats = NDArray[np.float64]


def escape(words: str) -> str:
    """Write words as SVG text or attribute, hidden characters by their numbers."""
    return escape_markup(visible(words))


def pixel(value: float) -> str:
    """Write a coordinate to a tenth of a pixel, without needless zeros."""
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


def text(
    x: float, y: float, words: str, *, style: str = "t", anchor: str = "start", turn: float = 0.0
) -> str:
    """Write words at a point; `style` names a class of the style sheet, `turn` rotates in degrees."""
    turned = f' transform="rotate({pixel(turn)} {pixel(x)} {pixel(y)})"' if turn else ""
    anchored = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return f'<text class="{style}" x="{pixel(x)}" y="{pixel(y)}"{anchored}{turned}>{escape(words)}</text>'


def line(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
    """Draw a straight line."""
    return f'<path class="{style}" d="M{pixel(x1)} {pixel(y1)}L{pixel(x2)} {pixel(y2)}"/>'


def polyline(x: Floats, y: Floats, style: str, *, closed: bool = False) -> str:
    """Draw a line through points, shapes (n,) and (n,); closed, it is an area."""
    points = " ".join(f"{pixel(a)},{pixel(b)}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
    return f'<{"polygon" if closed else "polyline"} class="{style}" points="{points}"/>'


def rectangle(x: float, y: float, width: float, height: float, style: str) -> str:
    """Draw a rectangle."""
    return (
        f'<rect class="{style}" x="{pixel(x)}" y="{pixel(y)}" '
        f'width="{pixel(max(width, 0.0))}" height="{pixel(max(height, 0.0))}"/>'
    )


def circle(x: float, y: float, radius: float, style: str) -> str:
    """Draw a circle."""
    return f'<circle class="{style}" cx="{pixel(x)}" cy="{pixel(y)}" r="{pixel(radius)}"/>'


def marker(x: float, y: float, kind: str) -> str:
    """Draw the mark of a position: every kind has a shape of its own, so that none depends on colour.

    Args:
        x: Centre.
        y: Centre.
        kind: ``planned`` dot, ``confirming`` diamond, ``outlier`` crossed ring, ``matched`` triangle that
            points down, ``tight`` ring with a dot.
    """
    if kind == "confirming":
        return (
            f'<path class="m-confirming" d="M{pixel(x)} {pixel(y - 5)}L{pixel(x + 5)} {pixel(y)}'
            f'L{pixel(x)} {pixel(y + 5)}L{pixel(x - 5)} {pixel(y)}Z"/>'
        )
    if kind == "outlier":
        return circle(x, y, 4, "m-open") + line(x - 3, y - 3, x + 3, y + 3, "m-cross")
    if kind == "matched":
        return f'<path class="m-matched" d="M{pixel(x - 5)} {pixel(y - 9)}h10l-5 9Z"/>'
    if kind == "tight":
        return circle(x, y, 7, "m-tight")
    return circle(x, y, 2.6, "m-planned")


def chart(
    name: str,
    width: float,
    height: float,
    title: str,
    description: str,
    *shapes: str,
    reading: Mapping[str, str | float] | None = None,
) -> Markup:
    """Frame shapes as one picture that a screen reader can name.

    Args:
        name: Unique in the page, letters, digits and hyphens.
        width: Of the drawing, in CSS pixels.
        height: Of the drawing, in CSS pixels.
        title: What it shows, in a few words.
        description: What a person without the picture must know.
        shapes: SVG text from the functions of this module.
        reading: What the page's script needs to tell the figures under the pointer, as ``data-`` attributes;
            None for a picture that has none.
    """
    data = "".join(
        f' data-{key}="{value:.10g}"' if isinstance(value, float) else f' data-{key}="{escape(value)}"'
        for key, value in (reading or {}).items()
    )
    return Markup(  # noqa: S704  (shapes come from the functions above, which escape every text)
        f'<svg class="chart" role="img" aria-labelledby="{name}-t {name}-d" viewBox="0 0 {pixel(width)} '
        f'{pixel(height)}" width="{pixel(width)}" height="{pixel(height)}" xmlns="http://www.w3.org/2000/svg"{data}>'
        f'<title id="{name}-t">{escape(title)}</title><desc id="{name}-d">{escape(description)}</desc>'
        f"{''.join(shapes)}</svg>"
    )
