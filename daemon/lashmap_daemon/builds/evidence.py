"""What a test takes from the build of its box: figures instead of those of the box file, and proofs.

A test names a build, or finds the newest open one of its serial number in the same logbook. What the build
does not say is left to the box file and the person at the stand; what it says replaces the box file, and the
record of the test says which keys that were. A build that is not as it was written gives nothing: the test is
refused until it is left out by name.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Shaft, Units

from lashmap_daemon.builds import events
from lashmap_daemon.builds.book import Record, newest_open, read
from lashmap_daemon.builds.build import MEMBERS, Build, bearing_decision, expanded_mm
from lashmap_daemon.builds.wording import bearing_text
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.toml_file import MOST_IN_LINE
from lashmap_daemon.story.events import BuildNamed, BuiltDistance

NO_BUILD = "none"
"""Instead of a name: the test takes nothing from any build."""


@dataclass(frozen=True, kw_only=True)
class Taken:
    """A box with what its build says.

    Attributes:
        box: With the figures of the build.
        named: For the record of the test; None when there is no build.
    """

    box: BoxFile
    named: BuildNamed | None


def take(logbook: Logbook, box: BoxFile, wanted: str | None) -> Taken:
    """Find the build of a box and take from it what it says.

    Args:
        logbook: Where tests and builds are.
        box: As its file says.
        wanted: Name of a build, or `NO_BUILD`; None is the newest open one of the serial number.

    Raises:
        LogbookError: When the build is not there, or is not as it was written.
        ConfigurationError: When it is the build of another box, or says what cannot be.
    """
    if wanted == NO_BUILD:
        return Taken(box=box, named=None)
    serial = box.box.serial
    if wanted is None:
        found, how = newest_open(logbook, serial), f"the newest open one of serial number {serial}"
    else:
        found, how = read(logbook, wanted), "named by a person"
    if found is None:
        return Taken(box=box, named=None)
    given = found.build.given
    if given is not None and given.serial != serial:
        problem = (
            f"{found.name} is the build of serial number {given.serial}, the box file has {serial}; name "
            f"another build, or --build {NO_BUILD}"
        )
        raise ConfigurationError("--build", [problem])
    return _with(found, box, how)


def take_from(path: Path, box: BoxFile, wanted: str | None) -> Taken:
    """As `take`, from a file that may not be there yet; nothing is written.

    Raises:
        LogbookError: As `take`; also where a build is named and there is no logbook.
        ConfigurationError: As `take`.
    """
    if wanted in {None, NO_BUILD} and not (path.is_file() and path.stat().st_size):
        return Taken(box=box, named=None)
    with Logbook(path, create=False) as logbook:
        return take(logbook, box, wanted)


def _with(record: Record, box: BoxFile, how: str) -> Taken:
    build, units = record.build, box.box.units
    mounting, contact, taken = _mounting(build, units), _contact(build), list[str]()
    keys: list[str] = []
    for table, values in (("mounting", mounting), ("contact", contact)):
        keys += [f"{table}.{key}" for key in values]
        taken += [
            _sentence(key, value, getattr(getattr(box, table), key), units) for key, value in values.items()
        ]
    box = box.model_copy(
        update={
            "mounting": box.mounting.model_copy(update=mounting),
            "contact": box.contact.model_copy(update=contact),
        }
    )
    try:
        box.recorded()
    except ValueError as error:  # figures that no gearbox has, such as an end play of centimetres
        problem = f"what it says cannot be: {error}; enter it anew on the sheet"
        problem += f", or test without it: --build {NO_BUILD}"
        raise ConfigurationError(f"build {record.name}", [problem]) from error
    distances = build.distances.values()
    named = BuildNamed(
        build=record.name,
        how=how,
        entries=record.entries,
        digest=record.digest,
        distances=tuple(
            BuiltDistance(member=one.member, expanded_mm=expanded_mm(one), how=_how(one))
            for one in distances
            if isinstance(one, events.DistanceMeasured)
        ),
        not_measurable=tuple(
            (one.member, one.reason) for one in distances if isinstance(one, events.DistanceNotMeasurable)
        ),
        pattern_by="" if build.accepted is None else build.accepted.judge,
        keys=tuple(keys),
        taken=tuple(taken),
    )
    return Taken(box=box, named=named)


def _how(measured: events.DistanceMeasured) -> str:
    return ", ".join(text for text in (measured.how, measured.instrument) if text)


def _mounting(build: Build, units: Units) -> dict[str, object]:
    """Keys of the table ``mounting`` that the build knows better."""
    values: dict[str, object] = {}
    for member, found in build.distances.items():
        measured = found.distance_mm if isinstance(found, events.DistanceMeasured) else None
        values[f"{member}_set_mm"] = measured
    if not build.bearings:
        return values
    measured_of = {member: build.bearings_of(member) for member in MEMBERS}
    values["bearings"] = _bearings_text(measured_of, units)
    decisions = [bearing_decision(build, one) for one in build.bearings.values()]
    if "outside" in decisions:
        values["bearings_within_drawing"] = False
    elif all(measured_of.values()) and set(decisions) == {"inside"}:
        values["bearings_within_drawing"] = True
    else:  # a figure without a limit or an uncertainty, or within it of a limit, proves nothing
        values["bearings_within_drawing"] = None
    for member, measured_ones in measured_of.items():
        play = next((one.value for one in measured_ones if one.quantity == "end play"), None)
        if play is None and measured_ones:
            play = 0.0  # preloaded bearings have none
        if play is not None:
            values[f"{member}_end_play_mm"] = play
    return values


def _bearings_text(measured_of: dict[Shaft, tuple[events.BearingsMeasured, ...]], units: Units) -> str:
    texts = [f"{member} {bearing_text(one, units)}" for member, some in measured_of.items() for one in some]
    texts += [f"{member} not recorded" for member, some in measured_of.items() if not some]
    return "; ".join(texts)[:MOST_IN_LINE]


def _contact(build: Build) -> dict[str, object]:
    place = build.contact_from_toe
    return {} if place is None else {"place": round(place, 4)}


def _sentence(key: str, value: object, before: object, units: Units) -> str:
    """One figure that was taken, and what the box file says where that is something else."""

    def shown(one: object) -> str:
        if one is None:
            return "not known"
        if key.endswith("_mm") and isinstance(one, float):
            return format_length(one, units, decimals=3 if units == "mm" else 4)
        return {True: "yes", False: "no"}.get(one, str(one)) if isinstance(one, bool) else str(one)

    words = {
        "place": "contact place from the toe as a part of the face width",
        "bearings": "bearings",
        "bearings_within_drawing": "bearings within the drawing",
    }
    name = words.get(key, key.removesuffix("_mm").replace("_", " "))
    other = "" if before in (None, "", value) else f" (box file: {shown(before)})"
    return f"{name} {shown(value)}{other}"
