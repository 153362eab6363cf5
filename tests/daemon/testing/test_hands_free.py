"""Knocks: found at every rate, refused when anything is missing, and never seen in a normal test.

There is no outside source for a gesture of our own; what is checked is its definition in `hands_free`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import numpy as np
import pytest
from daemon.virtual_time import VirtualTest, load_box
from hypothesis import given, settings
from hypothesis import strategies as some
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, HandsFreeTable
from lashmap_daemon.story import events
from lashmap_daemon.story.story import Target
from lashmap_daemon.testing.hands_free import HandsFree, find_knock, reach_back_s
from lashmap_drivers.readings import Chunk, Samples

if TYPE_CHECKING:
    from lashmap_daemon.testing.conductor import Conductor

SETTING = HandsFreeTable(gestures=["matched", "repeat", "skip"])
PITCH = 9.0  # of 40 teeth
LASH = 0.1  # degrees: a rock while standing still


def trace(*moves: tuple[float, float], rate_hz: float = 100.0, seed: int = 1) -> Samples:
    """A gear that goes to places, in teeth, in so many seconds each; standing still is going nowhere."""
    place, pieces = 0.0, []
    for to, seconds in moves:
        count = max(round(seconds * rate_hz), 1)
        pieces.append(place + (to - place) * np.arange(1, count + 1) / count)
        place = to
    teeth = np.concatenate(pieces)
    chance = np.random.default_rng(seed)
    angle = teeth * PITCH + chance.uniform(-LASH, LASH, len(teeth))
    return Samples.of(np.arange(1, len(teeth) + 1) / rate_hz, angle)


def knocks(gear: Samples, setting: HandsFreeTable = SETTING) -> list[float]:
    """Lengths, in teeth, of all knocks that a look ten times a second finds."""
    found, since_s = [], -1.0
    for now_s in np.arange(0.1, float(gear.time_s[-1]) + 0.05, 0.1):
        seen = (gear.time_s <= now_s) & (gear.time_s >= now_s - reach_back_s(setting))
        part = Samples.of(gear.time_s[seen], gear.value[seen])
        knock = find_knock(part, setting, pitch_deg=PITCH, since_s=since_s) if len(part) else None
        if knock is not None:
            found.append(knock.teeth)
            since_s = knock.end_s
    return found


@pytest.mark.parametrize("rate_hz", [8.0, 20.0, 100.0, 1000.0])
@pytest.mark.parametrize("teeth", [-5.0, -3.0, 3.0, 5.0])
def test_a_knock_is_found_once_at_every_rate(rate_hz: float, teeth: float) -> None:
    gear = trace((0.0, 1.6), (teeth, 1.0), (0.0, 1.0), (0.0, 3.0), rate_hz=rate_hz)
    assert knocks(gear) == [pytest.approx(teeth, abs=0.5)]


def test_a_rest_at_the_far_end_belongs_to_it_and_two_in_a_row_are_two() -> None:
    one = ((0.0, 1.5), (3.0, 1.0), (3.0, 2.0), (0.0, 1.0), (0.0, 1.5))
    assert len(knocks(trace(*one))) == 1
    assert len(knocks(trace(*one, *one))) == 2


@pytest.mark.parametrize(
    ("moves", "why"),
    [
        (((0.0, 1.6), (1.3, 1.0), (0.0, 1.0), (0.0, 3.0)), "too short a way"),
        (((0.0, 1.6), (7.0, 1.0), (0.0, 1.0), (0.0, 3.0)), "too long a way"),
        (((0.0, 0.6), (3.0, 1.0), (0.0, 1.0), (0.0, 3.0)), "did not stand before"),
        (((0.0, 1.6), (3.0, 1.0), (0.0, 1.0), (0.0, 0.7)), "did not stand after"),
        (((0.0, 1.6), (3.0, 6.0), (0.0, 6.0), (0.0, 3.0)), "too slow"),
        (((0.0, 1.6), (3.0, 1.0), (1.0, 1.0), (1.0, 3.0)), "came to the next tooth but one"),
        (((0.0, 1.6), (3.0, 1.0), (0.5, 1.0), (0.5, 3.0)), "came to half a tooth from there"),
        (((0.0, 1.6), (3.0, 1.0), (-3.0, 1.0), (0.0, 1.0), (0.0, 3.0)), "went to both sides"),
        (((0.0, 1.6), (3.0, 1.0), (3.0, 5.0)), "did not come back"),
        (((0.0, 9.0),), "only rocked"),
        (((0.0, 1.6), (20.0, 10.0), (20.0, 2.0)), "turned on to the next position"),
        (((-4.0, 4.0), (0.0, 4.0), (-4.0, 4.0), (0.0, 4.0)), "turned to and fro without standing"),
    ],
)
def test_whatever_lacks_a_part_is_no_knock(moves: tuple[tuple[float, float], ...], why: str) -> None:
    assert knocks(trace(*moves)) == [], why


def test_samples_that_are_missing_in_it_make_it_none() -> None:
    gear = trace((0.0, 1.6), (3.0, 1.0), (0.0, 1.0), (0.0, 3.0))
    there = (gear.time_s < 2.0) | (gear.time_s > 2.8)
    assert knocks(Samples.of(gear.time_s[there], gear.value[there])) == []


@dataclass
class ByHand(VirtualTest):
    """A test in virtual time that obeys the gear, which can be turned by hand.

    Attributes:
        spoken: Every command that the gear gave.
    """

    spoken: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.hands_free = HandsFree(SETTING, 360.0 / self.box.gear_set.gear_teeth)
        self.place = 0.0
        super().__post_init__()

    def tick(self, count: int = 1) -> None:
        """Let a little time pass; the gear may speak after each tick."""
        for _ in range(count):
            super().tick()
            self.obey()

    def obey(self) -> None:
        """Do what the gear says, as a live test does."""
        if self.conductor.closed:
            return
        for command in self.hands_free.commands_of(self.conductor):
            self.spoken.append(command)
            word, _, rest = command.partition(" ")
            if word == "note":
                self.conductor.note(rest)
            else:
                self.conductor.happen(sequence.Repeat() if word == "repeat" else sequence.Skip())

    def turn(self, teeth: float, seconds: float) -> None:
        """Turn the gear by hand from where the stand left it; the tip is off its tooth meanwhile."""
        latest = self.channels.latest_encoder_deg
        assert latest is not None
        count, start = round(seconds / self.tick_s), latest
        for number in range(1, count + 1):
            self.now_s += self.tick_s
            angle = start + teeth * PITCH * number / count
            line = b"%+011d\r\n" % round(angle * 1000.0)  # 360,000 counts a turn
            said = {
                ENCODER: [Chunk(self.now_s, line * 10)],
                INDICATOR: [Chunk(self.now_s, b"-004.0000\r\n" * 20)],
            }
            self.conductor.tick(self.now_s, said)
            self.obey()

    def _emit(self, event: events.Event) -> events.Stamped:
        self.hands_free.follow(event)
        return super()._emit(event)


@pytest.fixture
def test(tmp_path: Path) -> ByHand:
    return ByHand(tmp_path, load_box(positions=5, gear_turns=1.0, confirming_positions=1))


def asked(test: VirtualTest) -> events.PositionAsked:
    one = test.of(events.PositionAsked)[-1]
    assert isinstance(one, events.PositionAsked)
    return one


def test_a_knock_back_repeats_the_last_position_and_says_why(test: ByHand) -> None:
    test.run_until(events.RockAccepted)
    test.run_until(events.RockAccepted)
    assert (asked(test).number, asked(test).turn_teeth > 0) == (3, True)
    for teeth, seconds in ((0.0, 1.4), (-3.0, 1.0), (3.0, 1.0), (0.0, 1.4)):
        test.turn(teeth, seconds)
    assert [word for word in test.spoken if not word.startswith("note")] == ["repeat"]
    assert (asked(test).number, asked(test).attempt) == (2, 2)
    notes = [one.text for one in test.of(events.NoteTaken) if isinstance(one, events.NoteTaken)]
    # The gear rests anywhere in its lash when the hand takes it, a tenth of a tooth at most.
    said = r"hands-free: the last position again; the gear stood at .* was turned back by (2\.9|3\.\d) teeth"
    assert any(re.search(said, text) for text in notes)
    test.run()
    assert len(conclude(test.logbook, test.started.test).positions) == 6


def test_a_knock_past_the_position_leaves_it_out(test: ByHand) -> None:
    test.run_until(events.RockAccepted)
    number, ahead = asked(test).number, asked(test).turn_teeth
    for teeth, seconds in ((ahead + 3.0, 3.0), (0.0, 1.4), (3.0, 1.0), (-3.0, 1.0), (0.0, 1.4)):
        test.turn(teeth, seconds)
    skipped = test.of(events.PositionSkipped)
    assert [one.number for one in skipped if isinstance(one, events.PositionSkipped)] == [number]
    assert asked(test).number == number + 1


@pytest.mark.parametrize(
    "moves",
    [
        ((0.0, 1.4), (3.0, 1.0), (-3.0, 1.0), (0.0, 1.4)),  # at the last position, towards the asked one
        ((4.0, 2.0), (0.0, 1.4), (-3.0, 1.0), (3.0, 1.0), (0.0, 1.4)),  # between them
        ((4.0, 2.0), (0.0, 1.4), (3.0, 1.0), (-3.0, 1.0), (0.0, 1.4)),
        ((11.0, 3.0), (0.0, 1.4), (-3.0, 1.0), (3.0, 1.0), (0.0, 1.4)),  # past it, but back towards it
    ],
)
def test_a_knock_anywhere_else_means_nothing(test: ByHand, moves: tuple[tuple[float, float], ...]) -> None:
    test.run_until(events.RockAccepted)
    assert asked(test).turn_teeth == 8
    for teeth, seconds in moves:
        test.turn(teeth, seconds)
    assert test.spoken == []


@pytest.mark.parametrize("seed", range(1, 6))
def test_a_normal_test_never_knocks(tmp_path: Path, seed: int) -> None:
    box = load_box(positions=10, gear_turns=5.0, confirming_positions=2)
    test = ByHand(tmp_path / "with", box, seed=seed)
    test.run()
    assert test.spoken == []
    assert test.of(events.PositionSkipped) == []


@dataclass
class Asked:
    """As much of a conductor as the gear's words are taken from: at tooth 0, asked for tooth 20."""

    gear: Samples

    def commands(self) -> list[str]:
        """What a look ten times a second makes of it."""
        listening = HandsFree(SETTING, PITCH)
        listening.follow(
            events.PositionAsked(
                number=2,
                engagement=20,
                gear_angle_deg=20 * PITCH,
                turn_teeth=20,
                turn_deg=20 * PITCH,
                purpose="planned",
                attempt=1,
                reason="",
            )
        )
        return [
            word for end in range(1, len(self.gear)) if not end % 10 for word in self._look(listening, end)
        ]

    def _look(self, listening: HandsFree, end: int) -> list[str]:
        seen = Samples.of(self.gear.time_s[:end], self.gear.value[:end])
        place = Target(number=1, engagement=0, purpose="planned")
        target = Target(number=2, engagement=20, purpose="planned")
        state = SimpleNamespace(phase=Phase.TURNING, target=target, last_accepted=place)
        channels = SimpleNamespace(
            latest_gear_deg=(float(seen.time_s[-1]), float(seen.value[-1])),
            gear_deg=lambda since_s: Samples.of(
                seen.time_s[seen.time_s >= since_s], seen.value[seen.time_s >= since_s]
            ),
        )
        gear_set = SimpleNamespace(gear_angle_deg=lambda engagement: engagement * PITCH)
        return listening.commands_of(
            cast("Conductor", SimpleNamespace(state=state, channels=channels, gear_set=gear_set))
        )


@settings(max_examples=40, deadline=None)
@given(
    stand_s=some.floats(0.0, 3.0),
    wrong_way=some.floats(0.0, 6.0),
    overshoot=some.floats(0.0, 8.0),
    think_s=some.floats(0.0, 5.0),
    short_of=some.floats(0.0, 6.0),
    speed=some.floats(2.0, 20.0),
)
def test_wrong_turns_overshoots_and_corrections_say_nothing(  # noqa: PLR0917 - drawn by hypothesis
    stand_s: float, wrong_way: float, overshoot: float, think_s: float, short_of: float, speed: float
) -> None:
    """A start in the wrong direction, a stop short of the place, a turn past it, a thought, and back."""
    gear = trace(
        (0.0, stand_s),
        (-wrong_way, wrong_way / speed),
        (20.0 - short_of, (20.0 - short_of + wrong_way) / speed),
        (20.0 - short_of, think_s),
        (20.0 + overshoot, (short_of + overshoot) / speed),
        (20.0 + overshoot, think_s),
        (20.0, overshoot / speed),
        (20.0, 2.0),
    )
    assert Asked(gear).commands() == []


def test_the_same_hand_made_conductor_hears_a_knock() -> None:
    assert Asked(trace((0.0, 1.5), (-3.0, 1.0), (0.0, 1.0), (0.0, 1.5))).commands()[-1:] == ["repeat"]
    past = trace((23.0, 2.0), (23.0, 1.5), (26.0, 1.0), (23.0, 1.0), (23.0, 1.5))
    assert Asked(past).commands()[-1:] == ["skip"]
