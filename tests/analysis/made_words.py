"""What the tests' made-up assessments say: budget, preconditions and verdict, all invented."""

from __future__ import annotations

import math
from typing import Literal

from lashmap_analysis.judge.verdict import Verdict
from lashmap_analysis.record.record import Precondition
from lashmap_analysis.uncertainty.budget import Budget, BudgetLine


def made_budget(*, lines: int = 6) -> Budget:
    """Make a budget whose combined figure is the root sum of squares of its lines."""
    rows = (
        ("fit and repeatability", "0.9 µm at the tight spot", "t", 0.0009, 31.0, "lash map, 25 positions"),
        ("indicator calibration", "U = 1.2 µm (k = 2)", "normal", 0.0006, math.inf, "certificate"),
        ("touch radius", "72.0 mm, u = 0.2 mm", "normal", 0.00035, math.inf, "set-up sheet"),
        ("tip direction", "0°, u = 2°", "rectangular", 0.0001, math.inf, "set-up sheet"),
        (
            "spiral angle along the face",
            "35° ± 2°",
            "rectangular",
            0.0011,
            math.inf,
            "no cutter radius given",
        ),
        ("resolution", "0.1 µm, inside repeatability", "rectangular", 0.0, math.inf, "instrument profile"),
    )[:lines]
    made = tuple(
        BudgetLine(
            quantity=quantity,
            value=value,
            distribution=distribution,
            standard_uncertainty_mm=u,
            degrees_of_freedom=dof,
            source=source,
        )
        for quantity, value, distribution, u, dof, source in rows
    )
    combined = math.sqrt(sum(line.standard_uncertainty_mm**2 for line in made))
    return Budget(
        lines=made,
        combined_mm=combined,
        degrees_of_freedom=180.0,
        coverage_factor=1.97,
        expanded_mm=1.97 * combined,
    )


def made_preconditions(*, proven: bool = True) -> tuple[Precondition, ...]:
    """Make the preconditions of a build, all proven or with gaps."""
    rows: list[Precondition] = [
        Precondition(
            name="mounting distance, pinion", state="proven", detail="marked 112.34 mm, set 112.35 mm"
        ),
        Precondition(name="mounting distance, gear", state="proven", detail="marked 78.10 mm, set 78.10 mm"),
        Precondition(name="matched teeth", state="proven", detail="marked teeth together at encoder 12.6°"),
        Precondition(name="bearings", state="proven", detail="end play 0.03 mm, allowed 0.02 to 0.05 mm"),
        Precondition(name="indicator calibration", state="proven", detail="valid until 2031-04-30"),
        Precondition(name="encoder calibration", state="proven", detail="valid until 2031-09-30"),
    ]
    if not proven:
        rows[0] = Precondition(
            name="mounting distance, pinion",
            state="unproven",
            detail="not recorded",
            remedy="Measure the pinion's mounting distance and record it in the box file.",
        )
        rows[4] = Precondition(
            name="indicator calibration",
            state="failed",
            detail="ran out on 2029-04-30",
            remedy="Use an indicator that is in calibration and rock again.",
        )
    return tuple(rows)


def made_verdict(outcome: Literal["conforming", "nonconforming", "not proven"]) -> Verdict:
    """Make a verdict with sentences of the kind that `judge` writes."""
    cautions = (
        "The right backlash can be had at a wrong mounting distance: check the contact pattern.",
        "Measured without load and at room temperature; running backlash differs.",
    )
    if outcome == "conforming":
        return Verdict(
            outcome=outcome,
            reasons=("The whole interval lies inside the limits.", "Every precondition is proven."),
            cautions=cautions,
        )
    if outcome == "nonconforming":
        return Verdict(
            outcome=outcome, reasons=("The whole interval lies below the minimum.",), cautions=cautions
        )
    return Verdict(
        outcome=outcome,
        reasons=(
            "The pinion's mounting distance was not recorded.",
            "The indicator was out of calibration on the day of the test.",
        ),
        would_settle=("Measure the pinion's mounting distance.", "Rock again with a calibrated indicator."),
        cautions=cautions,
    )
