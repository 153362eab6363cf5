"""Commands about the logbook file: check it, copy what is left of a damaged one, archive old samples."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from lashmap_analysis.record.lengths import MISSING, format_length
from rich.console import Console

from lashmap_daemon.commands.options import ArchiveOptions, ListOptions, RescueOptions, VerifyOptions
from lashmap_daemon.errors import EXIT_STAND, EXIT_UNCHECKED, ConfigurationError
from lashmap_daemon.logbook.index import COMPLETED, Index, TestSummary
from lashmap_daemon.logbook.schema import BUILD
from lashmap_daemon.screens.terminal import natural_width, print_columns, say

if TYPE_CHECKING:
    from lashmap_daemon.logbook.check import FileCheck, TestCheck
    from lashmap_daemon.logbook.digests import Seal


def list_tests(options: ListOptions, console: Console) -> None:
    """Print a table of the tests, oldest first, and a line for each build; or what is known of one box.

    Raises:
        ConfigurationError: When nothing is known of the serial number.
        LogbookError: When the logbook cannot be read.
    """
    if options.serial is not None:
        from lashmap_daemon.builds.listing import print_history  # noqa: PLC0415 - slow; a list needs it not
        from lashmap_daemon.logbook.logbook import Logbook  # noqa: PLC0415 - as above

        with Logbook(options.logbook, create=False) as book:
            print_history(book, options.serial, console)
        return
    tests, builds = _listed(options.logbook)
    if tests:
        _print_tests(tests, console)
    else:
        say(console, "No test yet.")
    for line in builds:
        say(console, line)


def _listed(logbook: Path) -> tuple[Sequence[TestSummary], Sequence[str]]:
    """Tests, and a line for each build: as the index has them, and only what it lacks from the events."""
    index = Index.of(logbook)
    if not index.missing:
        return index.tests(), index.builds()
    from lashmap_daemon.builds.listing import listed  # noqa: PLC0415 - half a second, which the index saves

    return listed(logbook)


def _print_tests(tests: Sequence[TestSummary], console: Console) -> None:
    """One line for each test.

    A narrow terminal leaves out the serial number, with which names end, and then the interval.
    """
    now = dt.datetime.now(dt.UTC)
    rows = [_HEADS, *(_row(one, now) for one in tests)]
    if console.is_terminal:
        for left_out in ("serial", "95 %"):
            if natural_width(rows) > console.width:
                at = rows[0].index(left_out)
                rows = [row[:at] + row[at + 1 :] for row in rows]
    print_columns(console, rows, [head in _FOLDED for head in rows[0]])
    if any(one.interval_mm for one in tests):
        say(console, "Normal backlash at the tight spot when the test ended, with its 95 % interval.")


# The whole name, however narrow the terminal: every other command needs it.
_HEADS = ("test (begun, UTC)", "verdict", "backlash", "95 %", "age", "operator", "serial")
_FOLDED = {"verdict", "operator", "serial"}


def _row(one: TestSummary, now: dt.datetime) -> tuple[str, ...]:
    ended = one.closing.startswith(COMPLETED)
    closing = "" if ended and one.outcome else one.closing
    verdict = ", ".join(filter(None, (one.outcome.upper(), closing, one.review)))
    lash = format_length(one.normal_backlash_mm, one.units)
    return (one.test, verdict, lash, _interval(one), _age(one.started_utc, now), one.operator, one.serial)


def _interval(one: TestSummary) -> str:
    """As the report has it: that of a minimum is not symmetric, so no ± stands here."""
    if one.interval_mm is None:
        return MISSING
    return " to ".join(format_length(end, one.units, with_unit=False) for end in one.interval_mm)


def _age(started_utc: str, now: dt.datetime) -> str:
    """How long ago; empty where the clocks say that it has not begun."""
    try:
        seconds = (now - dt.datetime.fromisoformat(started_utc)).total_seconds()
    except (TypeError, ValueError):  # a damaged row
        return "–"
    for unit, size in (("y", 365.25 * 86400.0), ("d", 86400.0), ("h", 3600.0), ("min", 60.0), ("s", 1.0)):
        if seconds >= size:
            return f"{seconds / size:.0f} {unit}" if unit != "y" else f"{seconds / size:.1f} {unit}"
    return "–"


def archive_old(options: ArchiveOptions, console: Console) -> int:
    """Move and say what was moved; returns the exit status, 0 also when nothing was old enough.

    Raises:
        LogbookError: When either file cannot be used.
    """
    from lashmap_daemon.logbook.archive import archive  # noqa: PLC0415 - slow; a list needs it not

    logbook, to, now = options.logbook, options.to, dt.datetime.now(dt.UTC)
    outcome = archive(logbook, to, older_than=dt.timedelta(days=options.older_than), now=now)
    for one in outcome.tests:
        if one.stays:
            say(console, f"test {one.test}: STAYS, {one.stays}", "bold")
        else:
            say(console, f"test {one.test}: {one.packs} packs of raw samples moved and checked")
    moved = sum(bool(one.packs) for one in outcome.tests)
    if not outcome.tests:
        say(
            console,
            f"No test with raw samples in {logbook} was closed more than {options.older_than:g} days ago.",
        )
        return 0
    sizes = f"{outcome.bytes_before / 1e6:.1f} MB before, {outcome.bytes_after / 1e6:.1f} MB now"
    say(console, f"{moved} of {len(outcome.tests)} old tests archived in {to}; {logbook}: {sizes}.")
    if outcome.not_smaller:
        say(console, f"note: the file was not made smaller: {outcome.not_smaller}")
    if moved:
        say(
            console,
            f"Keep {to}: the raw samples are nowhere else. lashmap review finds them there, or beside",
        )
        say(console, "the logbook under the same name.")
    return 0 if moved == len(outcome.tests) else EXIT_STAND


def rescue_logbook(options: RescueOptions, console: Console) -> int:
    """Copy and say what became of each test; returns the exit status, 0 when nothing was lost.

    Raises:
        LogbookError: When nothing can be read, or the new file cannot be made.
    """
    from lashmap_daemon.bus.outbox import waiting_in  # noqa: PLC0415 - slow; a list needs none of these
    from lashmap_daemon.logbook.check import check_file  # noqa: PLC0415 - as above
    from lashmap_daemon.logbook.rescue import rescue  # noqa: PLC0415 - as above

    damaged, new = options.damaged, options.new
    tests = rescue(damaged, new)
    for one in tests:
        state = "DAMAGED" if one.problems else "whole" if one.kept else "whole, not sealed"
        say(console, f"test {one.test}: {state}, {one.rows} rows", "bold" if one.problems else "")
        for seal in one.kept:
            say(console, f"  seal {seal.number} still holds: {seal.digest.hex()}")
        for number in one.dropped:
            say(console, f"  seal {number} does not fit what is left and was dropped", "bold")
        for problem in one.problems:
            say(console, f"  - {problem}")
    for topic, count in waiting_in(new).items():
        say(console, f"{count} records wait to be published below {topic}, as in {damaged}.")
    check = check_file(new)
    for damage in check.damage:
        say(console, f"WRONG: {damage}", "bold")
    if check.not_carried:
        say(console, f"NOT CARRIED OVER: {check.not_carried}.", "bold")
    whole = sum(not one.problems for one in tests)
    say(console, f"{whole} of {len(tests)} tests are whole in {new}; {damaged} was not touched, keep it.")
    if whole == len(tests) and not check.damage and not check.not_carried:
        return 0
    say(console, "Tests that nothing is left of are not named above: compare with reports and older copies.")
    return EXIT_STAND


_LEAST_DIGITS = 16
_LIMITS = (
    "Digests show what was changed by somebody who did not make every later digest anew. Who rewrites a test "
    "and all seals after it with this program is found only by a digest kept elsewhere, such as on a printed "
    "report: lashmap verify TEST --expect DIGEST."
)


def verify(options: VerifyOptions, console: Console) -> int:
    """Check and say what was found; returns the exit status.

    It is 0 only when everything was checked and nothing is wrong, and `EXIT_UNCHECKED` when raw samples are
    in an archive that is not at hand: whoever goes by the status alone must not take those for checked.

    Raises:
        LogbookError: When the file is no logbook, or does not hold the test.
        ConfigurationError: When ``expect`` is no digest.
    """
    from lashmap_daemon.logbook.check import check_file  # noqa: PLC0415 - slow; a list needs it not

    logbook, test = options.logbook, options.test
    wanted = _digits(options.expect)
    found = check_file(logbook, test)
    for note in found.notes:
        say(console, note)
    if found.not_carried:
        say(console, f"Not carried over when it was rescued: {found.not_carried}.")
    for damage in found.damage:
        say(console, f"WRONG: {damage}", "bold")
    for one in found.tests:
        _say_test(one, console)
    expected = _say_expected(found, test, wanted, console)
    if found.good and expected:
        say(console, _summary(found))
        say(console, _LIMITS, "dim")
        return EXIT_UNCHECKED if any(one.samples_away for one in found.tests) else 0
    say(console, f"NOT GOOD: {logbook} is not as it was written.", "bold")
    say(console, f"Keep the file as it is. What still holds can be copied: lashmap rescue {logbook} NEW")
    return EXIT_STAND


def _say_test(check: TestCheck, console: Console) -> None:
    state = "WRONG" if check.problems else "good" if check.is_sealed else "not sealed"
    if check.samples_away and not check.problems:
        state += ", its raw samples NOT CHECKED"
    kind = "build" if check.test.startswith(BUILD) else "test"
    say(console, f"{kind} {check.test}: {state}, {check.rows} rows", "bold" if check.problems else "")
    for seal in check.seals:
        say(console, f"  seal {seal.number}  {seal.digest.hex()}  {_when(seal)}")
    for problem in check.problems:
        say(console, f"  - {problem}")
    for note in check.notes:
        say(console, f"  note: {note}")


def _when(seal: Seal) -> str:
    return f"{'closed' if seal.when == 'closed' else 'added to'} {seal.utc}"


def _say_expected(found: FileCheck, test: str | None, wanted: str, console: Console) -> bool:
    """True when nothing is expected, or what is expected is there."""
    if not wanted:
        return True
    fits = [
        seal for seal in found.seals if seal.digest.hex().startswith(wanted) and test in {None, seal.test}
    ]
    if fits:
        say(console, f"The expected digest is that of seal {fits[0].number}, test {fits[0].test}.")
        return True
    where = f"test {test}" if test is not None else "any test"
    why = "it was sealed otherwise when that digest was written down, or another file or test is meant"
    say(console, f"WRONG: no seal of {where} has the digest {wanted}: {why}.", "bold")
    return False


def _summary(found: FileCheck) -> str:
    sealed = sum(one.is_sealed for one in found.tests)
    count = len(found.tests)
    away = sum(one.samples_away for one in found.tests)
    if away:
        return (
            f"Nothing wrong in what is here: {sealed} of {count} tests sealed. NOT CHECKED: the raw samples "
            f"of {away}, in an archive that is not at hand (see above). Bring it back and verify again."
        )
    if sealed == count:
        return (
            f"All good: {count} of {count} tests fit their seals." if count else "Nothing wrong; no test yet."
        )
    return (
        f"Nothing wrong: {sealed} of {count} tests fit their seals, {count - sealed} not sealed (see above)."
    )


def _digits(expect: str) -> str:
    digits = "".join(expect.split()).replace(":", "").lower()
    if digits and (not _LEAST_DIGITS <= len(digits) <= 64 or set(digits) - set("0123456789abcdef")):
        need = f"at least the first {_LEAST_DIGITS} of the 64 hexadecimal digits of a seal"
        raise ConfigurationError("--expect", [f"expected {need}, got {expect!r}"])
    return digits
