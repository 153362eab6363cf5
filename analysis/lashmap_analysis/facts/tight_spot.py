"""The tight spot, seen in three ways, what moved it there, and its uncertainty budget line by line."""

from __future__ import annotations

import math
from collections.abc import Iterator

from lashmap_analysis.facts.section import (
    TEST,
    WHOLE,
    Block,
    Cell,
    Chapter,
    Figure,
    Grid,
    Group,
    Head,
    Row,
    Section,
    Table,
    Words,
    number,
    numbered,
    place,
    rows_of,
    text,
    whole,
    yes_no,
)
from lashmap_analysis.judge.assessment import Assessment, TightSpotResult
from lashmap_analysis.record.lengths import format_length, format_spread
from lashmap_analysis.record.record import Units

SPOT = (
    whole("engagement", "gear teeth past the matched teeth", required=False),
    whole("gear_tooth", "gear tooth there; the marked one is 1", "teeth.gear_tooth", required=False),
    whole("pinion_tooth", "pinion tooth there; the marked one is 1", "teeth.pinion_tooth", required=False),
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
SIGNED = text("signed", "what the last signature is worth now; empty without one")
MEASURAND = (
    "Normal backlash at the outer end, the least over the mesh cycle and over the roll within a pitch, at "
    "20 °C, from flank to flank at no rock torque (no trace shows an even press, or a stop that repeats "
    "short of a flank), members seated as their bearings hold them."
)
READ_BY_EYE = "The readings were read by eye and typed: no trace shows light rocks and a held pinion."
STATED = Group(
    "stated",
    "the figure that is judged: of the cycle run where it judges, else of the map of all positions; or null",
    SPOT,
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
    by_map = assessment.judged is assessment.lash_map  # a cycle run that judges has seen it, not predicted it
    predicted = (("predicted", assessment.predicted),) if by_map else ()
    return (("stated", assessment.stated), *predicted, ("measured", assessment.measured))


def _terminal(assessment: Assessment) -> Iterator[tuple[str, str]]:
    for way, spot in _ways(assessment):
        without = interval_without(assessment) if way == "stated" else ""
        yield f"tight spot, {way}", ", ".join(filter(None, (_words(spot, assessment.record.units), without)))
    yield "confirmed", f"yes{_elsewhere(assessment)}" if assessment.confirmed else "no"
    yield "teeth touched", assessment.touched.words
    if assessment.cause:
        yield "cause", assessment.cause


def _words(spot: TightSpotResult | None, units: Units) -> str:
    if spot is None:
        return "none"
    turn, angle_deg = divmod(round(spot.gear_angle_deg, 1), 360.0)
    return (
        f"{spot.teeth} (engagement {spot.engagement}, {angle_deg:.1f}° of turn {int(turn) + 1}): normal "
        f"backlash {format_length(spot.normal_backlash_mm, units)}, 95 % {interval_words(spot, units)}"
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
    """Whether the tight spot was gone to and measured, and how many positions were not.

    Which teeth were touched stands beside the interval (`interval_without`), and in the evidence.
    """
    count = len(assessment.record.left_out)
    without = f"{count} position{'s were' if count > 1 else ' was'} left out, see evidence." if count else ""
    return " ".join(one for one in (_confirmed(assessment), _setting(assessment), without) if one)


def _setting(assessment: Assessment) -> str:
    """How far readings scatter when the tip is set anew."""
    run = assessment.cycle_run
    if run is not None and run.fit is not None and run.judges:
        deviation = run.fit.gear_set.normal_per_transverse * run.fit.setting_mm
    elif assessment.lash_map is not None and assessment.lash_map.setting is not None:
        deviation = assessment.lash_map.setting.standard_deviation_mm
    else:
        return ""
    spread = format_spread(deviation, assessment.record.units)
    return f"From one setting of the tip to the next readings scatter by {spread} (standard deviation)."


def _confirmed(assessment: Assessment) -> str:
    if assessment.stated is None:
        return ""
    if assessment.confirmed:
        where = _elsewhere(assessment).removeprefix(", ") or "measured there"
        return f"Confirmed: {where}, and prediction and measurement agree within their uncertainties."
    if any(p.purpose == "confirming" for p in assessment.positions):
        return "Not confirmed: no confirming position agrees with the prediction within their uncertainties."
    return "Not confirmed: no confirming position was recorded."


def _elsewhere(assessment: Assessment) -> str:
    """Where it was confirmed, unless at the engagement that is stated."""
    stated, measured = assessment.stated, assessment.measured
    if stated is None or measured is None or stated.engagement == measured.engagement:
        return ""
    return f", measured at engagement {measured.engagement}, which is as tight within the uncertainties"


def interval_words(spot: TightSpotResult, units: Units, *, with_unit: bool = True) -> str:
    """The 95 % interval, its unit once; a minimum's is not symmetric, so no ± is right."""
    low, high = spot.interval_mm
    lower = format_length(low, units, with_unit=False)
    return f"{lower} to {format_length(high, units, with_unit=with_unit)}"


def interval_without(assessment: Assessment) -> str:
    """What the 95 % interval leaves out; empty when every tooth was touched or none is stated."""
    left = assessment.touched.left
    return f"without the {left} that no position touched" if left and assessment.stated else ""


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


QUANTITY = text("quantity", "what is uncertain")
VALUE = text("value", "its figure as text with unit")
DISTRIBUTION = text("distribution", "'normal', 'rectangular' or 't'")
CORRECTION = number("correction_mm", "what was added to the stated backlash on its account", required=True)
CONTRIBUTION = number("standard_uncertainty_mm", "contribution to the stated backlash", required=True)
FREEDOM = number("degrees_of_freedom", "of that contribution; null when infinite")
SOURCE = text("source", "where the figure comes from")
REMEDY = text("remedy", "what would make it smaller; empty when nothing on the stand would")
BUDGET = (
    number("combined_standard_uncertainty_mm", "root sum of squares of the lines", "combined_mm"),
    number("degrees_of_freedom", "effective (Welch-Satterthwaite); null when infinite"),
    number("coverage_factor", "k at 95 %"),
    number("expanded_uncertainty_mm", "expanded uncertainty at 95 %", "expanded_mm"),
    Group(
        "lines",
        "contributions in the order they are shown",
        (QUANTITY, VALUE, CORRECTION, DISTRIBUTION, CONTRIBUTION, FREEDOM, SOURCE, REMEDY),
        many=True,
    ),
)
_HEADS = (
    Head("quantity", 1.8),
    Head("value", 1.7),
    Head("distribution", 0.9),
    Head("u", 0.8, right=True),
    Head("deg. of freedom", 0, right=True),
    Head("share of variance", 0),
    Head("source", 2.8),
)


def budget_blocks(assessment: Assessment) -> tuple[Block, ...]:
    """The budget as a table, each line with its share of the combined variance; nothing without one."""
    budget, units = assessment.budget, assessment.record.units
    if budget is None:
        return ()
    total = sum(line.standard_uncertainty_mm**2 for line in budget.lines)
    rows = [
        Row(
            (
                line.quantity,
                line.value,
                line.distribution,
                format_spread(line.standard_uncertainty_mm, units, with_unit=False),
                _freedom(line.degrees_of_freedom),
                _share(line.standard_uncertainty_mm**2 / total if total > 0 else 0.0),
                line.source,
            )
        )
        for line in budget.lines
    ]
    combined = format_spread(budget.combined_mm, units, with_unit=False)
    freedom, name = _freedom(budget.degrees_of_freedom), Cell("combined standard uncertainty", span=3)
    rows.append(Row((name, combined, freedom, Cell(span=2)), "total first"))
    name = Cell(f"expanded uncertainty U at 95 %, k = {budget.coverage_factor:.2f}", span=3)
    rows.append(Row((name, Cell(format_spread(budget.expanded_mm, units), span=2), Cell(span=2)), "total"))
    caption = f"Contributions to the standard uncertainty of the stated backlash, {units}"
    return (Grid(caption, _HEADS, tuple(rows), "wide whole"),)


def _share(part: float) -> Cell:
    return Cell(f"{round(100 * part)} %", share=round(100 * part))


def _freedom(degrees: float) -> str:
    """Write degrees of freedom: whole below, cut off rather than rounded up (GUM G.4.1)."""
    if math.isnan(degrees):
        return "–"
    return "∞" if math.isinf(degrees) or degrees > 1e6 else str(math.floor(degrees))


def _budget_chapters(assessment: Assessment) -> Iterator[Chapter]:
    none = Words("No tight spot is stated, so there is no uncertainty to account for.", "missing")
    yield Chapter("Uncertainty of the tight spot", "budget", budget_blocks(assessment) or (none,))


BUDGET_SECTION = Section(
    figures=(Group("budget", "uncertainty of tight_spot.stated; null when nothing is stated", BUDGET),),
    tables=(
        Table(
            name="budget",
            meaning="one contribution to the uncertainty of the stated tight spot",
            key=("test", "line"),
            columns=(
                TEST,
                place("its place in the budget, from 1"),
                QUANTITY.under("1"),
                VALUE.under("1", name="figure"),
                CORRECTION.under("1"),
                DISTRIBUTION.under("1"),
                CONTRIBUTION.under("1"),
                FREEDOM.under("1", meaning="of that contribution; missing when infinite"),
                SOURCE.under("1"),
                REMEDY.under("1"),
            ),
            rows=lambda assessment: numbered(assessment.budget.lines if assessment.budget else ()),
        ),
    ),
    chapters=_budget_chapters,
)
