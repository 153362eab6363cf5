from __future__ import annotations

import fcntl
import io
import math
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
from lashmap_daemon.screens.live import Keyboard, Painter, big, draw, render
from lashmap_daemon.screens.plain import PlainScreen
from lashmap_daemon.screens.view import Mark, view_of
from lashmap_daemon.story import events
from rich.console import Console, ConsoleDimensions
from rich.text import Text


def find(picture: str, letter: str) -> tuple[float, float]:
    """(right, down) of a letter from the middle, as shares of the half width."""
    rows = picture.splitlines()
    row = next(number for number, text in enumerate(rows) if letter in text)
    height, width = len(rows), len(rows[0])
    return 2.0 * rows[row].index(letter) / (width - 1) - 1.0, 2.0 * row / (height - 1) - 1.0


@pytest.mark.parametrize("angle_deg", [0.0, 45.0, 90.0, 180.0, 270.0, 360.0 + 45.0])
def test_angles_run_clockwise_from_the_top(angle_deg: float) -> None:
    right, down = find(draw([], angle_deg, None, rows=25), ">")
    assert right == pytest.approx(math.sin(math.radians(angle_deg)), abs=0.06)
    assert down == pytest.approx(-math.cos(math.radians(angle_deg)), abs=0.06)


def test_a_tighter_position_lies_further_in() -> None:
    def dots(lash: tuple[float, float]) -> int:
        marks = [Mark(angle, value, "planned") for angle, value in zip((90.0, 270.0), lash, strict=True)]
        row = draw(marks, None, None, rows=15).splitlines()[7]
        inked = [column for column, cell in enumerate(row) if ord(cell) > 0x2800]
        return inked[0] + inked[-1]  # moves right when the tight side is on the left

    assert dots((0.2, 0.1)) > dots((0.1, 0.2))


def test_positions_to_do_and_the_tight_spot_are_marked() -> None:
    marks = [Mark(120.0, None, "planned")]
    picture = draw(marks, 10.0, 200.0)
    assert {"o", "X", "M", ">"} <= set(picture)
    assert len({len(line) for line in picture.splitlines()}) == 1


def test_big_digits_are_three_even_lines() -> None:
    lines = big("-0.1234").splitlines()
    assert len(lines) == 3
    assert len({len(line) for line in lines}) == 1
    assert big("8") != big("0")


def shown(test: VirtualTest, lines: list[str], note: str | None = None) -> str:
    console = Console(file=io.StringIO(), width=120, height=40, highlight=False)
    view = view_of(test.conductor, test.now_s, "  1  Turn the gear to 0.0°")
    console.print(render(view, "title", lines, note))
    file = console.file
    assert isinstance(file, io.StringIO)
    return file.getvalue()


def test_the_live_screen_says_what_to_do_how_old_and_how_far(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0))
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.tick(30)
    text = shown(test, ["a [bold]line[/bold] of the log"])
    assert "Turn the gear to 0.0°" in text
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
                (b"rsx", ["repeat", "skip"]),
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
