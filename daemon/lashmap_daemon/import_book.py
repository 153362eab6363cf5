"""An imported recording in the logbook, where it stands like any other test and says what it is.

Its raw bytes are the file's: file and mapping are kept whole, under channels of their own, and every sample
is kept as the text that stands in the file, so that `replay.read_record` decodes an imported test as it does
any other. Remark, note and a precondition say that it was imported, from which file, with its digest; nothing
in it claims that lashmap was there.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, replace

from lashmap_analysis.record import Precondition
from lashmap_drivers.readings import Chunk

from lashmap_daemon import events
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.events import Stamped
from lashmap_daemon.export_descriptor import program_version
from lashmap_daemon.free_text import MOST_IN_NAME
from lashmap_daemon.import_measure import Measured
from lashmap_daemon.import_source import Source, chunks
from lashmap_daemon.import_stretch import Found, Signals
from lashmap_daemon.import_table import Recording
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.preconditions import MatchedHow, collect
from lashmap_daemon.replay import start_of
from lashmap_daemon.stand_file import ENCODER, INDICATOR, Stand

FILE_CHANNEL, MAPPING_CHANNEL = "imported file", "mapping file"
_PIECE = 1 << 20
_TOGETHER = 1000


def refuse_twice(book: Logbook, source: Source) -> set[str]:
    """Names that are taken; refuses a recording that is there already with the same mapping."""
    tests = {one.test for one in book.tests()}
    for test in tests:
        if start_of(book, test).stand.file.indicator.port != source.path.name:
            continue
        told = [stamped.event for stamped in book.events(test)]
        if not any(isinstance(event, events.TestClosed) for event in told):
            continue  # an import that was killed half way is no reason to refuse a whole one
        notes = [event.text for event in told if isinstance(event, events.NoteTaken)]
        if any(source.digest in note and source.mapping_digest in note for note in notes):
            problem = f"is in {book.path} already, as test {test}; open it with: lashmap review {test}"
            raise ConfigurationError(str(source.path), [problem])
    return tests


def start_record(source: Source, stand: Stand, found: Found, taken: set[str]) -> events.TestStarted:
    """The start record of the test, its origin in the remark."""
    mapping, box = source.mapping, source.box
    remark = "\n".join(
        text for text in (box.box.remark, f"{source.origin[:1].upper()}{source.origin[1:]}.") if text
    )
    slug = re.sub(r"[^A-Za-z0-9]+", "-", box.box.serial)[:MOST_IN_NAME].strip("-") or "box"
    name = first = f"{mapping.test.recorded.astimezone(dt.UTC):%Y%m%d-%H%M%S}-{slug}"
    number_of = 2
    while name in taken:
        name, number_of = f"{first}-{number_of}", number_of + 1
    places = {
        f"{swept.member}_indicator_from_mesh_deg": swept.indicator_from_mesh_deg
        for swept in mapping.sweep
        if swept.indicator_from_mesh_deg is not None
    }
    return events.TestStarted(
        test=name,
        operator=mapping.test.operator or "not recorded",
        box=box.model_copy(
            update={
                "box": box.box.model_copy(update={"remark": remark}),
                "runout": box.runout.model_copy(update=places),
            }
        ),
        stand=stand,
        planned=tuple(dict.fromkeys(rock.engagement for rock in found.rocks)),
        sweeps=tuple(sweep.member for sweep in found.sweeps),
        version=program_version(),
    )


@dataclass(frozen=True, kw_only=True)
class Import:
    """What an import has read and found."""

    source: Source
    recording: Recording
    signals: Signals
    found: Found
    operator: str


def keep(book: Logbook, started: events.TestStarted, imported: Import, measured: Measured) -> None:
    """Write the test with what `measure` returned."""
    source, recording = imported.source, imported.recording
    test, recorded = started.test, source.mapping.test.recorded

    def emit(time_s: float, event: events.Event) -> None:
        utc = (recorded + dt.timedelta(seconds=time_s)).astimezone(dt.UTC).isoformat(timespec="milliseconds")
        book.append(test, Stamped(time_s=time_s, utc=utc, event=event))

    emit(0.0, started)
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    words = f"{source.origin}, with {source.mapping_path.name}, SHA-256 {source.mapping_digest}"
    emit(0.0, events.NoteTaken(text=f"{words}, by {imported.operator} at {now}"))
    emit(0.0, events.PreconditionsRecorded(preconditions=_preconditions(source, started)))
    if recording.encoder is not None:
        how: MatchedHow = "box file" if _matched_known(source) else "assumed"
        emit(0.0, events.MatchedTeethSet(encoder_deg=imported.found.matched_deg, how=how))
    for channel, data in ((FILE_CHANNEL, source.data), (MAPPING_CHANNEL, source.mapping_data)):
        for at in range(0, len(data), _PIECE):
            book.keep(test, channel, [Chunk(0.0, data[at : at + _PIECE])])
    for channel, column in ((INDICATOR, recording.indicator), (ENCODER, recording.encoder)):
        samples = [] if column is None else chunks(column)
        for at in range(0, len(samples), _TOGETHER):  # a logbook is made for what comes bit by bit
            book.keep(test, channel, samples[at : at + _TOGETHER])
    for time_s, event in measured.events:
        emit(time_s, event)
    end = float(recording.time_s[-1])
    emit(end, events.TestClosed(outcome="completed", reason="the imported recording ends here"))


def _matched_known(source: Source) -> bool:
    mapping = source.mapping
    if mapping.positions.find_by is None:
        return bool(mapping.positions.counted_from_matched_teeth)
    return not _turn_unknown(source)


def _turn_unknown(source: Source) -> bool:
    """The angle begins again, and the box file's does not say in which turn the marked teeth are together."""
    turned = source.mapping.encoder
    return turned is not None and turned.wraps_at_deg is not None and turned.matched_deg is None


def _preconditions(source: Source, started: events.TestStarted) -> tuple[Precondition, ...]:
    """As at the stand, but for the cautions, which nobody can read any more, and with where it comes from."""
    mapping = source.mapping
    known = _matched_known(source)
    date = mapping.test.recorded.date()
    as_at_stand = collect(
        source.box,
        started.stand,
        matched="box file" if known else "assumed",
        today=date,
        locked_out=True,
    )
    kept = []
    for one in as_at_stand:
        if one.name == "cautions" or (one.name == "calibration, encoder" and mapping.encoder is None):
            continue
        if one.name == "matched teeth":
            kept.append(_matched_precondition(source))
            continue
        kept.append(replace(one, remedy=one.remedy.replace("the stand file", "the mapping file")))
    return (*kept, _recording_precondition(source))


def _matched_precondition(source: Source) -> Precondition:
    name = "matched teeth"
    if _matched_known(source):
        detail = "engagements count from the matched teeth, as the mapping file says"
        return Precondition(name=name, state="proven", detail=detail)
    if source.mapping.positions.find_by is not None and _turn_unknown(source):
        return Precondition(
            name=name,
            state="unproven",
            detail="the encoder's angle begins again, and the box file's does not say in which turn",
            remedy="Write encoder.matched_deg in the mapping, of the turn in which the recording begins.",
        )
    return Precondition(
        name=name,
        state="unproven",
        detail="the mapping file does not say that engagements count from the matched teeth",
        remedy="Say so in the mapping (positions), when the recording shows it.",
    )


def _recording_precondition(source: Source) -> Precondition:
    name, origin = "recording", source.origin
    if source.mapping.test.vouched_by:
        who = source.mapping.test.vouched_by
        return Precondition(name=name, state="proven", detail=f"{origin}; vouched for by {who}")
    return Precondition(
        name=name,
        state="unproven",
        detail=f"{origin}; nobody vouches that it is of this gearbox",
        remedy="Let whoever knows put their name into the mapping: test.vouched_by.",
    )
