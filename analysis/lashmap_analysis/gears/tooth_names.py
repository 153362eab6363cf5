"""How teeth are named for people: counted from the marked ones, which are gear tooth 1 and pinion tooth 1.

Decided here: the number of a tooth, and which way teeth are counted.  Arrays of teeth inside the analysis
count from 0 (`mesh_cycle.py`); whatever a person or a file reads comes from here.  Teeth are numbered from 1
up to the number of teeth, as with chalk on the gear (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

COUNTING = (
    "The marked teeth are gear tooth 1 and pinion tooth 1. Teeth are counted in the order in which they come "
    "into the mesh while the gear turns FORWARD, the way in which the gear angle rises."
)


class ToothCounts(Protocol):
    """Whatever knows the numbers of teeth of a set."""

    @property
    def gear_teeth(self) -> int:
        """z2."""

    @property
    def pinion_teeth(self) -> int:
        """z1."""


@dataclass(frozen=True, kw_only=True)
class TeethMet:
    """The teeth that work together at one engagement.

    Attributes:
        gear_tooth: 1 to z2; 1 is the marked one.
        pinion_tooth: 1 to z1; 1 is the marked one.
    """

    gear_tooth: int
    pinion_tooth: int

    def __str__(self) -> str:
        return f"gear tooth {self.gear_tooth} with pinion tooth {self.pinion_tooth}"


def tooth_number(count: int, teeth: int) -> int:
    """Number of the tooth that lies `count` teeth past the marked one, of a member with so many teeth."""
    return count % teeth + 1


def teeth_met(counts: ToothCounts, engagement: int) -> TeethMet:
    """The teeth that meet at an engagement of any size and sign: k mod z2 and k mod z1, counted from 1."""
    return TeethMet(
        gear_tooth=tooth_number(engagement, counts.gear_teeth),
        pinion_tooth=tooth_number(engagement, counts.pinion_teeth),
    )
