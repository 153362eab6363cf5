"""The sign of the verdict: each outcome has a shape of its own, for grey print and for any eyes."""

from __future__ import annotations

from markupsafe import Markup

from lashmap_analysis.report.charts_svg import chart, circle, rectangle
from lashmap_analysis.verdict import Outcome

SIZE = 64.0


def seal(outcome: Outcome) -> Markup:
    """Draw the sign of an outcome: ticked disc, crossed square, or broken ring with a question mark."""
    if outcome == "conforming":
        shapes = circle(32, 32, 29, "seal-solid") + '<path class="seal-cut" d="M18 33l10 10 19-22"/>'
    elif outcome == "nonconforming":
        shapes = (
            rectangle(4, 4, 56, 56, "seal-solid") + '<path class="seal-cut" d="M19 19l26 26M45 19l-26 26"/>'
        )
    else:
        shapes = (
            circle(32, 32, 28, "seal-broken")
            + '<path class="seal-line" d="M23 25c0-13 18-12 18-1 0 8-9 7-9 16"/>'
            + circle(32, 48, 3, "seal-solid")
        )
    return chart("seal", SIZE, SIZE, f"Verdict: {outcome}", "Sign of the verdict.", shapes)
