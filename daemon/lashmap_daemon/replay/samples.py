"""The samples of a test, decoded anew from its raw bytes: once, in order, piece by piece.

A test that was resumed has several parts, each with its own reference and fresh decoders, judged as one.
Nothing decoded in one part reaches into the next, because nobody knows what the instruments did in between.
A test of any length takes the memory of its rocks and sweeps, not of its samples.

A wrapped count does not say which of its ranges the matched-teeth reference belongs to. Before a record
begins the encoder is followed from the marked teeth on; the decoder of the record begins anew with the first
bytes it keeps. Both know the same angle but for whole ranges, as long as the gear turned by less than half a
range in between.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import numpy as np
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Precondition, Units
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.readings import Chunks, Floats, Samples
from lashmap_drivers.timing.angles import INDEX_SLIP, Jump

from lashmap_daemon.logbook.check import TestCheck, check_open, open_to_read
from lashmap_daemon.logbook.digests import Tally, digest_of_events
from lashmap_daemon.logbook.pack import Archives, RawReader
from lashmap_daemon.logbook.rows import events_of
from lashmap_daemon.logbook.schema import naming
from lashmap_daemon.story import marks
from lashmap_daemon.story.events import MatchedTeethSet
from lashmap_daemon.story.recorded import ENCODER, Stand
from lashmap_daemon.story.story import Part, Story


def in_record_deg(matched: MatchedTeethSet, first_deg: float, range_deg: float | None) -> float:
    """The reference as the decoder of a record counts.

    Args:
        matched: As it was set.
        first_deg: First angle that the decoder of the record gives.
        range_deg: After which the count begins again; None when it never does.
    """
    if range_deg is None or matched.seen_deg is None:
        return matched.encoder_deg
    return matched.encoder_deg - range_deg * round((matched.seen_deg - first_deg) / range_deg)


_RANK = {"proven": 0, "unproven": 1, "failed": 2}


@dataclass
class Counted:
    """The matched-teeth reference of one part, while its angles are decoded.

    Attributes:
        first_s: First moment of the part.
        encoder_deg: The reference, as set; in the count of the record after `begin_count`.
        matched: As it was set, until then.
    """

    first_s: float
    encoder_deg: float
    matched: MatchedTeethSet | None

    def begin_count(self, first_deg: float, range_deg: float | None) -> None:
        """Say with which angle the part begins; further calls change nothing."""
        if self.matched is not None:
            self.encoder_deg = in_record_deg(self.matched, first_deg, range_deg)
            self.matched = None


@dataclass
class Parts:
    """The references of all parts of one test."""

    parts: list[Counted]

    @classmethod
    def of(cls, story: Story) -> Self:
        """As they were set; where none was set, that of the part before goes on."""
        parts: list[Counted] = []
        encoder_deg = 0.0
        for part in story.parts:
            encoder_deg = encoder_deg if part.matched is None else part.matched.encoder_deg
            parts.append(Counted(part.first_s, encoder_deg, part.matched))
        return cls(parts)

    @property
    def starts_s(self) -> tuple[float, ...]:
        """Where parts after the first begin."""
        return tuple(part.first_s for part in self.parts[1:])

    def reference_deg(self, time_s: Floats) -> Floats:
        """The matched-teeth reference at each time; shape as ``time_s``."""
        part = np.searchsorted(np.array(self.starts_s), time_s, side="right")
        references: Floats = np.array([one.encoder_deg for one in self.parts])[part]
        return references


def all_preconditions(story: Story, units: Units) -> tuple[Precondition, ...]:
    """As recorded, the worst of all parts, and for a resumed test whether its checks agree."""
    checks = [_check(part, units) for part in story.parts if part.resumed is not None and part.rocks]
    worst = sorted(checks, key=lambda one: _RANK[one.state])[-1:]
    seen = () if story.marks is None else (marks.precondition(story.marks),)
    return (*story.preconditions.values(), *seen, *worst)


def _check(part: Part, units: Units) -> Precondition:
    name, found = "resumed test", part.checked
    remedy = "Find out what moved, and test again from the start."
    if part.resumed is not None and part.resumed.check is None:
        return Precondition(
            name=name, state="proven", detail="resumed before a reading that could be checked"
        )
    if found is None:
        return Precondition(
            name=name,
            state="unproven",
            detail="after it was resumed no earlier position was measured again",
            remedy="Resume and let the check be measured, or test again.",
        )
    shown = f"{format_length(found.difference_mm, units, signed=True)} against position {found.of}"
    if found.agrees:
        return Precondition(
            name=name, state="proven", detail=f"the check after it was resumed agrees: {shown}"
        )
    angle = "" if found.difference_deg is None else f", {found.difference_deg:+.2f}° apart"
    return Precondition(
        name=name,
        state="failed",
        detail=f"the check after it was resumed disagrees: {shown}, {format_length(found.allowed_mm, units)} "
        f"can be explained{angle}; teeth, tip or matched-teeth reference may have moved",
        remedy=remedy,
    )


class Decoding:
    """Iterates over the samples of one instrument, as it reads: an encoder's from its own zero.

    Args:
        pieces: All its chunks, in order.
        stand: How its bytes are read.
        channel: Which instrument.
        parts: Where fresh decoders begin; an encoder's get to know the angle they begin with.

    Attributes:
        index_slips: How often an encoder's index pulse came where it does not belong, so far.
    """

    def __init__(self, pieces: Iterator[Chunks], stand: Stand, channel: str, parts: Parts) -> None:
        self._pieces = pieces
        self._stand, self._channel = stand, channel
        self._parts = list(parts.parts) if channel == ENCODER else []
        self._starts_s = [*parts.starts_s, math.inf]
        self._decoder = self._fresh()
        self._slips_before = 0

    @property
    def index_slips(self) -> int:
        """Counted over all parts."""
        return self._slips_before + self._decoder.parser.marks[INDEX_SLIP]

    @property
    def jump(self) -> Jump | None:
        """The step by which an encoder jumped in the part that was read last; None when it did not."""
        return self._decoder.jump

    def __iter__(self) -> Iterator[Samples]:
        for chunks in self._pieces:
            rest = chunks
            while len(later := np.flatnonzero(rest.arrival_s >= self._starts_s[0])):
                yield self._decoded(rest.part(0, int(later[0])))
                rest = rest.part(int(later[0]), len(rest))
                self._slips_before = self.index_slips
                self._decoder = self._fresh()
                del self._starts_s[0], self._parts[:1]
            yield self._decoded(rest)

    def _decoded(self, chunks: Chunks) -> Samples:
        samples = self._decoder.feed(chunks)
        if self._parts and len(samples):
            self._parts[0].begin_count(float(samples.value[0]), self._decoder.range_deg)
        return samples

    def _fresh(self) -> Decoder:
        return self._stand.decoders()[self._channel]


class Windows:
    """Keeps the samples that lie in some stretches of time, ends included, of those that pass by.

    Args:
        spans_s: First and last moment of each.
    """

    def __init__(self, spans_s: Iterable[tuple[float, float]]) -> None:
        self._kept: list[tuple[float, float, list[Samples]]] = [(*span, []) for span in spans_s]

    def add(self, samples: Samples) -> None:
        """Take the next samples, in the order of time."""
        for start_s, end_s, kept in self._kept:
            first = int(np.searchsorted(samples.time_s, start_s, side="left"))
            last = int(np.searchsorted(samples.time_s, end_s, side="right"))
            if last > first:
                kept.append(samples.part(slice(first, last)).copy())

    def samples(self, number: int) -> Samples:
        """What lay in one of them."""
        return Samples.joined(self._kept[number][2])


class RawSamples:
    """Reads one test as it stands at one moment; to be closed.

    Events, samples and check come from one connection and one transaction: what is judged is what was
    digested, and what is written meanwhile is not seen.

    Args:
        logbook: The file that holds the test.
        test: Identifier.

    Attributes:
        events: What happened, in order, as it is stored.

    Raises:
        LogbookError: When the file cannot be reached, or holds anything that is not of a logbook.
    """

    def __init__(self, logbook: Path, test: str) -> None:
        self._path, self._test = logbook, test
        with naming(self._path), ExitStack() as stack:
            self._base = stack.enter_context(open_to_read(self._path))
            archives = stack.enter_context(closing(Archives(self._path)))
            self.events = tuple(events_of(self._base, self._path, test))
            self._tally = Tally(digest_of_events(self.events))
            self._reader = RawReader(self._base, self._path, archives)
            self._open = stack.pop_all()

    def pieces(self, channel: str) -> Iterator[Chunks]:
        """All chunks of an instrument; a pack that cannot be read becomes a break.

        Raises:
            LogbookError: When the file or an archive cannot be reached.
        """
        return self._reader.pieces(self._test, channel, gaps=True, tally=self._tally)

    def check(self) -> TestCheck:
        """Whether the test fits its digests, after all instruments were read.

        Raises:
            LogbookError: When the file cannot be reached.
        """
        return check_open(self._base, self._path, self._test, self._tally)

    def close(self) -> None:
        """End the reading."""
        self._open.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
