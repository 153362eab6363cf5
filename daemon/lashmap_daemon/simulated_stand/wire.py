"""What the instruments send.

The indicator sends one value a line, always of the same width: sign, three digits, point, as many decimals as
its resolution needs, carriage return and line feed: ``+000.1234`` in its own unit. Its zero is wherever the
tip happened to be set down, and creeps. With the tip lifted it shows its lower stop, far from any tooth.

The encoder sends its whole count since it was set, turns included, as sign and ten digits: ``+0000123456``.

Decided here: values, rounding, the text and what a fault of an instrument does to it. When a line is sent is
decided by `stand`.
"""

from __future__ import annotations

from math import floor, pi, sin
from random import Random

from lashmap_daemon.simulated_stand.settings import Fault, SimulatedInstruments

_MM_PER_INCH = 25.4
_LOWER_STOP_MM = -4.0
_ZERO_WITHIN_MM = 0.4
_DRIFT_PERIOD_S = 900.0
_MOST_DECIMALS = 7
_GAP_S = 0.3


class IndicatorWire:
    """The indicator's side of the wire."""

    def __init__(self, instruments: SimulatedInstruments, *, seed: int) -> None:
        """Draw where the drift begins; the first zero is drawn when the tip is first set down."""
        self._per_unit_mm = _MM_PER_INCH if instruments.indicator_unit == "in" else 1.0
        self._resolution = instruments.indicator_resolution_mm / self._per_unit_mm
        decimals = _decimals(self._resolution)
        self._text = f"%+0{5 + decimals}.{decimals}f\r\n" if decimals else "%+04.0f\r\n"
        self._noise_mm = instruments.indicator_noise_mm
        self._creep_mm = instruments.drift_mm_per_s * _DRIFT_PERIOD_S / (2.0 * pi)
        self._chance = Random(f"{seed}/indicator")  # noqa: S311 - a simulation, not a secret
        self._phase = self._chance.uniform(0.0, 2.0 * pi)
        self._zeros = Random(f"{seed}/zeros")  # noqa: S311 - a simulation, not a secret
        self._zero_mm = 0.0
        self._touchdowns = 0
        self._frozen: bytes | None = None

    def line(self, time_s: float, *, tip_mm: float, lift: float, touchdowns: int, fault: Fault) -> bytes:
        """Return what is sent at a time: a line, or whatever the fault makes of it; empty for nothing."""
        if touchdowns != self._touchdowns:
            self._touchdowns = touchdowns
            self._zero_mm = self._zeros.uniform(-_ZERO_WITHIN_MM, _ZERO_WITHIN_MM)
        noise = self._chance.gauss(0.0, self._noise_mm)
        if fault is Fault.SILENT or (fault is Fault.GAP and time_s % 1.0 < _GAP_S):
            return b""
        if fault is Fault.GARBAGE:
            return self._chance.randbytes(self._chance.randint(1, 14))
        if fault is Fault.FROZEN_INDICATOR and self._frozen is not None:
            return self._frozen
        on_tooth = (
            self._zero_mm + tip_mm + self._creep_mm * sin(2.0 * pi * time_s / _DRIFT_PERIOD_S + self._phase)
        )
        shown_mm = on_tooth * (1.0 - lift) + _LOWER_STOP_MM * lift + noise
        steps = floor(shown_mm / self._per_unit_mm / self._resolution + 0.5)
        self._frozen = (self._text % (steps * self._resolution + 0.0)).encode("ascii")
        return self._frozen


class EncoderWire:
    """The encoder's side of the wire."""

    def __init__(self, instruments: SimulatedInstruments, *, matched_teeth_deg: float) -> None:
        """Set where it stands at the matched teeth."""
        self._per_rad = instruments.encoder_counts_per_turn / (2.0 * pi)
        self._matched = instruments.encoder_counts_per_turn * matched_teeth_deg / 360.0
        self._frozen: bytes | None = None

    def line(self, shaft_rad: float, *, fault: Fault) -> bytes:
        """Return the line for an angle of its shaft past the matched teeth."""
        if fault is Fault.FROZEN_ENCODER and self._frozen is not None:
            return self._frozen
        self._frozen = b"%+011d\r\n" % floor(self._matched + shaft_rad * self._per_rad + 0.5)
        return self._frozen


def _decimals(resolution: float) -> int:
    for decimals in range(_MOST_DECIMALS):
        steps = resolution * 10.0**decimals
        if abs(steps - round(steps)) < 1e-6 * steps:
            return decimals
    return _MOST_DECIMALS
