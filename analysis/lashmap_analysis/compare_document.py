"""The comparison as plain values, ready for JSON: the same figures as on its page, not rounded.

The names of the keys are decided here, and `KEYS` says what each means. Nothing is computed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from lashmap_analysis.result import finite, tight_spot_document
from lashmap_analysis.result_keys import KEYS as RESULT

if TYPE_CHECKING:
    from lashmap_analysis.compare import Build, Difference, MapDifference
    from lashmap_analysis.compare_runout import RunoutDifference
    from lashmap_analysis.compare_shims import ShimCheck
    from lashmap_analysis.compare_tests import Pair

Json = dict[str, Any]
SCHEMA = 1

_DIFFERENCE: Mapping[str, str] = {
    "value_mm": "second less first, of normal backlash",
    "standard_uncertainty_mm": "combined; what both tests share counts with its difference alone",
    "interval_low_mm": "lower end of the 95 % interval",
    "interval_high_mm": "upper end of the 95 % interval",
    "shown": "true when the interval does not hold zero",
    "contributions": "budget of the difference",
    "contributions[].quantity": "what is uncertain",
    "contributions[].first_mm": "standard uncertainty it gives the first test; null without such a line",
    "contributions[].second_mm": "the same of the second test",
    "contributions[].common": "true when both are the same input, so that only their difference counts",
    "contributions[].together_mm": "what it gives the difference",
}
_SPOT = "tight_spot.stated"

KEYS: Mapping[str, str] = {
    "schema": f"version of this document's shape, {SCHEMA}",
    "tests": "the tests in the order they were named; all others are compared with the first",
    "tests[].test": RESULT["test"],
    "tests[].analysis_version": RESULT["analysis_version"],
    "tests[].box": RESULT["identity.box"],
    "tests[].serial": RESULT["identity.serial"],
    "tests[].set_number": RESULT["identity.set_number"],
    "tests[].stand": RESULT["identity.stand"],
    "tests[].started_utc": RESULT["identity.started_utc"],
    "tests[].seal": RESULT["identity.seal"],
    "tests[].verdict": RESULT["verdict.outcome"],
    "tests[].stated": RESULT[_SPOT],
    **{
        path.replace(_SPOT, "tests[].stated"): meaning
        for path, meaning in RESULT.items()
        if path.startswith(f"{_SPOT}.")
    },
    "tests[].mean_mm": RESULT["lash_map.mean_mm"],
    "tests[].mean_standard_uncertainty_mm": RESULT["lash_map.mean_standard_uncertainty_mm"],
    "tests[].gear_set_mm": "mounting distance of the gear as set; null when not recorded",
    "tests[].pinion_set_mm": "that of the pinion",
    "pairs": "one for every test after the first",
    "pairs[].first": "the test that is compared with",
    "pairs[].second": "the test compared",
    "pairs[].tight_spot": "difference of the stated tight spots; null when one test states none",
    **{f"pairs[].tight_spot.{key}": meaning for key, meaning in _DIFFERENCE.items()},
    "pairs[].mean": "difference of the means over the mesh cycle; null without a lash map in one",
    **{f"pairs[].mean.{key}": meaning for key, meaning in _DIFFERENCE.items()},
    "pairs[].lash_map": "second less first by engagement; null when they do not lie over each other",
    "pairs[].lash_map.value_mm": "one for every engagement of the mesh cycle, the matched teeth first",
    "pairs[].lash_map.standard_uncertainty_mm": "of each, the set-up's part of the difference included",
    "pairs[].runout": "what changed once per turn, of the members that stand by themselves in both tests",
    "pairs[].runout[].member": "'gear', 'pinion' or 'both members'",
    "pairs[].runout[].first_mm": "amplitude in the first test, of normal backlash",
    "pairs[].runout[].second_mm": "in the second",
    "pairs[].runout[].first_deg": "angle of the member past the matched teeth that takes most away, first",
    "pairs[].runout[].second_deg": "in the second",
    "pairs[].runout[].amplitude_mm": "of the change, taken as a vector",
    "pairs[].runout[].standard_uncertainty_mm": "of that, along its direction",
    "pairs[].runout[].high_point_deg": "angle at which the change takes most backlash away",
    "pairs[].runout[].shown": "true when the change is more than chance explains at 95 %",
    "pairs[].shims": "whether the recorded moves did what they should",
    "pairs[].shims.answer": "'came true', 'did not come true', 'settles nothing', 'not moved' or "
    "'not recorded'",
    "pairs[].shims.gear_move_mm": "move of the gear away from the apex; null when not recorded in both",
    "pairs[].shims.pinion_move_mm": "that of the pinion",
    "pairs[].shims.predicted_mm": "change of normal backlash that the recorded moves should make",
    "pairs[].shims.predicted_standard_uncertainty_mm": "of that",
    "pairs[].shims.found_mm": "change of the mean that was found",
    "pairs[].shims.found_standard_uncertainty_mm": "of that",
    "pairs[].shims.advised": "true when the first test's advice was this move, false when another; null "
    "without such advice",
    "pairs[].shims.sentences": "the same in words, in the units of the paperwork",
    "pairs[].cautions": "what stands in the way of reading the differences as they are",
}


def comparison_document(pairs: Sequence[Pair]) -> Json:
    """Turn a comparison into nested dicts, lists and plain values that any JSON writer takes.

    Args:
        pairs: From `compare_tests`, all with the same first test.

    Returns:
        The document described key by key in `KEYS`, in mm and degrees; None for what is not finite.
    """
    builds = [pairs[0].first, *(pair.second for pair in pairs)]
    document: Json = {
        "schema": SCHEMA,
        "tests": [_test(build) for build in builds],
        "pairs": [_pair(pair) for pair in pairs],
    }
    return {key: finite(value) for key, value in document.items()}


def _test(build: Build) -> Json:
    assessment = build.assessment
    identity, lash_map = assessment.record.identity, assessment.lash_map
    return {
        "test": build.test,
        "analysis_version": assessment.version,
        **{
            name: getattr(identity, name)
            for name in ("box", "serial", "set_number", "stand", "started_utc", "seal")
        },
        "verdict": assessment.verdict.outcome,
        "stated": tight_spot_document(assessment.stated),
        "mean_mm": lash_map.mean_mm if lash_map else None,
        "mean_standard_uncertainty_mm": lash_map.mean_uncertainty_mm if lash_map else None,
        "gear_set_mm": build.gear_at_mm,
        "pinion_set_mm": build.pinion_at_mm,
    }


def _pair(pair: Pair) -> Json:
    return {
        "first": pair.first.test,
        "second": pair.second.test,
        "tight_spot": _difference(pair.tight_spot),
        "mean": _difference(pair.mean),
        "lash_map": _lash_map(pair.lash_map),
        "runout": [_runout(one) for one in pair.runouts],
        "shims": _shims(pair.shims, pair.shim_sentences),
        "cautions": list(pair.cautions),
    }


def _difference(difference: Difference | None) -> Json | None:
    if difference is None:
        return None
    low, high = difference.interval_mm
    return {
        "value_mm": difference.value_mm,
        "standard_uncertainty_mm": difference.standard_uncertainty_mm,
        "interval_low_mm": low,
        "interval_high_mm": high,
        "shown": difference.shown,
        "contributions": [
            {
                "quantity": one.quantity,
                "first_mm": one.first_mm,
                "second_mm": one.second_mm,
                "common": one.common,
                "together_mm": one.together_mm,
            }
            for one in difference.contributions
        ],
    }


def _lash_map(difference: MapDifference | None) -> Json | None:
    if difference is None:
        return None
    return {
        "value_mm": difference.value_mm.tolist(),
        "standard_uncertainty_mm": difference.standard_uncertainty_mm.tolist(),
    }


def _runout(runout: RunoutDifference) -> Json:
    names = (
        *("member", "first_mm", "second_mm", "first_deg", "second_deg"),
        *("amplitude_mm", "standard_uncertainty_mm", "high_point_deg", "shown"),
    )
    return {name: getattr(runout, name) for name in names}


def _shims(check: ShimCheck, sentences: tuple[str, ...]) -> Json:
    return {
        "answer": check.answer,
        "gear_move_mm": check.gear_move_mm,
        "pinion_move_mm": check.pinion_move_mm,
        "predicted_mm": check.predicted_mm,
        "predicted_standard_uncertainty_mm": check.predicted_uncertainty_mm,
        "found_mm": check.found_mm,
        "found_standard_uncertainty_mm": check.found_uncertainty_mm,
        "advised": check.advised,
        "sentences": list(sentences),
    }
