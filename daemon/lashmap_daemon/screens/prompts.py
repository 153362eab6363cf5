"""The prompts file: what the technician is shown, one JSON object a line, for whatever follows along.

A second display beside the machine or a powered stand reads the last complete line. Keys: ``show`` (text),
``engagement``, ``gear_tooth``, ``pinion_tooth`` (the marked ones are 1) and ``gear_angle_deg`` (null when
no position is asked for; the angle lies between two engagements where the pair is to be rolled on),
``sweep`` (member to turn for its runout, or null), ``marks`` (member whose marked tooth is to stand in the
mesh, or null), ``ready`` (``turn`` before the box turns for a cycle run, ``rock`` before it is rocked after
that, or null), ``pass`` (an object, or null: ``number``, ``direction``, which is ``forward`` or ``back``,
``engagements``, the teeth of the gear to go, ``attempt``, ``other_speed``,
``most_deg_per_s``, of the pinion, or null), ``cause`` (position whose
refused rocks a person is to explain, or null), ``closed`` (true once the test is over).
lashmap only says what it waits for: it starts and stops nothing.
"""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

from lashmap_analysis.gears.tooth_names import ToothCounts, teeth_met

from lashmap_daemon.errors import StandError
from lashmap_daemon.story.events import (
    CauseAsked,
    MarksAsked,
    PassAsked,
    PositionAsked,
    ReadyAsked,
    Stamped,
    SweepAsked,
    TestClosed,
)
from lashmap_daemon.story.story import Awaited
from lashmap_daemon.story.wording import instruction
from lashmap_daemon.whole_file import open_own


class PromptsFile:
    """A listener that appends to a prompts file.

    The file is emptied at the start of the test.

    Attributes:
        name: For messages.

    Raises:
        StandError: When it cannot be written, now or later.
    """

    name = "the prompts file"

    def __init__(self, path: Path, teeth: ToothCounts) -> None:
        self._path, self._teeth = path, teeth
        if path.exists() and not path.is_file():  # a pipe without a reader would hold the test up for ever
            raise StandError(
                f"{path}: prompts.file is a folder, a device or a pipe; name a file in the stand file"
            )
        self._write("", empty=True)

    def __call__(self, stamped: Stamped) -> None:
        """Append what this event shows, if anything."""
        event = stamped.event
        if not isinstance(event, Awaited):
            return
        asked = event if isinstance(event, PositionAsked) else None
        met = teeth_met(self._teeth, asked.engagement) if asked else None
        line = {
            "show": instruction(event, "mm", self._teeth),
            "engagement": asked.engagement if asked else None,
            "gear_tooth": met.gear_tooth if met else None,
            "pinion_tooth": met.pinion_tooth if met else None,
            "gear_angle_deg": asked.gear_angle_deg if asked else None,
            "sweep": event.member if isinstance(event, SweepAsked) else None,
            "marks": event.member if isinstance(event, MarksAsked) else None,
            "ready": event.what if isinstance(event, ReadyAsked) else None,
            "pass": _pass(event) if isinstance(event, PassAsked) else None,
            "cause": event.number if isinstance(event, CauseAsked) else None,
            "closed": isinstance(event, TestClosed),
        }
        self._write(json.dumps(line) + "\n")

    def _write(self, text: str, *, empty: bool = False) -> None:
        try:
            descriptor = open_own(self._path, os.O_WRONLY | os.O_APPEND)
            with os.fdopen(descriptor, "a", encoding="utf-8") as file:
                if empty and stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                    os.ftruncate(file.fileno(), 0)
                file.write(text)
        except OSError as error:
            raise StandError(
                f"{self._path}: the prompts file cannot be written ({error.strerror}); make room, or change "
                "prompts.file in the stand file"
            ) from error


def _pass(asked: PassAsked) -> dict[str, int | str | bool | float | None]:
    return {
        "number": asked.number,
        "direction": asked.direction,
        "engagements": asked.engagements,
        "attempt": asked.attempt,
        "other_speed": asked.other_speed,
        "most_deg_per_s": asked.most_deg_per_s,
    }
