"""The tight spot, seen in three ways, and what moved it there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.facts.review import SIGNED
from lashmap_analysis.facts.section import (
    WHOLE,
    Block,
    Figure,
    Grid,
    Group,
    Head,
    Section,
    number,
    rows_of,
    text,
    whole,
    yes_no,
)
from lashmap_analysis.record.lengths import format_length, format_spread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lashmap_analysis.judge.assessment import Assessment, TightSpotResult
    from lashmap_analysis.record.record import Units


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
MEASURAND = (
    "Normal backlash at the outer end, the least over the mesh cycle and over the roll within a pitch, at "
    "20 °C, at no rock torque, members seated as their bearings hold them."
)
STATED = Group(
    "stated", "from the lash map fitted to all positions: the figure that is judged; or null", SPOT
)
CONFIRMED = yes_no("confirmed", "true when a confirming position agrees with the prediction", required=False)
TOUCHED = (
    whole("gear_teeth_touched", "gear teeth that usable positions touched", "touched.gear"),
    whole("pinion_teeth_touched", "pinion teeth that usable positions touched", "touched.pinion"),
)
CAUSE = text("cause", "one sentence: where the tight spot lies and what moved it there")


def columns(way: str) -> tuple[Figure, ...]:
    """The columns of one way of seeing it; what the ways share says whose it is."""
    return tuple(
        one.under(way, name=f"{way}_{one.name}", meaning=f"{way} tight spot: {one.meaning}") for one in SPOT
    )


def _ways(assessment: Assessment) -> tuple[tuple[str, TightSpotResult | None], ...]:
    return (
        ("stated", assessment.stated),
        ("predicted", assessment.predicted),
        ("measured", assessment.measured),
    )


def _terminal(assessment: Assessment) -> Iterator[tuple[str, str]]:
    for way, spot in _ways(assessment):
        yield f"tight spot, {way}", _words(spot, assessment.record.units)
    yield "confirmed", "yes" if assessment.confirmed else "no"
    yield "teeth touched", assessment.touched.words
    if assessment.cause:
        yield "cause", assessment.cause


def _words(spot: TightSpotResult | None, units: Units) -> str:
    if spot is None:
        return "none"
    turn, angle_deg = divmod(round(spot.gear_angle_deg, 1), 360.0)
    return (
        f"engagement {spot.engagement}, {angle_deg:.1f}° of turn {int(turn) + 1}: normal backlash "
        f"{format_length(spot.normal_backlash_mm, units)}, 95 % {interval_words(spot, units)}"
    )


def spot_blocks(assessment: Assessment) -> tuple[Block, ...]:
    """The ways of seeing it as a table; nothing when nothing was seen."""
    units = assessment.record.units
    heads = (
        Head(f"backlash, {units}", 1.3),
        Head("value", 0.8, right=True),
        Head("95\N{NO-BREAK SPACE}%", 1.9, right=True, on_paper="95 %"),
        Head("engage\N{SOFT HYPHEN}ment", 1.2, right=True, on_paper="engagement"),
        Head("gear angle", 1.1, right=True),
    )
    rows = [
        (
            way,
            format_length(spot.normal_backlash_mm, units, with_unit=False),
            interval_words(spot, units, with_unit=False),
            str(spot.engagement),
            f"{spot.gear_angle_deg % 360:.1f}°",
        )
        for way, spot in _ways(assessment)
        if spot is not None
    ]
    return (Grid("", heads, rows_of(rows)),) if rows else ()


def confirmation(assessment: Assessment) -> str:
    """Whether the tight spot was gone to and measured, which teeth were, and how many positions were not."""
    count = len(assessment.record.left_out)
    without = f"{count} position{'s were' if count > 1 else ' was'} left out, see evidence." if count else ""
    aside = "" if assessment.touched.every else "; the interval does not cover a bad one among the others"
    teeth = f"Teeth touched: {assessment.touched.words}{aside}." if assessment.usable else ""
    return " ".join(one for one in (_confirmed(assessment), teeth, _setting(assessment), without) if one)


def _setting(assessment: Assessment) -> str:
    """How far readings scatter when the tip is set anew."""
    setting = None if assessment.lash_map is None else assessment.lash_map.setting
    if setting is None:
        return ""
    spread = format_spread(setting.standard_deviation_mm, assessment.record.units)
    return f"From one setting of the tip to the next readings scatter by {spread} (standard deviation)."


def _confirmed(assessment: Assessment) -> str:
    if assessment.stated is None:
        return ""
    if assessment.confirmed:
        return "Confirmed: measured there, and prediction and measurement agree within their uncertainties."
    if any(p.purpose == "confirming" for p in assessment.positions):
        return "Not confirmed: no confirming position agrees with the prediction within their uncertainties."
    return "Not confirmed: no confirming position was recorded."


def interval_words(
    spot: TightSpotResult, units: Units, *, short: bool = False, with_unit: bool = True
) -> str:
    """The 95 % interval, its unit once if `short`; a minimum's is not symmetric, so no ± is right."""
    low, high = spot.interval_mm
    lower = format_length(low, units, with_unit=with_unit and not short)
    return f"{lower} to {format_length(high, units, with_unit=with_unit)}"


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
                *TOUCHED,
                CAUSE,
                text("measurand", "what is stated, in one sentence", lambda _assessment: MEASURAND),
            ),
            WHOLE,
        ),
    ),
    results=(
        *columns("stated"),
        *columns("predicted"),
        *columns("measured"),
        CONFIRMED,
        *TOUCHED,
        CAUSE,
        SIGNED.under("review", name="review_signed"),
    ),
    terminal=_terminal,
)
