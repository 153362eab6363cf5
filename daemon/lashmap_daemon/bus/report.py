"""How the bus is doing, for whoever runs the test: written by its thread, read by the test's."""

from __future__ import annotations

import time
from dataclasses import dataclass, field


@dataclass
class Report:
    """Counts and the last trouble.

    Attributes:
        connected: True while the broker answers.
        connections: How often it was reached.
        problem: The last thing that went wrong; empty when nothing did.
        live_due: Live messages that were due.
        live_sent: Those that went out.
        records_sent: Records and results that the broker acknowledged, repetitions included.
        requests_refused: Requests over the bus that were not obeyed.
        away_s: Seconds without a broker, those of a finished absence.
    """

    connected: bool = False
    connections: int = 0
    problem: str = ""
    live_due: int = 0
    live_sent: int = 0
    records_sent: int = 0
    requests_refused: int = 0
    away_s: float = 0.0
    _since_s: float = field(default_factory=time.monotonic)

    def reached(self) -> None:
        """The broker answers."""
        self.away_s += time.monotonic() - self._since_s
        self.connected = True
        self.connections += 1

    def lost(self, problem: str) -> None:
        """The broker does not answer, or does not do what is needed."""
        if self.connected:
            self._since_s = time.monotonic()
        self.connected = False
        self.problem = problem

    def gone_s(self) -> float:
        """Seconds without a broker so far."""
        return self.away_s + (0.0 if self.connected else time.monotonic() - self._since_s)
