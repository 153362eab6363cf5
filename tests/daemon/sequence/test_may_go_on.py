"""What is offered after a test, and what taking it up then says: the one follows from the other."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.told_story import BOX, STAND, started_with
from daemon.virtual_time import set_up
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.sequence.resume import ResumeError, may_go_on, take_up
from lashmap_daemon.story import events, marks

GEAR = BOX.gear_set.gear_set()
STARTED = started_with((0, 8), ())
STOPPED = events.TestClosed(outcome="stopped", reason="by the operator")
FAILED = events.TestClosed(outcome="failed", reason="the marks are elsewhere")
OFF = [marks.compared(GEAR, "gear", 27.0, answer="matched", attempt=attempt) for attempt in (1, 2)]
COUNTED = [marks.by_count(GEAR, turns=1, answer="no", attempt=attempt, agrees=False) for attempt in (1, 2)]


@pytest.mark.parametrize(
    ("happened", "may"),
    [
        ([STARTED, STOPPED], True),
        ([STARTED], True),  # killed
        ([STARTED, OFF[0], STOPPED], True),  # nobody looked a second time
        ([STARTED, *OFF, FAILED], False),
        ([STARTED, *COUNTED, FAILED], False),
        ([STARTED, events.TestClosed(outcome="completed", reason="all positions done")], False),
        ([STOPPED], False),  # its beginning was never written
        ([], False),
    ],
)
def test_what_may_go_on_is_what_can_be_taken_up(
    tmp_path: Path, happened: list[events.Event], *, may: bool
) -> None:
    path = tmp_path / "book"
    with Logbook(path, create=True) as book:
        for number, event in enumerate(happened):
            book.append("t", events.Stamped(time_s=float(number), utc="2026-11-25T08:00:00Z", event=event))
        assert may_go_on(path, "t") is may
        if may:
            assert take_up(book, "t", set_up(BOX, STAND)).test == "t"
        else:
            with pytest.raises(ResumeError):
                take_up(book, "t", set_up(BOX, STAND))


def test_of_a_logbook_that_cannot_be_read_nothing_goes_on(tmp_path: Path) -> None:
    assert not may_go_on(tmp_path / "nowhere", "t")
    (tmp_path / "notes.txt").write_text("no logbook", "utf-8")
    assert not may_go_on(tmp_path / "notes.txt", "t")
