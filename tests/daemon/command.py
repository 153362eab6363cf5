"""The installed ``lashmap`` command as a user starts it, in a process of its own."""

from __future__ import annotations

import functools
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

from daemon.virtual_time import DEMO_BOX
from lashmap_daemon.cli import app
from typer import testing
from typer.main import get_command

from daemon import warm_start

_whole_program = functools.cache(get_command)  # of all commands: a third of a short one
ENTRY = [sys.executable, "-m", "lashmap_daemon"]
Running = subprocess.Popen[str] | warm_start.Forked


def lashmap(
    *words: str | Path, within_s: float = 200.0, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end; no terminal, nothing on standard input.

    Args:
        words: Of the command.
        within_s: How long it may take.
        environment: More than what is in ours.
    """
    environment = {**os.environ, **environment}
    if warm_start.can_start(environment):
        return warm_start.run([str(word) for word in words], environment, within_s)
    return subprocess.run(
        [*ENTRY, *map(str, words)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env=environment,
        timeout=within_s,
        check=False,
    )


def in_process(*words: str | Path, catch_exceptions: bool = True) -> testing.Result:
    """Run a command in this process, where nobody asks for its end or an interpreter's start.

    Args:
        words: Of the command.
        catch_exceptions: Keep an exception in the result instead of raising it.
    """
    with patch.object(testing, "_get_command", _whole_program):
        return testing.CliRunner().invoke(
            app, [str(word) for word in words], catch_exceptions=catch_exceptions
        )


def lashmap_in(
    folder: Path, environment: dict[str, str], *words: str | Path, prefix: tuple[str, ...] = ()
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end on a system that many tests share and that is not ours.

    Args:
        folder: To run it in.
        environment: All of it.
        words: Of the command.
        prefix: Words that stand before those that start the program.
    """
    said = [str(word) for word in words]
    if warm_start.can_fork(environment):
        return warm_start.run(said, environment, 200.0, folder=folder, prefix=prefix)
    return subprocess.run(
        [*prefix, *ENTRY, *said],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=200.0,
        check=False,
    )


def start(*words: str | Path, **environment: str) -> Running:
    """Start a command and leave it running, with more in its environment than we have in ours."""
    environment = {**os.environ, **environment}
    if warm_start.can_start(environment):
        return warm_start.start([str(word) for word in words], environment)
    return subprocess.Popen(
        [*ENTRY, *map(str, words)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        start_new_session=True,
    )


def wait_for(path: Path, within_s: float = 60.0) -> None:
    """Wait until a file exists."""
    deadline_s = time.monotonic() + within_s
    while not path.exists():
        assert time.monotonic() < deadline_s, f"{path} did not appear"
        time.sleep(0.02)


def least(measure: Callable[[], float], *, below: float) -> float:
    """The least of a few times or deviations, taken until one is low enough.

    A machine that is busy or stands still adds to some; what the program does itself is in all of them.
    """
    found = [measure()]
    while min(found) >= below and len(found) < 4:
        found.append(measure())
    return min(found)


@contextmanager
def simulated_stand(
    folder: Path, *words: str, box: Path = DEMO_BOX, rate_hz: float = 200.0
) -> Iterator[Path]:
    """A simulated stand in its own process; yields its stand file.

    Its indicator is slower than the shipped one, unless told otherwise: it is played in real time.
    """
    given = ("--folder", folder, "--truth", folder.parent / "truth.json", "--rate", f"{rate_hz:g}")
    process = start("simulate", box, *given, *words)
    try:
        wait_for(folder / "stand.toml")
        yield folder / "stand.toml"
    finally:
        process.terminate()
        process.communicate(timeout=60.0)
