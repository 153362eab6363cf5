"""Something slow behind a bounded queue and a thread of its own: whoever hands over never waits.

A terminal that was stopped, a pipe nobody reads, a dead network drive: each delays only itself. What does not
fit goes, the oldest first, and is counted; how far behind it was is known, so that it can be named. A failure
is kept for whoever owns the relay, except a full disk: that heals, and is tried again.
"""

from __future__ import annotations

import errno
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")
MOST = 1000
_AGAIN_S = 0.5
BEHIND_S = 2.0  # later than this nobody calls prompt
_NO_SPACE = {errno.ENOSPC, errno.EDQUOT}


class Relay(Generic[T]):
    """Hands items on to ``take`` from a thread.

    ``take`` is called with one item at a time and may take as long as it likes. With ``replace`` only the
    newest counts (a picture): what waits is replaced, and not counted as dropped.

    Attributes:
        name: Who is behind it, for messages.
        dropped: Items that went because it was too far behind.
        worst_s: Longest time that an item waited.
        failure: What ``take`` raised; nothing is handed on after that.
    """

    def __init__(
        self, name: str, take: Callable[[T], None], *, most: int = MOST, replace: bool = False
    ) -> None:
        self.name = name
        self.dropped = 0
        self.worst_s = 0.0
        self.failure: Exception | None = None
        self._take = take
        self._most = 1 if replace else most
        self._replace = replace
        self._items: deque[tuple[float, T]] = deque()
        self._since_s: float | None = None  # when the item in hand came
        self._changed = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name=f"relay {name}", daemon=True)
        self._thread.start()

    def __call__(self, item: T) -> None:
        """Hand over an item; never waits."""
        with self._changed:
            if self.failure is not None or self._closing:
                return
            if len(self._items) >= self._most:
                self._items.popleft()
                self.dropped += not self._replace
            self._items.append((time.monotonic(), item))
            self._changed.notify()

    @property
    def behind_s(self) -> float:
        """How long the oldest item waits by now, the one in hand included; 0 when nothing does."""
        with self._changed:
            since_s = self._since_s
            if since_s is None and self._items:
                since_s = self._items[0][0]
            behind_s = 0.0 if since_s is None else time.monotonic() - since_s
            self.worst_s = max(self.worst_s, behind_s)
            return behind_s

    @property
    def lag(self) -> str:
        """How it lagged, in words; empty when it never did to speak of."""
        self.behind_s  # noqa: B018 - brings the worst up to date
        if self.worst_s < BEHIND_S and not self.dropped:
            return ""
        lost = f", {self.dropped} lines were left out" if self.dropped else ""
        return f"{self.name} was up to {self.worst_s:.1f} s behind{lost}"

    def close(self, wait_s: float) -> bool:
        """Hand on what waits and end; false when that takes longer than ``wait_s`` without any progress."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        before = -1
        while self._thread.is_alive() and len(self._items) != before:
            before = len(self._items)
            self._thread.join(wait_s)
        return not self._thread.is_alive()

    # The thread ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._items and not self._closing:
                    self._changed.wait()
                if not self._items:
                    return
                self._since_s, item = self._items.popleft()
            try:
                self._hand_on(item)
            except Exception as error:  # noqa: BLE001 - whatever it is, it is reported to the owner
                with self._changed:
                    self.failure = error
                    self._items.clear()
                    self._since_s = None
                return
            with self._changed:
                self.worst_s = max(self.worst_s, time.monotonic() - (self._since_s or 0.0))
                self._since_s = None

    def _hand_on(self, item: T) -> None:
        while True:
            try:
                self._take(item)
            except Exception as error:
                cause = error if isinstance(error, OSError) else error.__cause__
                full = isinstance(cause, OSError) and cause.errno in _NO_SPACE
                if not full or self._closing:
                    raise
            else:
                return
            time.sleep(_AGAIN_S)
