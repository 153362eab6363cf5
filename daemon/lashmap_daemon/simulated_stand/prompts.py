"""What the technician is being shown: the last whole line of a file that the recording program appends to.

Each line is a JSON object with at least ``show`` (text), ``engagement`` (a whole number, or null when no
target is shown) and ``closed`` (true once the program is done); ``sweep`` names the member to turn for its
runout, ``marks`` the one whose marked tooth is to stand in the mesh; null or missing means none, and each
comes without a target. The file may not be there yet, may be begun anew, and may end in half a line. Decided
here: which line counts. What follows from it is `serve`.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from lashmap_daemon.simulated_stand.settings import Shaft


@dataclass(frozen=True, kw_only=True)
class Prompt:
    """What is shown.

    Attributes:
        show: The text.
        engagement: The target, or None when there is none.
        sweep: The member to turn for its runout, or None.
        marks: The member whose marked tooth is to stand in the mesh, or None.
        closed: Whether the program is done.
    """

    show: str
    engagement: int | None
    sweep: Shaft | None
    closed: bool
    marks: Shaft | None = None


class Prompts:
    """Follows the file from its start.

    Attributes:
        bad_lines: Whole lines that were no prompts.
    """

    def __init__(self, path: Path) -> None:
        """Follow a file that need not exist yet."""
        self.bad_lines = 0
        self._path = path
        self._inode = -1
        self._read_to = 0

    def latest(self) -> Prompt | None:
        """Return the last whole prompt written since the last call; None when there is no new one."""
        try:
            with self._path.open("rb") as file:
                status = os.fstat(file.fileno())
                if status.st_ino != self._inode or status.st_size < self._read_to:
                    self._inode, self._read_to = status.st_ino, 0
                if status.st_size == self._read_to:
                    return None
                file.seek(self._read_to)
                data = file.read()
        except FileNotFoundError:
            return None
        whole, end, _ = data.rpartition(b"\n")
        self._read_to += len(whole) + len(end)
        prompts = [prompt for line in whole.splitlines() if (prompt := self._parsed(line)) is not None]
        return prompts[-1] if prompts else None

    def _parsed(self, line: bytes) -> Prompt | None:
        if not line.strip():
            return None
        try:
            prompt = _prompt(json.loads(line))
        except ValueError:
            prompt = None
        self.bad_lines += prompt is None
        return prompt


def _prompt(document: object) -> Prompt | None:
    if not isinstance(document, dict):
        return None
    show, engagement, closed = (document.get(key) for key in ("show", "engagement", "closed"))
    whole = engagement is None or (isinstance(engagement, int) and not isinstance(engagement, bool))
    if not (isinstance(show, str) and whole and isinstance(closed, bool)):
        return None
    match document.get("sweep"), document.get("marks"):
        case None, None:
            return Prompt(show=show, engagement=engagement, sweep=None, closed=closed)
        case ("gear" | "pinion") as member, None if engagement is None:
            return Prompt(show=show, engagement=None, sweep=member, closed=closed)
        case None, ("gear" | "pinion") as member if engagement is None:
            return Prompt(show=show, engagement=None, sweep=None, closed=closed, marks=member)
    return None
