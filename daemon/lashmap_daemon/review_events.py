"""What happens to a test after its closing: its result is stored, and reviewers look at it.

These events come after `TestClosed`, because the result is computed from the closed record. They stand beside
what was recorded and never change it; a review is read from them in order, and undoing is one more of them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class ResultStored:
    """The result as it was handed over when the test ran, and the version of the analysis that found it."""

    analysis_version: str
    outcome: str
    engagement: int | None
    normal_backlash_mm: float | None
    low_mm: float | None
    high_mm: float | None
    confirmed: bool
    positions: int
    usable: int


@dataclass(frozen=True, kw_only=True)
class ResultAnnounced:
    """A result is to reach a broker, as this text; so the seal of the test covers what is published.

    Attributes:
        topic: Root and stand below which it is published.
        id: Identifier of the message.
        message: The message as JSON, to the byte.
    """

    topic: str
    id: str
    message: str


@dataclass(frozen=True, kw_only=True)
class PositionExcluded:
    """A reviewer takes a position, or one reversal of it, out of the reviewed result.

    A reversal is kept as the time between its two dwells, since another analysis may count otherwise.
    """

    exclusion: int
    position: int
    reversal: int | None
    start_s: float | None
    end_s: float | None
    reason: str
    by: str


@dataclass(frozen=True, kw_only=True)
class ExclusionUndone:
    """An exclusion no longer holds; both stay in the record."""

    exclusion: int
    reason: str
    by: str


@dataclass(frozen=True, kw_only=True)
class SignedOff:
    """A reviewer signs for the reviewed result with the exclusions that hold.

    The figures are those that were signed for; a signature of an earlier version has none.
    """

    by: str
    analysis_version: str
    outcome: str
    recorded_outcome: str
    exclusions: tuple[int, ...]
    remark: str
    engagement: int | None = None
    normal_backlash_mm: float | None = None
    low_mm: float | None = None
    high_mm: float | None = None
