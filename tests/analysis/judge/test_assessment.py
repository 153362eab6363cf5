"""What an assessment says of itself: which lash is judged, which teeth were touched, what a reviewer left."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from analysis.made_positions import made_position, made_trace
from analysis.made_record import GEAR_SET, Bench
from lashmap_analysis.cycle.curve import LashCurve
from lashmap_analysis.cycle.cycle import CycleFit
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import CycleRun, Review
from lashmap_analysis.lash_map.lash_map import LashMap
from lashmap_analysis.record.record import Exclusion, SignOff

EMPTY = assess(Bench().record(plan=()))
CURVE, MAP = (cast("LashCurve", object()), cast("LashMap", object()))


def run(*seen: int, refusal: str = "", fit: bool = True) -> CycleRun:
    """A cycle run that saw these engagements of 612 on both flanks."""
    where = np.isin(np.arange(GEAR_SET.mesh_cycle), seen)
    return CycleRun(
        fit=cast("CycleFit", SimpleNamespace(seen=where)) if fit else None,
        curve=CURVE,
        rocks=(),
        used=2,
        refusal=refusal,
    )


def test_a_cycle_run_touches_what_it_saw_where_it_judges() -> None:
    every = tuple(range(GEAR_SET.mesh_cycle))
    assert (run(3, 40).engagements, run(3, 40).every) == ((3, 40), False)
    assert (run(*every).engagements, run(*every).every) == (every, True)
    assert (run(*every, refusal="too fast").engagements, run(*every, refusal="too fast").every) == ((), False)
    assert (run(fit=False).engagements, run(fit=False).every) == ((), False)


def test_what_is_judged_is_the_cycle_run_where_it_judges_and_else_the_map() -> None:
    rocks = replace(EMPTY, lash_map=MAP)
    good, refused = (replace(rocks, cycle_run=run(3, refusal=why)) for why in ("", "too fast"))
    assert (rocks.judged, good.judged, refused.judged) == (MAP, CURVE, MAP)
    assert (rocks.cycle, good.cycle) == (None, good.cycle_run and good.cycle_run.fit)
    assert good.cycle is not None
    # 17 : 36: engagements 3 and 40 are gear teeth 4 and 5, and pinion teeth 4 and 7
    left = replace(EMPTY, cycle_run=run(3, 40)).touched.left
    assert "34 gear teeth and 15 pinion teeth" in left
    assert "36 gear teeth and 17 pinion teeth" in EMPTY.touched.left


@pytest.mark.parametrize(
    ("out", "undone", "signed", "changes", "seen"),
    [
        (False, False, False, 1, False),  # that nothing has changed
        (False, False, False, 2, True),
        (True, False, False, 1, True),
        (True, True, False, 1, False),
        (False, False, True, 1, True),
    ],
)
def test_the_first_page_shows_a_review_that_left_out_signed_or_changed_something(
    *, out: bool, undone: bool, signed: bool, changes: int, seen: bool
) -> None:
    taken = Exclusion(
        number=1, position=2, reversal=None, window_s=None, reason="x", by="R", utc="",
        undone=("R", "", "y") if undone else None,
    )  # fmt: skip
    review = Review(
        stored=None, changes=("x",) * changes, exclusions=(taken,) if out else (),
        sign_offs=(cast("SignOff", object()),) if signed else (), reviewed=None, signed="", covers=False,
    )  # fmt: skip
    assert review.seen == seen
    assert review.holding == ((taken,) if out and not undone else ())


def test_a_position_counts_in_the_map_where_its_rock_is_usable_and_not_rolled_on() -> None:
    one = made_position(made_trace(1, 5, 0.14), GEAR_SET, 0.15)
    assert (one.usable, one.mapped, one.outlier) == (True, True, False)
    assert not replace(one, purpose="third back").mapped
    assert not replace(one, normal_backlash_mm=None).mapped
    # 0.5 µm within the rock and 1.2 µm between settings are 1.3 µm together
    assert replace(one, setting_mm=0.0012).with_setting_mm == pytest.approx(0.0013)
    assert replace(one, standard_uncertainty_mm=None).with_setting_mm is None
    assert not run(3).confirmed
