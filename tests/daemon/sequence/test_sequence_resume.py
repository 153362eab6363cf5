"""Random stories that are broken off anywhere and go on: nothing is lost or done twice, the end is the same.

The story is kept as the events a live test would write, cut at any of them, and read back by `story_of`; so
the pure sequence and the reading of the record are held to each other.
"""

from __future__ import annotations

from daemon.told_story import Story, started_with
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from lashmap_analysis.record.record import Shaft
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events
from lashmap_daemon.story.story import story_of

INPUTS: tuple[sequence.Input, ...] = (
    sequence.Arrived(),
    sequence.Left(),
    sequence.RockGood(),
    sequence.RockBad(("slip",)),
    sequence.CauseTold(found=True),
    sequence.CauseTold(found=False),
    sequence.MarksSeen(),
    sequence.MarksOff(),
    sequence.Repeat(),
    sequence.Ready(),
    sequence.TurnGood(),
    sequence.TurnBad(("turned back",)),
    sequence.Lost("gone"),
    sequence.Back(),
    sequence.Full("no room"),
    sequence.Space(),
    sequence.Skip(),
)


PASSES = (events.PlannedPass(direction="forward"), events.PlannedPass(direction="back", brake_nm=0.5))


class BrokenOff(RuleBasedStateMachine):
    """Stories that are killed, stopped and failed at random, and go on."""

    @initialize(
        count=st.integers(1, 5),
        sweeps=st.sampled_from([(), ("gear",), ("pinion", "gear")]),
        passes=st.sampled_from([(), PASSES]),
    )
    def start(self, count: int, sweeps: tuple[Shaft, ...], passes: tuple[events.PlannedPass, ...]) -> None:
        planned = tuple(range(0, 10 * count, 10))
        self.story = Story(started_with(planned, sweeps))
        self.story.begin(passes)

    @rule(happened=st.sampled_from(INPUTS))
    def happen(self, happened: sequence.Input) -> None:
        self.story.happen(happened)

    @precondition(lambda self: self.story.state.phase is not Phase.CLOSED)
    @rule()
    def killed_and_resumed(self) -> None:
        whole = self.twin()
        whole.to_the_end()
        self.story.go_on()
        resumed = self.twin()
        resumed.to_the_end()
        assert resumed.outcome() == whole.outcome()

    @precondition(lambda self: self.story.state.phase is not Phase.CLOSED)
    @rule(outcome=st.sampled_from(["stopped", "failed", "interrupted"]))
    def ended_and_resumed(self, outcome: events.Outcome) -> None:
        whole = self.twin()
        whole.to_the_end()
        self.story.happen(sequence.Stop(outcome, "so be it"))
        self.story.go_on()
        resumed = self.twin()
        resumed.to_the_end()
        assert resumed.outcome() == whole.outcome()

    @precondition(lambda self: self.story.state.phase is not Phase.CLOSED)
    @rule(data=st.data())
    def torn_between_two_events(self, data: st.DataObject) -> None:
        """What was written stays; a choice that fell with the torn end may be made again."""
        keep = data.draw(st.integers(1, len(self.story.stream)))
        torn = self.twin()
        torn.stream = torn.stream[:keep]
        before = torn.outcome()
        torn.go_on()
        torn.to_the_end()
        after = torn.outcome()
        assert before[0] <= after[0] | after[1]
        assert {(engagement, "planned") for engagement in torn.started.planned} <= after[0] | after[1]

    def twin(self) -> Story:
        story = self.story
        return Story(story.started, story.state, list(story.stream), set(story.checks))

    @invariant()
    def numbers_are_unique_and_rise(self) -> None:
        story = self.story
        of: dict[int, tuple[int, str]] = {}
        newest, seen = 0, set[int]()
        for one in story.of(events.PositionAsked):
            assert isinstance(one, events.PositionAsked)
            assert of.setdefault(one.number, (one.engagement, one.purpose)) == (one.engagement, one.purpose)
            if one.number not in {*story.checks, *seen}:
                assert one.number > newest
                newest = one.number
            seen.add(one.number)

    @invariant()
    def nothing_is_accepted_twice_unless_repeated(self) -> None:
        accepted: set[int] = set()
        asked: set[int] = set()
        for stamped in self.story.stream:
            match stamped.event:
                case events.PositionAsked(number=number):
                    asked.add(number)
                case events.RockAccepted(number=number):
                    assert number in asked  # each acceptance answers an Ask of its own
                    asked.discard(number)
                    accepted.add(number)

    @invariant()
    def every_ask_is_answered_before_the_next_of_another(self) -> None:
        waiting: int | None = None
        for stamped in self.story.stream:
            match stamped.event:
                case events.PositionAsked(number=number):
                    repeated = "repeated" in stamped.event.reason
                    assert waiting is None or waiting == number or repeated
                    waiting = number
                case events.RockAccepted() | events.PositionSkipped() | events.RockRefused():
                    waiting = None
                case events.TestResumed():
                    waiting = None

    @invariant()
    def closed_is_final(self) -> None:
        closed = False
        for stamped in self.story.stream:
            assert not closed or isinstance(stamped.event, events.TestResumed)
            closed = isinstance(stamped.event, events.TestClosed)


BrokenOff.TestCase.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)
TestBrokenOff = BrokenOff.TestCase


def test_a_cycle_run_that_was_broken_off_is_made_anew_and_a_complete_one_stays() -> None:
    story = Story(started_with((0,), ()))
    story.begin(PASSES)
    for happened in (sequence.Ready(), sequence.TurnGood()):
        story.happen(happened)
    story.go_on()
    assert story_of(story.stream).passed == {}
    for happened in (sequence.Ready(), sequence.TurnGood(), sequence.TurnGood()):
        story.happen(happened)
    assert sorted(story_of(story.stream).passed) == [1, 2]
    story.go_on()  # while the stand is made ready for the rocks
    assert sorted(story_of(story.stream).passed) == [1, 2]
    phases = [phase_of(story)]
    story.happen(sequence.Ready())
    phases.append(phase_of(story))
    story.go_on()
    phases.append(phase_of(story))
    # The box turned: somebody says that it is locked out before anything is rocked, and says it once.
    assert phases == [Phase.READYING, Phase.TURNING, Phase.TURNING]


def phase_of(story: Story) -> Phase | None:
    return None if story.state is None else story.state.phase
