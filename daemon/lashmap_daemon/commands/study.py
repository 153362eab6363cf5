"""``lashmap study``: lead through a study of the stand's own repeatability, analyse it, watch for drift."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

import numpy as np
from lashmap_analysis.facts.study import drift_document, study_document
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.record.lengths import format_length, format_spread
from lashmap_analysis.study import LEAST_BASELINE, StudyError, drift_chart, gauge_study
from rich.table import Table
from rich.text import Text

from lashmap_daemon.commands.options import DriftOptions, NextOptions, PlanOptions, ReportOptions
from lashmap_daemon.errors import EXIT_STAND, ConfigurationError, LogbookError
from lashmap_daemon.logbook.index import COMPLETED
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.preconditions import stated_values
from lashmap_daemon.replay.replay import Replay, start_of
from lashmap_daemon.screens.terminal import busy, print_json, say
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.study_file import StudyFile, StudyTable, study_text
from lashmap_daemon.whole_file import write_whole

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from lashmap_analysis.record.record import Units
    from lashmap_analysis.study import DriftChart, GaugeStudy, Part
    from rich.console import Console

    from lashmap_daemon.replay.preconditions import StatedValue

FEW_FREEDOM = 20  # degrees of freedom of the repeats below which their scatter is known badly
SHARE_GOOD, SHARE_BAD = 0.1, 0.3  # of the tolerance (common practice, no source)
CATEGORIES_WANTED = 5  # classes of parts (common practice, no source)


def plan(options: PlanOptions, console: Console) -> None:
    """Write a new study file.

    Raises:
        ConfigurationError: Something is missing, or the file exists.
    """
    path, parts, operators, repeats = options.file, options.part, options.operator, options.repeats
    text = study_text(
        parts=tuple(parts),
        operators=tuple(operators),
        repeats=repeats,
        seed=options.seed,
        now=dt.datetime.now(dt.UTC),
    )
    if path.exists():
        raise ConfigurationError(str(path), ["exists already; name a new study file"])
    study = toml_file.parse(text, str(path), StudyFile).study
    write_whole(path, text)
    say(console, f"{path}: {len(study.order)} tests, in an order of chance.")
    freedom = len(parts) * len(operators) * (repeats - 1)
    if freedom < FEW_FREEDOM:
        say(
            console,
            f"note: only {freedom} degrees of freedom for repeatability; with {FEW_FREEDOM} or more it is "
            "known to about 15 %.",
        )
    say(console, f"The next test: lashmap study next {path}")


def next_test(options: NextOptions, console: Console) -> None:
    """Say which test comes next.

    Raises:
        ConfigurationError: The study file is wrong.
        LogbookError: The logbook cannot be read.
    """
    path, logbook = options.file, options.logbook
    study = toml_file.load(path, StudyFile).study
    done = _done(study, logbook) if logbook.exists() else {}
    count = sum(map(len, done.values()))
    following = _next(study, done)
    say(console, f"{count} of {len(study.order)} tests are done.")
    if following is None:
        say(console, f"The study is complete: lashmap study report {path}")
        return
    part, operator = following
    say(console, f"NEXT: operator {operator} tests the box with serial number {part}.", "bold")
    say(console, "Take the tip off and set it anew first: the scatter between settings is what is asked for.")
    say(console, f"Run it with: lashmap run STAND BOX --operator {json.dumps(operator, ensure_ascii=False)}")


def report(options: ReportOptions, console: Console) -> GaugeStudy:
    """Analyse a complete study.

    Raises:
        ConfigurationError: The study file is wrong, or the study is not complete.
        LogbookError: A test cannot be read, or states no tight spot.
    """
    path, logbook, as_json = options.file, options.logbook, options.as_json
    study = toml_file.load(path, StudyFile).study
    done = _done(study, logbook)
    following = _next(study, done)
    if following is not None:
        missing = len(study.order) - sum(map(len, done.values()))
        part, operator = following
        wanted = f"next operator {operator} with serial number {part}"
        problem = f"{missing} tests are missing, {wanted}; ask again: lashmap study next {path}"
        raise ConfigurationError(str(path), [problem])
    with busy(console, "Recomputing the tests from their raw samples", quiet=as_json):
        found = {cell: [_stated(logbook, test) for test in tests] for cell, tests in done.items()}
    values = np.array(
        [[[one.value_mm for one in found[part, who]] for who in study.operators] for part in study.parts]
    )
    every = [one for cell in found.values() for one in cell]
    tolerance = _tolerance(every) if options.tolerance_mm is None else options.tolerance_mm
    try:
        result = gauge_study(values, tolerance)
    except StudyError as error:
        raise ConfigurationError(str(path), [f"expected {error.expected}"]) from error
    if as_json:
        _print_document(study_document(result), console)
        return result
    _print_study(result, every, console)
    return result


def drift(options: DriftOptions, console: Console) -> int:
    """Set all completed tests of a check standard on a chart; returns the exit status, 0 when steady.

    Raises:
        ConfigurationError: Too few tests.
        LogbookError: A test cannot be read.
    """
    serial, logbook = options.serial, options.logbook
    with Logbook(logbook, create=False) as book:
        found = stated_values(book, serial, options.stand)
        units = start_of(book, found[-1].test).box.box.units if found else "mm"
    if len(found) < LEAST_BASELINE:
        raise ConfigurationError(
            f"{logbook}",
            [f"holds {len(found)} completed tests of serial number {serial}; a chart needs {LEAST_BASELINE}"],
        )
    try:
        chart = drift_chart(np.array([one.value_mm for one in found]), options.baseline)
    except StudyError as error:
        raise ConfigurationError(str(logbook), [f"expected {error.expected}; got {error.got}"]) from error
    if options.as_json:
        _print_document(drift_document(chart), console)
    else:
        _print_drift(chart, found, serial, units, console)
    return 0 if chart.steady else EXIT_STAND


@dataclass(frozen=True, kw_only=True)
class _Stated:
    """What one test states."""

    test: str
    value_mm: float
    standard_uncertainty_mm: float
    units: Units
    tolerance_mm: float | None


def _done(study: StudyTable, logbook: Path) -> dict[tuple[str, str], list[str]]:
    """Completed tests of each part and operator since the study began, no more of each than are wanted."""
    cells = set(study.order)
    done: dict[tuple[str, str], list[str]] = defaultdict(list)
    with Logbook(logbook, create=False) as book:
        for one in book.tests():
            if one.serial not in study.parts or not one.closing.startswith(COMPLETED):
                continue
            if dt.datetime.fromisoformat(one.started_utc) < study.begun:
                continue
            cell = one.serial, start_of(book, one.test).operator
            if cell in cells and len(done[cell]) < study.repeats:
                done[cell].append(one.test)
    return dict(done)


def _next(study: StudyTable, done: dict[tuple[str, str], list[str]]) -> tuple[str, str] | None:
    """The first of the order that is not done yet."""
    left = Counter({cell: len(tests) for cell, tests in done.items()})
    for cell in study.order:
        if not left[cell]:
            return cell
        left[cell] -= 1
    return None


def _stated(logbook: Path, test: str) -> _Stated:
    with Logbook(logbook, create=False) as book, Replay(book, test) as replay:
        assessment = assess(replay.record())
    stated, record = assessment.stated, assessment.record
    if stated is None or record.damage:
        why = record.damage[0] if record.damage else assessment.cause
        raise LogbookError(
            f"{logbook}: test {test} states no tight spot that may be used ({why}); "
            "the study needs this test again"
        )
    least, most = record.limits.minimum_mm, record.limits.maximum_mm
    scale = 1.0 if record.limits.kind == "normal" else record.gear_set.normal_per_transverse
    return _Stated(
        test=test,
        value_mm=stated.normal_backlash_mm,
        standard_uncertainty_mm=stated.standard_uncertainty_mm,
        units=record.units,
        tolerance_mm=None if least is None or most is None else scale * (most - least),
    )


def _tolerance(found: Iterable[_Stated]) -> float | None:
    """The narrowest tolerance of all boxes; None when one has no two limits."""
    given = [one.tolerance_mm for one in found]
    return min((one for one in given if one is not None), default=None) if None not in given else None


def _print_document(found: dict[str, object], console: Console) -> None:
    print_json(console, json.dumps(found, indent=2, allow_nan=False, ensure_ascii=False))


def _print_study(study: GaugeStudy, found: Sequence[_Stated], console: Console) -> None:
    units = found[0].units
    table = Table("variation", title="Analysis of variance of the stated tight spots", title_justify="left")
    for heading in ("degrees of freedom", "mean square, µm²", "F"):
        table.add_column(heading, justify="right")
    for one in study.sources:
        f = f"{one.f:.2f}" if isfinite(one.f) else "–"
        table.add_row(one.name, str(one.degrees_of_freedom), f"{1e6 * one.mean_square:.3f}", f)
    console.print(table)
    if study.pooled:
        say(console, "No interaction of part and operator was seen: it counts with the repeats.")
    for part in (study.repeatability, study.reproducibility, study.gauge, study.part):
        say(console, f"{part.name:<16}{_words(part, units)}")
    for sentence in _conclusions(study, found, units):
        say(console, f"  - {sentence}")


def _words(part: Part, units: Units) -> str:
    low, high = (format_spread(end, units, with_unit=False) for end in part.interval_mm)
    return f"standard deviation {format_spread(part.deviation_mm, units)} (95 %: {low} to {high})"


def _conclusions(study: GaugeStudy, found: Sequence[_Stated], units: Units) -> list[str]:
    """What the study means for the stand."""
    own = median(one.standard_uncertainty_mm for one in found)
    stated = format_spread(own, units)
    low, high = study.gauge.interval_mm
    if low > own:
        first = (
            f"The tests state a standard uncertainty of {stated}. The study shows more scatter than that: do "
            "not trust the stated intervals of this stand before the cause is found."
        )
    else:
        beyond = "" if high <= own else ", though the study is too small to rule out more"
        first = (
            f"The tests state a standard uncertainty of {stated}; the scatter found is not larger{beyond}."
        )
    sentences = [first]
    if isfinite(study.tolerance_share):
        share = study.tolerance_share
        judged = "good" if share <= SHARE_GOOD else "usable with care" if share <= SHARE_BAD else "too much"
        sentences.append(
            f"Six standard deviations of the gauge take {share:.0%} of the tolerance: {judged} "
            "(common practice: up to 10 % good, above 30 % too much)."
        )
    if isfinite(study.categories) and study.categories < CATEGORIES_WANTED:
        told_apart = f"The gauge tells {int(study.categories)} classes of these parts apart"
        sentences.append(
            f"{told_apart}; {CATEGORIES_WANTED} are wanted. Take parts that differ more, or scatter less."
        )
    return sentences


def _print_drift(
    chart: DriftChart, found: Sequence[StatedValue], serial: str, units: Units, console: Console
) -> None:
    table = Table(
        "test",
        title=f"Check standard {serial} on {found[0].stand}, normal backlash in {units}",
        title_justify="left",
    )
    for heading in ("stated", "moving mean"):
        table.add_column(heading, justify="right")
    table.add_column("signal")
    signals = defaultdict(list)
    for signal in chart.signals:
        signals[signal.index].append(signal.kind)
    for index, one in enumerate(found):
        table.add_row(
            Text(one.test),
            format_length(one.value_mm, units, with_unit=False),
            format_length(float(chart.moving_mm[index]), units, with_unit=False),
            ", ".join(signals[index]),
        )
    console.print(table)
    for name, (low, high) in (("one test", chart.limits_mm), ("moving mean", chart.moving_limits_mm)):
        ends = f"{format_length(low, units, with_unit=False)} to {format_length(high, units)}"
        say(console, f"limits, {name:<12} {ends} (from the first {chart.baseline} tests)")
    if chart.steady:
        say(console, "STEADY: the newest test of the check standard gives no signal.", "bold")
        return
    say(console, "THE STAND HAS CHANGED: the newest test of its check standard lies outside limits.", "bold")
    say(console, "Find the cause before the next box: tip, indicator, fixture, temperature, standard.")
