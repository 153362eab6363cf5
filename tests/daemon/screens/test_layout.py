"""The screen of a running test as it stands on terminals of several sizes."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from daemon.virtual_time import AS_SHIPPED, VirtualTest, load_box
from lashmap_analysis.record.record import Purpose
from lashmap_analysis.rock.flags import FlagName
from lashmap_daemon.screens.cue import HINTS, Kind, cue_of
from lashmap_daemon.screens.layout import render
from lashmap_daemon.screens.letters import tall
from lashmap_daemon.screens.view import FlagShown, RockShown, trace_of, view_of
from lashmap_daemon.sequence import sequence
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import told
from lashmap_daemon.testing.conductor import Conductor
from rich.console import Console

SIZES = [(80, 24), (100, 30), (120, 45)]
ODD_SIZES = [(40, 10), (60, 16), (79, 23), (30, 6), (200, 60)]
REASON = (
    "The flanks did not stay where they were, or the gear rested between them: lock the pinion, clamp the "
    "base, stop on the flanks and nowhere else, then repeat."
)


def screen(test: VirtualTest, width: int, height: int, rock: RockShown | None = None) -> list[str]:
    """The lines of the screen, as many and as long as the terminal has."""
    console = Console(file=io.StringIO(), width=width, height=height, record=True)
    view = replace(view_of(test.conductor, test.now_s, ""), trace=trace_of(test.conductor))
    view = view if rock is None else replace(view, rock=rock)
    teeth = test.conductor.box.gear_set
    lines = [line for stamped in test.stream if (line := told(stamped.event, "mm", teeth))]
    console.print(render(view, "INV · test", lines, None, height=height), end="")
    shown = console.export_text().splitlines()
    assert len(shown) == height
    assert max(map(len, shown)) <= width
    return shown


def words(lines: list[str]) -> str:
    """What is written, whatever line it stands on."""
    return " ".join(" ".join(lines).split())


@pytest.fixture(scope="module")
def rocking(tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualTest]:
    """A test in the middle of its third rock."""
    test = VirtualTest(tmp_path_factory.mktemp("rocking"), load_box(), seed=4, **AS_SHIPPED)
    for _ in range(2):
        test.run_until(events.RockAccepted)
    test.tick_for(1.4)
    assert test.conductor.state.phase is sequence.Phase.ROCKING
    yield test
    test.logbook.close()


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_each_size_shows_what_to_do_the_map_the_rock_and_the_newest_message(
    rocking: VirtualTest, width: int, height: int
) -> None:
    lines = screen(rocking, width, height)
    cue = cue_of(rocking.conductor, rocking.now_s)
    assert cue.kind is Kind.ROCK
    drawn = tall(cue.words, cue.kind, width - 2, 11 if height > 38 else 5)
    assert drawn is not None
    # The tall letters stand on the screen as they were drawn, and are its largest thing.
    assert [line.rstrip() for line in drawn] == [line[1:].rstrip() for line in lines[1 : 1 + len(drawn)]]
    text = words(lines)
    assert "hold the pinion, rock the gear lightly" in text
    assert "4 of 8 reversals; reading" in text
    assert "least 0.10 mm" in text.replace("\N{NO-BREAK SPACE}", " ")
    assert "G gear N next" in text
    assert "2 of 29 positions" in text
    assert text.count("last sample 0.0 s ago") == 2
    assert "Position 2 good: 0.1445" in words(lines[-4:])
    assert "r repeat" in lines[-1]


@pytest.mark.parametrize(("width", "height"), [*SIZES, *ODD_SIZES])
def test_rows_do_not_move_while_a_test_runs(tmp_path: Path, width: int, height: int) -> None:
    test = VirtualTest(tmp_path, load_box(positions=4, gear_turns=1.0), seed=4)
    rules = set()
    for event in (events.PositionAsked, events.RockStarted, events.RockAccepted, events.MarksAsked):
        test.run_until(event)
        test.tick_for(0.06)
        lines = screen(test, width, height)
        rules.add(tuple(number for number, line in enumerate(lines) if set(line) == {"─"}))
    assert len(rules) == 1
    test.logbook.close()


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_why_a_rock_is_made_again_is_never_cut(tmp_path: Path, width: int, height: int) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0), seed=4)
    test.run_until(events.RockStarted)
    test.tick_for(0.1)
    test.conductor.happen(sequence.RockBad((REASON,)))
    test.tick(1)
    assert cue_of(test.conductor, test.now_s).words == "AGAIN"
    lines = screen(test, width, height)
    beside = [line[width // 5 :] for line in lines]  # the map's own columns aside
    letters = "".join(character for character in words(beside) if character.isalpha())
    assert "".join(filter(str.isalpha, "stop on the flanks and nowhere else, then repeat")) in letters
    test.logbook.close()


@pytest.mark.parametrize(("width", "height"), ODD_SIZES)
def test_a_small_or_a_large_terminal_still_says_what_to_do(
    rocking: VirtualTest, width: int, height: int
) -> None:
    lines = screen(rocking, width, height)
    cue = cue_of(rocking.conductor, rocking.now_s)
    drawn = tall(cue.words, cue.kind, width - 2, 11 if height > 38 else 5)
    assert cue.words in words(lines) or (drawn is not None and drawn[0].strip() in lines[1])
    assert "q stop" in lines[-1] or width < 40


def test_every_flag_of_a_rock_has_words_for_what_to_do(rocking: VirtualTest) -> None:
    typed = {FlagName.READ_BY_EYE, FlagName.TOO_FEW_ROCKS, FlagName.UNEVEN_ROCKS}  # by hand: no such screen
    assert set(HINTS) == set(FlagName) - typed
    for name, hint in HINTS.items():
        rock = RockShown(
            reversals=3, usable=False, reading_mm=0.1, standard_uncertainty_mm=0.001,
            flags=(FlagShown(name.value, disabling=True),),
        )  # fmt: skip
        assert f"{name.value}: {hint}" in words([line[18:] for line in screen(rocking, 80, 24, rock=rock)])


def test_the_deeds_of_a_whole_test_follow_each_other(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(positions=4, gear_turns=1.0, confirming_positions=1), seed=4)
    kinds: list[Kind] = []
    while not test.conductor.closed:
        test.tick(1)
        kind = cue_of(test.conductor, test.now_s).kind
        if not kinds or kinds[-1] is not kind:
            kinds.append(kind)
    text = "".join(
        {Kind.FORWARD: "F", Kind.BACK: "B", Kind.ROCK: "R", Kind.GOOD: "G"}.get(one, "x") for one in kinds
    )
    assert text.startswith("RGFRGFRG")
    assert Kind.MARK in kinds
    assert kinds[-1] is Kind.END
    test.logbook.close()


def test_the_teeth_to_go_are_counted_down_and_the_next_place_is_named(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(), seed=4)
    test.run_until(events.RockAccepted)
    asked = test.of(events.PositionAsked)[-1]
    assert isinstance(asked, events.PositionAsked)
    good = cue_of(test.conductor, test.now_s)
    assert good.words == "GOOD"
    place = f"gear tooth {asked.engagement % 40 + 1} with pinion tooth {asked.engagement % 13 + 1}"
    assert good.details[-1] == f"next: FORWARD {asked.turn_teeth} TEETH to {place}"
    left = []
    while test.conductor.state.phase is sequence.Phase.TURNING:
        test.tick()
        if (cue := cue_of(test.conductor, test.now_s)).kind is Kind.FORWARD:
            left.append(int(cue.words.split()[1]))
            assert place in cue.details[0]
    assert left[0] > left[-1]
    assert left == sorted(left, reverse=True)
    test.logbook.close()


@pytest.mark.parametrize("counted", [False, True])
@pytest.mark.parametrize("purpose", ["planned", "confirming"])
@pytest.mark.parametrize("engagement", [0, 519, -519])
def test_place_and_deed_have_a_line_each_of_80_columns(
    rocking: VirtualTest, engagement: int, purpose: Purpose, *, counted: bool
) -> None:
    asked = events.PositionAsked(
        number=1, engagement=engagement, purpose=purpose, attempt=1, reason="", turn_teeth=engagement,
        turn_deg=9.0 * engagement, gear_angle_deg=9.0 * engagement,
    )  # fmt: skip
    state = replace(rocking.conductor.state, phase=sequence.Phase.TURNING)
    conductor = SimpleNamespace(
        state=state,
        story=SimpleNamespace(awaited=asked, newest=None),
        box=rocking.conductor.box,
        gear_set=rocking.conductor.gear_set,
        channels=SimpleNamespace(latest_gear_deg=None),
        is_counted=counted,
    )
    place, deed = cue_of(cast("Conductor", conductor), 0.0).details
    assert f"gear tooth {engagement % 40 + 1} with pinion tooth {engagement % 13 + 1}" in place
    assert ("Enter" in deed) is counted
    assert max(len(place), len(deed)) <= 78
