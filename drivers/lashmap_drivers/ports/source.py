"""What chunks are taken from: a port, a recording, the library of a third party; how a port is set and asked.

Decides only the shape. The bytes of a request come from the profile, the port carries the transaction out,
and the reply is parsed like anything else that arrives.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import Annotated, Literal, Protocol, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

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


Seconds = Annotated[float, Field(ge=0.001, le=60, allow_inf_nan=False)]  # less would only turn in circles


class PortSettings(BaseModel):
    """How the port is set.

    Attributes:
        baud: Bits a second.
        data_bits: Of a character.
        parity: Of a character.
        stop_bits: Of a character.
        flow_control: Who may hold the other side back.
        dtr: State of that line while the port is open; None leaves it as the system sets it.
        rts: State of that line while the port is open; None leaves it as the system sets it.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    baud: Annotated[int, Field(ge=50, le=20_000_000)] = 115200
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "rts/cts", "xon/xoff"] = "none"
    dtr: bool | None = None
    rts: bool | None = None

    @model_validator(mode="after")
    def _one_owner_of_a_line(self) -> Self:
        if self.flow_control == "rts/cts" and self.rts is not None:
            raise ValueError("rts cannot be set while flow_control is 'rts/cts', which works that line")
        return self


class Polling(BaseModel):
    """How often an instrument is asked, and how long it may take.

    Attributes:
        interval_s: From one request to the next, in seconds.
        timeout_s: Until a reply counts as missing, in seconds.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    interval_s: Seconds
    timeout_s: Seconds = 1.0


@dataclass(frozen=True)
class Poll:
    """How a polled instrument is asked.

    Attributes:
        request: Bytes written for each reading.
        interval_s: From the start of one request to the start of the next, in seconds, greater than 0; a
            reply that takes longer delays the next request, requests are never piled up.
        timeout_s: How long a reply may take before it counts as missing, in seconds, greater than 0.
        complete: Says whether the bytes received so far are the whole reply; called after every read, so it
            must be cheap and must not keep state.

    Raises:
        ValueError: When a time is not positive or the request is empty.
    """

    request: bytes
    interval_s: float
    timeout_s: float
    complete: Callable[[bytes], bool]

    def __post_init__(self) -> None:
        """Refuse what could not be carried out."""
        if not self.request:
            raise ValueError("a poll needs a request of at least one byte")
        if not (self.interval_s > 0.0 and self.timeout_s > 0.0):
            raise ValueError("interval_s and timeout_s must be greater than 0")
