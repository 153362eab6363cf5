"""Tests that are open on the desk: recomputed from their raw samples, and kept for a while.

A test is recomputed when it is opened, unless its logbook has not changed in any way since. One that is
likely to be asked for next is recomputed before (`Openings.prepare`), by the same rule. What zooms asks for
the opened test by a key of its own, and so sees one state of it however the logbook goes on.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lashmap_daemon.desk.shelf import Refused
from lashmap_daemon.desk.traces import Trace, traces_of
from lashmap_daemon.logbook.index import stamp_of
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import judged
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.story.story import story_of

if TYPE_CHECKING:
    from lashmap_analysis.judge.assessment import Assessment

    from lashmap_daemon.story.story import Story

_KEPT = 4  # a test of ten minutes at 2 x 1 kHz takes 25 MB


@dataclass(frozen=True, kw_only=True)
class Opened:
    """One test as it stood when it was opened.

    Attributes:
        key: Names it to the page.
        events: How many events it had.
        traces: By key.
    """

    key: str
    path: Path
    test: str
    assessment: Assessment
    story: Story
    events: int
    traces: dict[str, Trace]


class Openings:
    """The tests that are open, the last few; may be used from any thread, recomputes one at a time."""

    def __init__(self) -> None:
        self._opened: OrderedDict[str, tuple[Opened, object]] = OrderedDict()
        self._lock = threading.Lock()

    def open(self, path: Path, test: str) -> Opened:
        """A test as it stands now.

        Raises:
            LogbookError: When it is not there or cannot be read.
        """
        with self._lock:
            return self._open(path, test)

    def prepare(self, path: Path, test: str) -> None:
        """Recompute a test that is likely to be opened; not while another is recomputed.

        Raises:
            LogbookError: As `open`.
        """
        if self._lock.acquire(blocking=False):
            try:
                self._open(path, test)
            finally:
                self._lock.release()

    def _open(self, path: Path, test: str) -> Opened:
        stamp = stamp_of(path)
        for opened, before in self._opened.values():
            if (opened.path, opened.test) == (path, test) and before is not None and before == stamp:
                self._opened.move_to_end(opened.key)
                return opened
        opened = _opened(path, test)
        self._opened[opened.key] = opened, stamp
        while len(self._opened) > _KEPT:
            self._opened.popitem(last=False)
        return opened

    def forget(self, path: Path, test: str) -> None:
        """It was changed; what was opened of it is not shown any more."""
        with self._lock:
            gone = [key for key, (one, _) in self._opened.items() if (one.path, one.test) == (path, test)]
            for key in gone:
                del self._opened[key]

    def by_key(self, key: str) -> Opened:
        """One that is open.

        Raises:
            Refused: When it is not any more.
        """
        found = self._opened.get(key)
        if found is None:
            raise Refused("this test is not open any more; open it again")
        return found[0]


def _opened(path: Path, test: str) -> Opened:
    with Logbook(path, create=False) as book, Replay(book, test) as replay:
        assessment = judged(replay.record(), replay.events)
        return Opened(
            key=secrets.token_urlsafe(12),
            path=path,
            test=test,
            assessment=assessment,
            story=story_of(replay.events),
            events=len(replay.events),
            traces=traces_of(assessment.record),
        )
