"""The steps that would settle an open verdict do not speak against each other (common sense, no source)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from analysis.made_assessment import made_assessment
from analysis.made_record import GEAR_SET
from lashmap_analysis.judge import settling
from lashmap_analysis.judge.settling import narrowing_steps, place


@pytest.mark.parametrize("share", [0.9, 0.01])
def test_where_no_number_of_positions_will_do_more_of_them_are_asked_for_only_to_narrow(
    share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settling, "positions_to_settle", lambda *_: None)
    assessment = made_assessment(count=8)
    lash_map, budget = assessment.lash_map, assessment.budget
    assert lash_map is not None
    assert budget is not None
    lines = tuple(
        replace(line, standard_uncertainty_mm=1e-3 * part**0.5, remedy=f"improve {line.quantity}")
        for line, part in zip(budget.lines[:2], (share, 1.0 - share), strict=True)
    )
    budget = replace(budget, lines=lines, combined_mm=1e-3)
    steps = narrowing_steps(lash_map, budget, (0.09, 0.11), assessment.record)
    assert any(step.startswith(f"Improve {lines[0].quantity}") for step in steps) is (share > 0.1)
    assert ("More positions alone will not do." in steps) is (share < 0.1)
    narrow = "More positions narrow the interval, but they alone will not do."
    assert (narrow in steps) is (share > 0.1)


def test_whole_turns_are_whole_turns() -> None:
    assert place(GEAR_SET, 36).endswith(
        "36 engagements past the matched teeth: gear 1 turn, pinion 2 turns and 2 teeth (42.4°)"
    )
    assert place(GEAR_SET, -34).endswith("gear 34 teeth (340.0°), pinion 2 turns")
