"""How long to wait before the next try to reach a broker."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

_FIRST_S, _LONGEST_S = 0.25, 30.0


@dataclass
class BackOff:
    """Doubling waits between tries, capped, and spread so that a hall of stands does not knock at once."""

    chance: random.Random = field(default_factory=random.Random)
    tries: int = 0

    def next_s(self) -> float:
        """Seconds to wait before the next try."""
        longest_s = min(_LONGEST_S, _FIRST_S * 2.0 ** min(self.tries, 20))
        self.tries += 1
        return longest_s * self.chance.uniform(0.5, 1.0)

    def reset(self, tries: int = 0) -> None:
        """A connection worked; ``tries`` of them in a row ended at once."""
        self.tries = tries
