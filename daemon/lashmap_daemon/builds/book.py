"""Builds in a logbook: begun, gone on with, read back and checked; their photographs byte for byte.

A build is a chain of rows as a test is, in the same tables, under a name of its own kind. Its events and its
photographs are digested and chained as those of a test, so that `lashmap verify` covers both.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from pydantic import ValidationError

from lashmap_daemon.builds import events
from lashmap_daemon.builds.build import Build, Stamped, TestOfBuild, apply, build_of
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook import photograph
from lashmap_daemon.logbook.check import check_rows
from lashmap_daemon.logbook.digests import EventRow, digest_of_events
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import BUILD
from lashmap_daemon.setup.box_file import BoxFile, PartTable, ShimTable
from lashmap_daemon.setup.toml_file import MOST_IN_LABEL, MOST_IN_NAME, problem_of
from lashmap_daemon.story.story import story_of

Clock = Callable[[], dt.datetime]


def wall_clock() -> dt.datetime:
    """Now, with the offset of this place from UTC."""
    return dt.datetime.now().astimezone()


@dataclass(frozen=True, kw_only=True)
class Record:
    """A build as it stands in the logbook.

    Attributes:
        name: Of the build.
        build: Its state.
        entries: How many events it has.
        digest: SHA-256 over what they say, in hexadecimal digits.
    """

    name: str
    build: Build
    entries: int
    digest: str


class BuildBook:
    """One build, open for more events.

    Args:
        logbook: Holds it; open for writing.
        name: Of the build.
        build: Its state.
        clock: What time it is.
    """

    def __init__(self, logbook: Logbook, name: str, build: Build, clock: Clock = wall_clock) -> None:
        self.logbook, self.name, self.build = logbook, name, build
        self._clock = clock

    @property
    def local(self) -> str:
        """The time of an event that is made now, as the clock on the wall says it, with its offset."""
        return self._clock().isoformat(timespec="seconds")

    def append(self, event: events.Event) -> None:
        """Keep an event; durable when this returns.

        Raises:
            LogbookError: When it cannot be written.
        """
        stamped = Stamped(time_s=self._time_s(), utc=_utc(self._clock()), event=event)
        kind, body = events.to_json(event)
        self.logbook.append_to_build(self.name, time_s=stamped.time_s, utc=stamped.utc, kind=kind, body=body)
        self.build = apply(self.build, stamped)

    def keep_photo(self, path: Path, by: str) -> int:
        """Keep a photograph whole; returns its number. One that is there already is not kept twice.

        Raises:
            ConfigurationError: When the file is none, is too large, or there are too many.
            LogbookError: When it cannot be written.
        """
        data = photograph.read_photo(path)
        sha256 = hashlib.sha256(data).hexdigest()
        for number, photo in self.build.photos.items():
            if photo.sha256 == sha256:
                return number
        if len(self.build.photos) >= photograph.MOST:
            problem = (
                f"the build holds {photograph.MOST} photographs, the most; name one that it holds instead"
            )
            raise ConfigurationError(str(path), [problem])
        number = max(self.build.photos, default=0) + 1
        channel = photograph.new_channel(number)
        self.logbook.keep(self.name, channel, photograph.pieces_of(data, round(self._time_s(), 6)))
        self.append(
            events.PhotoKept(
                by=by,
                local=self.local,
                number=number,
                name=path.name[-MOST_IN_LABEL:],
                size=len(data),
                sha256=sha256,
                channel=channel,
            )
        )
        return number

    def _time_s(self) -> float:
        """Seconds since it was begun by the wall clock; never back, should that be set back."""
        if not self.build.begun_utc:
            return 0.0
        begun = dt.datetime.fromisoformat(self.build.begun_utc)
        return max(self.build.end_s, (self._clock() - begun).total_seconds())


def begin(logbook: Logbook, given: events.Given, by: str, clock: Clock = wall_clock) -> BuildBook:
    """Begin a build; its name is used by no other.

    Raises:
        LogbookError: When it cannot be written.
    """
    now = clock()
    slug = re.sub(r"[^A-Za-z0-9]+", "-", given.serial)[:MOST_IN_NAME].strip("-") or "box"
    first = name = f"{BUILD}{now.astimezone(dt.UTC):%Y%m%d-%H%M%S}-{slug}"
    count = 1
    while logbook.build_rows(name):
        count += 1
        name = f"{first}-{count}"
    book = BuildBook(logbook, name, Build(), clock)
    book.append(
        events.BuildBegun(by=by, local=book.local, build=name, program=version("lashmap"), given=given)
    )
    return book


def read(logbook: Logbook, name: str) -> Record:
    """A build as it stands, checked against its digests.

    Raises:
        LogbookError: When there is none, it is not as it was written, or cannot be read.
    """
    if not logbook.build_rows(name):
        known = ", ".join(logbook.builds()[-5:]) or "none"
        raise LogbookError(f"{logbook.path}: no build {name}; the newest are: {known}")
    rows, check = check_rows(logbook.path, name)
    if check.problems:
        raise LogbookError(
            f"{logbook.path}: build {name} is not as it was written ({check.problems[0]}), so nothing is "
            "taken from it and nothing added; find out more with: "
            f"lashmap verify {name} --logbook {logbook.path}"
        )
    build = build_of(_stamped(row, logbook.path) for row in rows)
    if build.begun is None:
        raise LogbookError(
            f"{logbook.path}: build {name} has no beginning; save what is left: lashmap rescue"
        )
    return Record(name=name, build=build, entries=len(rows), digest=digest_of_events(rows).hex())


def newest_open(logbook: Logbook, serial: str) -> Record | None:
    """The newest build of a box that is not closed; None where there is none.

    Raises:
        LogbookError: When a newer one than it cannot be read.
    """
    for name in reversed(logbook.builds()):
        begun = _begun(logbook, name)
        if begun is not None and begun.given.serial != serial:
            continue
        found = read(logbook, name)
        if found.build.closed is None:
            return found
    return None


def its_tests(book: BuildBook) -> tuple[TestOfBuild, ...]:
    """Tests of the logbook that name a build, oldest first, with how they ended."""
    given, found = book.build.given, []
    for one in book.logbook.tests():
        if given is None or one.serial != given.serial:
            continue
        story = story_of(book.logbook.events(one.test))
        if story.build is None or story.build.build != book.name:
            continue
        stored = story.stored
        result = one.closing if stored is None else f"{stored.outcome} ({one.closing})"
        outcome = "" if stored is None else stored.outcome
        found.append(TestOfBuild(test=one.test, result=result, outcome=outcome))
    return tuple(found)


def before_the_move(logbook: Logbook, test: str) -> str:
    """The test of the same build that is to be compared with a test made after another pack was fitted.

    Args:
        logbook: Holds them.
        test: The later one.

    Returns:
        The newest test with a result before it, when another pack was in then; otherwise empty.

    Raises:
        LogbookError: When the build cannot be read.
    """
    named = story_of(logbook.events(test)).build
    if named is None:
        return ""
    record = read(logbook, named.build)
    stamped = [_stamped(row, logbook.path) for row in logbook.build_rows(named.build)]

    def packs(entries: int) -> dict[str, tuple[float, ...]]:
        fitted = build_of(stamped[:entries]).fitted
        return {member: tuple(sorted(one.pieces_mm)) for member, one in fitted.items()}

    tests = its_tests(BuildBook(logbook, named.build, record.build))
    names = [one.test for one in tests]
    earlier = tests[: names.index(test)] if test in names else ()
    for one in reversed([each for each in earlier if each.outcome]):
        then = story_of(logbook.events(one.test)).build
        return one.test if then is not None and packs(then.entries) != packs(named.entries) else ""
    return ""


def given_by(box: BoxFile) -> events.Given:
    """What the record of a build keeps of a box file."""
    mounting, teeth = box.mounting, box.gear_set
    return events.Given(
        type=box.box.type,
        serial=box.box.serial,
        set_number=box.box.set_number,
        units=box.box.units,
        tolerance_mm=mounting.tolerance_mm,
        decision_rule=box.limits.decision_rule,
        pinion=_member(teeth.pinion_teeth, mounting.pinion_marked_mm, box.parts.pinion, box.shims.pinion),
        gear=_member(teeth.gear_teeth, mounting.gear_marked_mm, box.parts.gear, box.shims.gear),
    )


def _member(
    teeth: int, marked_mm: float | None, parts: dict[str, PartTable], shims: ShimTable | None
) -> events.Member:
    stock = None
    if shims is not None:
        stock = events.Stock(
            thicknesses_mm=tuple(shims.thicknesses_mm),
            thicker_moves=shims.thicker_moves,
            most_pieces=shims.most_pieces,
            thickness_uncertainty_mm=shims.thickness_uncertainty_mm,
        )
    measured = tuple(events.MeasuredPart(name=name, **part.model_dump()) for name, part in parts.items())
    return events.Member(teeth=teeth, marked_mm=marked_mm, parts=measured, stock=stock)


def _begun(logbook: Logbook, name: str) -> events.BuildBegun | None:
    """The first event of a build; None where it cannot be read, and a check says what is wrong."""
    for row in logbook.build_rows(name)[:1]:
        try:
            event = events.from_json(row.kind, row.body)
        except (KeyError, ValueError):
            return None
        return event if isinstance(event, events.BuildBegun) else None
    return None


def _stamped(row: EventRow, path: Path) -> Stamped:
    try:
        event = events.from_json(row.kind, row.body)
    except events.OtherVersion as error:
        raise LogbookError(
            f"{path}: build {row.test}: {error}; open it with the lashmap that wrote it, or with a newer one"
        ) from error
    except (KeyError, ValidationError, UnicodeError) as error:
        why = "this version knows no such event"
        if isinstance(error, ValidationError):
            why = "; ".join(problem_of(dict(detail)) for detail in error.errors()[:3])
        raise LogbookError(
            f"{path}: build {row.test}, event {row.number} ({row.kind}) cannot be read: {why}; find out what "
            f"is damaged with: lashmap verify {row.test} --logbook {path}"
        ) from error
    return Stamped(time_s=row.time_s, utc=row.utc, event=event)


def _utc(now: dt.datetime) -> str:
    return now.astimezone(dt.UTC).isoformat(timespec="milliseconds")
