"""A test from a logbook as the tables of an export, and as pandas frames.

Samples are handed on in blocks while the record is decoded: no test is too long to export. Decided here:
which samples there are, in which order, and to which rock or sweep each belongs. A block holds samples of one
instrument; the indicator comes first, then the encoder, each in the order of time.

`frames` gives what `lashmap_analysis.load` gives after an export, without the files between. The split: the
analysis (`tables.py`) knows the tables, fills all that follow from an assessment, and reads exported files
for a notebook that has no logbook; what needs a logbook (samples as received, events) is added here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Self, TypeAlias

import numpy as np
from lashmap_analysis.record.record import RockTrace, RunoutTrace, TestRecord
from lashmap_analysis.tables import SAMPLES, TABLES, as_columns, columns_of, frame
from lashmap_drivers.readings import Floats, Integers, Samples

from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import judged
from lashmap_daemon.replay.replay import Replay, newest_test
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, PINION_ENCODER
from lashmap_daemon.story import events

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from lashmap_analysis.judge.assessment import Assessment

    from lashmap_daemon.story.events import Stamped


Which = Literal["all", "rocks", "none"]
BLOCK = 1 << 18  # samples; a row group of this size is read and written whole, 2 MB a column
SWEEPS = ("", "gear", "pinion")
UNIT = {INDICATOR: "mm", ENCODER: "deg", PINION_ENCODER: "deg"}


@dataclass(frozen=True)
class Coded:
    """A column of texts that repeat.

    Attributes:
        words: The different texts.
        codes: Shape (n,), index of each cell's text.
    """

    words: tuple[str, ...]
    codes: Integers

    @classmethod
    def same(cls, word: str, size: int) -> Self:
        """One text in every cell."""
        return cls((word,), np.zeros(size, dtype=np.int64))

    def __len__(self) -> int:
        return len(self.codes)


# Missing are None in a list, what is masked, and numbers that are not finite.
Column: TypeAlias = list[Any] | Floats | np.ma.MaskedArray[Any, np.dtype[np.int64]] | Coded
Columns = Mapping[str, Column]


def cells(column: Column) -> list[Any]:
    """A column as plain values."""
    if isinstance(column, Coded):
        return [column.words[code] for code in column.codes.tolist()]
    return column if isinstance(column, list) else column.tolist()


@dataclass(frozen=True, kw_only=True)
class Block:
    """Consecutive samples of one instrument of one test.

    Attributes:
        time_s: Shape (n,), seconds since the test started, increasing.
        value: Shape (n,), in the unit of `UNIT`.
        position: Shape (n,), number of the position whose accepted rock holds the sample; 0 outside.
        sweep: Shape (n,), index into `SWEEPS`.
        passed: Shape (n,), number of the pass that holds the sample, of an encoder alone; 0 outside.
    """

    test: str
    channel: str
    time_s: Floats
    value: Floats
    position: Integers
    sweep: Integers
    passed: Integers

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def unit(self) -> str:
        """Unit of the values."""
        return UNIT[self.channel]

    def columns(self) -> Columns:
        """The block as columns of the table of samples."""
        size = len(self)
        return {
            "test": Coded.same(self.test, size),
            "channel": Coded.same(self.channel, size),
            "time_s": self.time_s,
            "value": self.value,
            "unit": Coded.same(self.unit, size),
            "position": np.ma.masked_equal(self.position, 0),
            "sweep": Coded(SWEEPS, self.sweep),
            "pass": np.ma.masked_equal(self.passed, 0),
        }


Take = Callable[[Block], None]


def read_samples(replay: Replay, which: Which, take: Take) -> TestRecord:
    """The record of a test that is about to be read, its samples handed to ``take`` while they are decoded.

    Of these ``all`` that was received, what lies in accepted ``rocks``, sweeps and passes, or ``none``.

    Raises:
        LogbookError: When the test cannot be read.
    """
    labels = _Labels.of(replay)
    if which == "none":
        return replay.record()
    blocks = _Blocks(replay.test, labels, take)
    if which == "all":
        record = replay.record(blocks.add)
    else:
        record = replay.record()
        for channel, samples in _recorded(record):
            blocks.add(channel, samples)
    blocks.flush()
    return record


class _Blocks:
    """Gathers samples until they are enough for a block."""

    def __init__(self, test: str, labels: _Labels, take: Take) -> None:
        self._test, self._labels, self._take = test, labels, take
        self._channel = ""
        self._waiting: list[Samples] = []

    def add(self, channel: str, samples: Samples) -> None:
        if channel != self._channel:
            self.flush()
            self._channel = channel
        self._waiting.append(samples)
        if sum(map(len, self._waiting)) >= BLOCK:
            self.flush()

    def flush(self) -> None:
        samples = Samples.joined(self._waiting)
        self._waiting = []
        if not len(samples):
            return
        self._take(
            Block(
                test=self._test,
                channel=self._channel,
                time_s=samples.time_s,
                value=samples.value,
                position=_labels(self._labels.rocks, samples.time_s),
                sweep=_labels(self._labels.sweeps, samples.time_s),
                passed=_labels(() if self._channel == INDICATOR else self._labels.passes, samples.time_s),
            )
        )


def _recorded(record: TestRecord) -> Iterator[tuple[str, Samples]]:
    """Samples of rocks, sweeps and passes in the order of time, of one instrument after the other."""
    traces: tuple[RockTrace | RunoutTrace, ...] = (*record.traces, *record.sweeps)
    of_channel = {
        INDICATOR: [(one.time_s, one.indicator_mm) for one in traces],
        ENCODER: [
            *((one.encoder_time_s, one.encoder_deg) for one in traces),
            *((one.gear_time_s, one.gear_deg) for one in record.passes),
        ],
        PINION_ENCODER: [
            *((one.pinion_time_s, one.pinion_deg) for one in record.traces),
            *((one.pinion_time_s, one.pinion_deg) for one in record.passes),
        ],
    }
    for channel, parts in of_channel.items():
        for time_s, value in sorted((one for one in parts if len(one[0])), key=lambda one: float(one[0][0])):
            yield channel, Samples.of(time_s, value)


@dataclass(frozen=True, kw_only=True)
class _Labels:
    """First and last moment of every rock, sweep and pass with its label, in the order of time."""

    rocks: tuple[tuple[float, float, int], ...]
    sweeps: tuple[tuple[float, float, int], ...]
    passes: tuple[tuple[float, float, int], ...]

    @classmethod
    def of(cls, replay: Replay) -> _Labels:
        sweeps = sorted((start_s, end_s, SWEEPS.index(member)) for start_s, end_s, member in replay.sweeps_s)
        return cls(rocks=tuple(sorted(replay.rocks_s)), sweeps=tuple(sweeps), passes=replay.passes_s)


def _labels(windows: tuple[tuple[float, float, int], ...], time_s: Floats) -> Integers:
    """Label of the window that holds each time, ends included; 0 where none does. Shape (n,), as times.

    Windows are first and last moment and label, in the order of time; none reaches into another.
    """
    labels = np.zeros(len(time_s), dtype=np.int64)
    if windows:
        first_s, last_s, label = (np.array(column) for column in zip(*windows, strict=True))
        starts = np.searchsorted(time_s, first_s, side="left").tolist()
        ends = np.searchsorted(time_s, last_s, side="right").tolist()
        for start, end, one in zip(starts, ends, label.tolist(), strict=True):
            labels[start:end] = one
    return labels


def small_tables(assessment: Assessment, stream: Sequence[Stamped]) -> dict[str, dict[str, list[Any]]]:
    """Every table but the samples, as columns."""
    test = assessment.record.identity.test
    rows = []
    for number, stamped in enumerate(stream, 1):
        kind, body = events.to_json(stamped.event)
        rows.append(
            {
                "test": test,
                "number": number,
                "time_s": stamped.time_s,
                "utc": stamped.utc,
                "kind": kind,
                "body": body,
            }
        )
    return {**columns_of(assessment), "events": as_columns(TABLES["events"], rows)}


def frames(logbook: Logbook, test: str | None, *, samples: Which = "all") -> dict[str, pd.DataFrame]:
    """A test, the newest when None, as pandas frames by table; the samples are held in memory.

    Raises:
        LogbookError: When the test cannot be read.
    """
    import pandas as pd  # noqa: PLC0415  (slow to import)

    parts = [frame(SAMPLES, {column.name: [] for column in SAMPLES.columns})]

    def take(block: Block) -> None:
        columns = block.columns()
        parts.append(frame(SAMPLES, {name: _for_pandas(column) for name, column in columns.items()}))

    with Replay(logbook, test or newest_test(logbook)) as replay:
        assessment = judged(read_samples(replay, samples, take), replay.events)
    tables = small_tables(assessment, replay.events)
    found = {name: frame(TABLES[name], columns) for name, columns in tables.items()}
    return {**found, "samples": pd.concat(parts[1:] or parts, ignore_index=True)}


def _for_pandas(column: Column) -> Any:  # noqa: ANN401 - what pandas takes
    import pandas as pd  # noqa: PLC0415  (slow to import)

    if isinstance(column, Coded):
        return np.array(column.words, dtype=object)[column.codes]
    if isinstance(column, np.ma.MaskedArray):
        return pd.arrays.IntegerArray(column.data, np.ma.getmaskarray(column))
    return column
