"""A line of the list of tests, from the events of a test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lashmap_daemon.events import RockAccepted, Stamped, TestClosed, TestStarted
from lashmap_daemon.seal import CLOSES, OPENS_AGAIN


@dataclass(frozen=True, kw_only=True)
class TestSummary:
    """A line of the list of tests."""

    __test__ = False

    test: str
    started_utc: str
    box: str
    serial: str
    positions: int
    closing: str


def summary_of(test: str, started_utc: str, stream: Sequence[Stamped]) -> TestSummary:
    """Sum up a test; one whose events cannot be read (an empty stream) or have no beginning is damaged."""
    started = stream[0].event if stream else None
    if not isinstance(started, TestStarted):
        closing = "damaged: lashmap verify says what"
        return TestSummary(
            test=test, started_utc=started_utc, box="", serial="", positions=0, closing=closing
        )
    ends = [s.event for s in stream if type(s.event).__name__ in {CLOSES, OPENS_AGAIN}]
    last = ends[-1] if ends else None
    return TestSummary(
        test=test,
        started_utc=started_utc,
        box=started.box.box.type,
        serial=started.box.box.serial,
        positions=len({s.event.number for s in stream if isinstance(s.event, RockAccepted)}),
        closing=f"{last.outcome}: {last.reason}" if isinstance(last, TestClosed) else "not closed",
    )
