"""The tight spot, seen in three ways, and what moved it there."""

from __future__ import annotations

from lashmap_analysis.facts.figure import WHOLE, Figure, Group, Section, number, text, whole, yes_no
from lashmap_analysis.facts.review import SIGNED

SPOT = (
    whole("engagement", "gear teeth past the matched teeth", required=False),
    number("gear_angle_deg", "gear angle past the matched teeth"),
    number("normal_backlash_mm", "normal backlash at the outer pitch radius"),
    number("standard_uncertainty_mm", "combined standard uncertainty"),
    number("expanded_uncertainty_mm", "expanded uncertainty at 95 %"),
    number(
        "interval_low_mm",
        "lower end of the 95 % interval; a minimum's interval need not be symmetric",
        "interval_mm.0",
    ),
    number("interval_high_mm", "upper end of the 95 % interval", "interval_mm.1"),
)
STATED = Group(
    "stated", "from the lash map fitted to all positions: the figure that is judged; or null", SPOT
)
CONFIRMED = yes_no("confirmed", "true when a confirming position agrees with the prediction", required=False)
CAUSE = text("cause", "one sentence: where the tight spot lies and what moved it there")


def columns(way: str) -> tuple[Figure, ...]:
    """The columns of one way of seeing it; what the ways share says whose it is."""
    return tuple(
        one.under(way, name=f"{way}_{one.name}", meaning=f"{way} tight spot: {one.meaning}") for one in SPOT
    )


SECTION = Section(
    figures=(
        Group(
            "tight_spot",
            "the engagement with the least backlash, seen in three ways",
            (
                Group(
                    "measured",
                    "the confirming position, or the tightest measured one; null when none is usable",
                    SPOT,
                ),
                Group(
                    "predicted",
                    "from the lash map fitted without the confirming positions; null when not fitted",
                    SPOT,
                ),
                STATED,
                CONFIRMED,
                CAUSE,
            ),
            WHOLE,
        ),
    ),
    results=(
        *columns("stated"),
        *columns("predicted"),
        *columns("measured"),
        CONFIRMED,
        CAUSE,
        SIGNED.under("review", name="review_signed"),
    ),
)
