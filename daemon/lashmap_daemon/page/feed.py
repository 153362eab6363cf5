"""The newest picture for whoever looks: one slot, however many lookers, however slow.

Used in the loop of the server alone. A looker that was slow gets what is newest when it is ready again; what
came between is skipped. Nothing is queued, so no looker can make the program grow. Where nothing changes a
beat says each second how old the picture is: a test that hangs behind a server that lives is seen to hang.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import contextmanager

BEAT_S = 1.0  # so long nothing at all is sent


class TooManyLook(Exception):
    """There is no room for one more; the text says how many there are."""


class Feed:
    """The parts of the newest picture.

    Attributes:
        lookers: How many look now; may be read from any thread.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._parts: dict[str, bytes] = {}
        self._made_s: float | None = None
        self._waiting: set[_Looker] = set()
        self.lookers = 0

    def put(self, parts: Mapping[str, bytes], *, is_live: bool = True) -> None:
        """Show a picture: parts that changed go to all who look; parts that are gone are shown no more.

        One that is not live holds until the next, and does not grow old.
        """
        self._made_s = time.monotonic() if is_live else None
        changed = [name for name, data in parts.items() if self._parts.get(name) != data]
        self._parts = dict(parts)
        for looker in self._waiting:
            looker.pending.update(changed)
            if looker.pending:
                looker.ready.set()

    @contextmanager
    def looker(self) -> Iterator[AsyncIterator[bytes]]:
        """Someone looks: what to send, as server-sent events (HTML Living Standard, 9.2).

        Raises:
            TooManyLook: When too many do already.
        """
        if len(self._waiting) >= self._most:
            raise TooManyLook(f"{self._most} look already")
        looker = _Looker(set(self._parts))
        self._waiting.add(looker)
        self.lookers = len(self._waiting)
        try:
            yield self._sent(looker)
        finally:
            self._waiting.discard(looker)
            self.lookers = len(self._waiting)

    async def _sent(self, looker: _Looker) -> AsyncIterator[bytes]:
        while True:
            looker.ready.clear()
            pending, looker.pending = looker.pending, set()
            events = [
                b"event: %s\ndata: %s\n\n" % (name.encode(), self._parts[name])
                for name in sorted(pending)
                if name in self._parts
            ]
            age_s = 0.0 if self._made_s is None else time.monotonic() - self._made_s
            yield b"".join(events) or b"event: beat\ndata: %.1f\n\n" % age_s
            try:
                async with asyncio.timeout(BEAT_S):
                    await looker.ready.wait()
            except TimeoutError:
                continue


class _Looker:
    """One who looks, and which parts it has not got yet."""

    def __init__(self, pending: set[str]) -> None:
        self.pending = pending
        self.ready = asyncio.Event()
