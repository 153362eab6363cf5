"""What a kind of attack came to: its figures in the order of the print, and what was violated."""

from __future__ import annotations

import threading
import time
from collections import Counter
from dataclasses import dataclass, field

_MOST_SHOWN = 40  # violations printed; all are counted


@dataclass
class Figures:
    """The table of one kind; may be filled by several threads.

    Attributes:
        kind: What was attacked, and how.
        counts: Figures by name, in the order of their first mention.
        violations: What must not be, with the seed that repeats it.
        notes: Further lines of the table.
    """

    kind: str
    counts: Counter[str] = field(default_factory=Counter)
    violations: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)
    _began_s: float = field(default_factory=time.monotonic, repr=False)

    def add(self, name: str, count: int = 1) -> None:
        """Count something; a count of 0 gives it its line in the table."""
        with self._lock:
            self.counts[name] += count

    def wrong(self, what: str) -> None:
        """Note a violation, and print it at once: a campaign takes minutes."""
        with self._lock:
            self.violations.append(what)
            if len(self.violations) <= _MOST_SHOWN:
                print(f"VIOLATION ({self.kind}): {what}", flush=True)  # noqa: T201 - what a campaign is for

    def merge(self, other: Figures) -> None:
        """Take in what another process found."""
        for name, count in other.counts.items():
            self.add(name, count)
        self.violations += other.violations

    def table(self) -> str:
        """As it is printed."""
        took_s = time.monotonic() - self._began_s
        lines = [f"\n{self.kind}  ({took_s:.0f} s)"]
        lines += [f"  {count:>12,}  {name}" for name, count in self.counts.items()]
        lines += [f"  {note}" for note in self.notes]
        lines.append(f"  {len(self.violations):>12,}  {'VIOLATIONS' if self.violations else 'violations'}")
        return "\n".join(lines)

    def __getstate__(self) -> dict[str, object]:
        """A lock does not go from process to process."""
        return {"kind": self.kind, "counts": self.counts, "violations": self.violations, "notes": self.notes}

    def __setstate__(self, state: dict[str, object]) -> None:
        """With a lock and a start of its own."""
        self.__dict__.update(state)
        self._lock, self._began_s = threading.Lock(), time.monotonic()
