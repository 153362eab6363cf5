"""What chunks are taken from: a port, a recording, the library of a third party. Decides only the shape."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self

from lashmap_drivers.readings import Chunk


class Source(Protocol):
    """Anything that hands over raw bytes with their arrival.

    Attributes:
        name: Where it comes from, as the stand file names it.
        dropped_chunks: Chunks lost because nobody took them in time.
        lost: What is known about a source that is away and may come back; None while it works.
    """

    name: str
    dropped_chunks: int
    lost: Loss | None

    def take(self) -> list[Chunk]:
        """All chunks since the last call, oldest first; never waits.

        Raises:
            InstrumentError: When the source failed and all it had before has been taken.
        """

    def wait(self, seconds: float) -> bool:
        """Wait until there is something to take, at most ``seconds``; true when there is."""

    def close(self) -> None:
        """Release it; safe to call twice."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


# How a lost port is come back to: the waits between attempts, and what is known while it is away.


@dataclass(frozen=True, kw_only=True)
class Backoff:
    """Waits that grow to a cap, each shortened by chance so that two instruments do not try in step.

    Attributes:
        first_s: Longest first wait, in seconds.
        most_s: Cap on every wait, in seconds.
        growth: Factor from wait to wait.
        chance: Gives numbers from 0 up to 1; injected by tests.

    Raises:
        ValueError: When a wait is not positive, the cap is below the first wait, or the waits would shrink.
    """

    first_s: float = 0.5
    most_s: float = 2.0
    growth: float = 2.0
    chance: Callable[[], float] = random.random

    def __post_init__(self) -> None:
        """Refuse what would never wait or never try."""
        if not 0.0 < self.first_s <= self.most_s or self.growth < 1.0:
            raise ValueError("waits must be positive, not shrink, and the cap not below the first wait")

    def waits(self) -> Iterator[float]:
        """Seconds to wait before each attempt, without end: between half and the whole of a growing limit."""
        limit_s = self.first_s
        while True:
            yield limit_s * (0.5 + 0.5 * self.chance())
            limit_s = min(limit_s * self.growth, self.most_s)


@dataclass(frozen=True, kw_only=True)
class Loss:
    """A port that is away and is being tried again.

    Attributes:
        since_s: Monotonic time at which it stopped working.
        reason: Why, as the system says it.
    """

    since_s: float
    reason: str
