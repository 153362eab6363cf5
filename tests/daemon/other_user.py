"""The installed ``lashmap`` command as a user without rights starts it, though the tests may run as root."""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from daemon.command import ENTRY, lashmap_in

_NOBODY = 65534  # an unprivileged user on every Linux; no file of the tests is this user's
_TRY = [ENTRY[0], "-c", "import sys, lashmap_daemon.cli; print(sys.version)"]


def lashmap_without_rights(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run a command to its end as somebody who is not root; skips where that user cannot start it."""
    return lashmap_in(Path("/"), _environment(), *words, prefix=_prefix())


@contextmanager
def common_folder() -> Iterator[Path]:
    """A folder that every user can reach; what a test has made read-only in it goes with it."""
    folder = Path(tempfile.mkdtemp(prefix="lashmap-common-"))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        for one in [folder, *folder.rglob("*")]:
            if one.is_dir():
                one.chmod(0o755)
        shutil.rmtree(folder)


@functools.cache
def _prefix() -> tuple[str, ...]:
    """What has to stand before a command so that it runs without rights."""
    if os.geteuid() != 0:
        return ()
    setpriv = shutil.which("setpriv")
    if setpriv is None:
        pytest.skip("runs as root, and there is no setpriv to become another user")
    plain = (setpriv, f"--reuid={_NOBODY}", f"--regid={_NOBODY}", "--clear-groups")
    # An interpreter in root's home can be read with this one right, which lets nobody write anything.
    right = "-all,+dac_read_search"
    reading = (*plain, f"--inh-caps={right}", f"--ambient-caps={right}", f"--bounding-set={right}")
    for prefix in (plain, reading):
        if _run([*prefix, *_TRY]).stdout.strip() == sys.version:
            return prefix
    pytest.skip(f"user {_NOBODY} cannot start {ENTRY[0]}: interpreter or packages cannot be read")


def _run(command: Sequence[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120.0,
        check=False,
        cwd="/",
        env=_environment(),
    )


def _environment() -> dict[str, str]:
    return {**os.environ, "HOME": "/nonexistent", "PYTHONDONTWRITEBYTECODE": "1", "COLUMNS": "200"}
