"""Raw chunks that are not in the file yet: a quarter second as a rule, minutes when the disk is full.

What waits is bounded. Beyond the bound the oldest chunks go, are counted, and leave a break behind, so that
half lines on either side never merge into one.
"""

from __future__ import annotations

from collections import deque
from itertools import islice

from lashmap_drivers.readings import Chunk

PACK_S = 0.25
MOST_CHUNKS = 5_000  # written at a time: a try on a full disk must not cost much
_PACK_BYTES = 1 << 16
MOST_WAITING_BYTES = 64_000_000
_CHUNK_BYTES = 200  # what a chunk costs beside its bytes
Key = tuple[str, str]  # test, channel


class Waiting:
    """Chunks by test and channel.

    Attributes:
        dropped_chunks: How many went because the bound was reached.
        bytes: What waits now, with what keeping it costs.
    """

    def __init__(self, most_bytes: int = MOST_WAITING_BYTES) -> None:
        self.dropped_chunks = 0
        self.bytes = 0
        self._most_bytes = most_bytes
        self._chunks: dict[Key, deque[Chunk]] = {}

    def add(self, key: Key, chunks: list[Chunk]) -> None:
        """Let chunks wait."""
        waiting = self._chunks.setdefault(key, deque())
        waiting.extend(chunks)
        self.bytes += sum(len(chunk.data) + _CHUNK_BYTES for chunk in chunks)
        while self.bytes > self._most_bytes:
            self._drop_oldest()

    def is_due(self, key: Key) -> bool:
        """True when what waits must be written now."""
        waiting = self._chunks.get(key)
        if not waiting:
            return False
        return (
            waiting[-1].arrival_s - waiting[0].arrival_s >= PACK_S
            or sum(len(chunk.data) for chunk in waiting) >= _PACK_BYTES
        )

    def oldest(self, test: str) -> dict[str, list[Chunk]]:
        """The oldest of what waits of a test, by channel; it goes on waiting until `written`."""
        return {
            channel: list(islice(some, MOST_CHUNKS))
            for (name, channel), some in self._chunks.items()
            if name == test and some
        }

    def tests(self) -> list[str]:
        """Tests of which something waits."""
        return list(dict.fromkeys(name for (name, _), chunks in self._chunks.items() if chunks))

    def written(self, test: str, chunks: dict[str, list[Chunk]]) -> None:
        """What `oldest` gave is in the file now."""
        for channel, some in chunks.items():
            waiting = self._chunks[test, channel]
            for chunk in some:
                waiting.popleft()
                self.bytes -= len(chunk.data) + _CHUNK_BYTES

    def are_all(self, test: str, chunks: dict[str, list[Chunk]]) -> bool:
        """True when nothing of the test waits but these."""
        return all(
            len(some) == len(chunks.get(channel, ()))
            for (name, channel), some in self._chunks.items()
            if name == test
        )

    def end_s(self, test: str) -> float:
        """Newest arrival that waits of a test; minus infinity when none does."""
        return max(
            (chunks[-1].arrival_s for (name, _), chunks in self._chunks.items() if name == test and chunks),
            default=float("-inf"),
        )

    def _drop_oldest(self) -> None:
        """Halve the longest queue: dropping one by one would mark a break before every chunk."""
        longest = max(self._chunks.values(), key=len)
        for _ in range(max(1, len(longest) // 2)):
            gone = longest.popleft()
            self.bytes -= len(gone.data) + _CHUNK_BYTES
            self.dropped_chunks += not gone.is_break
        if longest:
            longest.appendleft(Chunk(longest[0].arrival_s, b""))
            self.bytes += _CHUNK_BYTES
