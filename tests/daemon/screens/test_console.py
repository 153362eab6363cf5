from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import struct
import sys
import termios
import time
from pathlib import Path

import pytest
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.screens.layout import render
from lashmap_daemon.screens.live import Keyboard, LiveScreen, Painter
from lashmap_daemon.screens.plain import PlainScreen
from lashmap_daemon.screens.view import view_of
from lashmap_daemon.sequence import sequence
from lashmap_daemon.story import events
from rich.console import Console, ConsoleDimensions
from rich.text import Text


def shown(test: VirtualTest, lines: list[str], note: str | None = None) -> str:
    console = Console(file=io.StringIO(), width=120, height=40, highlight=False)
    view = view_of(test.conductor, test.now_s, "")
    console.print(render(view, "title", lines, note))
    file = console.file
    assert isinstance(file, io.StringIO)
    return file.getvalue()


def test_the_live_screen_says_what_to_do_how_old_and_how_far(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.tick_for(0.6)
    text = shown(test, ["a [bold]line[/bold] of the log"])
    assert "hold the pinion, rock the gear lightly" in text
    assert "1 of 5 positions" in text
    assert "reversals" in text
    assert "last sample 0.0 s ago" in text
    assert "[bold]line[/bold]" in text  # an operator's brackets are words, not styles
    assert "STALE" not in text
    test.now_s += 2.0
    assert "STALE" in shown(test, [])
    assert "note: loose bolt" in shown(test, [], "loose bolt")


def on_terminal(written: str, width: int, height: int) -> list[str]:
    """What stands on a terminal afterwards: CUP places the cursor, SGR is for the eye (ECMA-48)."""
    cells = [[" "] * width for _ in range(height)]
    row = column = 0
    for place, text in re.findall(r"\x1b\[([\d;]*[Hm])|([^\x1b])", written):
        if place.endswith("H"):
            row, column = (int(number) - 1 for number in place[:-1].split(";"))
        elif text:
            cells[row][column] = text
            column += 1
    return ["".join(line) for line in cells]


def test_only_lines_that_changed_are_written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    file = io.StringIO()
    console = Console(file=file, width=20, height=6, force_terminal=True, color_system="standard")
    painter = Painter(console)

    def painted(lines: list[str], now_s: float) -> str:
        start = file.tell()
        painter.paint(Text("\n".join(lines), "bold"), now_s)
        return file.getvalue()[start:]

    first = painted(["turn the gear", "+0.1234", "mm", "gone"], 0.0)
    assert on_terminal(first, 20, 6)[1] == "+0.1234".ljust(20)
    assert painted(["turn the gear", "+0.1234", "mm", "gone"], 0.3) == ""
    second = painted(["turn the gear", "+0.12", "mm"], 0.6)
    assert "turn" not in second
    assert "mm" not in second
    shown = ["turn the gear", "+0.12", "mm", "", "", ""]
    assert on_terminal(file.getvalue(), 20, 6) == [line.ljust(20) for line in shown]
    whole = painted(["turn the gear", "+0.12", "mm"], 5.0)  # over whatever somebody else wrote there
    assert on_terminal(whole, 20, 6) == [line.ljust(20) for line in shown]
    console.size = ConsoleDimensions(22, 4)
    resized = painted(["turn the gear", "+0.12", "mm"], 5.3)
    assert on_terminal(resized, 22, 4) == [line.ljust(22) for line in shown[:4]]


def test_plain_lines_for_a_whole_test(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0, confirming_positions=1))
    test.run()
    lines: list[str] = []
    screen = PlainScreen("mm", test.conductor.box.gear_set, lines.append)
    for stamped in test.stream:
        screen.hear(stamped)
    text = "\n".join(lines)
    assert text.count("accepted: normal backlash") == 6
    assert "Tight spot predicted" in text
    # What is found with nothing left to measure is what the result calls stated, not its prediction.
    last = [line for line in lines if "Tight spot" in line][-1]
    assert "Tight spot from all positions" in last
    assert last.endswith("to measure: nothing more")
    assert "95 % from the readings alone" in last  # the result's own interval holds the indicator's share too
    assert "Test completed" in lines[-1]
    assert screen.commands() == []


def wait_typed(terminal: int, count: int) -> None:
    """Wait until so many bytes lie in a terminal: the system carries them there when it finds the time."""
    deadline_s = time.monotonic() + 60.0
    while struct.unpack("i", fcntl.ioctl(terminal, termios.FIONREAD, bytes(4)))[0] < count:
        assert time.monotonic() < deadline_s, "what was typed does not arrive"
        time.sleep(0.001)


def test_keys_become_commands_and_a_note_takes_them_as_letters(monkeypatch: pytest.MonkeyPatch) -> None:
    controller, terminal = pty.openpty()
    with os.fdopen(terminal, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        with Keyboard() as keyboard:
            for typed, expected in (
                (b"rsz", ["repeat", "skip"]),
                (b"\r x", ["arrived", "arrived", "unmatched"]),
                (b"nrust\x7fty s", []),
                (b"eal\n", ["note rusty seal"]),
                (b"n lost\x1b", []),
                (b"q", ["stop"]),
            ):
                os.write(controller, typed)
                wait_typed(terminal, len(typed))
                assert keyboard.commands() == expected
            os.close(controller)
            with pytest.raises(OSError, match=r"the terminal hung up|Input/output error"):
                keyboard.commands()


def test_stop_is_asked_once_more_and_only_yes_stops(monkeypatch: pytest.MonkeyPatch) -> None:
    controller, terminal = pty.openpty()
    with os.fdopen(terminal, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        with Keyboard(confirm=True) as keyboard:
            for typed, expected, stopping in (
                (b"q", [], True),
                (b"n", [], False),  # the answer, not a note
                (b"r", ["repeat"], False),
                (b"q\x1b", [], False),
                (b"qr", [], False),
                (b"qy", ["stop"], False),
            ):
                os.write(controller, typed)
                wait_typed(terminal, len(typed))
                assert keyboard.commands() == expected
                assert keyboard.stopping is stopping
                assert keyboard.note is None
            os.close(controller)


@pytest.mark.parametrize("bell", [True, False])
def test_the_bell_rings_when_a_rock_is_good_and_only_if_it_is_wanted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, bell: bool
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    controller, terminal = pty.openpty()
    test = VirtualTest(tmp_path, load_box(positions=4, gear_turns=1.0))
    with os.fdopen(terminal, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        console = Console(file=io.StringIO(), width=80, height=24, force_terminal=True)
        screen = LiveScreen(console, "title", "mm", test.conductor.box.gear_set, bell=bell)
        screen.hear(test.run_until(events.RockAccepted))
        screen.show(test.conductor, test.now_s)
        assert screen.drawing.close(60.0)
    os.close(controller)
    file = console.file
    assert isinstance(file, io.StringIO)
    assert ("\a" in file.getvalue()) is bell
    assert "Position 1 good: " in file.getvalue()
    test.logbook.close()


@pytest.mark.parametrize(
    ("event", "rings"),
    [
        (events.RockStarted, True),  # the gear has arrived
        (events.RockRefused, True),  # again
        (events.MarksAsked, True),  # somebody is wanted
        (events.PositionAsked, False),
    ],
)
def test_the_bell_rings_on_arrival_for_another_try_and_where_somebody_is_wanted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, event: type[events.Event], *, rings: bool
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    controller, terminal = pty.openpty()
    test = VirtualTest(tmp_path, load_box(positions=4, gear_turns=1.0))
    with os.fdopen(terminal, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        console = Console(file=io.StringIO(), width=80, height=24, force_terminal=True)
        screen = LiveScreen(console, "title", "mm", test.conductor.box.gear_set, bell=True)
        if event is events.RockRefused:
            test.run_until(events.RockStarted)
            test.conductor.happen(sequence.RockBad(("slip",)))
        else:
            test.run_until(event)
        screen.hear(next(one for one in reversed(test.stream) if isinstance(one.event, event)))
        screen.show(test.conductor, test.now_s)
        assert screen.drawing.close(60.0)
    os.close(controller)
    file = console.file
    assert isinstance(file, io.StringIO)
    assert ("\a" in file.getvalue()) is rings
    test.logbook.close()
