"""How a lost port is come back to: the waits between attempts, and what is known while it is away."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass


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
        attempts: How often it was tried again.
        last_error: Why the last attempt failed; empty before the first.
    """

    since_s: float
    reason: str
    attempts: int = 0
    last_error: str = ""
