"""What a review is made of, as values: the stored result, what is left out, signatures."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class StoredResult:
    """The result that was handed over when the test ran.

    Attributes:
        analysis_version: Version of the analysis that found it.
        outcome: Of the verdict.
        engagement: Of the stated tight spot; None, like its figures, when none was stated.
        normal_backlash_mm: Stated.
        interval_mm: Its interval at 95 %.
        confirmed: Whether the tight spot was confirmed.
        positions: Recorded.
        usable: How many gave a reading.
        utc: When it was stored.
    """

    analysis_version: str
    outcome: str
    engagement: int | None
    normal_backlash_mm: float | None
    interval_mm: tuple[float, float] | None
    confirmed: bool
    positions: int
    usable: int
    utc: str


@dataclass(frozen=True, kw_only=True)
class Exclusion:
    """A position, or one reversal of it, that a reviewer leaves out.

    Attributes:
        number: From 1, in the order of review.
        position: Number of the position.
        reversal: Number of the reversal within the rock, from 1; None for the whole position.
        window_s: Time between the two dwells of the reversal.
        reason: Why.
        by: Who.
        utc: When.
        undone: (who, when, why) it was taken back; None while it holds.
    """

    number: int
    position: int
    reversal: int | None
    window_s: tuple[float, float] | None
    reason: str
    by: str
    utc: str
    undone: tuple[str, str, str] | None = None

    @property
    def what(self) -> str:
        """What is left out, in words."""
        whole = f"position {self.position}"
        return whole if self.reversal is None else f"{whole}, reversal {self.reversal}"


@dataclass(frozen=True, kw_only=True)
class SignOff:
    """A reviewer's signature.

    Attributes:
        by: Who.
        utc: When.
        analysis_version: Version of the analysis that was looked at.
        outcome: Reviewed outcome that was signed for.
        recorded_outcome: Outcome of what was recorded, at that time.
        exclusions: Numbers of the exclusions that held.
        remark: What else was said.
        engagement: Of the tight spot that was signed for; None, like its figures, when none was stated or the
            signature is of a version that did not keep them.
        normal_backlash_mm: Signed for.
        interval_mm: Its interval at 95 %.
    """

    by: str
    utc: str
    analysis_version: str
    outcome: str
    recorded_outcome: str
    exclusions: tuple[int, ...]
    remark: str = ""
    engagement: int | None = None
    normal_backlash_mm: float | None = None
    interval_mm: tuple[float, float] | None = None
