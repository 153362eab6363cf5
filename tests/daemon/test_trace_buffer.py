"""A window is as well timed as its worst batch."""

from __future__ import annotations

import math

import numpy as np
from lashmap_daemon.trace_buffer import TraceBuffer
from lashmap_drivers.readings import Batch


def filled(uncertainties_s: list[float]) -> TraceBuffer:
    """One batch a second, of four samples each."""
    buffer = TraceBuffer(keep_s=60.0)
    for second, uncertainty_s in enumerate(uncertainties_s):
        buffer.append(Batch(second + np.array([0.0, 0.25, 0.5, 0.75]), np.full(4, second), uncertainty_s))
    return buffer


def test_a_window_states_the_largest_time_uncertainty_in_it() -> None:
    buffer = filled([0.1, 0.003, 0.004, 0.002])
    assert buffer.window(1.0, 4.0).time_uncertainty_s == 0.004
    assert buffer.window(0.5, 1.5).time_uncertainty_s == 0.1
    assert len(buffer.window(0.5, 1.5)) == 5
    assert buffer.time_uncertainty_s == 0.002


def test_a_window_with_anything_unknown_in_it_is_unknown() -> None:
    assert math.isnan(filled([0.1, math.nan, 0.004]).window(0.0).time_uncertainty_s)
    assert filled([0.1, math.inf]).window(0.0).time_uncertainty_s == math.inf
    assert len(filled([0.1]).window(5.0)) == 0
