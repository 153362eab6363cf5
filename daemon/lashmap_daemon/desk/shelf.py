"""The logbooks of a desk: by number, never by a path from outside; a damaged one has its reason.

A test is found by its exact name in the list of its logbook. What is shown of names and reasons is visible
text, without the folders of this computer.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lashmap_analysis.record.lengths import MISSING, format_length

from lashmap_daemon.builds.listing import listed
from lashmap_daemon.clean_text import visible
from lashmap_daemon.errors import LashmapError
from lashmap_daemon.logbook.index import COMPLETED, TestSummary

UNREADABLE = (LashmapError, OSError, sqlite3.Error, ValueError, TypeError, OverflowError)
"""What reading a damaged logbook may end in."""


class Refused(Exception):
    """What is asked for is not done; the text says why and what to do."""


@dataclass(frozen=True, kw_only=True)
class Shelf:
    """The logbooks, in the order in which they were named."""

    paths: tuple[Path, ...]

    def path(self, number: int) -> Path:
        """A logbook by its number.

        Raises:
            Refused: When there is none of that number.
        """
        if not 0 <= number < len(self.paths):
            raise Refused(f"there is no logbook number {number}; go back to the list")
        return self.paths[number]

    def names(self) -> list[str]:
        """What each is called: the end of its path that tells it from the others."""
        found = []
        for path in self.paths:
            parts = path.absolute().parts
            others = [other.absolute().parts for other in self.paths if other != path]
            length = 1
            while length < len(parts) and any(other[-length:] == parts[-length:] for other in others):
                length += 1
            found.append(visible("/".join(parts[-length:])))
        return found

    def listed(self) -> dict[str, Any]:
        """All tests of all logbooks, newest first, and why a logbook cannot be listed."""
        books, tests = [], list[dict[str, Any]]()
        for number, (path, name) in enumerate(zip(self.paths, self.names(), strict=True)):
            reason = ""
            try:
                tests += _rows(number, listed(path)[0])
            except UNREADABLE as error:
                reason = without_folders(error, path)
            books.append({"name": name, "reason": reason})
        tests.sort(key=lambda row: str(row["begun"]), reverse=True)
        return {"books": books, "tests": tests}

    def stored(self, number: int, test: str) -> dict[str, Any]:
        """The line of one test as the list has it: from its events alone, nothing of it was checked.

        Raises:
            Refused: When there is no such logbook or test.
            LogbookError: When it cannot be read.
        """
        found = [one for one in listed(self.path(number))[0] if one.test == test]
        if not found:
            raise Refused("there is no such test; go back to the list")
        return next(_rows(number, found))

    def newest(self) -> tuple[Path, str] | None:
        """The test that was completed last, of those whose logbook can be listed; None without one."""
        for row in self.listed()["tests"]:
            if row["outcome"]:
                return self.paths[row["book"]], row["key"]
        return None


def without_folders(error: Exception, path: Path) -> str:
    """What an error says, visible, and with the name of the logbook in place of its path."""
    text = str(error) or type(error).__name__
    for whole in {str(path), str(path.absolute()), str(path.resolve())}:
        text = text.replace(whole, path.name)
    return visible(text)


def _rows(book: int, tests: Sequence[TestSummary]) -> Iterator[dict[str, Any]]:
    for one in tests:
        low, high = one.interval_mm or (None, None)
        ended = one.closing.startswith(COMPLETED)
        yield {
            "book": book,
            "key": one.test,
            "test": visible(one.test),
            "begun": visible(one.started_utc)[:19].replace("T", " "),
            "box": visible(one.box),
            "serial": visible(one.serial),
            "stand": visible(one.stand),
            "operator": visible(one.operator),
            "outcome": visible(one.outcome),
            "lash": format_length(one.normal_backlash_mm, one.units),
            "interval": MISSING
            if low is None or high is None
            else f"{format_length(low, one.units, with_unit=False)} – "
            f"{format_length(high, one.units, with_unit=False)}",
            "positions": one.positions,
            "ended": "" if ended and one.outcome else visible(one.closing),
            "review": visible(one.review),
            "signed": visible(one.signed_by),
        }
