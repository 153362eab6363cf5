"""What a list of tests needs, kept in a small file beside the logbook, so that no test is read again for it.

The record alone is believed. The index counts as it is while size and time of the logbook and of its log are
what they were; after any change an entry counts only while all rows of its events have the digest that they
had when it was made. An index that is missing, damaged, of another version, or cannot be written is as good
as none: what is missing is read from the events, as ever. Nothing of it stands in the logbook itself, so
seals, archives and copies know nothing of it.

A logbook that changed a moment ago may change again within one tick of the file system's clock: then its time
is not believed (as of an index of sources in version control, common practice).
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from lashmap_drivers.ports.regular_file import FileRefused, read_regular

from lashmap_daemon.logbook.schema import (
    BUILD,
    connect,
    is_writable,
    must_be_logbook,
    must_be_there,
    naming,
)
from lashmap_daemon.whole_file import replace_whole

if TYPE_CHECKING:
    from lashmap_analysis.record.record import Units

COMPLETED = "completed"  # how the closing of a test begins in the list of tests
_VERSION = 1  # counted on when `summary_of`, or the line of a build, says something else of the same events
_KIND = "lashmap index"
_MOST_BYTES = 64_000_000


@dataclass(frozen=True, kw_only=True)
class TestSummary:
    """A line of the list of tests; outcome and backlash are those that were handed over when it ended.

    Attributes:
        started_utc: When its measuring began.
        outcome: Of the verdict; empty when no result was handed over.
        normal_backlash_mm: At the tight spot; None when none was stated.
        interval_mm: Its interval at 95 %.
        units: Of the box's papers.
        review: What reviewers made of that outcome since; empty where it stands.
        signed_by: Who signed last for what is left of it; empty without a signature that still holds.
    """

    __test__ = False

    test: str
    started_utc: str
    box: str = ""
    serial: str = ""
    stand: str = ""
    positions: int = 0
    operator: str = ""
    outcome: str = ""
    normal_backlash_mm: float | None = None
    interval_mm: tuple[float, float] | None = None
    units: Units = "mm"
    review: str = ""
    signed_by: str = ""
    closing: str

    @classmethod
    def of(cls, said: dict[str, Any]) -> Self:
        """From an entry of the index."""
        ends = said["interval_mm"]
        return cls(**{**said, "interval_mm": None if ends is None else (float(ends[0]), float(ends[1]))})


ReadTest = Callable[[str, str], TestSummary]
"""Reads a test from its events, by its name and when its first event was written."""
ReadBuild = Callable[[str], str]


def _nothing_missing(name: str, *_: str) -> Any:  # noqa: ANN401 - it never returns
    raise KeyError(name)


class Index:
    """The list of one logbook.

    Made from an open connection; `of` opens one for it.
    """

    def __init__(self, path: Path, base: sqlite3.Connection) -> None:
        self._path = path.with_name(f"{path.name}.index")
        self._writable = is_writable(path)
        self._stamp = stamp_of(path)
        known_stamp, known = _read(self._path)
        if known_stamp is not None and known_stamp == self._stamp:
            self._found = {name: (one["utc"], one["digest"]) for name, one in known.items()}
        else:
            self._found = _events(base)
        self._entries = {
            name: known[name]
            for name, (_, digest) in self._found.items()
            if name in known and known[name]["digest"] == digest
        }
        self._is_stale = len(known) != len(self._entries) or known_stamp != self._stamp

    @classmethod
    def of(cls, path: Path) -> Self:
        """As a logbook stands now; to be read by itself.

        Raises:
            LogbookError: When there is no logbook, it cannot be read, or it holds what is not of a logbook.
        """
        must_be_there(path)
        with naming(path), closing(connect(path)) as base:
            must_be_logbook(base, path)
            return cls(path, base)

    @property
    def missing(self) -> tuple[str, ...]:
        """Names of tests and builds whose entries are not there, or not those of the record any more."""
        return tuple(name for name in self._found if name not in self._entries)

    def tests(self, read: ReadTest = _nothing_missing) -> tuple[TestSummary, ...]:
        """All tests, oldest first; those that are missing are read, and kept.

        Raises:
            KeyError: When one is missing, and nothing was given to read it with.
        """
        names = [name for name in self._found if not name.startswith(BUILD)]
        for name in names:
            if name not in self._entries:
                begun = self._found[name][0]
                self._keep(name, begun, asdict(read(name, begun)))
        self._write()
        found = [(self._entries[name]["utc"], name) for name in names]
        return tuple(TestSummary.of(self._entries[name]["said"]) for _, name in sorted(found))

    def builds(self, read: ReadBuild = _nothing_missing) -> tuple[str, ...]:
        """A line for each build, oldest first; those that are missing are read, and kept.

        Raises:
            KeyError: As `tests`.
        """
        names = [name for name in self._found if name.startswith(BUILD)]
        for name in names:
            if name not in self._entries:
                self._keep(name, self._found[name][0], read(name))
        self._write()
        found = [(self._entries[name]["utc"], name) for name in names]
        return tuple(str(self._entries[name]["said"]) for _, name in sorted(found))

    def _keep(self, name: str, utc: str, said: object) -> None:
        self._entries[name] = {"digest": self._found[name][1], "utc": utc, "said": said}
        self._is_stale = True

    def _write(self) -> None:
        if not (self._is_stale and self._writable):
            return
        self._is_stale = False
        body = json.dumps({"fields": _FIELDS, "stamp": self._stamp, "entries": self._entries})
        head = f"{_KIND} {_VERSION} {hashlib.sha256(body.encode()).hexdigest()}"
        with suppress(OSError):  # a full disk, say: the next list reads the events again
            replace_whole(self._path, f"{head}\n{body}\n")


_FIELDS = [field.name for field in fields(TestSummary)]
_NUMBERS = {"positions", "normal_backlash_mm", "interval_mm"}
_SETTLED_NS = 3_000_000_000  # the clock of a file system may tick as slowly as in two seconds
# One text of all rows of a test and one of when it begun; any other order of the rows is another text.
_EVENTS = """
SELECT test, (SELECT utc FROM event AS first WHERE first.test = event.test ORDER BY number LIMIT 1),
    group_concat(number || ' ' || place || ' ' || time_s || ' ' || utc),
    group_concat(kind || ' ' || body, char(10)), group_concat(hex(digest))
FROM event GROUP BY test
"""
_Stamp = list[list[int]]


def stamp_of(path: Path) -> _Stamp | None:
    """File, size and time of the logbook and of its log; None while they are too young."""
    found, newest_ns = [], 0
    for one in (path, path.with_name(f"{path.name}-wal")):
        try:
            status = one.stat()
        except OSError:
            continue
        if one is path or status.st_size:
            found.append([status.st_ino, status.st_size, status.st_mtime_ns])
            newest_ns = max(newest_ns, status.st_mtime_ns)
    return found if time.time_ns() - newest_ns > _SETTLED_NS else None


def _events(base: sqlite3.Connection) -> dict[str, tuple[str, str]]:
    """When the first event of every test and build was written, and the digest of all its rows."""
    found = {
        str(name): (str(utc), hashlib.sha256("\0".join(map(str, rows)).encode()).hexdigest())
        for name, utc, *rows in base.execute(_EVENTS)
    }
    for name, utc in base.execute("SELECT test, min(utc) FROM seal GROUP BY test"):
        found.setdefault(str(name), (str(utc), ""))  # only its seals are left
    return found


def _read(path: Path) -> tuple[_Stamp | None, dict[str, dict[str, Any]]]:
    """The stamp and the entries that are kept; none where anything of the file is not as it was written."""
    try:
        head, _, body = read_regular(path, _MOST_BYTES).decode("ascii").partition("\n")
        body = body.rstrip("\n")
        if head != f"{_KIND} {_VERSION} {hashlib.sha256(body.encode()).hexdigest()}":
            return None, {}
        kept = json.loads(body)
        entries: dict[str, dict[str, Any]] = kept["entries"]
        whole = kept["fields"] == _FIELDS and all(map(_is_entry, entries.values()))
    except (FileRefused, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None, {}
    return (kept["stamp"], entries) if whole else (None, {})


def _is_entry(entry: dict[str, Any]) -> bool:
    """Of the shape that is written: its digest says that it is whole, not who wrote it."""
    said = entry["said"]
    if not (isinstance(entry["digest"], str) and isinstance(entry["utc"], str)):
        return False
    if not isinstance(said, dict):
        return isinstance(said, str)
    ends = said["interval_mm"] or (0.0, 0.0)
    return (
        said.keys() == set(_FIELDS)
        and all(isinstance(said[name], str) for name in _FIELDS if name not in _NUMBERS)
        and isinstance(said["positions"], int)
        and all(isinstance(one, float | int) for one in (said["normal_backlash_mm"] or 0.0, *ends))
        and len(ends) == 2
        and said["units"] in {"mm", "in"}
    )
