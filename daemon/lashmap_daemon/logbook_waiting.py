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
        self._sizes: dict[Key, int] = {}  # bytes of the chunks alone, so that nobody need count them again

    def add(self, key: Key, chunks: list[Chunk]) -> None:
        """Let chunks wait."""
        size = sum([len(chunk.data) for chunk in chunks])
        self._chunks.setdefault(key, deque()).extend(chunks)
        self._sizes[key] = self._sizes.get(key, 0) + size
        self.bytes += size + _CHUNK_BYTES * len(chunks)
        while self.bytes > self._most_bytes:
            self._drop_oldest()

    def is_due(self, key: Key) -> bool:
        """True when what waits must be written now."""
        waiting = self._chunks.get(key)
        if not waiting:
            return False
        return waiting[-1].arrival_s - waiting[0].arrival_s >= PACK_S or self._sizes[key] >= _PACK_BYTES

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
            key = test, channel
            for _ in some:
                self._chunks[key].popleft()
            self._took(key, some)

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
        key, longest = max(self._chunks.items(), key=lambda item: len(item[1]))
        gone = [longest.popleft() for _ in range(max(1, len(longest) // 2))]
        self._took(key, gone)
        self.dropped_chunks += sum(not one.is_break for one in gone)
        if longest:
            longest.appendleft(Chunk(longest[0].arrival_s, b""))
            self.bytes += _CHUNK_BYTES

    def _took(self, key: Key, some: list[Chunk]) -> None:
        size = sum([len(chunk.data) for chunk in some])
        self._sizes[key] -= size
        self.bytes -= size + _CHUNK_BYTES * len(some)
