"""The simulated stand in real time, on real pseudo-terminals, read through an ordinary serial port."""

from __future__ import annotations

import gc
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import serial
from lashmap_daemon.simulated_stand import (
    Fault,
    PassOrder,
    Served,
    SimulatedBox,
    SimulatedDrive,
    SimulatedInstruments,
    Stand,
    StandError,
    serve,
)
from lashmap_daemon.simulated_stand.serve import Prompts, Terminal

if TYPE_CHECKING:
    from collections.abc import Iterator

BOX = SimulatedBox(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    mean_spiral_angle_deg=35.0,
    touch_radius_mm=76.0,
    mean_normal_backlash_mm=0.15,
)
PATIENCE_S = 60.0


class Running:
    """A stand served by a thread."""

    def __init__(self, folder: Path, stand: Stand) -> None:
        self.folder, self.prompts = folder, folder / "prompts.jsonl"
        self.stop, self.is_ready = threading.Event(), threading.Event()
        self.told_of_loss = threading.Event()
        self.indicator: serial.Serial | None = None
        self.served: Served | None = None
        self._stand = stand
        self.thread = threading.Thread(target=self._serve)

    def _serve(self) -> None:
        self.served = serve(
            self._stand,
            folder=self.folder,
            prompts=self.prompts,
            truth=self.folder / "truth.json",
            announce=self._hear,
            ready=self._open_early,
            stop=self.stop,
            exit_when_closed=True,
        )

    def _hear(self, text: str) -> None:
        if text.endswith("the indicator's port is gone."):
            self.told_of_loss.set()

    def _open_early(self, indicator: Path, _encoder: Path) -> None:
        # Before the stand's time begins to run.
        self.indicator = serial.Serial(str(indicator), timeout=PATIENCE_S)
        self.is_ready.set()

    def show(
        self,
        engagement: int | None,
        *,
        closed: bool = False,
        makes: dict[str, object] | None = None,
        **more: str,
    ) -> None:
        shown = {"show": "turn the gear", "engagement": engagement, "closed": closed, "pass": makes}
        line = json.dumps(shown | more)
        with self.prompts.open("a", encoding="utf-8") as file:
            file.write(line + "\n")


@contextmanager
def served(folder: Path, stand: Stand) -> Iterator[Running]:
    folder.mkdir(exist_ok=True)
    running = Running(folder, stand)
    running.thread.start()
    try:
        assert running.is_ready.wait(PATIENCE_S)
        yield running
    finally:
        running.stop.set()
        running.thread.join(PATIENCE_S)
        assert not running.thread.is_alive()
        if running.indicator is not None:
            running.indicator.close()


def read_lines(port: serial.Serial, count: int) -> list[bytes]:
    """Return whole lines; the first after opening may be half of one and is left out."""
    port.readline()
    return [port.readline() for _ in range(count)]


def test_a_pass_is_made_as_prompted_between_three_ports(tmp_path: Path) -> None:
    drive = SimulatedDrive(pass_deg_per_s=700.0, pass_run_up_s=0.1)
    stand = Stand(BOX, SimulatedInstruments(encoders="apart"), drive, seed=1)
    with (
        served(tmp_path / "stand", stand) as running,
        serial.Serial(str(running.folder / "pinion"), timeout=PATIENCE_S) as port,
    ):
        before = int(read_lines(port, 1)[0])
        running.show(None, makes={"number": 1, "direction": "back", "engagements": 6, "attempt": 1})
        # Six teeth of thirteen, in counts of 20,000 a turn, and some of a tooth more.
        while int(port.readline()) > before - 20_000 * 6 / 13:
            pass
    report = running.served
    assert report is not None
    assert report.pinion is not None
    assert report.pinion.lines_sent > 100
    assert not (running.folder / "pinion").is_symlink()


def test_a_pass_is_made_again_for_a_program_that_takes_over(tmp_path: Path) -> None:
    """One that was killed in a pass comes again with the very same words, in a file as long as before."""
    drive = SimulatedDrive(pass_deg_per_s=700.0, pass_run_up_s=0.1)
    stand = Stand(BOX, SimulatedInstruments(encoders="apart"), drive, seed=1)
    makes: dict[str, object] = {"number": 1, "direction": "forward", "engagements": 6, "attempt": 1}
    with (
        served(tmp_path / "stand", stand) as running,
        serial.Serial(str(running.folder / "pinion"), timeout=PATIENCE_S) as port,
    ):
        before = int(read_lines(port, 1)[0])
        for turned in (6, 12):
            running.prompts.write_text("", encoding="utf-8")
            running.show(None, makes=makes)
            while int(port.readline()) < before + 20_000 * turned / 13:
                pass


def test_prompts_may_ask_for_a_pass(tmp_path: Path) -> None:
    path = tmp_path / "prompts.jsonl"
    prompts = Prompts(path)
    order = {"number": 3, "direction": "forward", "engagements": 522}

    def heard(**said: object) -> PassOrder | None:
        line = {"show": "", "engagement": None, "closed": False} | said
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(line) + "\n")
        prompt = prompts.latest()
        return None if prompt is None else prompt.makes

    assert heard(**{"pass": order}) == PassOrder(number=3, direction="forward", engagements=522)
    again = PassOrder(number=3, direction="forward", engagements=522, attempt=2)
    assert heard(**{"pass": order | {"attempt": 2, "reason": "lost contact"}}) == again
    assert heard(**{"pass": None, "engagement": 3}) is None
    assert prompts.bad_lines == 0
    for wrong in (
        {"pass": order, "engagement": 4},
        {"pass": order, "sweep": "gear"},
        {"pass": order | {"direction": "up"}},
        {"pass": order | {"engagements": 0}},
        {"pass": order | {"attempt": "2"}},
        {"pass": {"number": 3}},
        {"pass": True},
    ):
        assert heard(**wrong) is None
    assert prompts.bad_lines == 7


def test_lines_arrive_whole_and_at_their_rates(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looks_s: list[float] = []

    def look_s() -> float:
        looks_s.append(time.monotonic())
        return looks_s[-1]

    monkeypatch.setattr(sys.modules[serve.__module__], "monotonic", look_s)
    stand = Stand(BOX, seed=1)
    with served(tmp_path / "stand", stand) as running:
        with serial.Serial(str(running.folder / "indicator"), timeout=PATIENCE_S) as port:
            lines = read_lines(port, 1000)
        assert all(re.fullmatch(rb"[+-]\d{3}\.\d{4}\r\n", line) for line in lines)
        with serial.Serial(str(running.folder / "encoder"), timeout=PATIENCE_S) as port:
            assert all(re.fullmatch(rb"[+-]\d{10}\r\n", line) for line in read_lines(port, 50))
    report = running.served
    assert report is not None
    # 1 kHz and 500 Hz by the stand's time, and that time by the clock of this machine.
    assert report.indicator.lines_sent + report.indicator.lines_dropped == pytest.approx(
        stand.time_s * 1000.0, abs=3
    )
    assert report.encoder.lines_sent + report.encoder.lines_dropped == pytest.approx(
        stand.time_s * 500.0, abs=3
    )
    assert stand.time_s + report.skipped_s == pytest.approx(looks_s[-1] - looks_s[0], abs=0.01)


def test_it_follows_the_prompts_and_ends_with_the_program(tmp_path: Path) -> None:
    with served(tmp_path / "stand", Stand(BOX, seed=1)) as running:
        with serial.Serial(str(running.folder / "encoder"), timeout=PATIENCE_S) as port:
            port.readline()
            start = int(port.readline())
            running.show(10)
            until = time.monotonic() + PATIENCE_S
            # Ten of forty teeth are a quarter of 360000 counts.
            while abs(int(port.readline()) - start - 90_000) > 300:
                assert time.monotonic() < until
        running.show(None)
        running.show(None, closed=True)
        running.thread.join(PATIENCE_S)
        assert running.served is not None
        assert running.served.ended_because == "the program it follows is done"
        assert running.served.encoder.lines_sent > 0
    assert not list(running.folder.glob("*coder"))
    truth = json.loads((running.folder / "truth.json").read_text(encoding="utf-8"))
    assert truth["normal_backlash_mm"] == pytest.approx([0.15] * 520)


def test_it_turns_the_member_whose_runout_is_asked_for(tmp_path: Path) -> None:
    with (
        served(tmp_path / "stand", Stand(BOX, seed=1)) as running,
        serial.Serial(str(running.folder / "encoder"), timeout=PATIENCE_S) as port,
    ):
        port.readline()
        start = int(port.readline())
        running.show(None, sweep="gear")
        until = time.monotonic() + PATIENCE_S
        # Further than any rock, and on: a tenth of a turn.
        while int(port.readline()) - start < 36_000:
            assert time.monotonic() < until


def open_files() -> int:
    gc.collect()  # what earlier tests left to be collected would be missed afterwards
    return len(list(Path("/proc/self/fd").iterdir()))


def test_nothing_is_left_open(tmp_path: Path) -> None:
    before = open_files()
    for number in range(3):
        with served(tmp_path / f"stand{number}", Stand(BOX, seed=1)):
            pass
    assert open_files() <= before


def test_a_lost_indicator_hangs_up_on_its_reader(tmp_path: Path) -> None:
    stand = Stand(BOX, seed=1, fault=Fault.LOST_INDICATOR, fault_from_s=inf)
    with served(tmp_path / "stand", stand) as running:
        assert running.indicator is not None
        heard = b""
        with pytest.raises(serial.SerialException):  # noqa: PT012 - the port speaks until it is gone
            while len(heard) < 1_000_000:
                heard += running.indicator.read(64)
                if heard.count(b"\r\n") > 100:  # a hang-up takes along what was not read yet
                    stand._fault_from_s = stand.time_s
        assert heard.count(b"\r\n") > 100
        assert not (running.folder / "indicator").is_symlink()
        assert (running.folder / "encoder").is_symlink()
        assert running.told_of_loss.wait(PATIENCE_S)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_the_process_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    with started(tmp_path, "") as process:
        assert process.stdout is not None
        process.stdout.readline()
        assert (tmp_path / "indicator").is_symlink()
        process.send_signal(number)
        assert process.stdout.readline().strip() == number.name
        assert process.wait(PATIENCE_S) == 0
    assert not (tmp_path / "indicator").is_symlink()


def test_the_stand_goes_when_the_program_that_started_it_is_gone(tmp_path: Path) -> None:
    with started(
        tmp_path, "import os; print('go', flush=True); os.fork() and (input(), os._exit(0))"
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline().strip() == "go"
        process.stdout.readline()
        process.stdin.write("\n")
        process.stdin.flush()
        # The grandchild keeps the pipe until it has said why it ended.
        assert process.stdout.readline().strip() == "the program that started it is gone"
        process.wait(PATIENCE_S)
    assert not (tmp_path / "indicator").is_symlink()


@contextmanager
def started(folder: Path, first: str) -> Iterator[subprocess.Popen[str]]:
    script = "\n".join(
        [
            first,
            "from pathlib import Path",
            "from lashmap_daemon.simulated_stand import SimulatedBox, Stand, serve",
            f"box = {BOX!r}",
            "say = lambda text: print(text, flush=True)",
            f"say(serve(Stand(box, seed=1), folder=Path({str(folder)!r}), announce=say).ended_because)",
        ]
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with process:
        try:
            yield process
        finally:
            process.kill()


def test_what_nobody_reads_is_dropped_by_whole_lines(tmp_path: Path) -> None:
    with Terminal(tmp_path / "port") as terminal:
        said = [b"+%09d\r\n" % number for number in range(20_000)]
        for number in range(0, len(said), 7):
            terminal.say(said[number : number + 7])
        assert terminal.lines_dropped > 1000
        with serial.Serial(str(terminal.link), timeout=0) as port:
            # A port that is opened forgets what was waiting; say more than fits once more, and read on.
            heard = b""
            for number in range(0, len(said), 7):
                terminal.say(said[number : number + 7])
                if number % 6000 < 7:
                    heard += port.read(100_000)
            # What was said arrives when the system finds the time.
            until = time.monotonic() + PATIENCE_S
            while (more := port.read(100_000)) or (heard.count(b"\r\n") <= 300 and time.monotonic() < until):
                heard += more
    lines = heard.split(b"\r\n")
    assert len(lines) > 300
    # At most the first line was cut by opening, and the last by the end.
    assert all(re.fullmatch(rb"\+\d{9}", line) for line in lines[1:-1])
    assert terminal.lines_sent + terminal.lines_dropped == pytest.approx(2 * len(said), abs=2)


def test_a_file_in_the_way_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "indicator").write_text("mine", encoding="utf-8")
    before = open_files()
    with pytest.raises(StandError, match="indicator"):
        serve(Stand(BOX, seed=1), folder=tmp_path, announce=lambda _: None)
    assert (tmp_path / "indicator").read_text(encoding="utf-8") == "mine"
    assert open_files() <= before


def test_an_old_link_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "port").symlink_to(tmp_path / "gone")
    with Terminal(tmp_path / "port") as terminal:
        assert terminal.link.exists()
    assert not terminal.link.is_symlink()


def test_prompts_are_followed_through_all_that_happens_to_a_file(tmp_path: Path) -> None:
    path = tmp_path / "prompts.jsonl"
    prompts = Prompts(path)

    def heard() -> int | None:
        prompt = prompts.latest()
        return None if prompt is None else prompt.engagement

    def line(engagement: int) -> str:
        return json.dumps({"show": "", "engagement": engagement, "closed": False}) + "\n"

    assert heard() is None  # not there yet
    path.write_text(line(1) + line(2) + line(3)[:20], encoding="utf-8")
    assert heard() == 2  # half a line does not count
    assert heard() is None  # nothing new
    path.write_text(line(1) + line(2) + line(3), encoding="utf-8")
    assert heard() == 3
    path.write_text(line(4), encoding="utf-8")
    assert heard() == 4  # begun anew, shorter
    os.utime(path, ns=(1, 1))
    assert heard() == 4  # … or with the same words
    assert heard() is None
    path.rename(tmp_path / "old.jsonl")
    assert heard() is None
    path.write_text(line(5) + line(6) + line(7) + line(8), encoding="utf-8")
    assert heard() == 8  # another file of that name
    bad = ["", "nonsense", "[]", '{"show": "", "engagement": 1.5, "closed": false}', '{"engagement": 3}']
    with path.open("a", encoding="utf-8") as file:
        file.write("\n".join(bad) + "\n")
    assert heard() is None
    assert prompts.bad_lines == 4
