"""What takes long to make is made once for all processes of a session; each works on a copy of its own."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = "LASHMAP_TESTS_ONCE"
"""Of an environment: what all processes of this session share, gone with it (`conftest.py`)."""
_LONGEST_S = 200.0


def once(name: str, make: Callable[[Path], Any], folder: Path) -> Any:  # noqa: ANN401 - as made
    """Fill a folder with what was made in this session, or make it when nobody did or whoever did failed.

    The first process that asks makes it and the others wait. So it must be the same whoever makes it, and no
    path of where it was made may stand in it.

    Args:
        name: Of what is made.
        make: Fills an empty folder; returns what else is to be known of it, as JSON holds it.
        folder: For the copy; it is not there yet, or empty.

    Returns:
        What ``make`` returned.
    """
    made = _common() / name
    done, part, begun = (made.with_name(f"{name}.{end}") for end in ("json", "part", "begun"))
    if _first(begun):
        try:
            made.mkdir()
            known = json.dumps(make(made))
        except BaseException:
            done.touch()  # the others are not to wait for it
            raise
        part.write_text(known, "utf-8")
        part.replace(done)
    deadline_s = time.monotonic() + _LONGEST_S
    while not done.exists():
        assert time.monotonic() < deadline_s, f"{name} is not made; what its maker said is in another process"
        time.sleep(0.05)
    if not (text := done.read_text("utf-8")):
        folder.mkdir(exist_ok=True)
        return make(folder)
    shutil.copytree(made, folder, dirs_exist_ok=True)
    return json.loads(text)


def _first(begun: Path) -> bool:
    try:
        begun.touch(exist_ok=False)
    except FileExistsError:
        return False
    return True


@cache
def _common() -> Path:
    return Path(os.environ.get(FOLDER) or tempfile.mkdtemp(prefix="lashmap-once-"))
