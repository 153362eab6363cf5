"""One life of the installed program on a simulated stand, cut short by ``kill -9``: ``run`` and ``serve``."""

from __future__ import annotations

import contextlib
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from attack.acknowledged import Shown
from daemon.command import ENTRY, start, wait_for
from lashmap_daemon.errors import StandError
from lashmap_daemon.service.client import ask
from lashmap_daemon.service.words import Begin, Confirmed, Note, Request, Resume, Status, StatusReport

LOOK_S = 0.5  # between two looks at the status of a service
NOTE_EVERY = 7  # looks
_PATIENCE_S = 240.0
_CONFIRMED: Confirmed = "on the command line (--locked-out)"


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Where a program lives.

    Attributes:
        folder: For everything.
        stand: Stand file of the simulated stand.
        box: Box file, alone in its folder.
        book: Logbook.
    """

    folder: Path

    @property
    def stand(self) -> Path:
        return self.folder / "stand" / "stand.toml"

    @property
    def box(self) -> Path:
        return self.folder / "boxes" / "box.toml"

    @property
    def book(self) -> Path:
        return self.folder / "book"

    @property
    def truth(self) -> Path:
        return self.folder / "truth.json"

    @contextmanager
    def simulated(self, seed: int, rate_hz: float = 1000.0) -> Iterator[None]:
        """A simulated stand of its own gearbox, whose indicator sends so many lines a second."""
        self.stand.unlink(missing_ok=True)
        words = ["simulate", str(self.box), "--folder", str(self.stand.parent), "--seed", str(seed)]
        process = start(*words, "--truth", self.truth, "--rate", f"{rate_hz:g}")
        try:
            wait_for(self.stand)
            yield
        finally:
            process.terminate()
            process.communicate(timeout=60.0)


@dataclass(kw_only=True)
class Life:
    """How a life went.

    Attributes:
        killed: It was killed; otherwise it ended by itself.
        shown: What people saw of it.
        problem: What was wrong with its end, empty when nothing was.
    """

    killed: bool
    shown: Shown = field(default_factory=Shown)
    problem: str = ""


def live_run(bench: Bench, seconds: float | None, *, resume: bool) -> Life:
    """``lashmap run --plain`` until it ends or is killed after ``seconds``."""
    words = ["run", bench.stand, bench.box, "--logbook", bench.book, "--locked-out", "--plain"]
    process = _start([*map(str, words), *(["--resume"] if resume else [])])
    with _doomed(process, seconds) as killed:
        out, _ = process.communicate()
    life = Life(killed=killed.is_set())
    lines = out.splitlines()
    life.shown.read_screen(lines)
    life.problem = _wrong_end(process, life, lines)
    return life


def live_serve(bench: Bench, seconds: float | None, *, resume: bool) -> Life:
    """``lashmap serve`` with one test, watched and given notes, until that ends or it is killed."""
    words = ["serve", bench.stand, "--boxes", bench.box.parent, "--logbook", bench.book]
    process = _start([*map(str, words)])
    lines: list[str] = []
    reader = threading.Thread(target=lambda: lines.extend(process.stdout or ()), daemon=True)
    reader.start()
    shown = Shown()
    with _doomed(process, seconds) as killed:
        try:
            with contextlib.suppress(StandError):  # killed in the middle of an answer
                _lead(bench, process, shown, resume=resume)
        finally:
            process.terminate()
            process.wait(60.0)
    reader.join()
    if process.stdout is not None:
        process.stdout.close()
    life = Life(killed=killed.is_set(), shown=shown)
    life.problem = _wrong_end(process, life, lines)
    return life


def _lead(bench: Bench, process: subprocess.Popen[str], shown: Shown, *, resume: bool) -> None:
    """Begin or go on, and watch until the test is over."""
    if not _heard(bench, process):
        return
    request: Request = Begin(box="box", confirmed=_CONFIRMED)
    if resume:  # the simulated stand cannot bring the marked teeth together again
        request = Resume(box="box", confirmed=_CONFIRMED, matched="unknown")
    answer = ask(bench.stand, bench.book, request)
    if answer.exit_status:
        raise AssertionError(f"{request.command} was refused: {' '.join(answer.say)}")
    end_s, looks = time.monotonic() + _PATIENCE_S, 0
    while (status := _status(bench)).state != "idle":
        if status.test:
            shown.done = max(shown.done, status.done)
            if status.test not in shown.begun:
                shown.begun.append(status.test)
        looks += 1
        if looks % NOTE_EVERY == 0 and status.state == "testing":
            note = f"look {looks} at {time.time():.3f}"
            if ask(bench.stand, bench.book, Note(text=note)).exit_status == 0:
                shown.notes.append(note)
        if time.monotonic() > end_s:
            raise AssertionError(f"the test does not end: {status}")
        time.sleep(LOOK_S)


def _heard(bench: Bench, process: subprocess.Popen[str]) -> bool:
    """Wait until both instruments give readings; False when it was killed before."""
    end_s = time.monotonic() + _PATIENCE_S
    while process.poll() is None and time.monotonic() < end_s:
        with contextlib.suppress(StandError):  # not up yet
            if all(one.age_s is not None for one in _status(bench).instruments):
                return True
        time.sleep(0.1)
    return False


def _status(bench: Bench) -> StatusReport:
    report = ask(bench.stand, bench.book, Status()).status
    assert report is not None
    return report


def _start(words: list[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*ENTRY, *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


@contextmanager
def _doomed(process: subprocess.Popen[str], seconds: float | None) -> Iterator[threading.Event]:
    """Kill a process after some time, unless this is left before; set when it was."""
    killed = threading.Event()

    def kill() -> None:
        if process.poll() is None:
            killed.set()
            process.kill()

    timer = threading.Timer(_PATIENCE_S if seconds is None else seconds, kill)
    timer.start()
    try:
        yield killed
    finally:
        timer.cancel()
        timer.join()


def _wrong_end(process: subprocess.Popen[str], life: Life, lines: list[str]) -> str:
    if any("Traceback" in line for line in lines):
        return f"traceback: {lines[-1]}"
    if not life.killed and process.returncode != 0:
        return f"ended with {process.returncode}: {lines[-3:]}"
    return ""
