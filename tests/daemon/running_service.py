"""``lashmap serve`` in a process of its own, watched as systemd would watch it."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from daemon.command import Running, lashmap, start
from daemon.virtual_time import demo_text
from lashmap_daemon.service.client import ask
from lashmap_daemon.service.words import Answer, Begin, Request, Status, StatusReport

SHORT = {
    "positions = 26": "positions = 4\nrepeats = 0",
    "gear_turns = 13": "gear_turns = 1",
    "= 3\n": "= 1\n",
}


def short_boxes(folder: Path) -> Path:
    """A folder with a short test of the demonstration box, and one that lacks what a person knows."""
    folder.mkdir()
    text = demo_text()
    for old, new in SHORT.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "short.toml").write_text(text, "utf-8")
    for lacking in ("[matched_teeth]\nencoder_deg = 37.25\n", "pinion_set_mm = 105.01\n"):
        assert lacking in text
        text = text.replace(lacking, "")
    (folder / "open.toml").write_text(text, "utf-8")
    return folder


@dataclass
class RunningService:
    """A service that runs.

    Attributes:
        process: Its process.
        stand: Stand file.
        logbook: Its logbook.
        told: What it told the service manager so far.
    """

    process: Running
    stand: Path
    logbook: Path
    manager: socket.socket
    told: list[str] = field(default_factory=list)

    def tell(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Speak to it."""
        return lashmap("tell", self.stand, *words)

    def status(self) -> StatusReport:
        """How it is, asked without a process of its own."""
        report = ask(self.stand, self.logbook, Status()).status
        assert report is not None
        return report

    def ask(self, request: Request) -> Answer:
        """Speak to it without a process of its own: on a busy machine that takes seconds."""
        return ask(self.stand, self.logbook, request)

    def until(self, good: Callable[[StatusReport], bool], within_s: float = 60.0) -> StatusReport:
        """Wait for a status."""
        end_s = time.monotonic() + within_s
        while not good(status := self.status()):
            assert time.monotonic() < end_s, status
            time.sleep(0.05)
        return status

    def wait_heard(self) -> None:
        """Wait until both instruments give readings."""
        self.until(lambda status: all(one.age_s is not None for one in status.instruments))

    def begin(self, box: str = "short") -> str:
        """Begin a test; returns its identifier."""
        self.wait_heard()
        answer = ask(self.stand, self.logbook, Begin(box=box, confirmed="on the command line (--locked-out)"))
        assert answer.exit_status == 0, answer.say
        return answer.say[0].split()[1]

    def forget_told(self) -> None:
        """Read away what was told so far: the queue of a socket is short (unix(7))."""
        self.manager.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while True:
                self.manager.recv(4096)

    def wait_told(self, begins: str, within_s: float = 60.0) -> str:
        """Wait until it tells the manager something that begins so."""
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            self.manager.settimeout(max(end_s - time.monotonic(), 0.01))
            try:
                text = self.manager.recv(4096).decode()
            except TimeoutError:
                break
            self.told.append(text)
            if text.startswith(begins):
                return text
        raise AssertionError(f"never told {begins!r}; told {self.told[-5:]}")

    def end(self, number: signal.Signals = signal.SIGTERM) -> tuple[float, list[dict[str, Any]]]:
        """End it with a signal; seconds that took, and its log."""
        self.forget_told()
        start_s = time.monotonic()
        self.process.send_signal(number)
        _, err = self.process.communicate(timeout=60.0)
        took_s = time.monotonic() - start_s
        assert "Traceback" not in err
        return took_s, [json.loads(line) for line in err.splitlines()]


@contextmanager
def running_service(
    folder: Path, stand: Path, boxes: Path, monkeypatch: pytest.MonkeyPatch, short: Path
) -> Iterator[RunningService]:
    """A service of ``stand`` in ``folder``, up when this is entered.

    Args:
        folder: For its logbook.
        stand: Stand file.
        boxes: Folder of box files.
        monkeypatch: Sets its environment.
        short: A folder with a name that is short enough for sockets.
    """
    logbook = folder / "book.logbook"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        (short / "notify").unlink(missing_ok=True)
        manager.bind(str(short / "notify"))
        monkeypatch.setenv("RUNTIME_DIRECTORY", str(short / "run"))  # where we look for it, too
        process = start(
            *("serve", stand, "--boxes", boxes, "--logbook", logbook),
            NOTIFY_SOCKET=str(short / "notify"),  # for the service alone: others would fill its short queue
            WATCHDOG_USEC="30000000",
        )
        service = RunningService(process, stand, logbook, manager)
        try:
            service.wait_told("READY=1")
            yield service
        finally:
            process.kill()
            process.communicate()


Serve = Callable[[Path], AbstractContextManager[RunningService]]
