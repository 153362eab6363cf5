"""The parts of a test that was resumed: each with its own reference and fresh decoders, judged as one.

A test that was never resumed has one part. Each part begins where its `TestResumed` says; nothing decoded in
one reaches into the next, because nobody knows what the instruments did in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from lashmap_analysis.lengths import format_length
from lashmap_analysis.record import Precondition, Units
from lashmap_drivers.readings import Floats

from lashmap_daemon import events, marks
from lashmap_daemon.reference import in_record_deg

_RANK = {"proven": 0, "unproven": 1, "failed": 2}


@dataclass
class Part:
    """One part.

    Attributes:
        first_s: Its first moment.
        encoder_deg: Its matched-teeth reference, as set; in the count of the record after `begin_count`.
        matched: As it was set, until then.
        resumed: How it began; None for the first.
        checked: What the check found; None when it was not made.
        rocks: How many rocks were accepted in it.
    """

    first_s: float = -math.inf
    encoder_deg: float = 0.0
    resumed: events.TestResumed | None = None
    checked: events.CheckedAgain | None = None
    rocks: int = 0
    matched: events.MatchedTeethSet | None = None

    def begin_count(self, first_deg: float, range_deg: float | None) -> None:
        """Say with which angle the part begins; further calls change nothing."""
        if self.matched is not None:
            self.encoder_deg = in_record_deg(self.matched, first_deg, range_deg)
            self.matched = None


@dataclass
class Parts:
    """All parts of one test, and its preconditions over all of them."""

    parts: list[Part] = field(default_factory=lambda: [Part()])
    preconditions: dict[str, Precondition] = field(default_factory=dict)
    marks_compared: events.MarksCompared | None = None

    def hear(self, event: events.Event) -> None:
        """Take the next event."""
        now = self.parts[-1]
        match event:
            case events.TestResumed():
                self.parts.append(Part(first_s=event.first_s, encoder_deg=now.encoder_deg, resumed=event))
            case events.MatchedTeethSet(encoder_deg=encoder_deg):
                now.encoder_deg, now.matched = encoder_deg, event
            case events.CheckedAgain():
                now.checked = event
            case events.MarksCompared():
                self.marks_compared = event  # the last one holds: nobody is asked again after a disproof
            case events.RockAccepted():
                now.rocks += 1
            case events.PreconditionsRecorded(preconditions=preconditions):
                for one in preconditions:
                    before = self.preconditions.get(one.name)
                    # What was not proven once is not proven for the test: its rocks are judged together.
                    if before is None or _RANK[one.state] >= _RANK[before.state]:
                        self.preconditions[one.name] = one

    @property
    def starts_s(self) -> tuple[float, ...]:
        """Where parts after the first begin."""
        return tuple(part.first_s for part in self.parts[1:])

    def reference_deg(self, time_s: Floats) -> Floats:
        """The matched-teeth reference at each time; shape as ``time_s``."""
        part = np.searchsorted(np.array(self.starts_s), time_s, side="right")
        references: Floats = np.array([one.encoder_deg for one in self.parts])[part]
        return references

    def all_preconditions(self, units: Units) -> tuple[Precondition, ...]:
        """As recorded, the worst of all parts, and for a resumed test whether its checks agree."""
        checks = [_check(part, units) for part in self.parts if part.resumed is not None and part.rocks]
        worst = sorted(checks, key=lambda one: _RANK[one.state])[-1:]
        seen = () if self.marks_compared is None else (marks.precondition(self.marks_compared),)
        return (*self.preconditions.values(), *seen, *worst)


def _check(part: Part, units: Units) -> Precondition:
    name, found = "resumed test", part.checked
    remedy = "Find out what moved, and test again from the start."
    if part.resumed is not None and part.resumed.check is None:
        return Precondition(
            name=name, state="proven", detail="resumed before a reading that could be checked"
        )
    if found is None:
        return Precondition(
            name=name,
            state="unproven",
            detail="after it was resumed no earlier position was measured again",
            remedy="Resume and let the check be measured, or test again.",
        )
    shown = f"{format_length(found.difference_mm, units, signed=True)} against position {found.of}"
    if found.agrees:
        return Precondition(
            name=name, state="proven", detail=f"the check after it was resumed agrees: {shown}"
        )
    angle = "" if found.difference_deg is None else f", {found.difference_deg:+.2f}° apart"
    return Precondition(
        name=name,
        state="failed",
        detail=f"the check after it was resumed disagrees: {shown}, {format_length(found.allowed_mm, units)} "
        f"can be explained{angle}; teeth, tip or matched-teeth reference may have moved",
        remedy=remedy,
    )
