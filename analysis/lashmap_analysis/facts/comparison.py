"""The comparison as plain values, ready for JSON: the same figures as on its page, not rounded.

The names of the keys are decided here, and `KEYS` says what each means. Nothing is computed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lashmap_analysis.facts.given import IDENTITY
from lashmap_analysis.facts.lash_map import MAP
from lashmap_analysis.facts.section import WHOLE, Figure, Group, document, keys, number, text, whole, yes_no
from lashmap_analysis.facts.tight_spot import STATED
from lashmap_analysis.facts.verdict import OUTCOME, VERSION
from lashmap_analysis.judge.comparison import Pair

SCHEMA = 1

_TEST: tuple[Figure | Group, ...] = (
    text("test", "identifier of the test"),
    VERSION.under("assessment"),
    *(
        one.under("assessment.record.identity")
        for one in IDENTITY
        if one.name in ("box", "serial", "set_number", "stand", "started_utc", "seal")
    ),
    OUTCOME.under("assessment.verdict", name="verdict"),
    Group("stated", STATED.meaning, STATED.figures, "assessment.stated"),
    *(one.under("assessment.judged") for one in MAP[:2]),
    number("gear_set_mm", "mounting distance of the gear as set; null when not recorded", "gear_at_mm"),
    number("pinion_set_mm", "that of the pinion", "pinion_at_mm"),
)
_DIFFERENCE = (
    number("value_mm", "second less first, of normal backlash"),
    number("standard_uncertainty_mm", "combined; what both tests share counts with its difference alone"),
    number("interval_low_mm", "lower end of the 95 % interval", "interval_mm.0"),
    number("interval_high_mm", "upper end of the 95 % interval", "interval_mm.1"),
    yes_no("shown", "true when the interval does not hold zero"),
    Group(
        "contributions",
        "budget of the difference",
        (
            text("quantity", "what is uncertain"),
            number("first_mm", "standard uncertainty it gives the first test; null without such a line"),
            number("second_mm", "the same of the second test"),
            yes_no("common", "true when both are the same input, so that only their difference counts"),
            number("together_mm", "what it gives the difference"),
        ),
        many=True,
    ),
)
_MAP = (
    number("value_mm", "one for every engagement of the mesh cycle, the matched teeth first"),
    number("standard_uncertainty_mm", "of each, the set-up's part of the difference included"),
)
_RUNOUT = (
    text("member", "'gear', 'pinion' or 'both members'"),
    number("first_mm", "amplitude in the first test, of normal backlash"),
    number("second_mm", "in the second"),
    number("first_deg", "angle of the member past the matched teeth that takes most away, first"),
    number("second_deg", "in the second"),
    number("amplitude_mm", "of the change, taken as a vector"),
    number("standard_uncertainty_mm", "of that, along its direction"),
    number("high_point_deg", "angle at which the change takes most backlash away"),
    yes_no("shown", "true when the change is more than chance explains at 95 %"),
)
_SHIMS = (
    text("answer", "'came true', 'did not come true', 'settles nothing', 'not moved' or 'not recorded'"),
    number("gear_move_mm", "move of the gear away from the apex; null when not recorded in both"),
    number("pinion_move_mm", "that of the pinion"),
    number("predicted_mm", "change of normal backlash that the recorded moves should make"),
    number("predicted_standard_uncertainty_mm", "of that", "predicted_uncertainty_mm"),
    number("found_mm", "change of the mean that was found"),
    number("found_standard_uncertainty_mm", "of that", "found_uncertainty_mm"),
    yes_no(
        "advised",
        "true when the first test's advice was this move, false when another; null without such advice",
    ),
)
_PAIR: tuple[Figure | Group, ...] = (
    text("first", "the test that is compared with", "first.test"),
    text("second", "the test compared", "second.test"),
    Group("tight_spot", "difference of the stated tight spots; null when one test states none", _DIFFERENCE),
    Group("mean", "difference of the means over the mesh cycle; null without a lash map in one", _DIFFERENCE),
    Group("lash_map", "second less first by engagement; null when they do not lie over each other", _MAP),
    Group(
        "runout",
        "what changed once per turn, of the members that stand by themselves in both tests",
        _RUNOUT,
        "runouts",
        many=True,
    ),
    Group(
        "shims",
        "whether the recorded moves did what they should",
        (
            *(one.under("shims") for one in _SHIMS),
            text("sentences", "the same in words, in the units of the paperwork", "shim_sentences"),
        ),
        WHOLE,
    ),
    text("cautions", "what stands in the way of reading the differences as they are"),
)
_COMPARISON: tuple[Figure | Group, ...] = (
    whole("schema", f"version of this document's shape, {SCHEMA}", lambda _pairs: SCHEMA),
    Group(
        "tests",
        "the tests in the order they were named; all others are compared with the first",
        _TEST,
        lambda pairs: [pairs[0].first, *(pair.second for pair in pairs)],
        many=True,
    ),
    Group("pairs", "one for every test after the first", _PAIR, WHOLE, many=True),
)
KEYS: Mapping[str, str] = dict(keys(_COMPARISON))


def comparison_document(pairs: Sequence[Pair]) -> dict[str, Any]:
    """Turn a comparison into nested dicts, lists and plain values that any JSON writer takes.

    Args:
        pairs: From `compare_tests`, all with the same first test.

    Returns:
        The document described key by key in `KEYS`, in mm and degrees; None for what is not finite.
    """
    return document(_COMPARISON, pairs)
