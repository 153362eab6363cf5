"""What a contact pattern says: where along the face the teeth touch, and in which direction to look.

Decided here: the place of contact that a recorded pattern gives the analysis, and a general direction for the
pinion's position. Whether a pattern is good is decided by the gear's drawing and by whoever accepts it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from lashmap_analysis.errors import FieldError, require_finite

if TYPE_CHECKING:
    from collections.abc import Iterable

Flank = Literal["drive", "coast"]
Along = Literal["heel", "centre", "toe"]
Up = Literal["top", "middle", "root"]

SOURCE = "common practice, no source; the gear's drawing and its maker's patterns decide"


class PatternError(FieldError):
    """A pattern that cannot be."""


@dataclass(frozen=True, kw_only=True)
class Pattern:
    """The pattern on the gear's teeth, of one side.

    Attributes:
        flank: Drive or coast side.
        along: Where along the face it lies: at the heel (outer end), in the centre, at the toe.
        up: Where it lies between top and root.
        length: As a share of the face width, above 0 and at most 1.
        height: As a share of the depth of the tooth, above 0 and at most 1.
    """

    flank: Flank
    along: Along
    up: Up
    length: float
    height: float

    def __post_init__(self) -> None:
        for name in ("length", "height"):
            got = require_finite(PatternError, name, getattr(self, name), "a share of the face")
            if not 0 < got <= 1:
                raise PatternError(name, got, "a share of the face, above 0 and at most 1")
        if self.along not in ("heel", "centre", "toe"):
            raise PatternError("along", self.along, "'heel', 'centre' or 'toe'")
        if self.up not in ("top", "middle", "root"):
            raise PatternError("up", self.up, "'top', 'middle' or 'root'")

    @property
    def from_toe(self) -> float:
        """Middle of the pattern as a part of the face width from the toe.

        One at the heel or the toe ends there, so its middle is half its length from that end.
        """
        ends = {"heel": 1.0 - self.length / 2.0, "centre": 0.5, "toe": self.length / 2.0}
        return ends[self.along]


def contact_from_toe(patterns: Iterable[Pattern]) -> float | None:
    """The place of contact for the analysis, from 0 at the toe to 1 at the heel; None without a pattern.

    A rock goes from the drive flank to the coast flank, so with both sides recorded it is the middle between
    their places.
    """
    places = [one.from_toe for one in patterns]
    return sum(places) / len(places) if places else None


def directions(patterns: Iterable[Pattern]) -> tuple[str, ...]:
    """In which direction a pattern points, as sentences; empty when it lies in the middle.

    No amount is given: how far a pattern moves with a shim depends on how the teeth were made.
    """
    seen = tuple(patterns)
    said: list[str] = []
    heights = {one.up for one in seen}
    if heights == {"top"}:
        said.append(
            "Contact towards the top of the gear's teeth: the pinion stands too far out, away from the "
            "gear's axis."
        )
    elif heights == {"root"}:
        said.append(
            "Contact towards the root of the gear's teeth: the pinion stands too far in, towards the "
            "gear's axis."
        )
    elif {"top", "root"} <= heights:
        said.append(
            "Contact towards the top on one side and the root on the other: no position of the pinion mends "
            "that; look at the teeth, and whether the members belong together."
        )
    places = {one.along for one in seen}
    if places == {"heel"}:
        said.append("Contact towards the heel on each side: the gear may stand too far out.")
    elif places == {"toe"}:
        said.append("Contact towards the toe on each side: the gear may stand too far in.")
    elif {"heel", "toe"} <= places:
        said.append(
            "Contact at the heel on one side and at the toe on the other: look at shaft angle, offset and "
            "bearing seats of the housing before any shim."
        )
    return (*said, f"({SOURCE})") if said else ()
