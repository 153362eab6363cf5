"""The verdict: ISO 14253-1 decision with stated uncertainty, and the preconditions that gate it.

Decided here: what may be said from an interval, the drawing's limits and the preconditions, and in which
words. Not decided here: how the interval comes about (`judge/tight_spot.py`) and what speaks against the
measurement (`judge/assess.py`).

The rule, and why:
- *conforming* needs the whole 95 % interval inside every limit (ISO 14253-1: who proves conformity bears the
  uncertainty; a box file may ask for the standard's own default, 95 % to the side of each limit), a confirmed
  tight spot, every precondition proven, and nothing that speaks against the measurement.
- against a least backlash and against a variation, *conforming* also allows for what teeth that no position
  touched may take (`tooth_allowance_mm`); it never makes a box *nonconforming*.
- *nonconforming* needs the whole interval outside a limit and nothing that speaks against the measurement. It
  does not wait for preconditions or for the confirming position: backlash that is too small on the stand is
  too small however the box was set up, and no missing paper makes it larger.
- everything else is *not proven*, with what would settle it.
- A gear's mounting distance that nobody recorded is a caution, the pinion's bars *conforming*: the gear is
  commonly shimmed by its backlash, while the pinion's place governs the pattern (common practice, no source).
  A recorded mounting distance that is wrong bars *conforming* for both.
- What nobody mentions is unproven: the pinion's mounting distance, matched teeth, bearings and the
  calibration of what measured the lash are asked for whether or not the record lists them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from math import cos, radians, sqrt
from typing import Literal, cast

import numpy as np

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.tooth_names import tooth_number
from lashmap_analysis.record.lengths import format_given, format_length
from lashmap_analysis.record.record import DecisionRule, Limits, Precondition, Units

Outcome = Literal["conforming", "nonconforming", "not proven"]
Interval = tuple[float, float]
Standing = Literal["kept", "broken", "open"]

MOUNTING_DISTANCE = "mounting distance"
MATCHED_AGAIN = "matched teeth, seen again"  # failed: the readings may belong to other teeth
# Words a precondition's name holds -> what to do when none does.
ASKED_FOR = {
    (MOUNTING_DISTANCE, "pinion"): "Measure the pinion's mounting distance against the marked value.",
    ("matched teeth",): "Bring the marked teeth together and record where the encoder stands.",
    ("bearing",): "Measure the bearings' preload or end play against the drawing.",
}
Read = Literal["indicator", "encoder"]
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
        standings: Of each reason: does it say that something is kept, that it is broken, or that it is open;
            empty when nobody said.
    """

    outcome: Outcome
    reasons: tuple[str, ...]
    would_settle: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    standings: tuple[Standing, ...] = ()


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
        read: The instrument that measured the lash, whose calibration is asked for.
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
    read: Read = "indicator"

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
        preconditions: Each with its state; those of `ASKED_FOR`, and the calibration of what was read, count
            as unproven when they are not among them.
        gear_set: The gear set under test, for that conversion.
        units: Unit the figures in the sentences are written in.

    Returns:
        The verdict; see the module text for the rule. Never raises for want of evidence.
    """
    conditions = _with_unmentioned(tuple(preconditions), evidence.read)
    barring = tuple(one for one in conditions if bars(one))
    findings = _findings(evidence, limits, gear_set, units)
    outside = [one.sentence for one in findings if one.state == "outside"]
    still_open = [one.sentence for one in findings if one.state == "open"]
    inside = [one.sentence for one in findings if one.state == "inside"]
    doubts = [one.sentence for one in evidence.doubts]
    unproven = [f"{capital(one.name)} {one.state}: {one.detail}." for one in barring]
    cautions = _cautions(evidence, conditions)
    if outside and not doubts:
        note = ["Preconditions do not change this: " + " ".join(unproven)] if unproven else []
        return Verdict(
            outcome="nonconforming",
            reasons=(*outside, *still_open, *inside, *note),
            cautions=cautions,
            standings=(
                *_standings(broken=outside, open=still_open, kept=inside),
                *_standings(open=note),
            ),
        )
    lacking = _lacking(evidence, limits)
    if findings and not (doubts or outside or still_open or unproven or lacking):
        confirmed = "A confirming position agrees with the predicted tight spot."
        proven = "All preconditions that it needs are proven."
        reasons = (*inside, confirmed, proven)
        return Verdict(
            outcome="conforming", reasons=reasons, cautions=cautions, standings=_standings(kept=reasons)
        )
    return Verdict(
        outcome="not proven",
        reasons=(*doubts, *outside, *still_open, *lacking, *unproven, *inside),
        would_settle=_settlers(evidence, limits, barring, findings),
        cautions=cautions,
        standings=(
            *_standings(open=doubts, broken=outside),
            *_standings(open=(*still_open, *lacking, *unproven), kept=inside),
        ),
    )


def _standings(**reasons: Collection[str]) -> tuple[Standing, ...]:
    """The standing of each reason; they are given by it, in their order."""
    return tuple(cast("Standing", name) for name, said in reasons.items() for _ in said)


def settled(evidence: Evidence, limits: Limits, gear_set: GearSet) -> bool:
    """Whether an interval lies wholly inside all limits, or wholly outside one."""
    states = [one.state for one in _findings(evidence, limits, gear_set, "mm")]
    return "outside" in states or (bool(states) and "open" not in states)


def _findings(evidence: Evidence, limits: Limits, gear_set: GearSet, units: Units) -> tuple[_Finding, ...]:
    """Compare the intervals with every limit the drawing has."""
    scale = 1.0 if limits.kind == "normal" else 1 / gear_set.normal_per_transverse
    found = []
    backlash, variation = evidence.judged(limits.decision_rule)

    def compared(
        what: str, ends: Interval, limit_mm: float, side: Literal["least", "most"], *, alone: bool = False
    ) -> None:
        """`alone`: teeth that nobody touched may not break this limit."""
        interval = (scale * ends[0], scale * ends[1])
        finding = _against(
            _span(what, interval, units, _LEVELS[limits.decision_rule]), interval, limit_mm, units, side
        )
        room = interval[0] - limit_mm if side == "least" else limit_mm - interval[1]
        taken = 0.0 if alone else scale * evidence.untouched_mm
        found.append(_for_untouched(finding, evidence.untouched, taken, room, units))

    if backlash is not None:
        what = f"{limits.kind} backlash at the tight spot"
        if limits.minimum_mm is not None:
            compared(what, backlash, limits.minimum_mm, "least")
        if limits.maximum_mm is not None:
            compared(what, backlash, limits.maximum_mm, "most", alone=True)
    if limits.variation_mm is not None and variation is not None:
        compared(f"variation of {limits.kind} backlash", variation, limits.variation_mm, "most")
    return tuple(found)


def _against(
    span: str, interval: Interval, limit_mm: float, units: Units, side: Literal["least", "most"]
) -> _Finding:
    """Compare an interval with the least or the most allowed."""
    low, high = interval
    kept, broken = (
        (low >= limit_mm, high < limit_mm) if side == "least" else (high <= limit_mm, low > limit_mm)
    )
    state: State = "inside" if kept else "outside" if broken else "open"
    limit = f"the {side} allowed of {format_given(limit_mm, units)}"
    beyond = f"{'below' if side == 'least' else 'above'} {limit}"
    ends = {"inside": f"not {beyond}", "outside": beyond, "open": _STRADDLES.format(limit)}
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


def _span(what: str, interval: Interval, units: Units, level: str) -> str:
    low, high = (format_length(end, units, with_unit=False) for end in interval)
    return f"The {what} is {low} to {high}\N{NO-BREAK SPACE}{units} ({level})"


def _lacking(evidence: Evidence, limits: Limits) -> tuple[str, ...]:
    """What a *conforming* still needs, apart from preconditions and a narrow enough interval."""
    lacking = []
    if evidence.interval_mm is None:
        lacking.append(evidence.missing or "No backlash could be stated.")
    if not limits.given:
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
    if not limits.given:
        steps.append("Enter the backlash limits from the box's drawing.")
    steps += [one.remedy or f"Settle: {one.name}." for one in barring]
    return tuple(dict.fromkeys(step for step in steps if step))


def _with_unmentioned(conditions: tuple[Precondition, ...], read: Read) -> tuple[Precondition, ...]:
    """Add what is asked for and was not mentioned, as unproven."""
    names = [one.name.lower() for one in conditions]
    valid = f"Record until when the {read}'s calibration is valid."
    added = tuple(
        Precondition(name=", ".join(words), state="unproven", detail="not recorded", remedy=remedy)
        for words, remedy in {**ASKED_FOR, ("calibration", read): valid}.items()
        if not any(all(word in name for word in words) for name in names)
    )
    return (*conditions, *added)


def bars(condition: Precondition) -> bool:
    """Whether a precondition keeps a build from being conforming."""
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
        if one.name.lower().startswith(MOUNTING_DISTANCE) and one.state != "proven" and not bars(one)
    ]
    notes = [f"{capital(one.name)} {one.state}: {one.detail}. {one.remedy}".rstrip() for one in weak]
    return (STANDING_CAUTION, *notes, *evidence.cautions)


def capital(text: str) -> str:
    """The text with a capital in front."""
    return text[:1].upper() + text[1:]


# A sample of positions says nothing of a tooth that it did not touch: one bad tooth is then found by chance.
# What follows counts those teeth, and says what a *conforming* against a least backlash or a largest
# variation allows for them; it is zero where every tooth was touched.

CAUTIOUS_MM = 0.016
"""Normal backlash that a tooth nobody touched may take where the box gives no tooth accuracy: a nick, a burr
or a bad pitch of a ground or lapped set (from memory, no source)."""
ROOM = 0.25  # of the tolerance: a tooth of given accuracy may take that for a sample to do (common practice)


@dataclass(frozen=True, kw_only=True)
class Touched:
    """Teeth that usable positions touched, counted from the marked ones, which are tooth 1.

    Attributes:
        gear_teeth: z2.
        pinion_teeth: z1.
        gear_left: Gear teeth that no position touched, rising.
        pinion_left: The same for the pinion.
    """

    gear_teeth: int
    pinion_teeth: int
    gear_left: tuple[int, ...]
    pinion_left: tuple[int, ...]

    @property
    def every(self) -> bool:
        """Every tooth of both members was touched."""
        return not (self.gear_left or self.pinion_left)

    @property
    def gear(self) -> int:
        """Number of gear teeth touched."""
        return self.gear_teeth - len(self.gear_left)

    @property
    def pinion(self) -> int:
        """Number of pinion teeth touched."""
        return self.pinion_teeth - len(self.pinion_left)

    @property
    def words(self) -> str:
        """How many of how many, of both members."""
        return (
            f"{self.gear} of {self.gear_teeth} gear teeth, {self.pinion} of {self.pinion_teeth} pinion teeth"
        )

    @property
    def left(self) -> str:
        """What was not touched, in words; empty when everything was."""
        return " and ".join(
            f"{len(teeth)} {member} {'tooth' if len(teeth) == 1 else 'teeth'}"
            for member, teeth in (("gear", self.gear_left), ("pinion", self.pinion_left))
            if teeth
        )

    @property
    def remedy(self) -> str:
        """What would settle it; empty when every tooth was touched."""
        named = [
            f"{member} {numbers(teeth)}"
            for member, teeth in (("gear", self.gear_left), ("pinion", self.pinion_left))
            if teeth
        ]
        if not named:
            return ""
        return (
            f'Plan every tooth (teeth = "every"), or measure those that no position has touched '
            f"(the marked ones are tooth 1): {'; '.join(named)}."
        )


def numbers(rising: Sequence[int], *, most: int = 0) -> str:
    """Whole numbers, those that follow each other as a range: ``2–6, 8, 9``; `most` of them if not 0."""
    runs = list[list[int]]()
    for one in rising:
        if runs and one == runs[-1][-1] + 1:
            runs[-1].append(one)
        else:
            runs.append([one])
    shown = runs if not most or len(runs) <= most else runs[: most - 1]
    said = ", ".join(f"{run[0]}–{run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in shown)
    others = sum(map(len, runs[len(shown) :]))
    return f"{said} and {others} more" if others else said


def touched(gear_set: GearSet, engagements: Iterable[int]) -> Touched:
    """Count the teeth that positions at these engagements touch."""
    places = np.array(list(engagements), dtype=np.int64)

    def left(teeth: int) -> tuple[int, ...]:
        missing = np.setdiff1d(np.arange(teeth), places % teeth).tolist()
        return tuple(tooth_number(one, teeth) for one in missing)

    return Touched(
        gear_teeth=gear_set.gear_teeth,
        pinion_teeth=gear_set.pinion_teeth,
        gear_left=left(gear_set.gear_teeth),
        pinion_left=left(gear_set.pinion_teeth),
    )


def tooth_allowance_mm(gear_set: GearSet, limits: Limits) -> float:
    """Normal backlash that one tooth of unknown state may take at the outer end.

    From `Limits.untouched_tooth_mm`; else from the tooth accuracy grade: each of its two flanks off by the
    single pitch tolerance, independently, √2 f_pt, as normal backlash at the outer end; else `CAUTIOUS_MM`.
    """
    if limits.untouched_tooth_mm is not None:
        return limits.untouched_tooth_mm
    if limits.tooth_accuracy_grade is None:
        return CAUTIOUS_MM
    outward = gear_set.outer_cone_distance_mm / gear_set.mean_cone_distance_mm
    tolerance_um = single_pitch_tolerance_um(
        limits.tooth_accuracy_grade,
        tolerance_diameter_mm=2.0 * gear_set.outer_gear_pitch_radius_mm / outward,
        mean_normal_module_mm=gear_set.outer_module_mm
        / outward
        * cos(radians(gear_set.mean_spiral_angle_deg)),
    )
    return 1e-3 * sqrt(2.0) * tolerance_um * outward * gear_set.normal_per_transverse


def single_pitch_tolerance_um(
    grade: int, *, tolerance_diameter_mm: float, mean_normal_module_mm: float
) -> float:
    """Single pitch tolerance f_pt of a bevel gear, µm.

    ISO 17485:2006, f_pt = (0.003 d_T + 0.3 m_mn + 5) (√2)^(B − 4), *from memory*.  For 100 mm and 3 mm it
    gives 6.2 µm at grade 4; the cylindrical gears' ISO 1328-1:1995 gives 6 µm there at grade 5 (also from
    memory): the two agree to one grade.
    """
    return (0.003 * tolerance_diameter_mm + 0.3 * mean_normal_module_mm + 5.0) * sqrt(2.0) ** (grade - 4)


def needs_every_tooth(gear_set: GearSet, limits: Limits) -> bool:
    """Whether one bad tooth could decide, by what is known before the test.

    Only against a least backlash or a largest variation.  A sample may do where the box gives its tooth
    accuracy, and a tooth of that accuracy takes no more than a quarter of the tolerance and of the variation.
    """
    least, most, variation = limits.minimum_mm, limits.maximum_mm, limits.variation_mm
    if least is None and variation is None:
        return False
    known = limits.untouched_tooth_mm is not None or limits.tooth_accuracy_grade is not None
    if not known or (least is not None and most is None):
        return True
    spans = [] if least is None or most is None else [most - least]
    spans += [] if variation is None else [variation]
    scale = 1.0 if limits.kind == "normal" else gear_set.normal_per_transverse
    return tooth_allowance_mm(gear_set, limits) > ROOM * scale * min(spans)
