"""A comparison in words: differences, shims, and what stands in the way of reading them as they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lashmap_analysis.judge.compare import (
    Build,
    Common,
    CompareError,
    Difference,
    MapDifference,
    RunoutDifference,
    ShimCheck,
    common_inputs,
    map_difference,
    mean_difference,
    runout_differences,
    same_teeth,
    shim_check,
    tight_spot_difference,
)
from lashmap_analysis.record.lengths import format_length, format_spread
from lashmap_analysis.record.record import Units


def difference_words(difference: Difference | None, units: Units) -> str:
    """A difference with its interval, and whether a change is shown at all."""
    if difference is None:
        return "none: one of the tests states no figure"
    low, high = (format_length(end, units, with_unit=False, signed=True) for end in difference.interval_mm)
    value = format_length(difference.value_mm, units, signed=True)
    judged = "" if difference.shown else ", no change shown"
    return f"{value} (95 %: {low} to {high}{judged})"


def runout_words(runout: RunoutDifference, units: Units) -> str:
    """What changed in the once-per-turn part of a member."""
    size = format_spread(runout.amplitude_mm, units)  # as fine as its uncertainty, which may be larger
    spread = format_spread(runout.standard_uncertainty_mm, units)
    if not runout.shown:
        return f"no change shown ({size}, u = {spread})"
    return f"changed by {size} (u = {spread}), taking most at {runout.high_point_deg:.0f}°"


def shim_sentences(first: Build, second: Build, check: ShimCheck) -> tuple[str, ...]:
    """Whether the shims did what was predicted."""
    units = second.assessment.record.units
    sentences = []
    if check.answer == "not recorded":
        reason = (
            "the mounting distances as set are not recorded in both tests (mounting.gear_set_mm, "
            "mounting.pinion_set_mm)"
            if check.gear_move_mm is None and check.pinion_move_mm is None
            else "one of the tests has no lash map, or the teeth differ"
        )
        return (f"Whether shims did what was predicted cannot be told: {reason}.",)
    moves = " and ".join(
        f"the {member} was "
        + (
            f"moved by {format_length(move, units, decimals=3 if units == 'mm' else 4, signed=True)}"
            if abs(move) > 1e-4
            else "not moved"
        )
        for member, move in (("gear", check.gear_move_mm), ("pinion", check.pinion_move_mm))
        if move is not None
    )
    sentences.append(f"By the recorded mounting distances {moves} (plus is out, away from the apex).")
    moves_mm = {"gear": check.gear_move_mm, "pinion": check.pinion_move_mm}
    sentences += [
        f"The {member}'s mounting distance is not recorded in both tests: it is taken not to have moved."
        for member, move in moves_mm.items()
        if move is None
    ]
    predicted, found = (
        f"{format_length(value, units, signed=True)} (u = {format_spread(spread, units)})"
        for value, spread in (
            (check.predicted_mm, check.predicted_uncertainty_mm),
            (check.found_mm, check.found_uncertainty_mm),
        )
    )
    sentences.append(
        {
            "came true": f"The prediction came true: {predicted} predicted, {found} found in the mean.",
            "did not come true": f"The prediction did not come true: {predicted} predicted, {found} found in "
            "the mean. Look for what else changed: bearings, the other member, the indicator's place.",
            "settles nothing": f"{predicted} predicted, {found} found in the mean: they agree, but so "
            "would no change at all, so this settles nothing.",
            "not moved": f"No move is recorded, so no change is predicted; {found} was found in the mean "
            "backlash.",
        }[check.answer]
    )
    return (*sentences, *_advice_sentences(first, second, check))


def _advice_sentences(first: Build, second: Build, check: ShimCheck) -> tuple[str, ...]:
    """What was advised on the first test, whether it was done, and whether it came about."""
    advice, stated, units = first.advice, second.assessment.stated, second.assessment.record.units
    if check.advised is None or advice is None:
        return ()
    words = " ".join(move.sentence for move in advice.moves)
    done = "It was followed." if check.advised else "The recorded move is another one."
    sentence = f"The advice on {first.test} was: {words} {done}"
    if not check.advised or advice.interval_mm is None or stated is None:
        return (sentence,)
    low, high = (format_length(end, units) for end in advice.interval_mm)
    value = format_length(stated.normal_backlash_mm, units)
    inside = advice.interval_mm[0] <= stated.normal_backlash_mm <= advice.interval_mm[1]
    where = "inside" if inside else "outside"
    return (
        sentence,
        f"It predicted a tight spot of {low} to {high} (95 %); {value} was found, {where} that.",
    )


def cautions_of(first: Build, second: Build, common: Common) -> tuple[str, ...]:
    """What a reader must know before the differences are believed."""
    found = []
    one, other = first.assessment.record, second.assessment.record
    if not same_teeth(first, second):
        found.append(
            f"The sets have different teeth ({one.gear_set.pinion_teeth}:{one.gear_set.gear_teeth} and "
            f"{other.gear_set.pinion_teeth}:{other.gear_set.gear_teeth}): their lash maps and runouts are "
            "not compared."
        )
    elif one.gear_set != other.gear_set:
        found.append("The gear sets' data differ beside their teeth: check which box file is right.")
    if one.identity.set_number != other.identity.set_number:
        found.append(
            f"Different gear sets ({one.identity.set_number or 'no number'} and "
            f"{other.identity.set_number or 'no number'}): an engagement is not the same pair of teeth."
        )
    for build in (first, second):
        found += _doubts(build)
        states = {p.name: p.state for p in build.assessment.record.preconditions}
        # A test in which the encoder was held against the marks once more has a second one of that name.
        seen_again = [state for name, state in states.items() if name.startswith("matched teeth")]
        if states.get("matched teeth") != "proven" or any(state != "proven" for state in seen_again):
            found.append(
                f"In {build.test} the matched teeth are not proven: engagement 0 may be another tooth, and "
                "the maps may lie shifted against each other."
            )
    if not common.calibration:
        why = (
            "no serial number of the indicator is recorded in both tests"
            if not (first.indicator and second.indicator)
            else "the tests have different indicators or certificates"
            if first.indicator != second.indicator
            else "it was asked to be counted as independent"
        )
        found.append(f"The indicator's calibration counts in full for both tests: {why}.")
    if not common.set_up:
        found.append(
            "The tip's place and direction count in full for both tests, as if set anew; when nobody touched "
            "the indicator in between, say so: --same-set-up."
        )
    return tuple(found)


def _doubts(build: Build) -> list[str]:
    """Why the figures of one test may not be those that somebody signed for."""
    found = []
    assessment = build.assessment
    if assessment.record.damage:
        found.append(
            f"The record of {build.test} is not as it was written ({assessment.record.damage[0]}): "
            "its figures prove nothing."
        )
    if assessment.review is not None and assessment.review.holding:
        found.append(
            f"A reviewer took positions or reversals out of {build.test}; compared is the result as "
            "recorded, with all of them."
        )
    return found


# A whole comparison: each test against the first one, as values ready to show, with its sentences.


@dataclass(frozen=True, kw_only=True)
class Pair:
    """One test against the first.

    Attributes:
        first: The test to compare with.
        second: The test compared.
        tight_spot: Difference of the stated tight spots; None when one states none.
        mean: Difference of the mean backlashes; None without a lash map in one.
        lash_map: Difference engagement by engagement; None when the teeth differ or a map is missing.
        runouts: Of the members that stand by themselves in both.
        shims: Whether the recorded moves did what they should.
        shim_sentences: The same in words.
        cautions: What stands in the way of reading the differences as they are.
    """

    first: Build
    second: Build
    tight_spot: Difference | None
    mean: Difference | None
    lash_map: MapDifference | None
    runouts: tuple[RunoutDifference, ...]
    shims: ShimCheck
    shim_sentences: tuple[str, ...]
    cautions: tuple[str, ...]


def compare_tests(
    builds: Sequence[Build], *, independent: bool = False, same_set_up: bool = False
) -> tuple[Pair, ...]:
    """Compare tests with the first of them.

    Args:
        builds: Two or more, the first being what the others are compared with.
        independent: Take nothing as common, not even the indicator's certificate.
        same_set_up: The indicator was not touched between the tests.

    Returns:
        One pair for each test after the first.

    Raises:
        CompareError: Fewer than two tests, one named twice, or a set-up that cannot have stayed as it was.
    """
    if len(builds) < 2:
        raise CompareError("tests", len(builds), "two or more tests")
    return tuple(_pair(builds[0], second, independent, same_set_up) for second in builds[1:])


def _pair(first: Build, second: Build, independent: bool, same_set_up: bool) -> Pair:  # noqa: FBT001 - as above
    common = common_inputs(first, second, independent=independent, same_set_up=same_set_up)
    mean = mean_difference(first, second, common)
    shims = shim_check(first, second, mean if same_teeth(first, second) else None)
    return Pair(
        first=first,
        second=second,
        tight_spot=tight_spot_difference(first, second, common),
        mean=mean,
        lash_map=None if mean is None else map_difference(first, second, mean),
        runouts=()
        if mean is None or not same_teeth(first, second)
        else runout_differences(first, second, mean.contributions[1:]),
        shims=shims,
        shim_sentences=shim_sentences(first, second, shims),
        cautions=cautions_of(first, second, common),
    )
