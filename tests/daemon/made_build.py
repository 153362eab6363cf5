"""Builds of an invented box to write, go on with and damage."""

from __future__ import annotations

import datetime as dt
import struct
import zlib
from collections.abc import Callable, Iterable
from pathlib import Path

from lashmap_daemon.builds import events
from lashmap_daemon.builds.book import BuildBook, begin, given_by
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.shipped import shipped

BUILD_BOX = Path(shipped("configs")) / "boxes" / "spiral-13x40-build.toml"
BY = "A. Nobody"
LOCAL = "2026-11-25T09:00:00+01:00"


def box_file() -> BoxFile:
    """The shipped box with measured parts."""
    return toml_file.load(BUILD_BOX, BoxFile)


def clock(start: str = LOCAL, step_s: float = 60.0) -> Callable[[], dt.datetime]:
    """A clock that a minute passes on whenever it is looked at."""
    now = dt.datetime.fromisoformat(start)

    def look() -> dt.datetime:
        nonlocal now
        now += dt.timedelta(seconds=step_s)
        return now

    return look


def begun(path: Path, box: BoxFile | None = None) -> BuildBook:
    """A build that has only begun, with its logbook open."""
    return begin(Logbook(path, create=True), given_by(box or box_file()), BY, clock())


def fitted(member: str, *pieces_mm: float) -> events.ShimsFitted:
    return events.ShimsFitted(by=BY, local=LOCAL, member=member, pieces_mm=pieces_mm)  # type: ignore[arg-type]  # names of the tests


def measured(member: str, distance_mm: float, uncertainty_mm: float = 0.003) -> events.DistanceMeasured:
    return events.DistanceMeasured(
        by=BY, local=LOCAL, member=member, distance_mm=distance_mm, uncertainty_mm=uncertainty_mm,  # type: ignore[arg-type]  # as above
        how="plug gauge in the bore", instrument="micrometer MC-12",
    )  # fmt: skip


def not_measurable(member: str) -> events.DistanceNotMeasurable:
    return events.DistanceNotMeasurable(by=BY, local=LOCAL, member=member, reason="no bore to it")  # type: ignore[arg-type]  # as above


def bearings(
    member: str,
    value: float,
    low: float | None = None,
    high: float | None = None,
    *,
    play: bool = False,
    uncertainty: float | None = 0.0005,
) -> events.BearingsMeasured:
    return events.BearingsMeasured(
        by=BY, local=LOCAL, member=member, quantity="end play" if play else "rolling torque", value=value,  # type: ignore[arg-type]  # as above
        low=low, high=high, instrument="gauge TG-2", uncertainty=uncertainty,
    )  # fmt: skip


def seen(flank: str, along: str = "centre", up: str = "middle", length: float = 0.6) -> events.PatternSeen:
    return events.PatternSeen(
        by=BY, local=LOCAL, flank=flank, along=along, up=up, length=length, height=0.5, remark="", photos=(),  # type: ignore[arg-type]  # as above
    )  # fmt: skip


def judged(*, accepted: bool = True, judge: str = "R. Reviewer") -> events.PatternJudged:
    return events.PatternJudged(by=BY, local=LOCAL, accepted=accepted, judge=judge, remark="")


def decided(test: str, *, accepted: bool = True, outcome: str = "conforming") -> events.BuildDecided:
    return events.BuildDecided(
        by=BY, local=LOCAL, test=test, outcome=outcome, accepted=accepted, judge="C. Chief",
        remark="" if accepted else "thicker pack for the gear",
    )  # fmt: skip


COMPLETE: tuple[events.Event, ...] = (
    fitted("pinion", 1.0, 0.15, 0.12),
    measured("pinion", 104.992),
    bearings("pinion", 1.1, 0.8, 1.4),
    seen("drive", "heel"),
    seen("coast"),
    fitted("gear", 0.5, 0.3, 0.12),
    measured("gear", 62.398),
    bearings("gear", 0.004, None, 0.01, play=True),
    judged(),
)
"""All that is entered of a build before its test."""


def entered(book: BuildBook, some: Iterable[events.Event] = COMPLETE) -> BuildBook:
    """Append events."""
    for event in some:
        book.append(event)
    return book


def png(pixels: int = 4, *, shade: int = 128) -> bytes:
    """A grey square as a PNG, made by hand after its specification."""

    def part(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", pixels, pixels, 8, 0, 0, 0, 0)
    rows = (b"\0" + bytes([shade]) * pixels) * pixels
    image = zlib.compress(rows)
    return b"\x89PNG\r\n\x1a\n" + part(b"IHDR", header) + part(b"IDAT", image) + part(b"IEND", b"")
