"""The positions: what every rock read, and its flags.

What a refused rock would have read is no reading, and stays with its flags alone.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from lashmap_analysis.charts.trace import trace_chart
from lashmap_analysis.facts.section import (
    TEST,
    Block,
    Cell,
    Chapter,
    Facts,
    FlagRow,
    Flags,
    Grid,
    Group,
    Head,
    Of,
    Points,
    Row,
    Rows,
    Section,
    Table,
    TraceFigure,
    Traces,
    Words,
    number,
    taken,
    text,
    whole,
    yes_no,
)
from lashmap_analysis.judge.assessment import Assessment, PositionResult, Review
from lashmap_analysis.record.lengths import (
    DECIMALS,
    MISSING,
    UNIT_NAMES,
    format_angle,
    format_length,
    format_spread,
)
from lashmap_analysis.record.record import Purpose, RockTrace, Units
from lashmap_analysis.rock.flags import Flag


def _read(of: str) -> Of:
    return lambda position: taken(of, position) if position.usable else None


POSITION = (
    whole("position", "number in the order of recording, from 1"),
    whole("engagement", "gear teeth past the matched teeth"),
    text("purpose", "'planned', 'confirming', or how the pair was rolled on: 'third back', 'third forward'"),
    whole("attempt", "which try this is, from 1"),
    number("gear_angle_deg", "middle of the two dwells, past the matched teeth, not wrapped"),
    yes_no("usable", "false when a flag forbids taking a backlash from this rock"),
    number(
        "reading_mm",
        "mean step between dwells on the indicator's line of action; null if refused",
        _read("rock.reading_mm"),
    ),
    number(
        "reading_standard_uncertainty_mm",
        "of the reading: repeatability and resolution; or null",
        _read("rock.standard_uncertainty_mm"),
    ),
    number(
        "degrees_of_freedom",
        "of that uncertainty; null when infinite or not usable",
        _read("rock.degrees_of_freedom"),
    ),
    number("normal_backlash_mm", "normal backlash at the outer pitch radius; null when not usable"),
    number(
        "standard_uncertainty_mm",
        "of the normal backlash, setting of the tip included, the set-up's part not; null when not usable",
        "with_setting_mm",
    ),
    number(
        "within_rock_mm",
        "repeatability within the rock, as normal backlash: scatter of its reversals and resolution; or null",
        "standard_uncertainty_mm",
    ),
    whole("reversals", "number of steps in the mean", "rock.reversals"),
    number("spread_mm", "largest minus smallest step; null when not usable", _read("rock.spread_mm")),
    number(
        "peak_to_peak_mm",
        "the trade's reading: mean over rocks of extreme to extreme; or null",
        _read("rock.peak_to_peak_mm"),
    ),
    number("drift_mm_per_s", "slope removed from the trace", "rock.drift_mm_per_s"),
    number(
        "encoder_backlash_mm",
        "the rock as a gear-side encoder saw it, as normal backlash; or null",
        _read("encoder_backlash_mm"),
    ),
    yes_no("outlier", "true when the lash map named this position an outlier"),
    text(
        "flags",
        "names of refusals and warnings",
        lambda position: [flag.name.value for flag in position.flags],
        joined="; ",
    ),
)
NAME = text("name", "name of the flag", "name.value")
DISABLING = yes_no("disabling", "true when the reading must not be used")
SENTENCE = text("sentence", "what happened and what to do next")
NUMBERS = Group(
    "numbers",
    "the figures behind it, units in the keys",
    (number("*", "one figure; its key names it and its unit"),),
    lambda flag: {key: float(value) for key, value in flag.numbers.items()},
)
# Endings of the keys of a flag's numbers, longest first, and how such a figure is written.
_ENDINGS = ("_mm_per_s", "_mm", "_deg", "_s")

_HEADS = (
    Head("no.", 0, right=True),
    Head("engage\N{SOFT HYPHEN}ment", right=True, on_paper="engage-\nment"),
    Head("gear angle", right=True, on_paper="gear\nangle"),
    Head("reading", right=True),
    Head("normal backlash", right=True, on_paper="normal\nbacklash"),
    Head("u", right=True),
    Head("rever\N{SOFT HYPHEN}sals", right=True, on_paper="rever-\nsals"),
    Head("spread", right=True),
    Head("peak to peak", right=True, on_paper="peak\nto peak"),
    Head("by encoder", right=True, on_paper="by\nencoder"),
    Head("remarks", 2.6, style="remarks"),
)
_TRACES = (
    "{read} against time. Heavy bars are the settled dwells, with ticks towards the other flank; reversal "
    "n leads from the nth bar to the next. All pictures share one height unless they say so; hatched ones "
    "gave no reading."
)
_HINT = (
    "Point at a chart for its figures. Click it to choose it; then the wheel or the keys + and - zoom, "
    "dragging or the arrows move, 0 shows all, Escape leaves."
)


def _chapters(assessment: Assessment) -> Iterator[Chapter]:
    yield from _tables(assessment)
    if figures := trace_figures(assessment):
        shown = (
            Words(_TRACES.format(read=_read_of(assessment)), "caption"),
            Words(_HINT, "hint"),
            Traces(figures),
        )
        yield Chapter("Rock traces", "traces", shown)


def _tables(assessment: Assessment) -> Iterator[Chapter]:
    units, left_out, flags = assessment.record.units, assessment.record.left_out, flag_rows(assessment)
    blocks: list[Block] = [Words("No position was recorded.", "missing")]
    if assessment.positions:
        rows = tuple(
            _row(one, units, _marks(assessment.review, one.position)) for one in assessment.positions
        )
        lengths = f"lengths in {UNIT_NAMES[units]}, angles in degrees"
        caption = (
            f"Every rock in the order of recording; {lengths}; u: standard uncertainty, setting of the tip "
            "included"
        )
        blocks = [Grid(caption, _HEADS, rows, "wide tight", size=0.8)]
    blocks += [Points(left_out, "left-out")] if left_out else []
    blocks += [Flags(flags)] if flags else []
    yield Chapter("Positions", "positions", tuple(blocks))
    if typed := _typed_rows(assessment):
        yield Chapter("Readings as typed", "typed", (Facts(typed),))


def _typed_rows(assessment: Assessment) -> Rows:
    """What a person typed, a line for each position."""
    units = assessment.record.units
    return tuple(
        (
            f"position {trace.position}, engagement {trace.engagement}",
            "; ".join(
                " to ".join(format_length(one, units, decimals=4, with_unit=False) for one in rock)
                for rock in trace.typed.rocks_mm
            )
            + f" {units}",
        )
        for trace in assessment.record.traces
        if trace.typed is not None
    )


def _marks(review: Review | None, position: int) -> list[str]:
    """What the table of positions says of exclusions that hold."""
    holding = review.holding if review is not None else ()
    return [
        "left out in review" if one.reversal is None else f"reversal {one.reversal} left out in review"
        for one in holding
        if one.position == position
    ]


_PURPOSES: dict[Purpose, str] = {
    "confirming": "confirming",
    "third back": "rolled a third of a pitch back",
    "third forward": "rolled a third of a pitch forward",
}


def _row(position: PositionResult, units: Units, more: list[str]) -> Row:
    rock = position.rock
    marks = [flag.name.value for flag in position.flags]
    marks += ["outlier"] if position.outlier else []
    marks += [] if position.purpose == "planned" else [_PURPOSES[position.purpose]]
    marks += [f"try {position.attempt}"] if position.attempt > 1 else []
    marks += more

    refused = not position.usable

    # What a refused rock would have read is no reading: its figures stand with its flags.
    def plain(length_mm: float | None) -> str:
        return MISSING if refused else format_length(length_mm, units, with_unit=False)

    def spread(length_mm: float | None, decimals: int) -> str:
        return MISSING if refused else format_spread(length_mm, units, decimals=decimals, with_unit=False)

    remarks = ", ".join(marks)
    cells = (
        str(position.position),
        str(position.engagement),
        format_angle(position.gear_angle_deg).rstrip("°"),
        plain(rock.reading_mm),
        Cell(strong=plain(position.normal_backlash_mm)),
        spread(position.with_setting_mm, DECIMALS[units] + 1),
        MISSING if refused else str(rock.reversals),
        spread(rock.spread_mm, DECIMALS[units]),
        plain(rock.peak_to_peak_mm),
        plain(position.encoder_backlash_mm),
        Cell(f"{': ' if marks else ''}{remarks}", strong="refused") if refused else remarks,
    )
    return Row(cells, "refused" if refused else "")


def flag_rows(assessment: Assessment) -> tuple[FlagRow, ...]:
    """List the flags of all positions: refusals first, each sentence once."""
    groups: dict[tuple[str, bool, str], list[tuple[int, Flag]]] = {}
    for position in assessment.positions:
        for flag in position.flags:
            key = (flag.name.value, flag.disabling, flag.sentence)
            groups.setdefault(key, []).append((position.position, flag))
    rows = [
        FlagRow(
            name=name,
            disabling=disabling,
            sentence=sentence,
            positions=_runs([number for number, _ in members]),
            numbers=_numbers([flag for _, flag in members], assessment.record.units),
        )
        for (name, disabling, sentence), members in groups.items()
    ]
    return tuple(sorted(rows, key=lambda row: not row.disabling))


def _runs(numbers: list[int]) -> str:
    """Write whole numbers with runs of three or more drawn together: ``1 to 4, 7, 8``."""
    runs: list[list[int]] = []
    for one in sorted(set(numbers)):
        if runs and one == runs[-1][-1] + 1:
            runs[-1].append(one)
        else:
            runs.append([one])
    pieces = [f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs]
    return ", ".join(pieces)


def _numbers(flags: list[Flag], units: Units) -> str:
    keys = dict.fromkeys(key for flag in flags for key in flag.numbers)
    return "; ".join(
        _figure(key, [float(flag.numbers[key]) for flag in flags if key in flag.numbers], units)
        for key in keys
    )


def _figure(key: str, values: Iterable[float], units: Units) -> str:
    """Name a figure by its key, and write its value or the range of its values in the paper's unit."""
    ending = next((ending for ending in _ENDINGS if key.endswith(ending)), "")
    name = key.removesuffix(ending).replace("_", " ")
    texts = [_text(value, ending, units) for value in (min(values), max(values))]
    return f"{name} {texts[0]}" if texts[0] == texts[1] else f"{name} {texts[0]} to {texts[1]}"


def _text(value: float, ending: str, units: Units) -> str:
    if ending == "_mm":
        return format_length(value, units)
    if ending == "_mm_per_s":
        return f"{format_length(value, units)}/s"
    return f"{value:.4g}{ {'_deg': '°', '_s': ' s'}.get(ending, '') }"


def _read_of(assessment: Assessment) -> str:
    """What the traces show."""
    return "Arc of the gear" if assessment.record.indicator.is_encoder else "Indicator"


def trace_figures(assessment: Assessment) -> tuple[TraceFigure, ...]:
    """Picture every trace that was recorded, all usable ones on one scale."""
    units = assessment.record.units
    traces = {trace.position: trace for trace in assessment.record.traces if trace.typed is None}
    shared_mm = _shared_span_mm(assessment, traces)
    return tuple(
        _trace(position, traces[position.position], shared_mm, units)
        for position in assessment.positions
        if position.position in traces
    )


def _span_mm(trace: RockTrace) -> float:
    finite = trace.indicator_mm[np.isfinite(trace.indicator_mm)]
    return float(np.ptp(finite)) if finite.size else 0.0


def _shared_span_mm(assessment: Assessment, traces: Mapping[int, RockTrace]) -> float:
    spans = [_span_mm(traces[p.position]) for p in assessment.positions if p.usable and p.position in traces]
    return 1.08 * max(spans, default=0.0)


def _trace(position: PositionResult, trace: RockTrace, shared_mm: float, units: Units) -> TraceFigure:
    rock = position.rock
    refused = not position.usable
    span_mm = _span_mm(trace)
    own = span_mm > shared_mm
    height_mm = 1.08 * span_mm if own else shared_mm
    # A dead flat trace still needs a height to be drawn in.
    height_mm = height_mm or 0.01
    reading = "refused" if refused else format_length(rock.reading_mm, units)
    height = format_length(height_mm, units, decimals=DECIMALS[units] - 1)
    label = f"own scale, {height}" if own else f"height {height}"
    picture = trace_chart(
        trace,
        rock.dwells,
        title=f"Rock trace of position {position.position}",
        description=(
            f"Indicator against time at engagement {position.engagement}: {reading}, "
            f"{len(rock.dwells)} settled dwells marked."
        ),
        height_mm=height_mm,
        units=units,
        label=label,
        refused=refused,
    )
    return TraceFigure(
        heading=f"{position.position}",
        reading=reading,
        detail=f"engagement {position.engagement}",
        flags=tuple(flag.name.value for flag in position.flags),
        reversals="no reading" if refused else f"{rock.reversals} reversals",
        refused=refused,
        picture=picture,
    )


SECTION = Section(
    figures=(
        Group(
            "positions",
            "one for each rock, in the order of recording",
            (
                *POSITION,
                Group(
                    "flag_details",
                    "the same flags with their sentences and numbers",
                    (NAME, DISABLING, SENTENCE, NUMBERS),
                    "flags",
                    many=True,
                ),
            ),
            many=True,
        ),
    ),
    tables=(
        Table(
            name="positions",
            meaning="one measured position",
            key=("test", "position"),
            columns=(
                TEST,
                *(one.under("0") for one in POSITION),
                number(
                    "times_apart_standard_uncertainty_s",
                    "of the indicator's times against the encoder's; missing when nobody stated it",
                    "1.times_apart_uncertainty_s",
                ),
                text(
                    "typed",
                    "readings that a person typed, in mm: both flanks of one rock a line; empty where "
                    "instruments were read",
                    lambda row: "" if row[1].typed is None else row[1].typed.as_text,
                ),
            ),
            rows=lambda assessment: zip(assessment.positions, assessment.record.traces, strict=True),
        ),
        Table(
            name="flags",
            meaning="one refusal or warning about a position",
            key=("test", "position", "flag"),
            columns=(
                TEST,
                POSITION[0].under("0"),
                NAME.under("1", name="flag"),
                DISABLING.under("1"),
                SENTENCE.under("1"),
                text(
                    "numbers",
                    "the figures behind it as JSON; their units stand in the keys",
                    lambda row: json.dumps(NUMBERS.value(row[1])),
                ),
            ),
            rows=lambda assessment: (
                (position, flag) for position in assessment.positions for flag in position.flags
            ),
        ),
    ),
    chapters=_chapters,
)
TABLES = replace(SECTION, chapters=_tables)
"""The same without pictures of the traces, for whoever draws them from their samples."""
