"""Calls that nobody waits for at the end of a program: reaching a broker may hang longer than patience lasts.

A name that no server answers for and a host that drops packets keep a call inside the system for many
seconds, and Python waits at exit for every thread of an ordinary executor. Here each call has a daemon
thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import ParamSpec, TypeVar

Given = ParamSpec("Given")
Found = TypeVar("Found")


class Unwaited(ThreadPoolExecutor):
    """An executor for few calls at a time; shutting it down leaves those that hang behind."""

    def submit(
        self, fn: Callable[Given, Found], /, *args: Given.args, **kwargs: Given.kwargs
    ) -> Future[Found]:
        """Call in a thread of its own."""
        future: Future[Found] = Future()

        def work() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                found = fn(*args, **kwargs)
            except BaseException as error:  # noqa: BLE001 - it is whoever waits who gets it
                future.set_exception(error)
            else:
                future.set_result(found)

        threading.Thread(target=work, name="bus call", daemon=True).start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002 - the interface
        """Nothing is waited for."""
