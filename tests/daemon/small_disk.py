"""A real disk of a few megabytes, on which writes fail with ENOSPC as they do in earnest."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """Mount one below ``folder``; skips the test where that is not allowed."""
    where = folder / "disk"
    where.mkdir()
    size = f"size={megabytes}m"
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(where)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("may not mount a disk here; other tests do without")
    try:
        yield where
    finally:
        subprocess.run(["umount", "-l", str(where)], check=True)
