"""What chunks are taken from: a port, a recording, the library of a third party. Decides only the shape."""

from __future__ import annotations

from types import TracebackType
from typing import Protocol, Self

from lashmap_drivers.readings import Chunk
from lashmap_drivers.reconnect import Loss


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
