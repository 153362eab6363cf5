"""Every phase meets every input, and long random stories keep the rules a technician relies on."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from lashmap_analysis.record.record import Shaft
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import (
    TABLE,
    Accept,
    Action,
    Arrived,
    Ask,
    AskCause,
    AskMarks,
    AskReady,
    AskTurn,
    Back,
    BeginPasses,
    BeginRock,
    CauseTold,
    Close,
    Confirm,
    Full,
    GoOn,
    Input,
    KeepTurn,
    LeaveMarks,
    LeaveOut,
    Left,
    Lost,
    MarksOff,
    MarksSeen,
    Pause,
    Phase,
    Predict,
    Ready,
    Refuse,
    RefuseTurn,
    Repeat,
    RockBad,
    RockGood,
    SayReady,
    Skip,
    Space,
    State,
    Stop,
    TurnBad,
    TurnGood,
)
from lashmap_daemon.story.story import Pass, Sweep, Target

EXAMPLES: dict[type[Input], Input] = {
    Arrived: Arrived(),
    Left: Left(),
    RockGood: RockGood(),
    RockBad: RockBad(("slip",)),
    CauseTold: CauseTold(found=True),
    Confirm: Confirm((7,)),
    MarksSeen: MarksSeen(),
    MarksOff: MarksOff(),
    Repeat: Repeat(),
    Ready: Ready(),
    TurnGood: TurnGood(),
    TurnBad: TurnBad(("it was turned back",)),
    Lost: Lost("the indicator was lost"),
    Back: Back(),
    Full: Full("no room"),
    Space: Space(),
    Skip: Skip(),
    Stop: Stop("stopped", "by the operator"),
}


AT_WORK = (Phase.TURNING, Phase.ROCKING, Phase.PREDICTING, Phase.CHECKING, Phase.SWEEPING)
IN_A_SWEEP: tuple[type[Input], ...] = (Arrived, Left, RockGood, RockBad, Confirm)

IGNORED: frozenset[tuple[Phase, type[Input]]] = frozenset(
    {
        (Phase.TURNING, Left),  # it is on its way
        (Phase.TURNING, RockGood),
        (Phase.TURNING, RockBad),
        (Phase.TURNING, Confirm),
        (Phase.ROCKING, Arrived),
        (Phase.ROCKING, Confirm),
        (Phase.PREDICTING, Arrived),
        (Phase.PREDICTING, Left),
        (Phase.PREDICTING, RockGood),
        (Phase.PREDICTING, RockBad),
        (Phase.PREDICTING, Repeat),
        (Phase.PREDICTING, Skip),
        *(
            (phase, kind)
            for phase in (Phase.TURNING, Phase.ROCKING, Phase.PREDICTING, Phase.CHECKING)
            for kind in (TurnGood, TurnBad)
        ),
        *((phase, kind) for phase in (Phase.SWEEPING, Phase.CHECKING) for kind in IN_A_SWEEP),
        *(
            (phase, kind)
            for phase in AT_WORK
            if phase is not Phase.CHECKING
            for kind in (MarksSeen, MarksOff)
        ),
        (Phase.CHECKING, Repeat),
        *((phase, CauseTold) for phase in AT_WORK),
        *((phase, Ready) for phase in AT_WORK),
        # Nothing turns, and nothing is rocked, before somebody said that it may.
        *(
            (Phase.READYING, kind)
            for kind in Input.__subclasses__()
            if kind not in {Ready, Lost, Full, Repeat, Skip, Stop}
        ),
        *(
            (Phase.PASSING, kind)
            for kind in Input.__subclasses__()
            if kind not in {TurnGood, TurnBad, Lost, Full, Repeat, Skip, Stop}
        ),
        # Nothing goes round the question: neither a repeat nor leaving the position out.
        *(
            (Phase.FINDING, kind)
            for kind in Input.__subclasses__()
            if kind not in {CauseTold, Lost, Full, Stop}
        ),
        # Predicting is over in the tick in which it began; the next phase is told of it.
        (Phase.PREDICTING, Lost),
        (Phase.PREDICTING, Full),
        *((phase, kind) for phase in AT_WORK for kind in (Back, Space)),
        *((Phase.WAITING, kind) for kind in Input.__subclasses__() if kind not in {Back, Full, Stop}),
        *((Phase.PAUSED, kind) for kind in Input.__subclasses__() if kind not in {Space, Stop}),
        *((Phase.CLOSED, kind) for kind in Input.__subclasses__()),
    }
)


FORWARD, BACK = Pass(number=1, direction="forward"), Pass(number=2, direction="back")


def state_in(phase: Phase) -> State:
    asked = phase in {Phase.TURNING, Phase.ROCKING, Phase.WAITING, Phase.PAUSED}
    target = Target(number=2, engagement=20, purpose="planned")
    return State(
        phase=phase,
        target=target if asked else None,
        queue=(Target(number=3, engagement=30, purpose="planned"),),
        last_accepted=Target(number=1, engagement=10, purpose="planned"),
        asked=3,
        tries=3,
        sweeps=("pinion",),
        stuck=target if phase is Phase.FINDING else None,
        ready_for="turn" if phase is Phase.READYING else None,
        turn=FORWARD if phase is Phase.PASSING else Sweep(member="gear") if phase is Phase.SWEEPING else None,
        passes=(BACK,) if phase in {Phase.READYING, Phase.PASSING} else (),
    )


def test_the_table_and_the_ignored_pairs_together_are_complete() -> None:
    pairs = set(itertools.product(Phase, Input.__subclasses__()))
    assert set(TABLE) | IGNORED == pairs
    assert not set(TABLE) & IGNORED


@pytest.mark.parametrize(
    ("phase", "kind"),
    list(itertools.product(Phase, Input.__subclasses__())),
    ids=lambda part: getattr(part, "__name__", part),
)
def test_every_input_in_every_phase(phase: Phase, kind: type[Input]) -> None:
    before = state_in(phase)
    if (phase, kind) == (Phase.READYING, Repeat):  # once the passes are made
        before = replace(before, ready_for="rock", passes=(), planned_passes=(FORWARD, BACK))
    after, actions = sequence.step(before, EXAMPLES[kind])
    if (phase, kind) in IGNORED:
        assert after == before
        assert actions == ()
    else:
        assert after != before
        # Nothing had begun that could be refused.
        assert actions or (phase, kind) in {
            (one, Lost) for one in (Phase.TURNING, Phase.FINDING, Phase.CHECKING, Phase.READYING)
        }


def test_a_plain_test_from_first_to_last() -> None:
    state, actions = sequence.begin((0, 8), tries=2)
    seen = list(actions)
    for happened in (
        Arrived(),
        RockGood(),
        Arrived(),
        RockGood(),
        Confirm((5,)),
        MarksSeen(),
        Arrived(),
        RockGood(),
        Confirm(()),
    ):
        state, actions = sequence.step(state, happened)
        seen += actions
    assert [type(action) for action in seen] == [
        Ask, BeginRock, Accept, Ask, BeginRock, Accept, Predict,
        AskMarks, Ask, BeginRock, Accept, Predict, Close,
    ]  # fmt: skip
    assert [a.target.engagement for a in seen if isinstance(a, Accept)] == [0, 8, 5]
    assert [a.target.number for a in seen if isinstance(a, Accept)] == [1, 2, 3]
    assert seen[-1] == Close("completed", "all positions done")


def test_a_refused_rock_is_asked_again_with_its_reason_and_left_out_in_the_end() -> None:
    state, _ = sequence.begin((0,), tries=2)
    state, _ = sequence.step(state, Arrived())
    state, actions = sequence.step(state, RockBad(("slip",)))
    assert isinstance(actions[0], Refuse)
    assert actions[1] == Ask(Target(number=1, engagement=0, purpose="planned", attempt=2, reason="slip"))
    state, _ = sequence.step(state, Arrived())
    state, actions = sequence.step(state, RockBad(("It is stuck.", "look at it.")))
    assert [type(action) for action in actions] == [Refuse, LeaveOut, Predict]
    assert isinstance(actions[1], LeaveOut)
    assert "refused 2 times" in actions[1].reason
    assert actions[1].reason.endswith("It is stuck; look at it")


def test_leaving_early_does_not_use_up_the_tries() -> None:
    state, _ = sequence.begin((0,), tries=1)
    for _ in range(3):
        state, _ = sequence.step(state, Arrived())
        state, actions = sequence.step(state, Left())
        assert isinstance(actions[-1], Ask)
    assert state.phase is Phase.TURNING


def refused(state: State, *, times: int) -> tuple[State, tuple[Action, ...]]:
    """So many rocks at the position that is asked for."""
    seen: tuple[Action, ...] = ()
    for _ in range(times):
        state, _ = sequence.step(state, Arrived())
        state, actions = sequence.step(state, RockBad(("slip",)))
        seen = (*seen, *actions)
    return state, seen


def test_four_refused_rocks_at_a_position_wait_for_their_cause_before_it_is_left_out() -> None:
    state, _ = sequence.begin((0, 8), tries=4)
    state, actions = refused(state, times=4)
    stuck = Target(number=1, engagement=0, purpose="planned", attempt=5, reason="slip")
    assert [type(one) for one in actions] == [Refuse, Ask, Refuse, Ask, Refuse, Ask, Refuse, AskCause]
    assert (state.phase, state.target, actions[-1]) == (Phase.FINDING, None, AskCause(stuck, 4))
    for ignored in (Arrived(), RockGood(), Repeat(), Skip(), MarksSeen(), Left()):
        assert sequence.step(state, ignored) == (state, ())
    state, actions = sequence.step(state, CauseTold(found=True))
    assert (state.phase, actions) == (Phase.TURNING, (Ask(stuck),))
    state, actions = refused(state, times=1)
    assert [type(one) for one in actions] == [Refuse, LeaveOut, Ask]  # its tries were used up before


def test_the_row_goes_on_over_positions_and_what_was_left_out_in_it_is_measured_after_all() -> None:
    state, _ = sequence.begin((0, 8, 16), tries=3)
    state, actions = refused(state, times=4)
    assert [type(one) for one in actions[-5:]] == [Refuse, LeaveOut, Ask, Refuse, AskCause]
    state, actions = sequence.step(state, CauseTold(found=True))
    order = [actions]
    for happened in (Arrived(), RockGood(), Arrived(), RockGood()):
        state, actions = sequence.step(state, happened)
        order.append(actions)
    asked = [one.target for step in order for one in step if isinstance(one, Ask)]
    assert [(one.number, one.attempt) for one in asked] == [(2, 2), (1, 4), (3, 1)]
    assert asked[1].reason == "left out before the cause was found"


def test_where_nothing_was_found_what_was_left_out_stays_out() -> None:
    state, _ = sequence.begin((0, 8), tries=3)
    state, _ = refused(state, times=4)
    state, _ = sequence.step(state, CauseTold(found=False))
    assert (state.phase, state.queue) == (Phase.TURNING, ())
    state, actions = refused(state, times=4)  # two tries are left, then the row ends with the positions
    assert LeaveOut in map(type, actions)
    assert state.phase is Phase.PREDICTING


def test_an_accepted_rock_and_a_position_that_a_person_leaves_out_end_the_row() -> None:
    for ends in (RockGood(), Skip()):
        state, _ = sequence.begin((0, 8), tries=9)
        state, _ = refused(state, times=3)
        for happened in (Arrived(), ends):
            state, _ = sequence.step(state, happened)
        state, _ = refused(state, times=3)
        assert state.phase is Phase.TURNING
        state, _ = refused(state, times=1)
        assert state.phase is Phase.FINDING


def test_what_a_person_repeats_or_a_lost_instrument_breaks_off_counts_neither_way() -> None:
    state, _ = sequence.begin((0, 8), tries=9)
    state, _ = refused(state, times=3)
    for happened in (Arrived(), Repeat(), Arrived(), Lost("gone"), Back(), Arrived(), Full("full"), Space()):
        state, _ = sequence.step(state, happened)
    assert (state.phase, state.refused) == (Phase.TURNING, 3)
    state, _ = sequence.step(state, Arrived())
    state, _ = sequence.step(state, Left())
    assert state.phase is Phase.FINDING


def test_a_lost_instrument_and_a_full_disk_come_back_to_the_question() -> None:
    state, _ = sequence.begin((0,), tries=9)
    state, actions = refused(state, times=4)
    question = actions[-1]
    state, actions = sequence.step(state, Lost("gone"))
    assert (state.phase, actions) == (Phase.WAITING, ())
    assert sequence.step(state, CauseTold(found=True)) == (state, ())  # of a question that nobody sees
    state, actions = sequence.step(state, Back())
    assert (state.phase, actions) == (Phase.FINDING, (question,))
    state, _ = sequence.step(state, Full("no room"))
    state, actions = sequence.step(state, Space())
    assert (state.phase, actions) == (Phase.FINDING, (GoOn(), question))
    state, actions = sequence.step(state, Stop("stopped", "by the operator"))
    assert actions == (Close("stopped", "by the operator"),)


def test_repeat_goes_back_to_the_last_accepted_position_and_then_on() -> None:
    state, _ = sequence.begin((0, 8, 16), tries=3)
    for happened in (Arrived(), RockGood()):
        state, _ = sequence.step(state, happened)
    state, actions = sequence.step(state, Repeat())
    assert isinstance(actions[0], Ask)
    assert (actions[0].target.number, actions[0].target.attempt) == (1, 2)
    for happened in (Arrived(), RockGood()):
        state, actions = sequence.step(state, happened)
    assert isinstance(actions[-1], Ask)
    assert actions[-1].target.engagement == 8


def before_confirming(*engagements: int) -> State:
    """A test of one position whose lash map asks for these."""
    state, _ = sequence.begin((0,), tries=3, sweeps=("gear",))
    for happened in (Arrived(), RockGood()):
        state, _ = sequence.step(state, happened)
    state, actions = sequence.step(state, Confirm(engagements))
    assert (state.phase, actions) == (Phase.CHECKING, (AskMarks(1),))
    return state


def test_the_marks_are_seen_once_before_anything_is_confirmed() -> None:
    state, actions = sequence.step(before_confirming(7, 9), MarksSeen())
    for expected in ([Accept, Ask], [Accept, Predict]):
        assert isinstance(actions[-1], Ask)
        state, _ = sequence.step(state, Arrived())
        state, actions = sequence.step(state, RockGood())
        assert [type(action) for action in actions] == expected
    _, actions = sequence.step(state, Confirm((3,)))
    assert [type(action) for action in actions] == [Ask]


def test_they_are_seen_too_when_nothing_is_left_to_confirm() -> None:
    _, actions = sequence.step(before_confirming(), MarksSeen())
    assert actions == (AskTurn(Sweep(member="gear")),)


def test_marks_that_do_not_fit_are_asked_for_again_and_may_be_left_out() -> None:
    state, actions = sequence.step(before_confirming(7), MarksOff())
    assert actions == (AskMarks(2),)
    state, actions = sequence.step(state, Lost("gone"))
    assert (state.phase, actions) == (Phase.WAITING, ())
    state, actions = sequence.step(state, Back())
    assert (state.phase, actions) == (Phase.CHECKING, (AskMarks(2),))
    _, actions = sequence.step(state, Skip())
    assert [type(action) for action in actions] == [LeaveMarks, Ask]


def test_sweeps_come_last_and_a_bad_one_is_asked_again_then_given_up() -> None:
    state, _ = sequence.begin((0,), tries=2, sweeps=("gear", "pinion"))
    state, _ = sequence.step(state, Skip())
    state, actions = sequence.step(state, Confirm((), mapped=False))
    assert actions == (AskTurn(Sweep(member="gear")),)
    state, actions = sequence.step(state, TurnBad(("less than a turn",)))
    assert isinstance(actions[1], AskTurn)
    assert (actions[1].turn.attempt, actions[1].turn.reason) == (2, "less than a turn")
    state, actions = sequence.step(state, TurnBad(("again",)))
    assert [type(action) for action in actions] == [RefuseTurn, AskTurn]
    assert state.turn == Sweep(member="pinion")
    state, actions = sequence.step(state, TurnGood())
    assert [type(action) for action in actions] == [KeepTurn, Close]
    assert state.phase is Phase.CLOSED


def test_a_lost_instrument_interrupts_the_rock_and_the_position_is_asked_again_when_it_is_back() -> None:
    state, _ = sequence.begin((0, 8), tries=3)
    state, _ = sequence.step(state, Arrived())
    state, actions = sequence.step(state, Lost("the indicator was lost"))
    assert [type(action) for action in actions] == [Refuse]
    assert state.phase is Phase.WAITING
    for ignored in (RockGood(), Arrived(), Skip(), Repeat(), Lost("the encoder was lost")):
        assert sequence.step(state, ignored) == (state, ())
    state, actions = sequence.step(state, Back())
    assert isinstance(actions[0], Ask)
    assert (actions[0].target.number, actions[0].target.attempt) == (1, 2)
    assert actions[0].target.reason == "the indicator was lost"


def test_a_lost_instrument_interrupts_a_sweep_and_a_turn_too() -> None:
    state, first = sequence.begin((0,), tries=3, sweeps=("gear",))
    state, actions = sequence.step(state, Lost("gone"))
    assert actions == ()
    state, actions = sequence.step(state, Back())
    assert actions == first  # nothing was recorded, so it is no second attempt
    state, _ = sequence.step(state, Skip())
    state, _ = sequence.step(state, Confirm((), mapped=False))
    state, actions = sequence.step(state, Lost("gone"))
    assert actions == (RefuseTurn(Sweep(member="gear"), ("gone",)),)
    state, actions = sequence.step(state, Back())
    assert actions == (AskTurn(Sweep(member="gear", attempt=2, reason="gone")),)


def test_a_full_disk_pauses_a_turn_a_rock_a_sweep_and_a_wait_and_space_goes_on() -> None:
    state, first = sequence.begin((0,), tries=3, sweeps=("gear",))
    state, actions = sequence.step(state, Full("no room"))
    assert actions == (Pause("no room"),)
    for ignored in (Full("no room"), Lost("gone"), Back(), Skip(), Repeat(), Arrived()):
        assert sequence.step(state, ignored) == (state, ())
    state, actions = sequence.step(state, Space())
    assert actions == (GoOn(), *first)
    state, _ = sequence.step(state, Arrived())
    state, actions = sequence.step(state, Full("no room"))
    assert [type(action) for action in actions] == [Refuse, Pause]
    state, actions = sequence.step(state, Space())
    again = Target(number=1, engagement=0, purpose="planned", attempt=2, reason="the disk was full")
    assert actions == (GoOn(), Ask(again))
    state, _ = sequence.step(state, Lost("gone"))
    state, actions = sequence.step(state, Full("no room"))
    assert (state.phase, actions) == (Phase.PAUSED, (Pause("no room"),))
    state, _ = sequence.step(state, Space())
    state, _ = sequence.step(state, Skip())
    state, _ = sequence.step(state, Confirm((), mapped=False))
    state, actions = sequence.step(state, Full("no room"))
    assert [type(action) for action in actions] == [RefuseTurn, Pause]
    state, actions = sequence.step(state, Space())
    assert actions == (GoOn(), AskTurn(Sweep(member="gear", attempt=2, reason="the disk was full")))
    state, actions = sequence.step(state, Stop("interrupted", "told to end"))
    assert actions == (Close("interrupted", "told to end"),)


def kinds(actions: tuple[Action, ...]) -> list[type[Action]]:
    return [type(one) for one in actions]


def test_passes_come_first_each_side_of_them_with_a_word_that_the_stand_is_ready() -> None:
    state, actions = sequence.begin((0,), tries=2, passes=(FORWARD, BACK))
    assert actions == (AskReady("turn"),)
    for ignored in (Arrived(), TurnGood(), Repeat(), RockGood()):
        assert sequence.step(state, ignored) == (state, ())
    state, actions = sequence.step(state, Ready())
    assert actions == (SayReady("turn"), AskTurn(FORWARD))
    state, actions = sequence.step(state, TurnGood())
    assert actions == (KeepTurn(FORWARD), AskTurn(BACK))
    state, actions = sequence.step(state, TurnBad(("turned back",)))
    again = Pass(number=2, direction="back", attempt=2, reason="turned back")
    assert actions == (RefuseTurn(BACK, ("turned back",)), AskTurn(again))
    state, actions = sequence.step(state, TurnBad(("it rested",)))
    assert actions == (RefuseTurn(again, ("given up after 2 tries", "it rested")), AskReady("rock"))
    assert sequence.step(state, Skip()) == (state, ())  # a lock-out is never left out
    _, actions = sequence.step(state, Repeat())
    assert actions == (BeginPasses((FORWARD, BACK)), AskReady("turn"))
    state, actions = sequence.step(state, Ready())
    assert kinds(actions) == [SayReady, Ask]
    assert (state.phase, state.passes, state.turn, state.ready_for) == (Phase.TURNING, (), None, None)


def test_a_slower_pair_follows_the_planned_passes_and_is_left_out_as_a_whole() -> None:
    slower = (
        Pass(number=3, direction="forward", most_deg_per_s=120.0),
        Pass(number=4, direction="back", most_deg_per_s=120.0),
    )
    state, _ = sequence.begin((0,), tries=1, passes=(FORWARD, BACK))
    state, _ = sequence.step(sequence.step(state, Ready())[0], TurnGood())
    asked, actions = sequence.step(state, TurnGood(slower))
    assert actions == (KeepTurn(BACK), AskTurn(slower[0]))
    assert asked.planned_passes == (FORWARD, BACK)
    left, actions = sequence.step(asked, Skip())
    assert actions == (RefuseTurn(slower[0], ("skipped by the operator",)), AskReady("rock"))
    assert left.passes == ()
    left, actions = sequence.step(asked, TurnBad(("too quick",)))
    assert actions == (RefuseTurn(slower[0], ("given up after 1 try", "too quick")), AskReady("rock"))
    assert left.passes == ()
    state, actions = sequence.step(asked, TurnGood())
    assert actions == (KeepTurn(slower[0]), AskTurn(slower[1]))
    assert kinds(sequence.step(state, TurnGood())[1]) == [KeepTurn, AskReady]


def test_a_cycle_run_left_out_before_the_box_turned_goes_on_with_the_rocks() -> None:
    state, _ = sequence.begin((0,), tries=2, passes=(FORWARD, BACK))
    state, actions = sequence.step(state, Skip())
    assert kinds(actions) == [RefuseTurn, RefuseTurn, Ask]
    assert all(one.reasons == ("skipped by the operator",) for one in actions if isinstance(one, RefuseTurn))
    assert (state.phase, state.passes) == (Phase.TURNING, ())


def test_after_an_instrument_was_lost_in_a_pass_the_run_begins_anew_when_that_was_said_again() -> None:
    state, _ = sequence.begin((0,), tries=3, passes=(FORWARD, BACK))
    for happened in (Ready(), TurnGood()):
        state, _ = sequence.step(state, happened)
    state, actions = sequence.step(state, Lost("gone"))
    assert (state.phase, actions) == (Phase.WAITING, (RefuseTurn(BACK, ("gone",)),))
    state, actions = sequence.step(state, Back())
    assert actions == (BeginPasses((FORWARD, BACK)), AskReady("turn"))
    state, actions = sequence.step(state, Ready())
    assert actions == (SayReady("turn"), AskTurn(FORWARD))
    state, actions = sequence.step(state, Full("no room"))
    assert kinds(actions) == [RefuseTurn, Pause]
    state, actions = sequence.step(state, Space())
    assert actions == (GoOn(), BeginPasses((FORWARD, BACK)), AskReady("turn"))
    state, actions = sequence.step(state, Stop("stopped", "by the operator"))
    assert actions == (Close("stopped", "by the operator"),)


@pytest.mark.parametrize(("engagements", "tries"), [((), 3), ((1,), 0)])
def test_a_test_without_positions_or_tries_is_refused(engagements: tuple[int, ...], tries: int) -> None:
    with pytest.raises(ValueError, match="at least one"):
        sequence.begin(engagements, tries=tries)


class Stories(RuleBasedStateMachine):
    """Random stories: nothing is recorded unasked, nothing is lost, the end is the end."""

    @initialize(
        count=st.integers(1, 6),
        tries=st.integers(1, 3),
        sweeps=st.sampled_from([(), ("gear",), ("pinion", "gear")]),
        passes=st.sampled_from([(), (FORWARD, BACK)]),
    )
    def start(self, count: int, tries: int, sweeps: tuple[Shaft, ...], passes: tuple[Pass, ...]) -> None:
        self.state, actions = sequence.begin(
            tuple(range(0, 10 * count, 10)), tries=tries, sweeps=sweeps, passes=passes
        )
        self.may_turn = False
        self.planned = set(range(1, count + 1))
        self.settled: set[int] = set()
        self.asked: Target | None = None
        self.rocking: Target | None = None
        self.closes = 0
        self.take(actions)

    @rule(happened=st.sampled_from(list(EXAMPLES.values())))
    def happen(self, happened: Input) -> None:
        closed_before = self.state.phase is Phase.CLOSED
        self.state, actions = sequence.step(self.state, happened)
        if closed_before:
            assert actions == ()
        self.take(actions)

    def take(self, actions: tuple[Action, ...]) -> None:
        for action in actions:
            match action:
                case AskReady():
                    self.may_turn = False
                case SayReady(what):
                    self.may_turn = what == "turn"
                case AskTurn():
                    assert self.may_turn
                case Ask(target):
                    assert not self.may_turn  # a drive that may turn is locked out before a rock is asked for
                    self.asked, self.rocking = target, None
                case BeginRock(target):
                    assert target == self.asked
                    self.rocking = target
                case Accept(target):
                    assert target == self.rocking
                    self.settled.add(target.number)
                case LeaveOut(target):
                    self.settled.add(target.number)
                case Predict():
                    assert self.planned <= self.settled  # no planned position was forgotten
                case Close():
                    self.closes += 1

    @invariant()
    def the_phase_knows_its_target(self) -> None:
        waiting = self.state.phase in {Phase.WAITING, Phase.PAUSED}
        at_position = self.state.phase in {Phase.TURNING, Phase.ROCKING}
        assert at_position <= (self.state.target is not None) <= (at_position or waiting)
        turning = isinstance(self.state.turn, Pass), isinstance(self.state.turn, Sweep)
        assert not waiting or self.state.target is None or self.state.turn is None
        assert not turning[0] or waiting or self.state.phase is Phase.PASSING
        assert not turning[1] or waiting or self.state.phase is Phase.SWEEPING
        assert (self.state.phase is Phase.CLOSED) == (self.closes == 1)


TestStories = Stories.TestCase
