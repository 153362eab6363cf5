"""The check standard of a stand: what its tests stated, and whether they let the stand be used.

Decided here: which tests count, and when the precondition *check standard* is proven. The charts are the
analysis's (`study.py`). Values are those that were stated when each test ended, since a later version
of the analysis must not move a stand that stood still.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from lashmap_analysis.record.record import Precondition
from lashmap_analysis.study import LEAST_BASELINE, StudyError, drift_chart

from lashmap_daemon.story.story import story_of

if TYPE_CHECKING:
    from lashmap_daemon.logbook.logbook import Logbook

NAME = "check standard"
COMPLETED = "completed"  # how the closing of a test begins in the list of tests


@dataclass(frozen=True, kw_only=True)
class StatedValue:
    """What one test of the check standard stated.

    Attributes:
        test: Identifier.
        stand: Name of the stand.
        started_utc: When it began.
        value_mm: Normal backlash at its tight spot.
    """

    test: str
    stand: str
    started_utc: str
    value_mm: float


def stated_values(logbook: Logbook, serial: str, stand: str | None = None) -> list[StatedValue]:
    """The completed tests of a serial number that stated a tight spot, oldest first.

    Args:
        logbook: Where the tests are; of several stands, perhaps.
        serial: Of the check standard.
        stand: Name of the stand whose tests count; None is the stand of the newest of them.

    Raises:
        LogbookError: A test cannot be read.
    """
    found = []
    for one in logbook.tests():
        if one.serial != serial or not one.closing.startswith(COMPLETED):
            continue
        story = story_of(logbook.events(one.test))
        stored, started = story.stored, story.started
        if started is None or stored is None or stored.normal_backlash_mm is None:
            continue
        found.append(
            StatedValue(
                test=one.test,
                stand=started.stand.stand.name,
                started_utc=one.started_utc,
                value_mm=stored.normal_backlash_mm,
            )
        )
    wanted = found[-1].stand if found and stand is None else stand
    return [one for one in found if one.stand == wanted]


def check_standard(
    logbook: Logbook, serial: str, *, stand: str, within_hours: float, box_serial: str, now: dt.datetime
) -> tuple[Precondition, ...]:
    """Whether the stand has measured its check standard lately, and steadily.

    Args:
        logbook: Of the stand; it may hold tests of other stands, which prove nothing of this one.
        serial: Of the check standard.
        stand: Name of the stand.
        within_hours: How old its newest test may be.
        box_serial: Of the box that is to be tested now: the check standard needs no other before it.
        now: The time, UTC.

    Returns:
        One precondition; none before a test of the check standard itself.

    Raises:
        LogbookError: A test cannot be read.
    """
    if box_serial == serial:
        return ()
    values = stated_values(logbook, serial, stand)
    lacking = _lacking(values, serial, within_hours, now)
    test_it = f"Test the check standard {serial} on this stand, the tip set as for the box."
    if lacking:
        return (Precondition(name=NAME, state="unproven", detail=lacking, remedy=test_it),)
    try:
        chart = drift_chart(np.array([one.value_mm for one in values]))
    except StudyError as error:
        detail = f"no chart: expected {error.expected}"
        return (Precondition(name=NAME, state="unproven", detail=detail, remedy=test_it),)
    if chart.steady:
        return (Precondition(name=NAME, state="proven", detail=f"{serial} steady over {len(values)} tests"),)
    newest = " and a ".join(one.kind for one in chart.signals if one.index == len(values) - 1)
    detail = f"the newest test of {serial} shows a {newest} of the stand"
    remedy = f"Find the cause first: lashmap study drift {serial} shows the chart."
    return (Precondition(name=NAME, state="failed", detail=detail, remedy=remedy),)


def _lacking(values: list[StatedValue], serial: str, within_hours: float, now: dt.datetime) -> str:
    """What tests of the check standard are missing; empty when there are enough, the newest new enough."""
    if not values:
        return f"{serial} has no completed test on this stand in this logbook"
    age_h = (now - dt.datetime.fromisoformat(values[-1].started_utc)).total_seconds() / 3600.0
    if not 0.0 <= age_h <= within_hours:
        return f"{serial} was last tested {age_h:.1f} h ago, allowed are {within_hours:g} h"
    if len(values) < LEAST_BASELINE:
        return f"{serial} has {len(values)} completed tests, limits need {LEAST_BASELINE}"
    return ""
