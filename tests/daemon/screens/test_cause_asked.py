"""The question after the cause of refused rocks on a terminal: read whole, answered only once it is seen."""

from __future__ import annotations

import io
import os
import pty
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from daemon.screens.test_console import wait_typed
from daemon.screens.test_layout import ODD_SIZES, SIZES, screen, words
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.screens.cue import Kind, cue_of, cue_of_phase
from lashmap_daemon.screens.letters import tall
from lashmap_daemon.screens.live import LiveScreen
from lashmap_daemon.screens.plain import PlainScreen
from lashmap_daemon.screens.prompts import PromptsFile
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events
from lashmap_daemon.story.cause import CHOICES, Found
from rich.console import Console


@pytest.fixture
def test(tmp_path: Path) -> Iterator[VirtualTest]:
    """A test whose first position gave four refused rocks."""
    made = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0, tries=9), seed=4)
    for _ in range(4):
        made.run_until(events.RockStarted)
        made.tick(3)
        made.conductor.happen(sequence.RockBad(("slip: the pinion turned by 0.4°",)))
    assert made.conductor.state.phase is Phase.FINDING
    made.tick(1)
    yield made
    made.logbook.close()


def question(test: VirtualTest) -> events.Stamped:
    return next(one for one in reversed(test.stream) if isinstance(one.event, events.CauseAsked))


@contextmanager
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[int, int]]:
    """A terminal at standard input: the end that types, and the end that is read."""
    controller, ours = pty.openpty()
    with os.fdopen(ours, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield controller, ours
    os.close(controller)


def typed(ends: tuple[int, int], keys: bytes) -> None:
    os.write(ends[0], keys)
    wait_typed(ends[1], len(keys))


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_question_and_answers_are_read_whole(test: VirtualTest, width: int, height: int) -> None:
    lines = screen(test, width, height)
    cue = cue_of(test.conductor, test.now_s)
    assert (cue.kind, cue.words) == (Kind.STOP, "FIND CAUSE")
    drawn = tall(cue.words, cue.kind, width - 2, 11 if height > 38 else 5)
    assert drawn is not None
    assert [line.rstrip() for line in drawn] == [line[1:].rstrip() for line in lines[1 : 1 + len(drawn)]]
    for choice in CHOICES:
        assert any(choice in line for line in lines), choice  # each on a line of its own
    beside = "".join(line[width // 5 :] for line in lines)
    letters = "".join(filter(str.isalpha, beside))
    for part in ("4 rocks in a row were refused", "Lock out the drive", "nothing is measured before"):
        assert "".join(filter(str.isalpha, part)) in letters
    assert "1 to 5 what was found" in lines[-1]
    assert "s skip" not in lines[-1]
    test.conductor.told_cause(Found(cause="tip"))
    test.tick(1)
    assert "found: the tip, its holder or the base was loose" in words(screen(test, width, height))


@pytest.mark.parametrize(("width", "height"), ODD_SIZES)
def test_on_odd_terminals_what_to_do_is_still_there(test: VirtualTest, width: int, height: int) -> None:
    text = words(screen(test, width, height))
    assert "FIND CAUSE" in text or "█" in text
    assert "1 to 5 what was found"[: width - 1] in text


def test_a_key_answers_only_what_has_been_drawn(test: VirtualTest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    console = Console(file=io.StringIO(), width=80, height=24, force_terminal=True)
    with terminal(monkeypatch) as ends:
        live = LiveScreen(console, "title", "mm", test.conductor.box.gear_set)
        with live:
            typed(ends, b"1")
            live.hear(question(test))
            assert live.commands() == []  # it was typed before the question was there
            live.show(test.conductor, test.now_s)
            assert live.drawing.close(60.0)
            for keys, expected in (
                (b"m", ["matched"]),  # the test ignores it in this phase
                (b"2", ["cause tip"]),
                (b"4oil 2\x7fon the arm\x1b", []),  # dropped
                (b"4\n", []),  # nothing was said
                (b"4base 1 crept\n", ["cause other base 1 crept"]),
                (b"nrock 3\n", ["note rock 3"]),
                (b"5", ["cause nothing"]),
            ):
                typed(ends, keys)
                assert live.commands() == expected, keys
            live.hear(question(test))
            typed(ends, b"3")
            assert live.commands() == []  # asked once more, and not drawn yet


def test_plain_lines_take_an_answer_by_number_or_word(
    test: VirtualTest, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines: list[str] = []
    with terminal(monkeypatch) as ends:
        plain = PlainScreen("mm", test.conductor.box.gear_set, lines.append)
        typed(ends, b"1\n")
        plain.hear(question(test))
        assert plain.commands() == []
        for keys, expected in (
            (b"matched\n", []),
            (b"4\n", []),
            (b"2\n", ["cause 2"]),
            (b"other the arm\n", ["cause other the arm"]),
        ):
            typed(ends, keys)
            assert plain.commands() == expected
        answer = events.CauseAnswered(number=1, refused=4, cause="tip", words="")
        plain.hear(events.Stamped(time_s=1.0, utc="", event=answer))
        typed(ends, b"2\n")
        assert plain.commands() == []
    assert "1 the pinion was not locked   2 the tip" in lines[0]
    refused = [line.partition(" says no cause: type a number from 1 to 5; after 4")[0] for line in lines[1:3]]
    assert refused == ["'matched'", "'4'"]


def test_in_a_pipe_nobody_can_answer_and_the_test_is_told_so_once(
    test: VirtualTest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("1\n2\n"))
    plain = PlainScreen("mm", test.conductor.box.gear_set, lambda _: None)
    assert plain.commands() == []
    plain.hear(question(test))
    assert plain.commands() == ["unanswered"]
    assert plain.commands() == []


def test_whoever_follows_the_prompts_or_the_bus_sees_that_it_waits(test: VirtualTest, tmp_path: Path) -> None:
    path = tmp_path / "prompts.jsonl"
    PromptsFile(path, test.conductor.box.gear_set)(question(test))
    assert '"cause": 1' in path.read_text("utf-8")
    assert '"engagement": null' in path.read_text("utf-8")
    assert cue_of_phase(Phase.FINDING, "why").kind is Kind.STOP
