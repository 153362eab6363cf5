"""Programs that a test needs beside Python: each looked for by its own name."""

from __future__ import annotations

import os
import shutil

import pytest


def tool(*names: str) -> str:
    """The program under the first of these names that is installed.

    Without it the test is skipped by name; where ``CI`` is set it fails, since the machine that decides must
    have every tool (`.ci/run` installs them).
    """
    for name in names:
        found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin")
        if found:
            return found
    if os.environ.get("CI"):
        pytest.fail(f"{names[0]} is not installed; the machine that decides must have it")
    pytest.skip(f"{names[0]} is not installed")
