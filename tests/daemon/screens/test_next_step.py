"""What the terminal says to do after each verdict."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path

import pytest
from analysis.made_assessment import made_assessment
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.verdict import Outcome
from lashmap_daemon.screens.next_step import next_steps

BOOK = Path("my book.logbook")


def judged(outcome: Outcome, closing: str = "completed") -> Assessment:
    made = made_assessment()
    verdict = replace(made.verdict, outcome=outcome, would_settle=("Measure more positions.",))
    return replace(made, verdict=verdict, record=replace(made.record, closing=closing))


def commands(assessment: Assessment, go_on: str = "") -> list[str]:
    return [command for _, command in next_steps(assessment, BOOK, go_on=go_on)]


def test_a_box_that_conforms_needs_nothing() -> None:
    assert commands(judged("conforming")) == []


def test_shims_come_first_where_the_box_does_not_conform() -> None:
    made = judged("nonconforming")
    words = [shlex.split(command)[1] for command in commands(made)]
    assert words == ["shims", "review", "compare"]
    # The command can be typed as it stands, whatever the logbook is called.
    assert shlex.split(commands(made)[0])[2:] == [made.record.identity.test, "--logbook", str(BOOK)]


def test_a_test_that_ended_early_is_gone_on_with() -> None:
    made = judged("not proven", closing="stopped: by the operator")
    assert commands(made, go_on="lashmap run a b --resume")[0] == "lashmap run a b --resume"
    assert commands(made)[0].startswith("lashmap run STAND BOX --resume --test")


@pytest.mark.parametrize("outcome", ["not proven", "nonconforming"])
def test_a_completed_test_is_not_gone_on_with(outcome: Outcome) -> None:
    assert not any("--resume" in one for one in commands(judged(outcome), go_on="lashmap run --resume"))


def test_a_damaged_record_is_verified_before_anything_else() -> None:
    made = judged("not proven")
    made = replace(made, record=replace(made.record, damage=("a row is not as it was written",)))
    assert [shlex.split(one)[1] for one in commands(made)] == ["verify"]
