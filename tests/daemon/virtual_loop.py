"""An event loop whose time goes on only while nothing is left to do, and the clock of the program with it.

What is scripted in seconds happens in these seconds, however long the machine takes over it.
"""

from __future__ import annotations

import asyncio
import selectors
import time
from collections.abc import Coroutine
from typing import Any, TypeVar

import pytest

Found = TypeVar("Found")
_FOR_THREADS_S = 0.0005  # of real time, whenever the loop would sleep


class _Selector(selectors.DefaultSelector):
    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1000.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None or timeout <= 0.0:
            return super().select(timeout)
        found = super().select(_FOR_THREADS_S)
        if not found:
            self.now_s += timeout
        return found


class _Loop(asyncio.SelectorEventLoop):
    def __init__(self, selector: _Selector) -> None:
        self.clock = selector
        super().__init__(selector)

    def time(self) -> float:
        return self.clock.now_s


def stand_still(seconds: float) -> None:
    """The machine does nothing for so long, in the middle of whatever it is at."""
    loop = asyncio.get_running_loop()
    assert isinstance(loop, _Loop)
    loop.clock.now_s += seconds


def in_virtual_time(work: Coroutine[Any, Any, Found]) -> Found:
    """As `asyncio.run`, in virtual time; `time.monotonic` is that time meanwhile."""
    selector = _Selector()
    with (
        pytest.MonkeyPatch.context() as patch,
        asyncio.Runner(loop_factory=lambda: _Loop(selector)) as runner,
    ):
        patch.setattr(time, "monotonic", lambda: selector.now_s)
        return runner.run(work)
