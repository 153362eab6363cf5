"""What a contact pattern says. Directions are common practice without a source: only that they are said."""

from __future__ import annotations

import pytest
from lashmap_analysis.builds.pattern import (
    SOURCE,
    Along,
    Flank,
    Pattern,
    PatternError,
    Up,
    contact_from_toe,
    directions,
)


def seen(along: Along, up: Up = "middle", *, flank: Flank = "drive", length: float = 0.5) -> Pattern:
    return Pattern(flank=flank, along=along, up=up, length=length, height=0.6)


@pytest.mark.parametrize(
    ("along", "length", "ends"),
    [("toe", 0.4, (0.0, 0.4)), ("heel", 0.4, (0.6, 1.0)), ("centre", 0.4, (0.3, 0.7)), ("heel", 1.0, (0, 1))],
)
def test_the_place_is_the_middle_between_the_ends_of_the_pattern(
    along: Along, length: float, ends: tuple[float, float]
) -> None:
    # The ends as one would draw them on the face, which is 0 at the toe and 1 at the heel.
    assert seen(along, length=length).from_toe == pytest.approx(sum(ends) / 2)


def test_both_sides_count_alike() -> None:
    assert contact_from_toe([]) is None
    both = [seen("heel"), seen("centre", flank="coast")]
    assert contact_from_toe(both) == pytest.approx((0.75 + 0.5) / 2)


def test_a_pattern_in_the_middle_points_nowhere_and_others_say_that_nobody_proved_it() -> None:
    assert directions([seen("centre"), seen("centre", flank="coast")]) == ()
    high = directions([seen("centre", "top"), seen("centre", "top", flank="coast")])
    low = directions([seen("centre", "root"), seen("centre", "root", flank="coast")])
    assert "too far out" in high[0]
    assert "too far in" in low[0]
    assert SOURCE in high[-1]
    assert "no source" in SOURCE
    assert "drawing" in SOURCE


def test_what_no_shim_mends_is_said() -> None:
    assert (
        "no position of the pinion"
        in directions([seen("centre", "top"), seen("centre", "root", flank="coast")])[0]
    )
    crossed = directions([seen("heel"), seen("toe", flank="coast")])
    assert "shaft angle" in crossed[0]
    assert "gear may stand too far out" in directions([seen("heel")])[0]
    assert "gear may stand too far in" in directions([seen("toe")])[0]


@pytest.mark.parametrize("wrong", [{"length": 0.0}, {"height": 1.2}, {"along": "end"}, {"up": "tip"}])
def test_a_pattern_that_cannot_be_is_refused(wrong: dict[str, object]) -> None:
    values: dict[str, object] = {
        "flank": "drive", "along": "heel", "up": "top", "length": 0.5, "height": 0.5,
    }  # fmt: skip
    with pytest.raises(PatternError, match=next(iter(wrong))):
        Pattern(**{**values, **wrong})  # type: ignore[arg-type]  # on purpose
