"""The verdict: ISO 14253-1 decision with stated uncertainty, and the preconditions that gate it.

Decided here: what may be said from an interval, the drawing's limits and the preconditions, and in which
words. Not decided here: how the interval comes about (`judge/tight_spot.py`) and what speaks against the
measurement (`judge/assess.py`).

The rule, and why:
- *conforming* needs the whole 95 % interval inside every limit (ISO 14253-1: who proves conformity bears the
  uncertainty; a box file may ask for the standard's own default, 95 % to the side of each limit), a confirmed
  tight spot, every precondition proven, and nothing that speaks against the measurement.
- against a least backlash and against a variation, *conforming* also allows for what teeth that no position
  touched may take (`judge/untouched.py`); it never makes a box *nonconforming*.
- *nonconforming* needs the whole interval outside a limit and nothing that speaks against the measurement. It
  does not wait for preconditions or for the confirming position: backlash that is too small on the stand is
  too small however the box was set up, and no missing paper makes it larger.
- everything else is *not proven*, with what would settle it.
- A gear's mounting distance that nobody recorded is a caution, the pinion's bars *conforming*: the gear is
  commonly shimmed by its backlash, while the pinion's place governs the pattern (common practice, no source).
  A recorded mounting distance that is wrong bars *conforming* for both.
- What nobody mentions is unproven: the pinion's mounting distance, matched teeth, bearings and the
  indicator's calibration are asked for whether or not the record lists them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Precondition

if TYPE_CHECKING:
    from collections.abc import Iterable

    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.record.record import DecisionRule, Limits, Units


Outcome = Literal["conforming", "nonconforming", "not proven"]
Interval = tuple[float, float]

MOUNTING_DISTANCE = "mounting distance"
MATCHED_AGAIN = "matched teeth, seen again"  # failed: the readings may belong to other teeth
# Words a precondition's name holds -> what to do when none does.
ASKED_FOR = {
    (MOUNTING_DISTANCE, "pinion"): "Measure the pinion's mounting distance against the marked value.",
    ("matched teeth",): "Bring the marked teeth together and record where the encoder stands.",
    ("bearing",): "Measure the bearings' preload or end play against the drawing.",
    ("calibration", "indicator"): "Record until when the indicator's calibration is valid.",
}
STANDING_CAUTION = (
    "Backlash alone does not prove the build: the right backlash can be had at a wrong mounting distance. "
    "Mounting distances and the contact pattern are proven apart from it."
)


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


@dataclass(frozen=True, kw_only=True)
class Doubt:
    """Something that speaks against the measurement itself, so that neither outcome may be signed.

    Attributes:
        sentence: What it is, with its figures.
        remedy: What would settle it.
    """

    sentence: str
    remedy: str


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What was measured, as far as a verdict needs it; normal backlash at the outer pitch radius.

    Attributes:
        interval_mm: (low, high) at 95 % of the backlash at the tight spot; None when there is none.
        variation_interval_mm: (low, high) at 95 % of loosest minus tightest; None when there is none.
        one_sided_mm: (low, high) of the backlash at the tight spot, 95 % to each side; None when there is
            none.
        variation_one_sided_mm: The same of loosest minus tightest.
        confirmed: A confirming position agrees with the predicted tight spot.
        missing: Why there is no interval; empty when there is one.
        doubts: What speaks against the measurement.
        narrow: What would narrow the interval, most effective first.
        confirm: What to do to confirm the tight spot.
        cautions: What the reader must know beside the standing caution.
        untouched_mm: Normal backlash that teeth which no position touched may take beyond what was measured;
            0 when every tooth was touched.
        untouched: Those teeth in words.
        touch: What would settle that.
    """

    interval_mm: Interval | None = None
    variation_interval_mm: Interval | None = None
    one_sided_mm: Interval | None = None
    variation_one_sided_mm: Interval | None = None
    confirmed: bool = False
    missing: str = ""
    doubts: tuple[Doubt, ...] = ()
    narrow: tuple[str, ...] = ()
    confirm: str = "Measure a confirming position at the predicted tight spot."
    cautions: tuple[str, ...] = ()
    untouched_mm: float = 0.0
    untouched: str = ""
    touch: str = ""

    def judged(self, rule: DecisionRule) -> tuple[Interval | None, Interval | None]:
        """Intervals of backlash and variation that a rule goes by; two-sided for want of others."""
        if rule == "one-sided":
            return (
                self.one_sided_mm or self.interval_mm,
                self.variation_one_sided_mm or self.variation_interval_mm,
            )
        return self.interval_mm, self.variation_interval_mm


# Guard factors of a normal distribution, 95 % two-sided and one-sided; ISO 14253-1:2017 from memory.
DECISION_RULES: dict[DecisionRule, str] = {
    "two-sided": "ISO 14253-1, whole 95 % interval inside the limit, guard factor 1.96",
    "one-sided": "ISO 14253-1:2017 default, 95 % to the side of the limit, guard factor 1.65",
}
_LEVELS: dict[DecisionRule, str] = {
    "two-sided": "95 %",
    "one-sided": "95 % to each side",
}
State = Literal["inside", "outside", "open"]
_STRADDLES = "with {} inside that span, so it is neither kept nor broken for certain"


@dataclass(frozen=True, kw_only=True)
class _Finding:
    state: State
    sentence: str
    untouched: bool = False  # open for teeth that nobody touched alone


def reach_verdict(
    evidence: Evidence,
    limits: Limits,
    preconditions: Iterable[Precondition],
    *,
    gear_set: GearSet,
    units: Units = "mm",
) -> Verdict:
    """Decide what may be signed.

    Args:
        evidence: What was measured.
        limits: What the drawing allows; limits on transverse backlash are compared with the measured backlash
            turned into transverse, at the outer pitch radius.
        preconditions: Each with its state; those of `ASKED_FOR` that are not among them count as unproven.
        gear_set: The gear set under test, for that conversion.
        units: Unit the figures in the sentences are written in.

    Returns:
        The verdict; see the module text for the rule. Never raises for want of evidence.
    """
    conditions = _with_unmentioned(tuple(preconditions))
    barring = tuple(one for one in conditions if _bars(one))
    findings = _findings(evidence, limits, gear_set, units)
    outside = [one.sentence for one in findings if one.state == "outside"]
    still_open = [one.sentence for one in findings if one.state == "open"]
    inside = [one.sentence for one in findings if one.state == "inside"]
    doubts = [one.sentence for one in evidence.doubts]
    unproven = [f"{_capital(one.name)} {one.state}: {one.detail}." for one in barring]
    cautions = _cautions(evidence, conditions)
    if outside and not doubts:
        note = ["Preconditions do not change this: " + " ".join(unproven)] if unproven else []
        return Verdict(
            outcome="nonconforming", reasons=(*outside, *still_open, *inside, *note), cautions=cautions
        )
    lacking = _lacking(evidence, limits)
    if findings and not (doubts or outside or still_open or unproven or lacking):
        confirmed = "A confirming position agrees with the predicted tight spot."
        proven = "All preconditions that it needs are proven."
        return Verdict(outcome="conforming", reasons=(*inside, confirmed, proven), cautions=cautions)
    return Verdict(
        outcome="not proven",
        reasons=(*doubts, *outside, *still_open, *lacking, *unproven, *inside),
        would_settle=_settlers(evidence, limits, barring, findings),
        cautions=cautions,
    )


def settled(evidence: Evidence, limits: Limits, gear_set: GearSet) -> bool:
    """Whether an interval lies wholly inside all limits, or wholly outside one."""
    states = [one.state for one in _findings(evidence, limits, gear_set, "mm")]
    return "outside" in states or (bool(states) and "open" not in states)


def _findings(evidence: Evidence, limits: Limits, gear_set: GearSet, units: Units) -> tuple[_Finding, ...]:
    """Compare the intervals with every limit the drawing has."""
    scale = 1.0 if limits.kind == "normal" else 1 / gear_set.normal_per_transverse
    found = []
    backlash, variation = evidence.judged(limits.decision_rule)
    level = _LEVELS[limits.decision_rule]
    if backlash is not None:
        low, high = (scale * end for end in backlash)
        what = f"{limits.kind} backlash at the tight spot"
        if limits.minimum_mm is not None:
            finding = _least(_span(what, (low, high), units, level), (low, high), limits.minimum_mm, units)
            taken, room = scale * evidence.untouched_mm, low - limits.minimum_mm
            found.append(_for_untouched(finding, evidence.untouched, taken, room, units))
        if limits.maximum_mm is not None:
            span = _span(what, (low, high), units, level)
            found.append(_most(span, (low, high), limits.maximum_mm, units))
    if limits.variation_mm is not None and variation is not None:
        low, high = (scale * end for end in variation)
        what = f"variation of {limits.kind} backlash"
        finding = _most(_span(what, (low, high), units, level), (low, high), limits.variation_mm, units)
        taken, room = scale * evidence.untouched_mm, limits.variation_mm - high
        found.append(_for_untouched(finding, evidence.untouched, taken, room, units))
    return tuple(found)


def _least(span: str, interval: Interval, least: float, units: Units) -> _Finding:
    low, high = interval
    state: State = "inside" if low >= least else "outside" if high < least else "open"
    limit = f"the least allowed of {format_length(least, units)}"
    ends = {"inside": f"not below {limit}", "outside": f"below {limit}", "open": _STRADDLES.format(limit)}
    return _Finding(state=state, sentence=f"{span}, {ends[state]}.")


def _for_untouched(found: _Finding, untouched: str, allowance: float, room: float, units: Units) -> _Finding:
    """The same finding once the teeth that no position touched have taken what they may.

    `room` is what lies between the limit and the end of the interval that is nearer to it.
    """
    if found.state != "inside" or allowance <= 0.0:
        return found
    taken = format_length(allowance, units)
    if allowance <= room:
        kept = f"The {untouched} that no position touched may take {taken} more: allowed for."
        return _Finding(state="inside", sentence=f"{found.sentence} {kept}")
    lost = (
        f"But no position touched {untouched}: a bad one may take {taken} more, and there is room for "
        f"{format_length(room, units)} only."
    )
    return _Finding(state="open", sentence=f"{found.sentence} {lost}", untouched=True)


def _most(span: str, interval: Interval, most: float, units: Units) -> _Finding:
    low, high = interval
    state: State = "inside" if high <= most else "outside" if low > most else "open"
    limit = f"the most allowed of {format_length(most, units)}"
    ends = {"inside": f"not above {limit}", "outside": f"above {limit}", "open": _STRADDLES.format(limit)}
    return _Finding(state=state, sentence=f"{span}, {ends[state]}.")


def _span(what: str, interval: Interval, units: Units, level: str) -> str:
    low, high = (format_length(end, units, with_unit=False) for end in interval)
    return f"The {what} is {low} to {high}\N{NO-BREAK SPACE}{units} ({level})"


def _lacking(evidence: Evidence, limits: Limits) -> tuple[str, ...]:
    """What a *conforming* still needs, apart from preconditions and a narrow enough interval."""
    lacking = []
    if evidence.interval_mm is None:
        lacking.append(evidence.missing or "No backlash could be stated.")
    if limits.minimum_mm is None and limits.maximum_mm is None and limits.variation_mm is None:
        lacking.append("The drawing's limits were not given.")
    if limits.variation_mm is not None and evidence.variation_interval_mm is None:
        lacking.append("The variation of backlash could not be stated.")
    if evidence.interval_mm is not None and not evidence.confirmed:
        lacking.append("The predicted tight spot was not confirmed by a measurement there.")
    return tuple(lacking)


def _settlers(
    evidence: Evidence,
    limits: Limits,
    barring: tuple[Precondition, ...],
    findings: tuple[_Finding, ...],
) -> tuple[str, ...]:
    steps = [one.remedy for one in evidence.doubts]
    if any(one.untouched for one in findings):
        steps.append(evidence.touch)
    if evidence.interval_mm is None or any(one.state == "open" and not one.untouched for one in findings):
        steps += evidence.narrow
    if evidence.interval_mm is not None and not evidence.confirmed:
        steps.append(evidence.confirm)
    if limits.minimum_mm is None and limits.maximum_mm is None and limits.variation_mm is None:
        steps.append("Enter the backlash limits from the box's drawing.")
    steps += [one.remedy or f"Settle: {one.name}." for one in barring]
    return tuple(dict.fromkeys(step for step in steps if step))


def _with_unmentioned(conditions: tuple[Precondition, ...]) -> tuple[Precondition, ...]:
    """Add what is asked for and was not mentioned, as unproven."""
    names = [one.name.lower() for one in conditions]
    added = tuple(
        Precondition(name=", ".join(words), state="unproven", detail="not recorded", remedy=remedy)
        for words, remedy in ASKED_FOR.items()
        if not any(all(word in name for word in words) for name in names)
    )
    return (*conditions, *added)


def _bars(condition: Precondition) -> bool:
    if condition.state == "unproven" and _is_gear_distance(condition):
        return False
    return condition.state != "proven"


def _is_gear_distance(condition: Precondition) -> bool:
    name = condition.name.lower()
    return name.startswith(MOUNTING_DISTANCE) and "pinion" not in name and "gear" in name


def _cautions(evidence: Evidence, conditions: tuple[Precondition, ...]) -> tuple[str, ...]:
    # What bars a verdict is among its reasons.
    weak = [
        one
        for one in conditions
        if one.name.lower().startswith(MOUNTING_DISTANCE) and one.state != "proven" and not _bars(one)
    ]
    notes = [f"{_capital(one.name)} {one.state}: {one.detail}. {one.remedy}".rstrip() for one in weak]
    return (STANDING_CAUTION, *notes, *evidence.cautions)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
