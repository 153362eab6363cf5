"""Room kept back beside a logbook while a test runs, so that the test can be closed on a full disk.

A file that holds nothing (``….reserve``) and goes when its room is needed: then what waits in memory and the
closing record find room, unless somebody else is quicker. Against a limit on the size of one file it is of no
help. When it is used is decided by `keeper`.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import IO

from lashmap_daemon.whole_file import create_new

SIZE = 8_000_000  # what waits at most (`keeper.MOST_HELD_BYTES`), deflated, in the log and again in the file


class Reserve:
    """The room beside one logbook.

    Args:
        logbook: The logbook; the reserve stands beside it.
        size: How much room, in bytes.
    """

    def __init__(self, logbook: Path, size: int = SIZE) -> None:
        self.path = logbook.with_name(f"{logbook.name}.reserve")
        self._size = size

    def hold(self) -> bool:
        """Take the room, and the place of what a killed program left of it. False when there is none."""
        try:
            self.path.unlink(missing_ok=True)  # of a link the link itself
            with os.fdopen(create_new(self.path), "wb") as file:
                if hasattr(os, "posix_fallocate"):
                    os.posix_fallocate(file.fileno(), 0, self._size)
                else:
                    _write_zeros(file, self._size)
        except OSError:
            self.release()
            return False
        return True

    def release(self) -> bool:
        """Give the room back; true when there was any to give."""
        with contextlib.suppress(OSError):
            self.path.unlink()
            return True
        return False


def _write_zeros(file: IO[bytes], size: int) -> None:
    """Where no room can be asked for, a file of zeros takes it."""
    for start in range(0, size, 1 << 16):
        file.write(bytes(min(1 << 16, size - start)))
    file.flush()
    os.fsync(file.fileno())
