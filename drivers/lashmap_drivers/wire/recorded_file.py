"""The kind ``recorded file``: the samples of an instrument from a CSV file, with their own times.

The port of the stand file names the file. Each row becomes one chunk that carries the text of the value as it
stands in the file and arrives at the time in its row. `Playback` hands chunks of any recording over again:
recordings that are open at the same time share one time zero, so that an indicator and an encoder recorded
against one clock stay together. At full speed the times are still the recorded ones, only the waiting is left
out: for consumers that have no clock of their own.
"""

from __future__ import annotations

import csv
import io
import math
import re
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Annotated, ClassVar, Literal, Self
from weakref import WeakSet

from pydantic import Field

from lashmap_drivers.errors import PortNotOpened
from lashmap_drivers.ports.regular_file import MOST_RECORDING_BYTES, FileRefused, read_regular
from lashmap_drivers.ports.source import Loss
from lashmap_drivers.profile import InstrumentProfile, Unit
from lashmap_drivers.readings import Chunk
from lashmap_drivers.wire.ascii_line import LineParser

Speed = Literal["recorded", "full"]
_FULL_SPEED_CHUNKS = 1000  # a take, so that two recordings advance side by side
_open: WeakSet[Playback] = WeakSet()


class Playback:
    """A source that plays recorded chunks.

    Args:
        name: Where they come from.
        chunks: In order, with times on the recording's own axis, in seconds.
        speed: ``recorded`` waits as the instrument did, ``full`` does not.
        now: The monotonic clock.

    Attributes:
        shift_s: From the recording's own time to the time of its chunks now, in seconds.
    """

    def __init__(
        self, name: str, chunks: Iterable[Chunk], *, speed: Speed, now: Callable[[], float] = time.monotonic
    ) -> None:
        self.name = name
        self.dropped_chunks = 0
        self.lost: Loss | None = None  # a recording never is
        self.speed = speed
        self._now = now
        self._chunks: Iterator[Chunk] = iter(chunks)
        self._next = next(self._chunks, None)
        other = next((one for one in _open if one.speed == speed), None)
        first_s = self._next.arrival_s if self._next is not None else 0.0
        self.shift_s: float = now() - first_s if other is None else other.shift_s
        _open.add(self)

    @property
    def ended(self) -> bool:
        """True when everything has been taken."""
        return self._next is None

    def take(self) -> list[Chunk]:
        """Chunks that are due; none after the last."""
        taken: list[Chunk] = []
        due_s = self._now() - self.shift_s if self.speed == "recorded" else float("inf")
        limit = _FULL_SPEED_CHUNKS if self.speed == "full" else float("inf")
        while self._next is not None and self._next.arrival_s <= due_s and len(taken) < limit:
            taken.append(self._next._replace(arrival_s=self._next.arrival_s + self.shift_s))
            self._next = next(self._chunks, None)
        return taken

    def wait(self, seconds: float) -> bool:
        """Wait until a chunk is due, at most ``seconds``; true when one is."""
        if self._next is None:
            time.sleep(seconds)
            return False
        due_s = self._next.arrival_s + self.shift_s - self._now() if self.speed == "recorded" else 0.0
        time.sleep(min(max(due_s, 0.0), seconds))
        return due_s <= seconds

    def close(self) -> None:
        """Let the recording go."""
        _open.discard(self)
        self._next = None
        self._chunks = iter(())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


_PATTERN = r" *(?P<value>[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?) *"
_NUMBER = re.compile(_PATTERN, re.ASCII)


class RecordedFileProfile(InstrumentProfile):
    """A CSV file with a column of times and one of values, their names in its first row.

    Attributes:
        time_column: Name of the column of times, in seconds times ``time_scale``; they never run backwards.
        value_column: Name of the column of values, in ``unit``.
        time_scale: Seconds for each unit of the time column.
        separator: Between columns.
        decimal: Decimal point or comma, of both columns.
        speed: ``recorded`` or ``full``.
    """

    reads_file: ClassVar[bool] = True

    kind: Literal["recorded file"]
    unit: Unit = "mm"
    time_column: str = "time_s"
    value_column: str
    time_scale: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 1.0
    separator: Annotated[str, Field(min_length=1, max_length=1)] = ","
    decimal: Literal[".", ","] = "."
    speed: Speed = "recorded"

    @property
    def streams(self) -> bool:
        """False: the times in the file are those of the samples."""
        return False

    @property
    def expected(self) -> str:
        """Which column is read."""
        return f"numbers in the column {self.value_column}"

    def make_parser(self) -> LineParser:
        """A parser of the texts of the values."""
        return LineParser(b"\n", _PATTERN, decimal=self.decimal, whole_replies=True)

    def open(self, instrument: str, name: str) -> Playback:
        """Read the file, whole, and play it.

        Raises:
            PortNotOpened: When it cannot be read, lacks a column, or a time is no time.
        """

        def refuse(what: str) -> PortNotOpened:
            return PortNotOpened(instrument, name, what, "Correct the file or its profile.")

        try:
            text = read_regular(Path(name), MOST_RECORDING_BYTES).decode("utf-8-sig")
            rows = csv.reader(io.StringIO(text, newline=""), delimiter=self.separator)
            return Playback(name, list(self._chunks(rows)), speed=self.speed)
        except FileRefused as error:
            raise refuse(f"cannot read the recording: {error}") from error
        except (ValueError, csv.Error) as error:
            raise refuse(str(error)) from error

    def _chunks(self, rows: Iterator[list[str]]) -> Iterator[Chunk]:
        header = [cell.strip() for cell in next(rows, [])]
        for column in (self.time_column, self.value_column):
            if header.count(column) != 1:
                raise ValueError(f"expected one column {column!r} in the first row, got {', '.join(header)}")
        time_at, value_at = header.index(self.time_column), header.index(self.value_column)
        last_s = -math.inf
        for number, row in enumerate(rows, 2):
            if not row:
                continue
            if len(row) != len(header):
                raise ValueError(f"row {number} has {len(row)} columns, the first row has {len(header)}")
            time_s = self._time_s(row[time_at])
            if not (math.isfinite(time_s) and time_s >= last_s):
                raise ValueError(f"row {number}: {row[time_at]!r} is no time, or runs backwards")
            last_s = time_s
            if "\n" in row[value_at]:
                raise ValueError(f"row {number}: {row[value_at]!r} is more than one line")
            if row[value_at].strip():  # an empty cell is a sample of another column
                yield Chunk(time_s, row[value_at].encode() + b"\n")

    def _time_s(self, text: str) -> float:
        """A time of the file in seconds; nan when the text is none."""
        other = "," if self.decimal == "." else "."
        if other in text or _NUMBER.fullmatch(text) is None:
            return math.nan
        return float(text.replace(self.decimal, ".")) * self.time_scale
