"""Reading a file whole: a regular one, and no larger than a file of its kind can be.

A device may have no end, a pipe may wait for a writer for ever, and opening a serial port moves its lines. So
what a name stands for is looked at before it is opened, and once more when it is open.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

# Two hours at 1,000 rows/s; it is kept whole, and reading it takes ten times as much memory.
MOST_RECORDING_BYTES = 200_000_000
# A pipe that came into the place of a file meanwhile is not waited for; not on Windows, where there is none.
_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)


class FileRefused(ValueError):
    """A file is not read; the message says why and what to do, without its name."""


def read_regular(path: Path, most_bytes: int) -> bytes:
    """All bytes of a regular file.

    Args:
        path: The file, or a link to it.
        most_bytes: A larger one is refused.

    Raises:
        FileRefused: When it is not there, is something else, is too large or cannot be read.
    """
    try:
        _see_that_regular(path.stat())
        with os.fdopen(os.open(path, _FLAGS), "rb") as file:
            _see_that_regular(os.fstat(file.fileno()))
            data = file.read(most_bytes + 1)
    except FileNotFoundError:
        raise FileRefused("no such file; check the path") from None
    except OSError as error:
        raise FileRefused(f"cannot be read ({error.strerror or error}); check its permissions") from error
    except FileRefused:
        raise
    except ValueError:  # a null character
        raise FileRefused("is no name of a file; correct it") from None
    if len(data) > most_bytes:
        raise FileRefused(
            f"is larger than {most_bytes / 1e6:g} MB, the most for a file of its kind; check that it is the "
            "right one"
        )
    return data


def _see_that_regular(status: os.stat_result) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise FileRefused("is a folder; name the file in it")
    if not stat.S_ISREG(status.st_mode):
        raise FileRefused("is a device, a pipe or a socket; copy what it gives into a file and name that")
