"""The lash map in figures: its mean, its variation, and the once-per-turn parts that stand by themselves."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from lashmap_analysis.charts.lash_map import around_spot, lash_view, map_chart
from lashmap_analysis.facts.section import (
    TEST,
    WHOLE,
    Block,
    Chapter,
    Facts,
    Grid,
    Group,
    Head,
    Picture,
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
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.doubts import remarks_of
from lashmap_analysis.lash_map.lash_map import LashMap, Runout
from lashmap_analysis.lash_map.once_per_turn import ANY_ANGLE_DEG
from lashmap_analysis.record.lengths import format_length, format_spread
from lashmap_analysis.record.record import Units

RUNOUT = (
    number(
        "amplitude_mm", "amplitude of the once-per-turn part of the normal backlash (half of peak to peak)"
    ),
    number(
        "high_point_deg",
        "angle of the member past the matched teeth where its runout takes most backlash away",
    ),
    number("standard_uncertainty_mm", "standard uncertainty of the amplitude"),
    number("fim_mm", "full indicator movement perpendicular to the pitch cone that explains it"),
    number(
        "high_point_standard_uncertainty_deg",
        "standard uncertainty of the high point; 104 means unknown",
        "high_point_uncertainty_deg",
    ),
)
SEPARABLE = (
    yes_no("gear", "true when the gear's part stands by itself"),
    yes_no("pinion", "true when the pinion's part stands by itself"),
    text("sentence", "what is merged with what, and why; empty when both stand"),
    text("remedy", "the measurement that would separate them; empty when both stand"),
    text("add_engagements", "positions that would separate them, when positions can"),
)
MAP = (
    number("mean_mm", "mean normal backlash"),
    number("mean_standard_uncertainty_mm", "standard uncertainty of the mean", "mean_uncertainty_mm"),
    number("loosest_mm", "largest predicted normal backlash over the mesh cycle"),
    number("variation_mm", "largest minus smallest predicted normal backlash over the mesh cycle"),
    number(
        "variation_standard_uncertainty_mm",
        "standard uncertainty of the variation",
        "variation_uncertainty_mm",
    ),
    number("tooth_scatter_mm", "standard deviation from tooth to tooth about the once-per-turn terms"),
    number(
        "setting_deviation_mm",
        "standard deviation from one setting of the tip to the next: median of the map's posterior",
        "setting.standard_deviation_mm",
    ),
    number("setting_low_mm", "lower end of its 95 % interval", "setting.interval_mm.0"),
    number("setting_high_mm", "upper end of its 95 % interval", "setting.interval_mm.1"),
    number(
        "repeats_deviation_mm",
        "pooled standard deviation of engagements measured more than once, tip set anew; null without",
        "setting.pooled_mm",
    ),
    whole("repeats_degrees_of_freedom", "of that", "setting.degrees_of_freedom", required=False),
)
# Order of the columns of the table of results; the high point's uncertainty is in the document only.
_EXPORTED = ("amplitude_mm", "standard_uncertainty_mm", "high_point_deg", "fim_mm")


def _engagements(assessment: Assessment) -> list[tuple[object, ...]]:
    """Every engagement of the mesh cycle: number, gear angle, backlash, uncertainty, chance."""
    lash_map = assessment.lash_map
    if lash_map is None:
        return []
    cycle = lash_map.gear_set.mesh_cycle
    engagements = np.arange(cycle, dtype=np.int64)
    prediction = lash_map.predict(engagements)
    chances = lash_map.tightest_probability
    angles = [lash_map.gear_set.gear_angle_deg(one) for one in range(cycle)]
    known = chances.tolist() if len(chances) == cycle else [None] * cycle
    figures = (engagements, angles, prediction.backlash_mm, prediction.standard_uncertainty_mm, known)
    return list(zip(*(np.asarray(one, dtype=object).tolist() for one in figures), strict=True))


def _part(member: str, meaning: str) -> Group:
    return Group(member, meaning, RUNOUT, f"lash_map.{member}_runout")


_HEADS = (
    Head("member", 1.4),
    Head("amplitude", 1.2, right=True),
    Head("u", right=True),
    Head("high point", 1.2, right=True),
    Head("u", right=True),
    Head("FIM", right=True),
)
# An angle known hardly better than any angle at all is no figure to print (common practice, no source).
_UNKNOWN = 0.9


def _terminal(assessment: Assessment) -> Iterator[tuple[str, str]]:
    units = assessment.record.units
    # Where the cycle run is judged it says its own runouts.
    lash_map = assessment.lash_map if assessment.lash_map is assessment.judged else None
    if lash_map is not None:
        yield "gear runout", _runout_words(lash_map.gear_runout, units)
        yield "pinion runout", _runout_words(lash_map.pinion_runout, units)
    for sweep in assessment.sweeps if assessment.judged is not None else ():
        yield f"{sweep.member} sweep", sweep.sentence
    if lash_map is None:
        return
    for words in (lash_map.separable.sentence, lash_map.separable.remedy):
        # What stands among the verdict's notes is not said again.
        if words in remarks_of(assessment) and words not in assessment.verdict.cautions:
            yield "", words


def _runout_words(runout: Runout | None, units: Units) -> str:
    if runout is None:
        return "not told apart"
    return (
        f"amplitude {format_length(runout.amplitude_mm, units)} of normal backlash (standard uncertainty "
        f"{format_spread(runout.standard_uncertainty_mm, units)}), high point {runout.high_point_deg:.0f}°"
    )


def _chapters(assessment: Assessment) -> Iterator[Chapter]:
    view = lash_view(assessment)
    # The first page shows that much already where the mesh cycle is short.
    if view is not None and view.spot is not None and view.cycle > 1.5 * view.gear_teeth:
        picture = map_chart(
            view,
            around_spot(view, view.spot),
            name="around",
            title="Lash map over one gear turn around the tight spot",
            description=f"Engagement {view.spot.engagement} in the middle, one gear turn wide.",
            height=180.0,
        )
        yield Chapter("One gear turn around the tight spot", "around-h", (Picture(picture),))
    facts = _map_facts(assessment)
    beside = _beside_cycle(assessment)
    left = (*_parts(assessment), *map(Words, (*beside, *_separable_words(assessment))))
    side = Side(left, (Facts(facts, width=42),) if facts else ())
    yield Chapter("Runout and variation", "runout", (side,))


def _beside_cycle(assessment: Assessment) -> tuple[str, ...]:
    """Say that this map is not what is judged; nothing when it is, or when there is none."""
    if assessment.lash_map is None or assessment.lash_map is assessment.judged:
        return ()
    return ("This is the map of the rocks alone. It stands beside the cycle run, which is judged.",)


def _parts(assessment: Assessment) -> tuple[Block, ...]:
    """The once-per-turn parts that stand by themselves."""
    lash_map, units = assessment.lash_map, assessment.record.units
    if lash_map is None:
        return ()
    named = (
        ("gear", lash_map.gear_runout),
        ("pinion", lash_map.pinion_runout),
        ("both, not told apart", lash_map.merged_runout),
    )
    rows = [_row(member, runout, units) for member, runout in named if runout is not None]
    if not rows:
        return ()
    return (
        Grid(f"Once-per-turn parts of the normal backlash, {units}", _HEADS, rows_of(rows)),
        Words(
            "High point: angle of the member past the matched teeth at which its runout takes most backlash "
            "away. FIM: full indicator movement perpendicular to the pitch cone that explains the amplitude.",
            "small",
        ),
    )


def _row(member: str, runout: Runout, units: Units) -> tuple[str, ...]:
    known = runout.high_point_uncertainty_deg < _UNKNOWN * ANY_ANGLE_DEG
    return (
        member,
        format_length(runout.amplitude_mm, units, with_unit=False),
        format_spread(runout.standard_uncertainty_mm, units, with_unit=False),
        f"{runout.high_point_deg:.0f}°",
        f"{runout.high_point_uncertainty_deg:.0f}°" if known else "unknown",
        format_length(runout.fim_mm, units, with_unit=False),
    )


def _separable_words(assessment: Assessment) -> tuple[str, ...]:
    """Say what can and cannot be told apart, and what would separate it."""
    lash_map = assessment.lash_map
    if lash_map is None:
        return (why_no_map(assessment) or "No lash map was fitted to the rocks: the cycle run is judged.",)
    separable = lash_map.separable
    # What the verdict says already is not said again.
    remarks = [remark for remark in remarks_of(assessment) if remark not in assessment.verdict.cautions]
    candidates = (separable.sentence, *remarks)
    words = list(dict.fromkeys(sentence for sentence in candidates if sentence))
    if not words and separable.gear and separable.pinion:
        words.append("The positions tell the gear's part and the pinion's part apart.")
    missing = [
        member
        for member, runout in (("gear", lash_map.gear_runout), ("pinion", lash_map.pinion_runout))
        if runout is None
    ]
    if missing and lash_map.merged_runout is None:
        words.append(f"No once-per-turn part is stated for the {' and the '.join(missing)}.")
    return tuple(words)


def _map_facts(assessment: Assessment) -> Rows:
    """List the figures of the lash map."""
    lash_map, units = assessment.lash_map, assessment.record.units
    if lash_map is None:
        return ()
    return (
        ("terms fitted", ", ".join(lash_map.terms)),
        ("mean backlash", _with_u(lash_map.mean_mm, lash_map.mean_uncertainty_mm, units)),
        ("loosest", format_length(lash_map.loosest_mm, units)),
        (
            "variation, loosest minus tightest",
            _with_u(lash_map.variation_mm, lash_map.variation_uncertainty_mm, units),
        ),
        ("tooth-to-tooth scatter", format_length(lash_map.tooth_scatter_mm, units)),
        *_setting_facts(lash_map, units),
        ("tight spot moved by", lash_map.cause.replace("not separable", "not told apart")),
    )


def _setting_facts(lash_map: LashMap, units: Units) -> Rows:
    """How far readings scatter between settings of the tip, and how that is known."""
    setting = lash_map.setting
    if setting is None:
        return ()
    low, high = (format_spread(end, units) for end in setting.interval_mm)
    spread = format_spread(setting.standard_deviation_mm, units)
    words = f"{spread} (standard deviation; {low} to {high}, 95 %)"
    freedom = setting.degrees_of_freedom
    if freedom == 0:
        return (("between settings of the tip", words), ("from repeats alone", "no engagement was repeated"))
    pooled = (
        f"{format_spread(setting.pooled_mm, units)}, {freedom} degree{'s' if freedom > 1 else ''} of freedom"
    )
    return (("between settings of the tip", words), ("from repeats alone", pooled))


def _with_u(value_mm: float, uncertainty_mm: float, units: Units) -> str:
    value = format_length(value_mm, units)
    return value if math.isnan(uncertainty_mm) else f"{value}, u = {format_spread(uncertainty_mm, units)}"


def why_no_map(assessment: Assessment) -> str:
    """Say why there is no lash map; empty when there is one, or a cycle run that is judged."""
    if assessment.judged is not None:
        return ""
    count, usable = len(assessment.positions), assessment.usable
    if count == 0:
        return "No position was recorded, so there is no lash map and no tight spot."
    if usable == 0:
        return (
            f"None of the {count} recorded positions gave a usable reading, so there is no lash map. "
            "The traces below show what was recorded."
        )
    return (
        f"{usable} of {count} recorded positions gave a usable reading; no lash map could be fitted to them."
    )


SECTION = Section(
    figures=(
        Group(
            "runout",
            "once-per-turn parts of the lash map",
            (
                _part("gear", "the gear's part; null when it does not stand by itself or nothing was fitted"),
                _part(
                    "pinion", "the pinion's part; null when it does not stand by itself or nothing was fitted"
                ),
                _part("merged", "in a 1:1 set the sum of both members' parts; otherwise null"),
                Group(
                    "separable",
                    "which parts the positions can tell apart; null when nothing was fitted",
                    SEPARABLE,
                    "lash_map.separable",
                ),
            ),
            WHOLE,
        ),
        Group(
            "lash_map",
            "the fitted lash map; null when the usable positions do not allow a fit",
            (
                text("terms", "terms that were fitted", "lash_map.terms"),
                *(one.under("lash_map") for one in MAP),
                text("cause", "which side moves the tight spot", "lash_map.cause"),
                text("remarks", "sentences for the technician: outliers, what is merged", remarks_of),
            ),
            lambda assessment: None if assessment.lash_map is None else assessment,
        ),
    ),
    results=(
        *(one.under("lash_map") for one in MAP),
        *(
            one.under(
                f"lash_map.{member}_runout",
                name=f"{member}_runout_{name}",
                meaning=f"{member} runout: {one.meaning}",
            )
            for member in ("gear", "pinion", "merged")
            for name in _EXPORTED
            for one in RUNOUT
            if one.name == name
        ),
    ),
    tables=(
        Table(
            name="lash_map",
            meaning="one engagement of the mesh cycle in the fitted lash map; no row without a fit",
            key=("test", "engagement"),
            columns=(
                TEST,
                whole("engagement", "gear teeth past the matched teeth, 0 to the mesh cycle less one", "0"),
                number(
                    "gear_angle_deg", "gear angle past the matched teeth, not wrapped", "1", required=True
                ),
                number(
                    "backlash_mm",
                    "normal backlash at the outer pitch radius, best estimate",
                    "2",
                    required=True,
                ),
                number(
                    "standard_uncertainty_mm",
                    "of that, tooth-to-tooth scatter included, the set-up's part not",
                    "3",
                    required=True,
                ),
                number("tightest_probability", "chance that this engagement is the tightest, 0 to 1", "4"),
            ),
            rows=_engagements,
        ),
    ),
    terminal=_terminal,
    chapters=_chapters,
)
