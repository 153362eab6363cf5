"""One writer for each logbook: a lock on a file beside it, let go by the system when its holder dies."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from lashmap_daemon.errors import LogbookError

try:
    import fcntl
except ImportError:  # Windows has none; two writers are not kept apart there
    fcntl = None  # type: ignore[assignment]


class LogbookBusy(LogbookError):
    """Another program writes this logbook; the message names it."""


@contextlib.contextmanager
def logbook_lock(path: Path) -> Iterator[None]:
    """Hold the right to write a logbook.

    Raises:
        LogbookBusy: Naming who holds it.
        LogbookError: When the lock file cannot be made.
    """
    beside = path.with_name(f"{path.name}.lock")
    try:
        descriptor = os.open(beside, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise LogbookError(
            f"{beside}: cannot be made ({error.strerror}); choose another --logbook"
        ) from error
    try:
        if fcntl is not None:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise LogbookBusy(
                    f"{path}: is written by {_holder(descriptor)}; stop that program first, or use another "
                    "logbook"
                ) from None
        since = f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
        who = {"process": os.getpid(), "command": " ".join(sys.argv)[:200], "since": since}
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps(who).encode(), 0)
        yield
    finally:
        os.close(descriptor)


def _holder(descriptor: int) -> str:
    try:
        who = json.loads(os.pread(descriptor, 4096, 0))
        return f"process {who['process']} ({who['command']}) since {who['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "another program"
