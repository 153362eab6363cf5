"""What the encoders send, and when it is handed on.

One encoder sends its whole count since it was set, turns included, as sign and ten digits: ``+0000123456``.
Two on ports of their own do the same, each at its own instants. Two that are latched together send one line
with both counts, the gear's first: ``+0012345,-0067890``.

Decided here: values, rounding, the text, what a fault of an encoder does to it, and by how much cable and
adapter hold a line up. When an encoder looks at its shaft is decided by `stand`.
"""

from __future__ import annotations

from bisect import bisect_right
from math import ceil, floor, pi, radians, sin
from random import Random
from typing import TYPE_CHECKING

from lashmap_daemon.simulated_stand.settings import Fault

if TYPE_CHECKING:
    from lashmap_daemon.simulated_stand.settings import Shaft, SimulatedBox, SimulatedInstruments

ONE_COUNT, TWO_COUNTS = b"%+011d\r\n", b"%+08d,%+08d\r\n"
_NO_FAULT = Fault.NONE  # looked up once: asked for with every line
_MISSES, _MOST_MISSED = 0.02, 3
_EVERY_OFF = 0.001  # an adapter keeps its own time


class EncoderWire:
    """One encoder's side of the wire."""

    def __init__(
        self, box: SimulatedBox, instruments: SimulatedInstruments, *, shaft: Shaft, second: bool, seed: int
    ) -> None:
        """Set where it stands at the matched teeth, and how it sits on its shaft.

        Args:
            box: Says what it shows at the matched teeth.
            instruments: Its counts and errors.
            shaft: That carries it.
            second: Whether it is the pinion's beside one on the gear.
            seed: Fixes which way it is eccentric.
        """
        counts = instruments.pinion_counts_per_turn if second else instruments.encoder_counts_per_turn
        matched_deg = box.matched_teeth_pinion_deg if second else box.matched_teeth_encoder_deg
        off_deg = instruments.pinion_eccentric_deg if second else instruments.encoder_eccentric_deg
        self._per_rad = counts / (2.0 * pi)
        self._matched = counts * matched_deg / 360.0
        self._off_rad = radians(off_deg)
        chance = Random(f"{seed}/{shaft} encoder")  # noqa: S311 - a simulation, not a secret
        self._off_to_rad = chance.uniform(0.0, 2.0 * pi)
        self._drift_rad_per_s = 0.0 if second else radians(instruments.encoder_drift_deg_per_h) / 3600.0
        self._wraps_at = instruments.encoder_wraps_at
        self._errs = bool(self._off_rad or self._drift_rad_per_s)
        self._frozen: int | None = None

    def count(self, shaft_rad: float, time_s: float, fault: Fault) -> int:
        """Return its count for an angle of its shaft past the matched teeth, at a time."""
        if fault is not _NO_FAULT and fault is Fault.FROZEN_ENCODER and self._frozen is not None:
            return self._frozen
        if self._errs:
            off_rad = self._off_rad * (sin(shaft_rad + self._off_to_rad) - sin(self._off_to_rad))
            shaft_rad += off_rad + self._drift_rad_per_s * time_s
        count = floor(self._matched + shaft_rad * self._per_rad + 0.5)
        self._frozen = count if self._wraps_at is None else count % self._wraps_at
        return self._frozen


class Adapter:
    """What lies between an encoder and its reader: every line comes later, some of them together."""

    def __init__(self, late_s: float, every_s: float, *, seed: str) -> None:
        """Draw when it delivers.

        Args:
            late_s: By how much later than its instant each line reaches the adapter.
            every_s: From delivery to delivery; 0 hands each line on at once.
            seed: Fixes when it begins and which deliveries it misses.
        """
        self._late_s = late_s
        self._chance = Random(seed)  # noqa: S311 - a simulation, not a secret
        self._begins_s = self._chance.uniform(0.0, every_s)
        self._every_s = every_s * (1.0 + self._chance.uniform(-_EVERY_OFF, _EVERY_OFF))
        self._delivers = self._missed_till = -1
        self._lines: list[bytes] = []
        self._times_s: list[float] = []

    def hand_on(
        self, lines: list[bytes], times_s: list[float], until_s: float
    ) -> tuple[tuple[bytes, ...], tuple[float, ...]]:
        """Take further lines and when they were sent; return what is handed on until then, and when."""
        self._lines += lines
        self._times_s += map(self._delivered_s, times_s)
        number = bisect_right(self._times_s, until_s)
        handed_on = tuple(self._lines[:number]), tuple(self._times_s[:number])
        del self._lines[:number], self._times_s[:number]
        return handed_on

    def _delivered_s(self, sent_s: float) -> float:
        """Return when a line is handed on; asked for in the order of the lines."""
        ready_s = sent_s + self._late_s
        if not self._every_s:
            return ready_s
        number = max(ceil((ready_s - self._begins_s) / self._every_s), self._missed_till)
        if number > self._delivers and self._chance.random() < _MISSES:
            number = self._missed_till = number + self._chance.randint(1, _MOST_MISSED)
        self._delivers = number
        return self._begins_s + number * self._every_s
