"""Recorded chunks handed over again, at recorded or full speed.

Recordings that are open at the same time share one time zero, so that an indicator and an encoder recorded
against one clock stay together. At full speed the times are still the recorded ones, only the waiting is left
out: for consumers that have no clock of their own.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from types import TracebackType
from typing import Literal, Self
from weakref import WeakSet

from lashmap_drivers.ports.source import Loss
from lashmap_drivers.readings import Chunk

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
    """

    def __init__(
        self, name: str, chunks: Iterable[Chunk], *, speed: Speed, now: Callable[[], float] = time.monotonic
    ) -> None:
        self.name = name
        self.dropped_chunks = 0
        self.lost: Loss | None = None  # a recording never is
        self._speed = speed
        self._now = now
        self._chunks: Iterator[Chunk] = iter(chunks)
        self._next = next(self._chunks, None)
        other = next((one for one in _open if one.speed == speed), None)
        first_s = self._next.arrival_s if self._next is not None else 0.0
        self._shift_s: float = now() - first_s if other is None else other.shift_s
        _open.add(self)

    @property
    def speed(self) -> Speed:
        """As told."""
        return self._speed

    @property
    def shift_s(self) -> float:
        """From the recording's own time to the time of its chunks now, in seconds."""
        return self._shift_s

    @property
    def ended(self) -> bool:
        """True when everything has been taken."""
        return self._next is None

    def take(self) -> list[Chunk]:
        """Chunks that are due; none after the last."""
        taken: list[Chunk] = []
        due_s = self._now() - self._shift_s if self._speed == "recorded" else float("inf")
        limit = _FULL_SPEED_CHUNKS if self._speed == "full" else float("inf")
        while self._next is not None and self._next.arrival_s <= due_s and len(taken) < limit:
            taken.append(self._next._replace(arrival_s=self._next.arrival_s + self._shift_s))
            self._next = next(self._chunks, None)
        return taken

    def wait(self, seconds: float) -> bool:
        """Wait until a chunk is due, at most ``seconds``; true when one is."""
        if self._next is None:
            time.sleep(seconds)
            return False
        due_s = self._next.arrival_s + self._shift_s - self._now() if self._speed == "recorded" else 0.0
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
