"""The cycle run: lash of every engagement, what ties it, and the transmission error of both flanks.

Names of the single-flank figures (total transmission error, tooth to tooth) are those of ISO 17485 and
ISO 10063 as far as they are known from memory: neither text was at hand.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Literal

import numpy as np

from lashmap_analysis.charts.cycle import cycle_chart, error_chart, spectrum_chart
from lashmap_analysis.cycle.curve import LashCurve
from lashmap_analysis.cycle.cycle import CycleFit
from lashmap_analysis.cycle.estimate import Disturbances, Estimate
from lashmap_analysis.cycle.transmission import TransmissionError, transmission_error
from lashmap_analysis.facts.lash_map import RUNOUT
from lashmap_analysis.facts.section import (
    TEST,
    Block,
    Chapter,
    Facts,
    Figure,
    Grid,
    Group,
    Head,
    Heading,
    Picture,
    Points,
    Rows,
    Section,
    Side,
    Table,
    Words,
    number,
    rows_of,
    text,
    whole,
    yes_no,
)
from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.judge.assessment import Assessment, CycleRun
from lashmap_analysis.judge.verdict import numbers
from lashmap_analysis.lash_map.once_per_turn import Runout
from lashmap_analysis.record.lengths import MISSING, MM_PER_INCH, format_length, format_rate, format_spread
from lashmap_analysis.record.record import PassTrace, Units


def _disturbed(name: str, meaning: str, uncertainty: str) -> tuple[Figure, Figure]:
    """A disturbance and its standard uncertainty, both null where the passes do not tell it."""

    def found(assessment: Assessment, what: Literal["value", "standard_uncertainty"]) -> float | None:
        fit = assessment.cycle
        if fit is None or fit.disturbances is None:
            return None
        estimate: Estimate = getattr(fit.disturbances, name.replace("_um_", "_mm_"))
        figure = estimate.value if what == "value" else estimate.standard_uncertainty
        return figure * (1e3 if "_um_" in name else 1.0) if estimate.known else None

    return (
        number(name, f"{meaning}; null where the passes do not tell it", partial(found, what="value")),
        number(
            uncertainty, "standard uncertainty of that; or null", partial(found, what="standard_uncertainty")
        ),
    )


def _level(assessment: Assessment) -> float | None:
    fit = assessment.cycle
    return fit.gear_set.normal_per_transverse * fit.level_mm.value if fit is not None and fit.good else None


def _level_uncertainty(assessment: Assessment) -> float | None:
    fit = assessment.cycle
    if fit is None or not fit.good:
        return None
    return fit.gear_set.normal_per_transverse * fit.level_mm.standard_uncertainty


def _seen(run: CycleRun) -> int | None:
    return None if run.fit is None else int(run.fit.seen.sum())


def _missing(run: CycleRun) -> str:
    return "" if run.fit is None else numbers(run.fit.missing.tolist())


def _together(one: PassTrace) -> bool:
    return np.array_equal(one.pinion_time_s, one.gear_time_s)


def _setting(assessment: Assessment) -> float | None:
    fit = assessment.cycle
    return fit.gear_set.normal_per_transverse * fit.setting_mm if fit is not None and fit.good else None


SPOT = (
    whole("engagement", "the tighter one beside the place of the least", "tight_spot.engagement"),
    whole("gear_tooth", "gear tooth there; the marked one is 1", lambda curve: _teeth(curve)[0]),
    whole("pinion_tooth", "pinion tooth there; the marked one is 1", lambda curve: _teeth(curve)[1]),
    number(
        "normal_backlash_mm", "least over all engagements and the roll within each", "tight_spot.backlash_mm"
    ),
    number("band_low_mm", "lower end of its 95 % band, without the set-up's part", "tight_spot.band_mm.0"),
    number("band_high_mm", "upper end of that band", "tight_spot.band_mm.1"),
)
RUN = (
    yes_no(
        "judges",
        "true when what is stated comes from it: it gives lash, and rocks at three places tie it",
        required=False,
    ),
    text("refusal", "why it does not judge; empty when it does"),
    text("disagree", "how rocks and passes contradict each other; empty when they agree"),
    text("remarks", "warnings, and passes that were left out"),
    whole("passes_used", "passes that went in", "used"),
    whole("engagements_seen", "engagements seen on both flanks", _seen, required=False),
    text("engagements_missing", "those that were not, in ranges", _missing),
    number("lost_share", "part of all places that was cut out as lost contact, 0 to 1", "fit.lost"),
    number(
        "repeatability_mm",
        "standard deviation of a fifteenth of an engagement of one pass, as an arc at the outer pitch circle",
        "fit.repeatability_mm",
    ),
)
DISTURBANCES = (
    *_disturbed(
        "skew_s",
        "by how much the gear's times are late; 0 with uncertainty 0 for counts taken together",
        "skew_standard_uncertainty_s",
    ),
    *_disturbed(
        "drift_mm_per_s",
        "drift of one encoder against the other, as an arc",
        "drift_standard_uncertainty_mm_per_s",
    ),
    *_disturbed(
        "wind_up_um_per_nm",
        "how far the brake makes the gear trail, as an arc",
        "wind_up_standard_uncertainty_um_per_nm",
    ),
)
LEVEL = (
    number("level_mm", "what the rocks added to the normal backlash of all engagements", _level),
    number(
        "level_standard_uncertainty_mm",
        "standard uncertainty of the level that they leave, without the set-up's part",
        _level_uncertainty,
    ),
)
SETTING = number(
    "setting_deviation_mm",
    "standard deviation from one setting of the tip to the next, normal backlash: root mean square of what "
    "the rocks beside the curve leave of it",
    _setting,
)
CURVE = (
    number("mean_mm", "mean normal backlash of all engagements"),
    number("loosest_mm", "largest normal backlash of an engagement"),
    number("variation_mm", "of the least within each engagement: largest less smallest"),
    number("variation_standard_uncertainty_mm", "standard uncertainty of that", "variation_uncertainty_mm"),
    number("mesh_ripple_mm", "peak to peak over the roll within an engagement, on average", "ripple_mm"),
    number("tooth_scatter_mm", "standard deviation about the once- and twice-per-turn parts"),
    text("moved_by", "which side moves the tight spot", "cause"),
)
ROCK = (
    whole("position", "number of the position"),
    whole("engagement", "in the mesh cycle"),
    yes_no("confirming", "true when it was asked for to confirm"),
    number("normal_backlash_mm", "of the rock, at the roll phase at which it was made", "backlash_mm"),
    number("standard_uncertainty_mm", "setting of the tip included"),
    number("off_mm", "rock less curve; null where the run says nothing"),
    number("apart", "distance from the other rocks beside the curve, in standard uncertainties; or null"),
)
FLANK = text("flank", "'drive' (the pinion turns forward) or 'coast'", "0")
ERROR = (
    number(
        "total_urad",
        "range over the mesh cycle, as a turn of the gear",
        lambda one: _urad(one[1], "total_mm"),
    ),
    number("total_mm", "the same as an arc at the outer pitch circle", "1.total_mm"),
    number(
        "tooth_to_tooth_urad",
        "largest range within one engagement, as a turn of the gear",
        lambda one: _urad(one[1], "tooth_to_tooth_mm"),
    ),
    number("tooth_to_tooth_mm", "the same as an arc at the outer pitch circle", "1.tooth_to_tooth_mm"),
)
ORDER = (
    text("name", "what turns that often; empty where nothing does", "1"),
    number("per_gear_turn", "cycles for each turn of the gear", "2", required=True),
    number("amplitude_urad", "half of its peak to peak, as a turn of the gear", "3", required=True),
    number("amplitude_mm", "the same as an arc at the outer pitch circle", "4", required=True),
)


def _urad(one: TransmissionError, name: str) -> float:
    arc: float = getattr(one, name)
    return one.per_mm_urad * arc


def _teeth(curve: LashCurve) -> tuple[int, int]:
    met = teeth_met(curve.gear_set, curve.tight_spot.engagement)
    return met.gear_tooth, met.pinion_tooth


def _flanks(assessment: Assessment) -> list[tuple[str, TransmissionError]]:
    """Transmission error of the flanks that are known over the whole cycle, with their names."""
    fit = assessment.cycle
    if fit is None or not fit.good:
        return []
    both = (("drive", transmission_error(fit)), ("coast", transmission_error(fit, coast=True)))
    return [(name, one) for name, one in both if one is not None]


def _orders(assessment: Assessment) -> Iterator[tuple[object, ...]]:
    """Every order of both flanks: flank, name, cycles for each turn of the gear, amplitudes."""
    for flank, one in _flanks(assessment):
        names = {round(order.per_gear_turn, 9): order.name for order in one.named}
        for order, amplitude in zip(one.per_gear_turn.tolist(), one.amplitude_mm.tolist(), strict=True):
            yield flank, names.get(round(order, 9), ""), order, one.per_mm_urad * amplitude, amplitude


def _named(flank: tuple[str, TransmissionError]) -> list[tuple[object, ...]]:
    name, one = flank
    return [
        (name, order.name, order.per_gear_turn, one.per_mm_urad * order.amplitude_mm, order.amplitude_mm)
        for order in one.named
    ]


def _engagements(assessment: Assessment) -> Iterator[tuple[object, ...]]:
    """Every engagement: number, gear angle, teeth, lash, its uncertainty, whether it was seen."""
    run = assessment.cycle_run
    if run is None or run.fit is None or run.curve is None:
        return
    gear_set = run.curve.gear_set
    columns = (run.curve.backlash_mm, run.curve.standard_uncertainty_mm, run.fit.seen)
    for engagement, line in enumerate(zip(*(one.tolist() for one in columns), strict=True)):
        met = teeth_met(gear_set, engagement)
        yield engagement, gear_set.gear_angle_deg(engagement), met.gear_tooth, met.pinion_tooth, *line


# In words.


def cycle_lines(assessment: Assessment) -> tuple[str, ...]:
    """The first page's line: that every tooth was touched, or what is missing, and what ties the run."""
    run = assessment.cycle_run
    if run is None:
        return ()
    if not run.judges or run.fit is None:
        return (run.refusal or "The cycle run does not judge.",)
    units = assessment.record.units
    count, rocks = run.fit.seen.size, [one for one in run.rocks if np.isfinite(one.off_mm)]
    seen = (
        f"Every tooth touched: all {count} engagements of the mesh cycle were seen on both flanks"
        if run.every
        else f"{run.fit.seen.sum()} of {count} engagements were seen on both flanks, missing: "
        f"{numbers(run.fit.missing.tolist(), most=6)}"
    )
    far = max((abs(one.off_mm) for one in rocks), default=0.0)
    tied = f"{len(rocks)} rocks tie them and lie within {format_length(far, units)} of the curve"
    return (f"Cycle run, {run.used} passes. {seen}; {tied}.",)


def _terminal(assessment: Assessment) -> Iterator[tuple[str, str]]:
    run, units = assessment.cycle_run, assessment.record.units
    if run is None:
        return
    for line in cycle_lines(assessment):
        yield "cycle run", line
    if run.curve is None or run.fit is None:
        return
    yield "cycle run, least", _least(run.curve, units)
    named = (
        ("gear", run.curve.gear_runout),
        ("pinion", run.curve.pinion_runout),
        ("both", run.curve.merged_runout),
    )
    for member, found in named:
        if found is not None:
            yield f"{member} runout", _runout(found, units)
    for flank, one in _flanks(assessment):
        yield f"{flank} flanks", f"transmission error {_error_words(one, units)}"


def _least(curve: LashCurve, units: Units) -> str:
    spot, (gear, pinion) = curve.tight_spot, _teeth(curve)
    low, high = (format_length(end, units, with_unit=False) for end in spot.band_mm)
    return (
        f"{format_length(spot.backlash_mm, units)} ({low} to {high}, 95 %, without the set-up's part) at "
        f"gear tooth {gear} with pinion tooth {pinion}, engagement {spot.engagement}"
    )


def _runout(found: Runout, units: Units) -> str:
    return (
        f"amplitude {format_length(found.amplitude_mm, units)} (u = "
        f"{format_spread(found.standard_uncertainty_mm, units)}), high point {found.high_point_deg:.0f}°"
    )


def _error_words(one: TransmissionError, units: Units) -> str:
    total, single = (
        f"{one.per_mm_urad * arc:.0f} µrad ({micro(arc, units)})"
        for arc in (one.total_mm, one.tooth_to_tooth_mm)
    )
    return f"total {total}, tooth to tooth {single} at the pitch circle"


def micro(length_mm: float, units: Units) -> str:
    """A small arc for people: micrometres, or millionths of an inch."""
    return f"{1e3 * length_mm:.2f} µm" if units == "mm" else f"{1e6 * length_mm / MM_PER_INCH:.0f} µin"


def _chapters(assessment: Assessment) -> Iterator[Chapter]:
    run = assessment.cycle_run
    if run is None:
        return
    words = [Words(one) for one in cycle_lines(assessment)]
    if run.disagree:
        words.append(Words(run.disagree, "strong"))
    if run.curve is not None and run.curve.separable.sentence:
        words.append(Words(run.curve.separable.sentence))
    told: tuple[Block, ...] = (Points(run.remarks),) if run.remarks else ()
    yield Chapter("Cycle run", "cycle-run", (*_picture(assessment), *words, *told, *_figures(assessment)))
    if flanks := _flanks(assessment):
        yield Chapter("Transmission error", "transmission-error", tuple(_error_blocks(assessment, flanks)))


def _picture(assessment: Assessment) -> tuple[Block, ...]:
    run, units = assessment.cycle_run, assessment.record.units
    if run is None or run.curve is None:
        return ()
    described = f"Least {_least(run.curve, units)}. {len(run.rocks)} rocks beside the curve."
    picture = cycle_chart(run, run.curve, units, name="cycle", description=described)
    hatched = " Hatched: not seen on both flanks." if run.fit is not None and run.fit.missing.size else ""
    key = f"Line and band: lash of every engagement, 95 %. Marks: rocks, diamonds confirm.{hatched}"
    return Picture(picture), Words(key, "small")


def _figures(assessment: Assessment) -> tuple[Block, ...]:
    run, units = assessment.cycle_run, assessment.record.units
    if run is None or run.fit is None or run.curve is None:
        return ()
    facts = (*_lash_rows(run.curve, units), *_run_rows(run, run.fit, assessment))
    # On paper they begin a page of their own where the chart fills the one before.
    heading = Heading("Cycle run: lash, passes and what was taken out of them")
    return (heading, Side((Facts(facts, width=42),), (_rocks(run, units),)))


def _lash_rows(curve: LashCurve, units: Units) -> Rows:
    variation = format_spread(curve.variation_uncertainty_mm, units)
    named = (
        ("gear", curve.gear_runout),
        ("pinion", curve.pinion_runout),
        ("both members", curve.merged_runout),
    )
    return (
        ("least", _least(curve, units)),
        ("mean, loosest", f"{format_length(curve.mean_mm, units)}, {format_length(curve.loosest_mm, units)}"),
        ("variation", f"{format_length(curve.variation_mm, units)}, u = {variation}"),
        *((f"once per turn, {name}", _runout(found, units)) for name, found in named if found is not None),
        ("tooth-to-tooth scatter", format_length(curve.tooth_scatter_mm, units)),
        (
            "ripple of the tooth mesh",
            f"{format_spread(curve.ripple_mm, units)} peak to peak within an engagement",
        ),
    )


def _run_rows(run: CycleRun, fit: CycleFit, assessment: Assessment) -> Rows:
    units = assessment.record.units
    seen = f"{fit.seen.sum()} of {fit.seen.size}"
    missing = f", missing {numbers(fit.missing.tolist(), most=12)}" if fit.missing.size else ""
    level, uncertainty = _level(assessment), _level_uncertainty(assessment)
    return (
        ("passes", f"{run.used} of {len(assessment.record.passes)} used"),
        ("engagements seen", f"{seen}{missing}"),
        ("cut out as lost contact", f"{100 * fit.lost:.2g} %"),
        ("repeatability of one pass", format_spread(fit.repeatability_mm, units)),
        *(_disturbance_rows(fit.disturbances, units) if fit.disturbances is not None else ()),
        ("between settings of the tip", f"{format_spread(_setting(assessment), units)} (standard deviation)"),
        (
            "level added by the rocks",
            f"{format_length(level, units, signed=True)}, u = {format_spread(uncertainty, units)}",
        ),
    )


def _disturbance_rows(found: Disturbances, units: Units) -> Rows:
    skew, drift, wind_up = found.skew_s, found.drift_mm_per_s, found.wind_up_mm_per_nm
    late = f"{1e3 * skew.value:.3f} ms, u = {1e3 * skew.standard_uncertainty:.3f} ms"
    rate = format_rate(1e3 * wind_up.value, "µm/(N m)", units)
    rate_u = format_rate(1e3 * wind_up.standard_uncertainty, "µm/(N m)", units)
    per_minute = format_length(60 * drift.value, units, signed=True)
    per_minute_u = format_spread(60 * drift.standard_uncertainty, units)
    return (
        (
            "time between the encoders",
            "none: counts taken together"
            if skew.standard_uncertainty == 0.0
            else late
            if skew.known
            else MISSING,
        ),
        (
            "drift in a minute",
            f"{per_minute}, u = {per_minute_u}" if drift.known else "not told by the passes",
        ),
        (
            "wind-up under the brake",
            f"{rate}, u = {rate_u}" if wind_up.known else "not told by the passes: it is in the rocks' level",
        ),
    )


def _rocks(run: CycleRun, units: Units) -> Grid:
    heads = (
        Head("position", 0.8, right=True),
        Head("engage\N{SOFT HYPHEN}ment", right=True, on_paper="engagement"),
        Head("rock", right=True),
        Head("u", right=True),
        Head("rock less curve", 1.2, right=True),
    )
    rows = [
        (
            f"{one.position}{' ◆' if one.confirming else ''}",
            str(one.engagement),
            format_length(one.backlash_mm, units, with_unit=False),
            format_spread(one.standard_uncertainty_mm, units, with_unit=False),
            format_length(one.off_mm, units, with_unit=False, signed=True),
        )
        for one in run.rocks
    ]
    return Grid(f"Rocks beside the curve, normal backlash, {units} (◆ confirming)", heads, rows_of(rows))


def _error_blocks(assessment: Assessment, flanks: list[tuple[str, TransmissionError]]) -> Iterator[Block]:
    units, teeth = assessment.record.units, assessment.record.gear_set.gear_teeth
    described = " ".join(f"{flank.capitalize()} flanks: {_error_words(one, units)}." for flank, one in flanks)
    yield Picture(error_chart(flanks, name="te", description=described))
    yield Picture(spectrum_chart(flanks, gear_teeth=teeth, name="te-orders", description=described))
    heads = (
        Head("flank, figure", 2.4),
        Head("cycles per gear turn", 1.2, right=True),
        Head("µrad of the gear", right=True),
        Head("arc at the pitch circle", 1.2, right=True),
    )
    rows = []
    for flank, one in flanks:
        for name, arc in (("total", one.total_mm), ("tooth to tooth", one.tooth_to_tooth_mm)):
            rows.append((f"{flank}, {name}", MISSING, f"{one.per_mm_urad * arc:.1f}", micro(arc, units)))
        for order in one.named:
            urad, arc_words = one.per_mm_urad * order.amplitude_mm, micro(order.amplitude_mm, units)
            rows.append((f"{flank}, {order.name}", f"{order.per_gear_turn:.5g}", f"{urad:.2f}", arc_words))
    yield Grid("Transmission error, orders by their amplitude", heads, rows_of(rows))
    yield Words(
        "Advance of the gear over the ideal ratio, about its mean: total is its range over the mesh cycle, "
        "tooth to tooth the largest range within one engagement (single-flank figures; names after ISO "
        "17485, from memory). What both encoders' graduations and mounts are off by is in them; the lash is "
        "free of that.",
        "small",
    )


SECTION = Section(
    figures=(
        Group(
            "cycle_run",
            "what the passes of a cycle run say; null in a test without passes",
            (
                *(one.under("cycle_run") for one in RUN),
                *DISTURBANCES,
                *LEVEL,
                SETTING,
                Group(
                    "least",
                    "the tightest place of all; null when the run is refused",
                    SPOT,
                    "cycle_run.curve",
                ),
                Group(
                    "lash",
                    "lash over the mesh cycle; null when the run is refused",
                    (
                        *CURVE,
                        Group("gear_runout", "the gear's once-per-turn part; or null", RUNOUT),
                        Group("pinion_runout", "the pinion's once-per-turn part; or null", RUNOUT),
                        Group("merged_runout", "in a 1:1 set the sum of both; or null", RUNOUT),
                    ),
                    "cycle_run.curve",
                ),
                Group("rocks", "usable positions beside the curve", ROCK, "cycle_run.rocks", many=True),
                Group(
                    "transmission_error",
                    "of each flank that is known over the whole mesh cycle, encoder errors included",
                    (
                        FLANK,
                        *ERROR,
                        Group("orders", "of gear, pinion and tooth mesh", ORDER, _named, many=True),
                    ),
                    _flanks,
                    many=True,
                ),
            ),
            lambda assessment: None if assessment.cycle_run is None else assessment,
        ),
    ),
    results=tuple(
        one.under("cycle_run", name=f"cycle_run_{one.name}", meaning=f"cycle run: {one.meaning}")
        for one in (
            RUN[0],
            RUN[5],
            *(one.under("curve") for one in (*SPOT[3:], CURVE[4])),
        )
    ),
    tables=(
        Table(
            name="passes",
            meaning="one pass of a cycle run, the last try at it",
            key=("test", "pass"),
            columns=(
                TEST,
                whole("pass", "its number in the order of asking, from 1", "number"),
                text(
                    "direction", "'forward' with the drive flanks in contact, or 'back' with the coast flanks"
                ),
                whole("attempt", "which try this is, from 1"),
                number(
                    "brake_nm", "torque of the brake on the gear's shaft; missing when nobody measured it"
                ),
                yes_no("taken_together", "true when both counts were taken at the same instants", _together),
                whole("pinion_samples", "samples of the encoder on the pinion", "pinion_deg.size"),
                whole("gear_samples", "samples of the encoder on the gear", "gear_deg.size"),
                *(
                    number(
                        f"{shaft}_time_standard_uncertainty_s",
                        f"of a usual time of the {shaft}'s encoder; missing when nobody stated it",
                        f"{shaft}_time_uncertainty_s",
                    )
                    for shaft in ("pinion", "gear")
                ),
            ),
            rows=lambda assessment: assessment.record.passes,
        ),
        Table(
            name="cycle",
            meaning="one engagement of the mesh cycle in the cycle run; no row without one that gives lash",
            key=("test", "engagement"),
            columns=(
                TEST,
                whole("engagement", "gear teeth past the matched teeth, 0 to the mesh cycle less one", "0"),
                number(
                    "gear_angle_deg", "gear angle past the matched teeth, not wrapped", "1", required=True
                ),
                whole("gear_tooth", "gear tooth there; the marked one is 1", "2"),
                whole("pinion_tooth", "pinion tooth there; the marked one is 1", "3"),
                number(
                    "backlash_mm",
                    "normal backlash as a rock there gives it; missing where its teeth were not met",
                    "4",
                ),
                number("standard_uncertainty_mm", "of that, without the set-up's part", "5"),
                yes_no("seen", "true when it was seen on both flanks", "6"),
            ),
            rows=_engagements,
        ),
        Table(
            name="transmission_error",
            meaning="one order of the transmission error of one flank, encoder errors included",
            key=("test", "flank", "per_gear_turn"),
            columns=(TEST, FLANK, *ORDER),
            rows=_orders,
        ),
    ),
    terminal=_terminal,
    chapters=_chapters,
)
