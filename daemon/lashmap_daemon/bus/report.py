"""State of the bus, for the person who runs the test: written by its thread, read by the test's."""

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
        left_over: Records in the outbox at the end.
        harm: What failed inside; empty when nothing did.
        away_s: Seconds without a broker, those of a finished absence.
    """

    connected: bool = False
    connections: int = 0
    problem: str = ""
    live_due: int = 0
    live_sent: int = 0
    records_sent: int = 0
    requests_refused: int = 0
    left_over: int = 0
    harm: str = ""
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

    def line(self, broker: str) -> str:
        """How it is now, for a person."""
        if self.connected:
            return f"{broker}: connected"
        gone_s = time.monotonic() - self._since_s
        gone = f"{gone_s:.0f} s" if gone_s < 120.0 else f"{gone_s / 60.0:.0f} min"
        problem = f": {self.problem}" if self.problem else ""
        return f"{broker}: away for {gone}{problem}; records wait in the logbook"

    def closing_words(self, broker: str, *, stuck: bool) -> str | None:
        """At the end: what the person should know; None when all went out.

        Args:
            broker: Its address.
            stuck: The thread of the bus did not end in time.
        """
        words = []
        if stuck:
            words.append("did not end in time")
        if self.left_over:
            count = f"{self.left_over} record{'s wait' if self.left_over > 1 else ' waits'}"
            words.append(f"{count} in the outbox for the next test on this stand, or lashmap publish")
        if not self.connections:
            words.append("was never reached")
        elif self.connections > 1:
            words.append(f"was away for {self.gone_s():.0f} s in all")
        missed = self.live_due - self.live_sent
        if words and missed > 0:
            words.append(f"{missed} live messages were not sent")
        if self.harm:
            words.append(f"something failed inside, which touches no record ({self.harm})")
        if self.requests_refused:
            words.append(f"{self.requests_refused} requests were refused")
        if not words:
            return None
        problem = f" Last trouble: {self.problem}" if self.problem else ""
        return f"bus      {broker}: {'; '.join(words)}.{problem}"
