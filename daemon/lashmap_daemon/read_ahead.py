"""The raw samples of one test, each instrument's once and in order; then whether the test fits its digests.

A long test is read and checked in a process beside the one that decodes it, so that both take half the time
where there are two cores. This file is both: the class, and what that process does. Should the process not
start or end early, what is left is read here: that takes longer, and nothing else changes.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Self, cast

from lashmap_drivers.readings import Chunks

from lashmap_daemon.logbook_moved import Archives
from lashmap_daemon.logbook_raw import RawReader
from lashmap_daemon.logbook_schema import connect
from lashmap_daemon.seal_check import check_test, check_while_read
from lashmap_daemon.seal_tally import Tally
from lashmap_daemon.seal_walk import TestCheck

if TYPE_CHECKING:
    from lashmap_daemon.logbook import Logbook

MANY_PACKS = 8000  # with fewer, some fifteen minutes of two instruments, starting a process saves nothing
_BUFFER = 1 << 20


class RawSamples:
    """Reads a test; to be closed.

    Args:
        logbook: Holds the test.
        test: Identifier.
        channels: Its instruments, in the order in which they will be read.
    """

    def __init__(self, logbook: Logbook, test: str, channels: tuple[str, ...]) -> None:
        self._logbook, self._test = logbook, test
        self._tally = Tally()  # of what is read here
        is_long = logbook.count_packs(test) >= MANY_PACKS and (os.cpu_count() or 1) > 1
        self._ahead = _start(logbook.path, test, channels) if is_long else None

    def pieces(self, channel: str) -> Iterator[Chunks]:
        """All chunks of an instrument; a pack that cannot be read becomes a break.

        Raises:
            LogbookError: When the file or an archive cannot be reached.
        """
        given = 0  # chunks
        while self._ahead is not None:
            piece = self._next()
            if piece is None and self._ahead is not None:
                return
            if piece is not None:
                given += len(cast("Chunks", piece))
                yield cast("Chunks", piece)
        for piece in self._logbook.raw_pieces(self._test, channel, gaps=True, tally=self._tally):
            if given < len(piece):
                yield piece.part(given, len(piece))
            given = max(0, given - len(piece))

    def check(self) -> TestCheck:
        """Whether the test fits its digests, after all instruments were read.

        Raises:
            LogbookError: When the file cannot be reached.
        """
        found = self._next() if self._ahead is not None else None
        if found is not None:
            return cast("TestCheck", found)
        return check_test(self._logbook.path, self._test, read=self._tally)

    def close(self) -> None:
        """End the process beside, wherever it stands."""
        if self._ahead is not None:
            self._ahead.kill()
            self._ahead.communicate()
            self._ahead = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _next(self) -> object:
        """What the process says next; None, without a process, when it ended early."""
        if self._ahead is None or self._ahead.stdout is None:
            return None
        try:
            return pickle.load(self._ahead.stdout)  # noqa: S301 - said by this very file
        except Exception:  # noqa: BLE001 - a torn pickle can raise anything; what is left is read here
            self.close()
            return None


def _start(path: Path, test: str, channels: tuple[str, ...]) -> subprocess.Popen[bytes] | None:
    command = [sys.executable, "-P", "-m", __name__, str(path), test, *channels]
    try:
        return subprocess.Popen(  # noqa: S603 - this very file
            command,
            bufsize=_BUFFER,
            pipesize=_BUFFER,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return None


def _main(path: Path, test: str, channels: list[str]) -> None:
    """Say everything: the pieces of each instrument, None after its last; then the check."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one that reads this
    tally, read = Tally(), Future[Tally]()
    reader = RawReader(connect(path, only_read=True), path, Archives(path))
    with (
        ThreadPoolExecutor(1) as beside,
        os.fdopen(sys.stdout.fileno(), "wb", buffering=_BUFFER, closefd=False) as said,
    ):
        check = beside.submit(check_while_read, path, test, read.result)
        try:
            for channel in channels:
                for piece in reader.pieces(test, channel, gaps=True, tally=tally):
                    pickle.dump(piece, said, pickle.HIGHEST_PROTOCOL)
                    said.flush()
                pickle.dump(None, said)
            read.set_result(tally)
        finally:
            read.cancel()  # should this end early, the check waits no longer
        pickle.dump(check.result(), said)


if __name__ == "__main__":
    _main(Path(sys.argv[1]), sys.argv[2], sys.argv[3:])
