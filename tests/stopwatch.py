"""How long work takes, where a machine that pauses counts the pause for whoever was at work."""

from __future__ import annotations

import time
from collections.abc import Callable


def least_cpu_s(work: Callable[[], object]) -> float:
    """Processor time of this process for something, at best of three."""
    taken_s = []
    for _ in range(3):
        start_s = time.process_time()
        work()
        taken_s.append(time.process_time() - start_s)
    return min(taken_s)
