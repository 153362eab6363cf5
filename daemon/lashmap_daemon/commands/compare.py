"""The command that sets tests beside each other, from one logbook or two."""

from __future__ import annotations

import json
import shlex
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from lashmap_analysis.facts.comparison import comparison_document
from lashmap_analysis.judge.compare import Build, CompareError
from lashmap_analysis.judge.comparison import Pair, compare_tests
from lashmap_analysis.record.record import Units
from lashmap_analysis.render.comparison import figures, letter, pair_view, render_comparison
from rich.console import Console
from rich.table import Table
from rich.text import Text

from lashmap_daemon.builds.book import before_the_move
from lashmap_daemon.commands.options import CompareOptions
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.compared import compared
from lashmap_daemon.replay.conclude import check_report_name
from lashmap_daemon.screens.terminal import busy, print_json, say
from lashmap_daemon.whole_file import write_whole


def compare(options: CompareOptions, console: Console) -> tuple[Pair, ...]:
    """Compare tests; prints the differences and writes the page.

    Raises:
        ConfigurationError: Fewer than two tests, one twice, a report of another kind, or a
            set-up that cannot have stayed as it was.
        LogbookError: A test cannot be read.
    """
    if len(options.tests) < 2:
        raise ConfigurationError("compare", ["name two tests or more; lashmap list shows them"])
    if options.logbook2 is None and len(set(options.tests)) < len(options.tests):
        raise ConfigurationError("compare", ["a test is named twice; name each once"])
    if options.report is not None:
        check_report_name(options.report)
    with busy(console, "Recomputing the tests from their raw samples", quiet=options.as_json):
        builds = _builds(options)
    try:
        pairs = compare_tests(builds, independent=options.independent, same_set_up=options.same_set_up)
    except CompareError as error:
        raise ConfigurationError(
            f"--{error.field.replace('_', '-')}", [f"expected {error.expected}"]
        ) from error
    if options.report is not None:
        _write_report(pairs, options.report)
    if options.as_json:
        text = json.dumps(comparison_document(pairs), indent=2, allow_nan=False, ensure_ascii=False)
        print_json(console, text)
        return pairs
    _print(builds, pairs, console)
    if options.report is not None:
        console.print()
        say(console, f"report   {options.report}")
    return pairs


def compare_after_move(logbook: Logbook, test: str, console: Console) -> None:
    """Print what a change of shims did: a test beside the one before it, where one of its build asks for it.

    Nothing is printed where no pack was changed since. What cannot be compared is said, and ends nothing.
    """
    try:
        earlier = before_the_move(logbook, test)
        if not earlier:
            return
        with busy(console, "Comparing it with the test before the shims were changed"):
            pairs = compare_tests([compared(logbook, earlier), compared(logbook, test)])
    except (LogbookError, CompareError) as error:
        why = error.expected if isinstance(error, CompareError) else error
        say(console, f"Not compared with the test before the shims were changed: {why}")
        return
    units = pairs[0].first.assessment.record.units
    console.print()
    say(console, f"THE SHIMS WERE CHANGED: A is test {earlier}, B this one", "bold")
    for pair in pairs:
        _print_pair(pair, 1, units, console, whole=False)
    files = shlex.join((earlier, test, "--logbook", str(logbook.path)))
    say(console, f"with its uncertainties, to a file: lashmap compare {files} --report change.pdf")


def _write_report(pairs: tuple[Pair, ...], path: Path) -> None:
    """Write the page as its name says: ``.html`` or ``.pdf``."""
    if path.suffix.lower() != ".pdf":
        write_whole(path, render_comparison(pairs))
        return
    from lashmap_analysis.render.comparison_pdf import (  # noqa: PLC0415 - typst loads when asked for
        render_comparison_pdf,
    )
    from lashmap_analysis.render.pdf import PdfError  # noqa: PLC0415 - typst loads when asked for

    try:
        made = render_comparison_pdf(pairs)
    except PdfError as error:
        raise ConfigurationError(str(path), [f"{error}; write the report as .html instead"]) from error
    write_whole(path, made)


def _builds(options: CompareOptions) -> list[Build]:
    """Each test from the logbook that holds it.

    A name that both logbooks hold is taken from the first the first time, from the second the next: two
    stands may have given two tests the same name.
    """
    paths = [options.logbook, *([] if options.logbook2 is None else [options.logbook2])]
    with ExitStack() as stack:
        return _found(options.tests, [stack.enter_context(Logbook(path, create=False)) for path in paths])


def _found(tests: Sequence[str], books: list[Logbook]) -> list[Build]:
    held = [{one.test for one in book.tests()} for book in books]
    taken: set[tuple[str, int]] = set()
    builds = []
    for test in tests:
        place = next((n for n, names in enumerate(held) if test in names and (test, n) not in taken), None)
        if place is None:
            where = " and ".join(str(book.path) for book in books)
            known = ", ".join(sorted(set().union(*held))[-5:]) or "none"
            again = " a second time" if any((test, n) in taken for n in range(len(books))) else ""
            raise LogbookError(f"{where}: no test {test}{again}; the newest are: {known}")
        taken.add((test, place))
        builds.append(compared(books[place], test))
    return builds


def _print(builds: list[Build], pairs: tuple[Pair, ...], console: Console) -> None:
    units = builds[0].assessment.record.units
    table = Table(title="Tests", title_justify="left")
    table.add_column("")
    names = {letter(n): dict(figures(build, units)) for n, build in enumerate(builds)}
    for n, build in enumerate(builds):
        table.add_column(Text(f"{letter(n)}  {build.test}"), overflow="fold")
    for row in dict.fromkeys(name for one in names.values() for name in one):
        table.add_row(row, *(Text(one.get(row, "–")) for one in names.values()))
    console.print(table)
    for number, pair in enumerate(pairs, 1):
        _print_pair(pair, number, units, console)


def _print_pair(pair: Pair, number: int, units: Units, console: Console, *, whole: bool = True) -> None:
    """Print one difference; without its budget unless it is ``whole``."""
    view = pair_view(pair, number, units)
    console.print()
    say(console, f"{view.letter} LESS A", "bold")
    for name, words in view.rows:
        say(console, f"{name:<28}{words}")
    for sentence in view.shims:
        say(console, f"  - {sentence}")
    if view.budget and whole:
        table = Table("contribution", title=f"Uncertainty of the tight spots' difference, u in {units}")
        table.title_justify = "left"
        for heading in ("A", view.letter, "difference"):
            table.add_column(heading, justify="right")
        table.add_column("taken as")
        for row in view.budget:
            table.add_row(*map(Text, row))
        console.print(table)
    for caution in view.cautions:
        say(console, f"  note: {caution}", "dim")
