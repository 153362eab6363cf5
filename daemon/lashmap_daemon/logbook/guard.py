"""What guards a logbook that is written to: one writer, the file that was opened, room to close a test.

The lock is taken back by the system when its holder dies, however it dies. Readers need none: SQLite lets
them read while one writes. It is on a small file beside the logbook, which stays there and tells who holds
it. Where the system has no such locks, nothing is locked, and a message reports it.

A deleted file lives on for whoever has it open, so that writing to it succeeds and everything is gone in the
end. Device and inode under the name tell; the file itself is never opened for that, since closing it again
would drop the locks of SQLite (fcntl(2)). What was written can still be read through the open connection.

The reserve is a file that holds nothing (``….reserve``) and goes when its room is needed: then what waits in
memory and the closing record find room, unless somebody else is quicker. Against a limit on the size of one
file it is of no help. When it is used is decided by `keeper`.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import secrets
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import IO

from lashmap_daemon.clean_text import visible
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.rows import copy_test
from lashmap_daemon.logbook.schema import (
    connect,
    make_new,
    make_tables,
    must_be_writable,
    naming,
    transaction,
)
from lashmap_daemon.system import locked
from lashmap_daemon.whole_file import create_new, open_own


class LogbookBusy(LogbookError):
    """Somebody else writes to the logbook; process 0 when the lock file does not tell who."""

    def __init__(self, path: Path, process: int, command: str, since_utc: str) -> None:
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


Identity = tuple[int, int]  # device, inode


class Standing:
    """The file of an open logbook as it was when it was opened, and what has become of it."""

    def __init__(self, path: Path) -> None:
        self._path = path.resolve()
        self._log_path = self._path.with_name(f"{self._path.name}-wal")
        self._file = _identity(self._path)
        self._log: Identity | None = None
        self._folders = [(folder, _identity(folder)) for folder in self._path.parents]

    def written(self) -> None:
        """Something was written: from now on there is a write-ahead log."""
        if self._log is None:
            self._log = _identity(self._log_path)

    def closed(self) -> None:
        """The logbook was closed: SQLite takes the write-ahead log away itself."""
        self._log = None

    def why_gone(self) -> str:
        """What has become of the file, as part of a sentence; empty while it is there."""
        why = self._why_file_gone()
        if not why and self._log is not None and _identity(self._log_path) != self._log:
            # Both may have gone between the two looks: then the file is the one to name.
            why = self._why_file_gone() or f"its write-ahead log {self._log_path.name} is gone or another one"
        return why

    def _why_file_gone(self) -> str:
        try:
            status = self._path.stat()
        except (FileNotFoundError, NotADirectoryError):
            if _identity(self._path.parent) != self._folders[0][1]:
                return "its folder is gone: removed, renamed, or its file system was unmounted"
            return "the file is gone: removed or renamed"
        except OSError as error:
            return f"the file cannot be reached any more ({error.strerror})"
        if (status.st_dev, status.st_ino) != self._file:
            return "another file stands under its name"
        return ""

    def folders_left(self) -> Iterator[Path]:
        """Where something can be saved, the nearest first; never below a mount, which would hide it."""
        for folder, before in self._folders[:-1]:  # not into the root of all folders
            if before is not None and _identity(folder) == before:
                yield folder
        with suppress(RuntimeError):
            yield Path.home()
        yield Path(tempfile.gettempdir())


def save(base: sqlite3.Connection | None, standing: Standing, test: str) -> tuple[Path, bool]:
    """Copy what can be read of a logbook that is gone into a new file, in the nearest folder that is left.

    Args:
        base: The open connection; None makes an empty logbook.
        standing: Of the logbook.
        test: The test that has to be saved, should there be no room for the others.

    Returns:
        The new file, and whether all tests are in it.

    Raises:
        LogbookError: When nothing can be read, or there is no place.
    """
    problems: list[str] = []
    for everything in (True, False):
        for folder in standing.folders_left():
            new = folder / f"{test}-saved-{secrets.token_hex(3)}.logbook"
            try:
                make_new(new)
                _fill(new, base, test, everything=everything)
            except LogbookError as error:
                problems.append(str(error))
                for name in (new.name, f"{new.name}-journal", f"{new.name}-wal", f"{new.name}-shm"):
                    with suppress(OSError):
                        new.with_name(name).unlink()
            else:
                return new, everything
    raise LogbookError("; ".join(dict.fromkeys(problems)))


def _fill(new: Path, base: sqlite3.Connection | None, test: str, *, everything: bool) -> None:
    with naming(new), closing(connect(new)) as other:
        other.execute("PRAGMA synchronous=FULL")
        if base is not None and everything:
            base.backup(other)
            return
        make_tables(other)
        if base is not None:
            with transaction(other):
                copy_test(base, other, test)


def _identity(path: Path) -> Identity | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


# What waits at most (`keeper.MOST_HELD_BYTES`), deflated, in the log and again in the file.
RESERVE_BYTES = 8_000_000


class Reserve:
    """The room beside one logbook, in bytes."""

    def __init__(self, logbook: Path, size: int = RESERVE_BYTES) -> None:
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
