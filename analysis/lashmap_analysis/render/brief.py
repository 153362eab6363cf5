"""Words of the first page, cut to what one page can hold.

Whatever is cut stands in full in the evidence, under the same name: nothing is lost, and the signature lines
stay on the page that is signed. How the page is set is decided by the templates.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from lashmap_analysis.charts.visible import MORE, cut_to, width
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.record import Identity, Precondition

Density = Literal["roomy", "dense", "tight"]
# Most columns of each text on the first page, and most lines of a list: what fits at the smallest size. A
# review takes the room of two lines of each list; what the verdict leaves unused goes to the preconditions.
_IDENTITY = {"box": 90, "remark": 150}
_OTHER_IDENTITY = 44
_REASON, _REASONS = 260, 7
_STEP, _STEPS = 170, 6
_STATE_NAME, _DETAIL, _REMEDY, _STATES = 48, 120, 120, 9
_CAUSE, _LINE = 400, 190


@dataclass(frozen=True, kw_only=True)
class Brief:
    """Words of the first page.

    Attributes:
        identity: Who, what, where, when.
        reasons: Of the verdict.
        would_settle: Of the verdict.
        closing: How the test ended, empty when it was completed.
        limits: The line about limits.
        judged: The decision rule, and the probability that the limits are kept.
        cause: Where the tight spot lies and what moved it there.
        sweeps: Each runout sweep in one line.
        preconditions: As recorded.
        density: How full the page is.
        in_full: What was cut, as (name, whole text).
    """

    identity: Identity
    reasons: tuple[str, ...]
    would_settle: tuple[str, ...]
    closing: str
    limits: str
    judged: str
    cause: str
    sweeps: tuple[str, ...]
    preconditions: tuple[Precondition, ...]
    density: Density
    in_full: tuple[tuple[str, str], ...]


def brief(assessment: Assessment, *, limits: str, judged: str, sweeps: tuple[str, ...]) -> Brief:
    """Cut the words of the first page.

    Args:
        assessment: What was concluded.
        limits: The line about limits.
        judged: The decision rule, and the probability that the limits are kept; never long.
        sweeps: Each runout sweep in one line.
    """
    record, verdict, cut = assessment.record, assessment.verdict, _Cutter()
    identity = replace(
        record.identity,
        **{
            name: cut(
                name.replace("_", " "), getattr(record.identity, name), _IDENTITY.get(name, _OTHER_IDENTITY)
            )
            for name in ("test", "box", "serial", "set_number", "stand", "operator", "started_utc", "remark")
        },
    )
    taken = 0 if assessment.review is None or not assessment.review.seen else 2
    reasons = cut.several("reason", verdict.reasons, _REASON, _REASONS - taken)
    would_settle = cut.several("what would settle it", verdict.would_settle, _STEP, _STEPS - taken)
    closing = "" if record.closing == "completed" else cut("the test ended early", record.closing, _LINE)
    limits = cut("limits", limits, _LINE)
    cause = cut("tight spot", assessment.cause, _CAUSE)
    short_sweeps = cut.several("sweep", sweeps, _LINE, 3)
    unused = _REASONS + _STEPS - 2 * taken - len(reasons) - len(would_settle)
    preconditions = _preconditions(record.preconditions, cut, _STATES - max(0, taken - unused))
    lines = [*reasons, *would_settle, closing, limits, judged, cause, *short_sweeps]
    lines += [f"{one.name} {one.detail} {one.remedy}" for one in preconditions]
    lines += [""] * (4 * taken)  # the results side by side
    return Brief(
        identity=identity,
        reasons=reasons,
        would_settle=would_settle,
        closing=closing,
        limits=limits,
        judged=judged,
        cause=cause,
        sweeps=short_sweeps,
        preconditions=preconditions,
        density=_density(lines),
        in_full=tuple(cut.in_full),
    )


class _Cutter:
    """Cuts texts and remembers what was cut."""

    def __init__(self) -> None:
        self.in_full: list[tuple[str, str]] = []

    def __call__(self, name: str, words: str, most: int) -> str:
        short = cut_to(words, most)
        if short.endswith(MORE) and not words.endswith(MORE):
            self.in_full.append((name, words))
        return short

    def several(self, name: str, lines: tuple[str, ...], most: int, count: int) -> tuple[str, ...]:
        shown = len(lines) if len(lines) <= count else count - 1
        short = [self(f"{name} {number}", line, most) for number, line in enumerate(lines[:shown], 1)]
        if shown < len(lines):
            self.in_full += [
                (f"{name} {number}", line) for number, line in enumerate(lines[shown:], shown + 1)
            ]
            short.append(f"And {len(lines) - shown} more, in full in the evidence.")
        return tuple(short)


def _preconditions(given: tuple[Precondition, ...], cut: _Cutter, most: int) -> tuple[Precondition, ...]:
    """Cut the preconditions; what is not proven comes first when not all of them have room."""
    many = len(given) > most
    ordered = sorted(given, key=lambda one: one.state == "proven") if many else list(given)
    shown = ordered[: most - 1] if many else ordered
    short = [
        replace(
            one,
            name=cut("name of a precondition", one.name, _STATE_NAME),
            detail=cut(cut_to(one.name, _STATE_NAME), one.detail, _DETAIL),
            remedy=cut(f"{cut_to(one.name, _STATE_NAME)}, what to do", one.remedy, _REMEDY),
        )
        for one in shown
    ]
    if many:
        rest = ordered[len(shown) :]
        cut.in_full += [(one.name, f"{one.state}: {one.detail} {one.remedy}".rstrip()) for one in rest]
        worst = min(rest, key=lambda one: ("failed", "unproven", "proven").index(one.state))
        words = f"{len(rest)} more, in full in the evidence"
        short.append(Precondition(name="others", state=worst.state, detail=words))
    return tuple(short)


def _density(lines: list[str]) -> Density:
    """Judge from the length of the words how tightly they must be set (measured on A4 and Letter)."""
    columns = sum(max(70, width(line)) for line in lines)
    return "roomy" if columns < 1700 else "dense" if columns < 2600 else "tight"
