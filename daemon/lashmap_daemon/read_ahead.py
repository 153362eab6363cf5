"""The record of one test: its events, its raw samples once and in order, then whether it fits its digests.

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
from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING, Self, cast

from lashmap_drivers.readings import Chunks

from lashmap_daemon.logbook_failures import naming
from lashmap_daemon.logbook_moved import Archives
from lashmap_daemon.logbook_raw import RawReader
from lashmap_daemon.logbook_rows import events_of
from lashmap_daemon.seal_check import check_open, check_while_read, open_to_read
from lashmap_daemon.seal_tally import Tally, Told, told_of
from lashmap_daemon.seal_walk import TestCheck

if TYPE_CHECKING:
    from lashmap_daemon.logbook import Logbook

MANY_PACKS = 8000  # with fewer, some fifteen minutes of two instruments, starting a process saves nothing
_BUFFER = 1 << 20


class RawSamples:
    """Reads one test as it stands at one moment; to be closed.

    Events, samples and check come from one connection and one transaction, or are held against what came
    from there: what is judged is what was digested, and what is written meanwhile is not seen.

    Args:
        logbook: Holds the test.
        test: Identifier.
        channels: Its instruments, in the order in which they will be read.

    Attributes:
        events: What happened, in order, as it is stored.

    Raises:
        LogbookError: When the file cannot be reached, or holds anything that is not of a logbook.
    """

    def __init__(self, logbook: Logbook, test: str, channels: tuple[str, ...]) -> None:
        self._path, self._test = logbook.path, test
        self._ahead: subprocess.Popen[bytes] | None = None
        with naming(self._path), ExitStack() as stack:
            self._base = stack.enter_context(open_to_read(self._path))
            self._archives = stack.enter_context(closing(Archives(self._path)))
            self.events = tuple(events_of(self._base, self._path, test))
            told = told_of(self.events)
            self._tally = Tally(told)  # of what is read here
            if logbook.count_packs(test) >= MANY_PACKS and (os.cpu_count() or 1) > 1:
                self._ahead = _start(self._path, test, told, channels)
            self._open = stack.pop_all()

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
        reader = RawReader(self._base, self._path, self._archives)
        for piece in reader.pieces(self._test, channel, gaps=True, tally=self._tally):
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
        return check_open(self._base, self._path, self._test, self._tally)

    def close(self) -> None:
        """End the process beside, wherever it stands, and the reading."""
        self._end_ahead()
        self._open.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _end_ahead(self) -> None:
        if self._ahead is not None:
            self._ahead.kill()
            self._ahead.communicate()
            self._ahead = None

    def _next(self) -> object:
        """What the process says next; None, without a process, when it ended early."""
        if self._ahead is None or self._ahead.stdout is None:
            return None
        try:
            return pickle.load(self._ahead.stdout)  # noqa: S301 - said by this very file
        except Exception:  # noqa: BLE001 - a torn pickle can raise anything; what is left is read here
            self._end_ahead()
            return None


def _start(path: Path, test: str, told: Told, channels: tuple[str, ...]) -> subprocess.Popen[bytes] | None:
    words = (str(path), test, str(told.count), told.digest.hex(), *channels)
    command = [sys.executable, "-P", "-m", __name__, *words]
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


def _main(path: Path, test: str, told: Told, channels: list[str]) -> None:
    """Say everything: the pieces of each instrument, None after its last; then the check."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one that reads this
    tally, read = Tally(told), Future[Tally]()
    with (
        ThreadPoolExecutor(1) as beside,
        os.fdopen(sys.stdout.fileno(), "wb", buffering=_BUFFER, closefd=False) as said,
        open_to_read(path) as base,
        closing(Archives(path)) as archives,
    ):
        check = beside.submit(check_while_read, path, test, read.result, told)
        reader = RawReader(base, path, archives)
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
    _main(Path(sys.argv[1]), sys.argv[2], Told(int(sys.argv[3]), bytes.fromhex(sys.argv[4])), sys.argv[5:])
