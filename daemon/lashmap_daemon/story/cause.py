"""Why rocks are refused one after another: what a person may answer, and how an answer is typed.

Whoever answers has looked at the machine. What counts as refused, when it is asked and what follows from an
answer is decided in `sequence`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Cause = Literal["pinion", "tip", "flanks", "other", "nothing"]
CAUSES: tuple[Cause, ...] = get_args(Cause)
# Common practice, no source.
FOUND: dict[Cause, str] = {
    "pinion": "the pinion was not locked",
    "tip": "the tip, its holder or the base was loose",
    "flanks": "the gear did not reach both flanks",
    "other": "something else",
    "nothing": "nothing was found",
}
CHOICES: tuple[str, ...] = tuple(f"{number} {FOUND[one]}" for number, one in enumerate(CAUSES, start=1))
MOST_WORDS = 500


@dataclass(frozen=True, kw_only=True)
class Found:
    """An answer; ``words`` say what it was where none of the named causes was it."""

    cause: Cause
    words: str = ""


def answer_of(line: str) -> Found | None:
    """What a line answers: number or word of a cause, ``other`` with what it was; None for anything else."""
    first, _, rest = " ".join(line.split()).partition(" ")
    key = first.casefold().rstrip(".:,")
    by_number = {str(number): one for number, one in enumerate(CAUSES, start=1)}
    cause = by_number.get(key) or next((one for one in CAUSES if one == key), None)
    if cause is None or (cause == "other") is not bool(rest) or len(rest) > MOST_WORDS:
        return None
    return Found(cause=cause, words=rest)


HOW_TO_ANSWER = (
    f"type a number from 1 to {len(CAUSES)}; after {CAUSES.index('other') + 1} type also what it was, "
    f"in at most {MOST_WORDS} characters"
)
