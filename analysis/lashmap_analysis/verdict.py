"""The verdict: ISO 14253-1 decision with stated uncertainty, and the preconditions that gate it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Outcome = Literal["conforming", "nonconforming", "not proven"]


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What may be signed.

    Attributes:
        outcome: One of the three.
        reasons: Sentences a technician understands, most important first.
        would_settle: What would settle a ``not proven``, empty otherwise.
        cautions: What the verdict does not prove (for example mounting distance).
    """

    outcome: Outcome
    reasons: tuple[str, ...]
    would_settle: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
