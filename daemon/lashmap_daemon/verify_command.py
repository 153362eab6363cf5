"""The command that checks a logbook, or one test of it, against its digests."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console

from lashmap_daemon.console.lines import say
from lashmap_daemon.errors import EXIT_STAND, EXIT_UNCHECKED, ConfigurationError
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.seal import Seal
from lashmap_daemon.seal_check_file import FileCheck, check_file, is_older
from lashmap_daemon.seal_walk import TestCheck

_LEAST_DIGITS = 16
_LIMITS = (
    "Digests show what was changed by somebody who did not make every later digest anew. Who rewrites a test "
    "and all seals after it with this program is found only by a digest kept elsewhere, such as on a printed "
    "report: lashmap verify TEST --expect DIGEST."
)


def verify(logbook: Path, test: str | None, expect: str, console: Console) -> int:
    """Check and say what was found; returns the exit status.

    It is 0 only when everything was checked and nothing is wrong, and `EXIT_UNCHECKED` when raw samples are
    in an archive that is not at hand: whoever goes by the status alone must not take those for checked.

    Args:
        logbook: The file.
        test: Check this test only; all when None.
        expect: Digest of a seal as it is known from elsewhere, at least its first 16 digits; empty for none.
        console: Where to print.

    Raises:
        LogbookError: When the file is no logbook, or does not hold the test.
        ConfigurationError: When ``expect`` is no digest.
    """
    wanted = _digits(expect)
    if is_older(logbook):
        Logbook(logbook, create=False).close()  # brings it up to date
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
    say(console, f"test {check.test}: {state}, {check.rows} rows", "bold" if check.problems else "")
    for seal in check.seals:
        say(console, f"  seal {seal.number}  {seal.digest.hex()}  {_when(seal)}")
    for problem in check.problems:
        say(console, f"  - {problem}")
    for note in check.notes:
        say(console, f"  note: {note}")


def _when(seal: Seal) -> str:
    if seal.when != "brought over":
        return f"{'closed' if seal.when == 'closed' else 'added to'} {seal.utc}"
    return f"brought over from an older schema {seal.utc}; proves nothing about the time before"


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
