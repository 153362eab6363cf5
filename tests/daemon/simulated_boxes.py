"""What the tests of the simulated stand share: a plain box, coarse instruments, the forms of their lines."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from lashmap_daemon.simulated_stand import SimulatedBox, SimulatedInstruments, Stand

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_daemon.simulated_stand import Wire

# A constant spiral angle and a tip at the heel, so that reading and normal backlash are the same length.
PLAIN_BOX = SimulatedBox(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    mean_spiral_angle_deg=35.0,
    touch_radius_mm=80.0,
    mean_normal_backlash_mm=0.15,
    matched_teeth_encoder_deg=12.5,
)
COARSE = SimulatedInstruments(indicator_rate_hz=200.0, encoder_rate_hz=100.0)
INDICATOR_LINE = re.compile(rb"[+-]\d{3}\.\d{4}\r\n")
ENCODER_LINE = re.compile(rb"[+-]\d{10}\r\n")


def values(lines: Sequence[bytes]) -> list[float]:
    """The numbers in some lines."""
    return [float(line) for line in lines]


def rocked(stand: Stand, engagement: int, seconds: float = 2.0) -> Wire:
    """Let the stand arrive, then return what it sends while it rocks."""
    stand.ask(engagement)
    stand.advance(2.0)
    return stand.advance(seconds)
