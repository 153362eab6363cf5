"""Events of a test that halts or ends early and goes on; listed with the others in `events`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class TestResumed:
    """A test that had ended early goes on; what was accepted stays.

    Attributes:
        operator: Who goes on with it.
        version: Of this program.
        first_s: Its time inside the test, from which on samples are decoded anew; what was before ended
            about a second earlier, whatever the clock says.
        gap_s: How long it lay, by the wall clock; negative when that was set back.
        check: Number of the position that is measured again first; None when there is none.
        check_of: Number of the accepted position that it repeats.
        encoder_moved_deg: How far the encoder stands from where the record ended, of its own shaft; None when
            that is not known.
        changed: Keys of the files whose values are others now, as "key: before → now".
    """

    __test__ = False

    operator: str
    version: str
    first_s: float
    gap_s: float
    check: int | None = None
    check_of: int | None = None
    encoder_moved_deg: float | None = None
    changed: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class CheckedAgain:
    """After a resumption an earlier position was measured again: do the two readings agree?

    Attributes:
        number: The new position.
        of: The earlier one, at the same engagement.
        difference_mm: New minus earlier normal backlash.
        allowed_mm: What their uncertainties and a new placing of the tip explain.
        difference_deg: New minus earlier gear angle at which the tip met its tooth; None when not known.
        allowed_deg: What placing explains.
    """

    number: int
    of: int
    difference_mm: float
    allowed_mm: float
    difference_deg: float | None
    allowed_deg: float

    @property
    def agrees(self) -> bool:
        """True when nothing seems to have moved."""
        angle = self.difference_deg is None or abs(self.difference_deg) <= self.allowed_deg
        return angle and abs(self.difference_mm) <= self.allowed_mm


@dataclass(frozen=True, kw_only=True)
class RecordingPaused:
    """Nothing more can be written; shown at once, written when there is room again."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class RecordingGoesOn:
    """All that waited has been written; ``given_up_s`` of samples could not be held that long."""

    paused_s: float
    given_up_s: float
