"""What the terminal says to do after each verdict."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path

import pytest
from analysis.made_assessment import made_assessment
from daemon.virtual_time import load_box, set_up, simulated_stand_file
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.verdict import Outcome
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.screens.next_step import next_steps
from lashmap_daemon.setup.gauge_file import GaugeTable
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events, marks
from lashmap_daemon.story.recorded import HandSetup

BOOK = Path("my book.logbook")


def judged(outcome: Outcome, closing: str = "completed") -> Assessment:
    made = made_assessment()
    verdict = replace(made.verdict, outcome=outcome, would_settle=("Measure more positions.",))
    return replace(made, verdict=verdict, record=replace(made.record, closing=closing))


def commands(assessment: Assessment, go_on: str | None = None) -> list[str]:
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
    too_tight = judged("nonconforming", closing="stopped: by the operator")
    words = [shlex.split(command)[1] for command in commands(too_tight, go_on="lashmap run a b --resume")]
    assert words == ["shims", "review", "compare", "run"]


@pytest.mark.parametrize("by_hand", [False, True])
def test_what_is_offered_later_is_what_the_logbook_allows(tmp_path: Path, *, by_hand: bool) -> None:
    """The words of `review` under a test that was stopped, or whose marks were not where they must be."""
    box, folder = load_box(), tmp_path
    gauge = GaugeTable(division_mm=0.01).recorded()
    stand = simulated_stand_file(folder, SimulatedInstruments())
    setup = HandSetup(box=box.recorded(), gauge=gauge) if by_hand else set_up(box, stand)
    started = events.TestStarted(test="t", operator="Ada", setup=setup, planned=(0, 8), version="0")
    off = [
        marks.by_count(box.gear_set.gear_set(), turns=1, answer="no", attempt=attempt, agrees=False)
        for attempt in (1, 2)
    ]
    stopped = events.TestClosed(outcome="stopped", reason="by the operator")
    made = judged("not proven", closing="stopped: by the operator")
    identity = replace(made.record.identity, test="t")
    made = replace(made, record=replace(made.record, identity=identity))
    told: dict[str, list[events.Event]] = {"on": [started, stopped], "off": [started, *off, stopped]}
    for name, happened in told.items():
        path = folder / name
        with Logbook(path, create=True) as book:
            for event in happened:
                book.append("t", events.Stamped(time_s=1.0, utc="2026-11-25T08:00:00Z", event=event))
        words, command = next(iter(next_steps(made, path)))
        if name == "on":
            files = "--by-hand BOX" if by_hand else "STAND BOX"
            assert command == f"lashmap run {files} --resume --test t --logbook {path}"
        else:
            assert (words, command) == (
                "The test ended early and cannot go on; test again from the start",
                "",
            )


@pytest.mark.parametrize("outcome", ["not proven", "nonconforming"])
def test_a_completed_test_is_not_gone_on_with(outcome: Outcome) -> None:
    assert not any("--resume" in one for one in commands(judged(outcome), go_on="lashmap run --resume"))


def test_a_damaged_record_is_verified_before_anything_else() -> None:
    made = judged("not proven")
    made = replace(made, record=replace(made.record, damage=("a row is not as it was written",)))
    assert [shlex.split(one)[1] for one in commands(made)] == ["verify"]
