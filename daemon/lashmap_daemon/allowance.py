"""How often something may happen: a burst at once, then one after another."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Allowance:
    """A limit on how often: ``burst`` at once, then one every ``interval_s``."""

    burst: int
    interval_s: float
    _left: float = field(init=False)
    _last_s: float = field(default=0.0, init=False)

    def __post_init__(self) -> None:
        self._left = float(self.burst)

    def spend(self, now_s: float) -> bool:
        """True when one more is allowed now (monotonic seconds)."""
        self._left = min(float(self.burst), self._left + (now_s - self._last_s) / self.interval_s)
        self._last_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True
