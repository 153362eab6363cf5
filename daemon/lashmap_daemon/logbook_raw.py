"""Reading the raw packs of a test back, one at a time or in pieces large enough for quick decoding."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

from lashmap_drivers.readings import Chunks, a_break

from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook_failures import naming
from lashmap_daemon.logbook_moved import Archives, moved_of
from lashmap_daemon.logbook_pack import PackDamaged, opened
from lashmap_daemon.seal_tally import Tally

_PIECE_BYTES = 1 << 18  # some 50,000 lines, enough that numpy's fixed costs no longer count


class RawReader:
    """Reads raw packs from an open file.

    Args:
        base: The file's connection.
        path: Its path, for messages and to find its archives.
        archives: Of this file.
    """

    def __init__(self, base: sqlite3.Connection, path: Path, archives: Archives) -> None:
        self._base, self._path, self._archives = base, path, archives

    def packs(
        self, test: str, channel: str, *, gaps: bool = False, tally: Tally | None = None
    ) -> Iterator[Chunks]:
        """The packs of one instrument in order, read as they are taken.

        Args:
            test: Identifier of the test.
            channel: Which instrument.
            gaps: A pack that cannot be read becomes a break instead of an error.
            tally: Is told what was read.

        Raises:
            LogbookError: When a pack cannot be read, or was moved to an archive that is not at hand.
        """
        if tally is not None:
            tally.begin(channel)
        with naming(self._path):
            for place, first_s, last_s, arrivals, data in self._base.execute(
                "SELECT place, first_s, last_s, arrivals, data FROM raw WHERE test = ? AND channel = ? "
                "ORDER BY place",
                (test, channel),
            ):
                try:
                    is_here = arrivals is not None or data is not None
                    pack = opened(*((arrivals, data) if is_here else self._away(test, place)))
                    content = pack.content()
                except (PackDamaged, TypeError) as error:
                    if not gaps:
                        raise LogbookError(
                            f"{self._path}: test {test}, {channel}, {first_s:.2f} to {last_s:.2f} s cannot "
                            f"be read: {error}; find out what else with: lashmap verify --logbook "
                            f"{self._path}"
                        ) from error
                    if tally is not None:
                        tally.spoil(channel)
                    yield a_break(first_s)
                    continue
                if tally is not None:
                    tally.add(channel, place, content, pack.first_s, pack.last_s)
                yield pack.chunks()

    def _away(self, test: str, place: int) -> tuple[bytes, bytes]:
        return self._archives.pack(moved_of(self._base, test), place)


def in_pieces(packs: Iterator[Chunks]) -> Iterator[Chunks]:
    """Packs joined to pieces that are quick to decode; the same packs always make the same pieces."""
    waiting: list[Chunks] = []
    size = 0
    for pack in packs:
        waiting.append(pack)
        size += len(pack.data)
        if size >= _PIECE_BYTES:
            yield Chunks.joined(waiting)
            waiting, size = [], 0
    if waiting:
        yield Chunks.joined(waiting)
