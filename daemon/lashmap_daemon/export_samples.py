"""All samples of a test in blocks, decoded anew from the raw bytes, so that no test is too long to export.

Decided here: which samples there are, in which order, and to which rock or sweep each belongs. A block holds
samples of one instrument; the indicator comes first, then the encoder, each in the order of time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from lashmap_analysis.record import RockTrace, RunoutTrace, TestRecord
from lashmap_drivers.readings import Batch, Floats
from numpy.typing import NDArray

from lashmap_daemon.events import MatchedTeethSet
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.replay import start_of
from lashmap_daemon.stand_file import ENCODER, INDICATOR

Which = Literal["all", "rocks", "none"]
Integers = NDArray[np.int64]
BLOCK = 1 << 18  # samples; a row group of this size is read and written whole, 2 MB a column
SWEEPS = ("", "gear", "pinion")
UNIT = {INDICATOR: "mm", ENCODER: "deg"}


@dataclass(frozen=True, kw_only=True)
class Block:
    """Consecutive samples of one instrument of one test.

    Attributes:
        test: Which test.
        channel: Which instrument.
        time_s: Shape (n,), seconds since the test started, increasing.
        value: Shape (n,), in the unit of `UNIT`.
        position: Shape (n,), number of the position whose accepted rock holds the sample; 0 outside.
        sweep: Shape (n,), index into `SWEEPS`.
    """

    test: str
    channel: str
    time_s: Floats
    value: Floats
    position: Integers
    sweep: Integers

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def unit(self) -> str:
        """Unit of the values."""
        return UNIT[self.channel]

    def columns(self) -> dict[str, list[object]]:
        """The block as columns of the table of samples, plain values."""
        size = len(self)
        return {
            "test": [self.test] * size,
            "channel": [self.channel] * size,
            "time_s": self.time_s.tolist(),
            "value": self.value.tolist(),
            "unit": [self.unit] * size,
            "position": [number or None for number in self.position.tolist()],
            "sweep": [SWEEPS[index] for index in self.sweep.tolist()],
        }


def blocks(logbook: Logbook, record: TestRecord, which: Which) -> Iterator[Block]:
    """The samples of a test.

    Args:
        logbook: Holds the test.
        record: The test, for its rocks and sweeps.
        which: ``all`` that was received, what lies in accepted ``rocks`` and sweeps, or ``none``.

    Raises:
        LogbookError: When the test cannot be read.
    """
    if which == "none":
        return
    test = record.identity.test
    for channel in (INDICATOR, ENCODER):
        windows = _Windows.of(record, channel)
        # What lies in rocks and sweeps is in the record: the raw bytes need not be decoded once more.
        batches = _decoded(logbook, test, channel) if which == "all" else _recorded(record, channel)
        for time_s, value in _joined(batches):
            block = Block(
                test=test,
                channel=channel,
                time_s=time_s,
                value=value,
                position=windows.position(time_s),
                sweep=windows.sweep(time_s),
            )
            yield block


def _decoded(logbook: Logbook, test: str, channel: str) -> Iterator[Batch]:
    """As `replay.read_record` decodes them, the angle of the matched teeth taken off."""
    decoder = start_of(logbook, test).stand.decoders()[channel]
    zero = 0.0
    if channel == ENCODER:
        found = [s.event for s in logbook.events(test) if isinstance(s.event, MatchedTeethSet)]
        zero = found[-1].encoder_deg if found else 0.0
    for chunk in logbook.raw(test, channel):
        batch = decoder.feed(chunk)
        if len(batch):
            yield Batch(batch.time_s, batch.value - zero if channel == ENCODER else batch.value)


def _recorded(record: TestRecord, channel: str) -> Iterator[Batch]:
    """The samples of rocks and sweeps in the order of time."""
    traces: tuple[RockTrace | RunoutTrace, ...] = (*record.traces, *record.sweeps)
    parts = [
        Batch(trace.time_s, trace.indicator_mm)
        if channel == INDICATOR
        else Batch(trace.encoder_time_s, trace.encoder_deg)
        for trace in traces
    ]
    yield from sorted((part for part in parts if len(part)), key=lambda part: float(part.time_s[0]))


def _joined(batches: Iterator[Batch]) -> Iterator[tuple[Floats, Floats]]:
    waiting: list[Batch] = []
    count = 0
    for batch in batches:
        waiting.append(batch)
        count += len(batch)
        if count >= BLOCK:
            yield _together(waiting)
            waiting, count = [], 0
    if waiting:
        yield _together(waiting)


def _together(batches: list[Batch]) -> tuple[Floats, Floats]:
    return np.concatenate([one.time_s for one in batches]), np.concatenate([one.value for one in batches])


@dataclass(frozen=True, kw_only=True)
class _Windows:
    """First and last sample of every rock and sweep of one instrument, in the order of time."""

    rocks: tuple[tuple[float, float, int], ...]
    sweeps: tuple[tuple[float, float, int], ...]

    @classmethod
    def of(cls, record: TestRecord, channel: str) -> _Windows:
        def times(trace: object) -> Floats:
            name = "time_s" if channel == INDICATOR else "encoder_time_s"
            found: Floats = getattr(trace, name)
            return found

        def window(trace: object, label: int) -> tuple[float, float, int]:
            return float(times(trace)[0]), float(times(trace)[-1]), label

        return cls(
            rocks=tuple(sorted(window(t, t.position) for t in record.traces if len(times(t)))),
            sweeps=tuple(sorted(window(t, SWEEPS.index(t.member)) for t in record.sweeps if len(times(t)))),
        )

    def position(self, time_s: Floats) -> Integers:
        return _labels(self.rocks, time_s)

    def sweep(self, time_s: Floats) -> Integers:
        return _labels(self.sweeps, time_s)


def _labels(windows: tuple[tuple[float, float, int], ...], time_s: Floats) -> Integers:
    """Label of the window that holds each time, ends included; 0 where none does."""
    if not windows:
        return np.zeros(len(time_s), dtype=np.int64)
    first, last = (np.array([window[end] for window in windows]) for end in (0, 1))
    label = np.array([window[2] for window in windows], dtype=np.int64)
    at = np.searchsorted(first, time_s, side="right") - 1
    inside = (at >= 0) & (time_s <= last[at])
    return np.where(inside, label[at], 0)
