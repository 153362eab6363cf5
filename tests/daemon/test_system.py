"""Systems without signals, terminals, locks, users, local sockets: what works there, and what says it cannot.

The names are taken away in the processes under test (`daemon.bare_system`); what ``msvcrt`` does is played
after the documentation of Python's module of that name. No Windows was at hand.
"""

from __future__ import annotations

import asyncio
import io
import os
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from daemon.command import lashmap_in
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_daemon import system
from lashmap_daemon.errors import EXIT_CONFIGURATION, EXIT_STAND
from lashmap_daemon.exchange.frames import frames
from lashmap_daemon.logbook.guard import LogbookBusy, only_writer
from lashmap_daemon.screens.live import Keyboard, LiveScreen
from lashmap_daemon.screens.plain import PlainScreen
from lashmap_daemon.story.events import MarksAsked, Stamped
from rich.console import Console

from daemon import bare_system

STILL_S, TURN_S, AWAY_DEG = 5.0, 0.5, 18.0  # before the recorded test: two teeth away, then turned there
PLAN: dict[str, float] = {"positions": 4, "gear_turns": 2, "reversals": 4, "confirming_positions": 1}
STAND = """[stand]
name = "Recorded"
reconnect_seconds = 0
[indicator]
port = "indicator.csv"
profile = "indicator.toml"
resolution_mm = 0.001
[encoder]
port = "encoder.csv"
profile = "encoder.toml"
counts_per_turn = 360000
absolute = true
[hands_free]
gestures = ["matched"]
still_seconds = 0.5
"""
TESTS = ("20261125-080004-INV-1340-07", "20261125-080005-INV-1340-07")  # named after their seeds
PROFILE = 'kind = "recorded file"\ntime_column = "time_s"\nvalue_column = "value"\nunit = "{}"\n'


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a recorded test in ``virtual.logbook``, and its samples as files of two instruments."""
    folder = tmp_path_factory.mktemp("bare")
    later = VirtualTest(folder / "later", load_box(DEMO_BOX, **PLAN), seed=5, instruments=COARSE)
    later.run()
    later.logbook.close()
    test = VirtualTest(folder, load_box(DEMO_BOX, **PLAN | {"reversals": 10}), seed=4, instruments=COARSE)
    test.run()
    samples = frames(test.logbook, test.started.test)["samples"]
    test.logbook.close()
    for name, unit in (("indicator", "mm"), ("encoder", "deg")):
        own = samples[samples["channel"] == name][["time_s", "value"]]
        if name == "encoder":
            own = own.assign(value=own["value"] + 37.25)  # the reference of the box file
        first, rows = own["value"].iloc[0], ["time_s,value"]
        for time_s in np.arange(0.0, STILL_S, 0.01):  # the program listens to its instruments first
            away_deg = AWAY_DEG * min(1.0, (STILL_S - time_s) / TURN_S) if name == "encoder" else 0.0
            rows.append(f"{time_s:.6f},{first - away_deg:.6f}")
        rows += [f"{time_s + STILL_S:.6f},{value:.6f}" for time_s, value in own.itertuples(index=False)]
        (folder / f"{name}.csv").write_text("\n".join([*rows, ""]), "utf-8")
        (folder / f"{name}.toml").write_text(PROFILE.format(unit), "utf-8")
    (folder / "stand.toml").write_text(STAND, "utf-8")
    box = DEMO_BOX.read_text("utf-8").splitlines()
    lines = [f"{key} = {PLAN[key]}" if (key := line.split(" =")[0]) in PLAN else line for line in box]
    lines.insert(lines.index("[plan]") + 1, "repeats = 0")
    (folder / "box.toml").write_text("\n".join(lines), "utf-8")
    bare_system.made(folder / "names-gone")
    return folder


def bare(bench: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A command to its end, in the folder, on a system that has nothing."""
    environment = {**os.environ, "PYTHONPATH": str(bench / "names-gone")}
    done = lashmap_in(bench, environment, *words)
    assert "Traceback" not in done.stderr, done.stderr
    return done


def test_the_names_are_gone(bench: Path) -> None:
    look = (
        "import os, select, signal, socket\n"
        "print(hasattr(os, 'geteuid'), hasattr(select, 'poll'),"
        "hasattr(signal, 'SIGHUP'), hasattr(socket, 'AF_UNIX'))\n"
        "import termios"
    )
    env = {**os.environ, "PYTHONPATH": str(bench / "names-gone")}
    done = subprocess.run(
        [sys.executable, "-c", look], env=env, capture_output=True, text=True, check=False, timeout=60.0
    )
    assert done.stdout.split() == ["False"] * 4
    assert "No module named 'termios'" in done.stderr


@pytest.mark.begins_first
def test_a_test_runs_from_recorded_files_to_its_report(bench: Path) -> None:
    for attempt in range(3):  # the recording waits for nobody: a machine that stands still misses a position
        logbook = f"run-{attempt}.logbook"
        done = bare(bench, "run", "stand.toml", "box.toml", "--plain", "--locked-out", "--logbook", logbook)
        if done.returncode == 0:
            assert "Test completed" in done.stdout
            assert f"{logbook}: this system has no file locks" in done.stderr
            break
        assert done.returncode == EXIT_STAND, done.stderr
    else:
        pytest.fail("the recording was missed three times, see above")
    assert len(list(bench.glob("*.pdf"))) >= 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--help",), "simulate"),
        (("list", "--logbook", "virtual.logbook"), "INV-1340-07"),
        (("review", "--logbook", "virtual.logbook"), "usable positions"),
        (("verify", "--logbook", "virtual.logbook"), "All good"),
        (
            ("compare", *TESTS, "--logbook", "virtual.logbook", "--logbook2", "later/virtual.logbook"),
            "Tests",
        ),
        (("export", "--to", "csv", "--output", "tables", "--logbook", "virtual.logbook"), "tables"),
        (("check", "stand.toml", "--seconds", "1"), "indicator.csv"),
        (("shims", "--logbook", "virtual.logbook"), ""),
    ],
)
def test_what_needs_none_of_it_works(bench: Path, words: tuple[str, ...], told: str) -> None:
    done = bare(bench, *words)
    assert done.returncode == 0, done.stdout + done.stderr
    assert told in done.stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("serve", "stand.toml", "--boxes", "."), "no Unix sockets"),
        (("tell", "stand.toml", "status"), "no Unix sockets"),
        (("simulate", "box.toml"), "no pseudo-terminals"),
        (("demo", "box.toml"), "no pseudo-terminals"),
        (("check", "port.toml", "--seconds", "1"), "no serial ports"),
    ],
)
def test_what_cannot_work_says_so(bench: Path, words: tuple[str, ...], told: str) -> None:
    profiles = DEMO_BOX.parents[1] / "instruments"
    port = STAND.replace("indicator.csv", "COM3").replace("encoder.csv", "COM4")
    port = port.replace("indicator.toml", str(profiles / "indicator-line-mm.toml"))
    port = port.replace("encoder.toml", str(profiles / "encoder-degrees.toml"))
    (bench / "port.toml").write_text(port, "utf-8")
    done = bare(bench, *words)
    assert done.returncode in {EXIT_CONFIGURATION, EXIT_STAND}
    assert told in done.stderr
    assert not (bench / "demo-output").exists()


def test_a_loop_that_hooks_no_signals_hears_them_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_handlers(*_: object) -> None:
        raise NotImplementedError

    async def main() -> None:
        monkeypatch.setattr(type(asyncio.get_running_loop()), "add_signal_handler", no_handlers)
        heard = asyncio.Event()
        with system.on_signals({"SIGTERM": heard.set, "SIGABSENT": heard.clear}):
            assert signal.getsignal(signal.SIGTERM) is not before
            os.kill(os.getpid(), signal.SIGTERM)
            await asyncio.wait_for(heard.wait(), 60.0)

    before = signal.getsignal(signal.SIGTERM)
    asyncio.run(main())
    assert signal.getsignal(signal.SIGTERM) is before


class Msvcrt(SimpleNamespace):
    """Keys that were typed, and locks, as Python documents its module ``msvcrt``."""

    LK_NBLCK, LK_UNLCK = 2, 0

    def __init__(self, typed: str = "") -> None:
        super().__init__(typed=list(typed), held=set())

    def kbhit(self) -> bool:
        return bool(self.typed)

    def getwch(self) -> str:
        return str(self.typed.pop(0))

    def locking(self, descriptor: int, mode: int, count: int) -> None:
        place = (os.fstat(descriptor).st_ino, os.lseek(descriptor, 0, os.SEEK_CUR), count)
        if mode == self.LK_UNLCK:
            self.held.remove(place)
        elif place in self.held:
            raise PermissionError(13, "Permission denied")
        else:
            self.held.add(place)


@pytest.fixture
def on_windows(monkeypatch: pytest.MonkeyPatch) -> Msvcrt:
    played = Msvcrt()
    for name, module in (("_fcntl", None), ("_termios", None), ("_tty", None), ("_msvcrt", played)):
        monkeypatch.setattr(system, name, module)
    terminal: Any = SimpleNamespace(isatty=lambda: True, fileno=lambda: 0)
    monkeypatch.setattr(sys, "stdin", terminal)
    return played


def test_keys_of_windows(on_windows: Msvcrt) -> None:
    with Keyboard() as keyboard:
        on_windows.typed += list("rs\xe0Hq")  # an arrow between them, whose code is no key
        assert keyboard.commands() == ["repeat", "skip", "stop"]
        on_windows.typed += list("nrust\x00;")  # a function key gives up a note
        assert keyboard.commands() == []
        assert keyboard.note is None


def test_a_line_typed_on_windows(on_windows: Msvcrt) -> None:
    screen = PlainScreen("mm", MeshCycle(pinion_teeth=13, gear_teeth=40), print)
    on_windows.typed += list("matz\b")
    assert screen.commands() == []
    on_windows.typed += list("ched\r")
    assert screen.commands() == ["matched"]


def test_a_line_typed_before_the_marks_are_asked_for_answers_nothing(on_windows: Msvcrt) -> None:
    screen = PlainScreen("mm", MeshCycle(pinion_teeth=13, gear_teeth=40), lambda _: None)
    on_windows.typed += list("matched\r")
    screen.hear(Stamped(time_s=1.0, utc="", event=MarksAsked(member="gear", attempt=1)))
    assert screen.commands() == []
    on_windows.typed += list("matched\r")
    assert screen.commands() == ["matched"]


def test_a_key_before_the_question_is_drawn_answers_nothing(on_windows: Msvcrt) -> None:
    screen = LiveScreen(
        Console(file=io.StringIO()), "a test", "mm", MeshCycle(pinion_teeth=13, gear_teeth=40)
    )
    on_windows.typed += ["m", "n", "a", "\r"]
    screen.hear(Stamped(time_s=1.0, utc="", event=MarksAsked(member="gear", attempt=1)))
    assert screen.commands() == ["note a"]


def test_locks_of_windows(on_windows: Msvcrt, tmp_path: Path) -> None:
    book = tmp_path / "a.logbook"
    with only_writer(book):
        assert len(on_windows.held) == 1
        with pytest.raises(LogbookBusy, match=f"process {os.getpid()}"), only_writer(book):
            pass
    assert not on_windows.held
    with only_writer(book):
        pass
