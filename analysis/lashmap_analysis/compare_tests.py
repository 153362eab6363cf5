"""A whole comparison: each test against the first one, as values ready to show, with its sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lashmap_analysis.compare import (
    Build,
    CompareError,
    Difference,
    MapDifference,
    common_inputs,
    map_difference,
    mean_difference,
    same_teeth,
    tight_spot_difference,
)
from lashmap_analysis.compare_runout import RunoutDifference, runout_differences
from lashmap_analysis.compare_shims import ShimCheck, shim_check
from lashmap_analysis.compare_words import cautions_of, shim_sentences


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
