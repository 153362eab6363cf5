"""One writer for one logbook: a lock that the system takes back when its holder dies, however it dies.

Readers need none: SQLite lets them read while one writes. The lock is on a small file beside the logbook,
which stays there and tells who holds it. Where the system has no such locks, nothing is locked, and a
message reports it.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO

from lashmap_daemon.clean_text import visible
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.schema import must_be_writable
from lashmap_daemon.system import locked
from lashmap_daemon.whole_file import open_own


class LogbookBusy(LogbookError):
    """Somebody else writes to the logbook.

    Attributes:
        path: The logbook.
        process: Number of the process that holds it; 0 when the lock file does not tell.
        command: What it was started as.
        since_utc: Since when, ISO 8601.
    """

    def __init__(self, path: Path, process: int, command: str, since_utc: str) -> None:
        self.path = path
        self.process = process
        self.command = command
        self.since_utc = since_utc
        holder = f"process {process} ({command}) since {since_utc}" if process else "another process"
        super().__init__(
            f"{path}: {holder} writes to it, and only one can; wait for it to end, end it, or name another "
            "file with --logbook"
        )


@contextmanager
def only_writer(logbook: Path) -> Iterator[None]:
    """Hold a logbook for writing.

    Raises:
        LogbookBusy: When another one holds it, in this process or elsewhere.
        LogbookError: When logbook or lock file cannot be written, or the disk knows no locks.
    """
    must_be_writable(logbook)
    path = logbook.with_name(f"{logbook.name}.lock")
    try:
        file = os.fdopen(open_own(path, os.O_RDWR | os.O_APPEND), "a+", encoding="utf-8")
    except OSError as error:
        raise LogbookError(
            f"{path}: the lock file cannot be made ({error.strerror}); choose a folder where you may write"
        ) from error
    with file, ExitStack() as stack:
        try:
            alone = stack.enter_context(locked(file.fileno()))
        except BlockingIOError:
            raise LogbookBusy(logbook, *_holder(file)) from None
        except OSError as error:
            raise LogbookError(
                f"{path}: cannot be locked ({error.strerror}); keep the logbook on a disk of this machine"
            ) from error
        if not alone:
            text = f"{logbook}: this system has no file locks; let nothing else write to it meanwhile"
            print(f"lashmap: {visible(text)}", file=sys.stderr)  # noqa: T201 - before any screen is there
        _write_holder(file)
        try:
            yield
        finally:
            _empty(file)  # or the next one would be called by this one's name until it has written its own


def _write_holder(file: IO[str]) -> None:
    """Who holds it, for the message alone: a full disk must not keep anybody from writing elsewhere."""
    since = f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
    name = Path(sys.argv[0]).name if sys.argv and sys.argv[0] else "python"
    command = " ".join([name, *sys.argv[1:]])
    text = json.dumps({"process": os.getpid(), "command": command, "since_utc": since})
    _empty(file)
    with contextlib.suppress(OSError):  # not through the file's buffer, which would try again on closing
        os.write(file.fileno(), text.encode())


def _empty(file: IO[str]) -> None:
    with contextlib.suppress(OSError):
        os.ftruncate(file.fileno(), 0)


def _holder(file: IO[str]) -> tuple[int, str, str]:
    file.seek(0)
    try:
        entry = json.loads(file.read(65536))
        return int(entry["process"]), str(entry["command"]), str(entry["since_utc"])
    except (ValueError, KeyError, TypeError):
        return 0, "", ""
