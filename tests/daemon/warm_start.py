"""The ``lashmap`` command in a process of its own that need not import anything: forked from one that did.

Such a process is a whole one: exit status, streams, environment, folder, signals and its end are those of
``python -m lashmap_daemon``. What an interpreter decides before its first line is as in the process that it
is forked from: `can_start` says whether the usual one will do; `run` begins another where one is needed.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import gc
import importlib
import json
import locale
import os
import pkgutil
import runpy
import select
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import IO

_READ_AT_START = ("PYTHON", "LC_", "LANG", "COVERAGE", "COV_", "LD_", "MALLOC")  # of an environment
_MOST_BYTES = 1 << 20
_MODULE = "lashmap_daemon"
# Not needed to start the program, but by most commands: imported once instead of in every process.
_IMPORTED_LATER = ("jinja2", "numpy.fft", "numpy.polynomial", "numpy.random", "segno")


def can_fork(environment: Mapping[str, str]) -> bool:
    """True when the system forks and nobody measures which lines run."""
    return hasattr(os, "fork") and not any(name.startswith("COV") for name in environment)


def can_start(environment: Mapping[str, str]) -> bool:
    """True when a process forked from the usual one is like one begun anew."""
    return can_fork(environment) and _read_at_start(environment) == _OURS


class Forked:
    """A command that runs: what `subprocess.Popen` is to one begun anew, as far as tests ask.

    Attributes:
        pid: Its process.
        returncode: Its status, as of `subprocess.Popen`; None while it is not known to have ended.
        stdout: What it says, when that was asked for.
        stderr: The same of its errors.
    """

    def __init__(
        self,
        words: Sequence[str],
        environment: Mapping[str, str],
        files: Sequence[int],
        *,
        streams: Sequence[IO[str]] = (),
        session: bool = False,
        folder: Path | None = None,
        prefix: tuple[str, ...] = (),
    ) -> None:
        """Begin the command.

        Args:
            words: Of the command.
            environment: All of it.
            files: Its standard input, output and errors; they stay open here.
            streams: The other ends of its output and errors.
            session: In a session of its own.
            folder: To begin it in, ours otherwise.
            prefix: Words of a command that starts the one it is forked from.
        """
        self._words = [_MODULE, *words]
        self._told, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            asked = {
                "words": [*words],
                "environment": {**environment},
                "folder": str(folder or Path.cwd()),
                "umask": _umask(),
                "session": session,
            }
            data = json.dumps(asked).encode()
            assert len(data) < _MOST_BYTES
            way = _first(prefix, tuple(sorted(_read_at_start(environment).items())))
            socket.send_fds(way, [data], [*files, theirs.fileno()])
        self.pid = int(self._told.recv(64))
        self.returncode: int | None = None
        self.stdout: IO[str] | None = None
        self.stderr: IO[str] | None = None
        if streams:
            self.stdout, self.stderr = streams

    def poll(self) -> int | None:
        """Its status, None while it runs."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.wait(0.0)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end.

        Raises:
            subprocess.TimeoutExpired: When it does not end in time.
        """
        if self.returncode is None:
            if not select.select([self._told], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired(self._words, timeout or 0.0)
            self.returncode = int(self._told.recv(64))
            self._told.close()
        return self.returncode

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def communicate(self, timeout: float | None = None) -> tuple[str, str]:
        """The rest of what it says, until its end; nothing when that was read before.

        Raises:
            subprocess.TimeoutExpired: When it does not end in time.
        """
        assert self.stdout is not None
        assert self.stderr is not None
        with ThreadPoolExecutor(2) as pool:
            texts = [pool.submit(_rest, stream) for stream in (self.stdout, self.stderr)]
            try:
                self.wait(timeout)
            except subprocess.TimeoutExpired:
                self.kill()  # or the readers would not end either
                raise
            output, errors = (text.result() for text in texts)
        return output, errors


def _rest(stream: IO[str]) -> str:
    if stream.closed:
        return ""
    with stream:
        return stream.read()


def start(words: Sequence[str], environment: Mapping[str, str]) -> Forked:
    """Start a command in a session of its own and leave it running; nothing on standard input."""
    pipes = [os.pipe(), os.pipe()]
    with Path(os.devnull).open("rb") as nothing:
        files = [nothing.fileno(), *(theirs for _, theirs in pipes)]
        streams = [os.fdopen(ours, encoding=locale.getpreferredencoding(False)) for ours, _ in pipes]
        process = Forked(words, environment, files, streams=streams, session=True)
    for _, theirs in pipes:
        os.close(theirs)
    return process


def run(
    words: Sequence[str],
    environment: Mapping[str, str],
    within_s: float,
    *,
    folder: Path | None = None,
    prefix: tuple[str, ...] = (),
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end; nothing on standard input.

    Args:
        words: Of the command.
        environment: All of it.
        within_s: How long it may take.
        folder: To run it in, ours otherwise.
        prefix: Words of a command that starts the one it is forked from.

    Raises:
        subprocess.TimeoutExpired: When it does not end in time; it is ended first.
    """
    with (
        Path(os.devnull).open("rb") as nothing,
        tempfile.TemporaryFile() as output,
        tempfile.TemporaryFile() as errors,
    ):
        files = [file.fileno() for file in (nothing, output, errors)]
        process = Forked(words, environment, files, folder=folder, prefix=prefix)
        try:
            status = process.wait(within_s)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
        return subprocess.CompletedProcess([_MODULE, *words], status, _text(output), _text(errors))


def _umask() -> int:
    umask = os.umask(0o022)
    os.umask(umask)
    return umask


def _text(file: IO[bytes]) -> str:
    file.seek(0)
    return file.read().decode().replace("\r\n", "\n")


def _read_at_start(environment: Mapping[str, str]) -> dict[str, str]:
    return {name: text for name, text in environment.items() if name.startswith(_READ_AT_START)}


_OURS = _read_at_start(os.environ)


@functools.cache
def _first(prefix: tuple[str, ...], at_start: tuple[tuple[str, str], ...]) -> socket.socket:
    """The way to a process that has imported the program, begun with these words and this environment."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    other = {name: text for name, text in os.environ.items() if not name.startswith(_READ_AT_START)}
    process = subprocess.Popen(
        [*prefix, sys.executable, __file__, str(theirs.fileno())],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        env={**other, **dict(at_start)},
        pass_fds=[theirs.fileno()],
        cwd="/",
    )
    theirs.close()

    def end() -> None:
        ours.close()
        process.wait(timeout=60.0)

    atexit.register(end)
    return ours


# In the process that has imported the program -------------------------------------------------------------


def _serve(way: socket.socket) -> list[str]:
    """Fork for whoever asks; returns the words of the command in a process that is to run it."""
    app = importlib.import_module(f"{_MODULE}.cli").app
    typer = importlib.import_module("typer.main")
    whole = typer.get_command(app)  # all commands and their options: a third of a short one
    vars(typer)["get_command"] = lambda _: whole
    commands = importlib.import_module(f"{_MODULE}.commands")
    for module in pkgutil.iter_modules(commands.__path__, f"{commands.__name__}."):
        importlib.import_module(module.name)
    for name in _IMPORTED_LATER:
        importlib.import_module(name)
    events = importlib.import_module(f"{_MODULE}.story.events")
    for kind in events.KINDS:
        events._adapter(kind.__name__)
    gc.collect()
    gc.freeze()  # or every process copies all of it when it looks for garbage at its end
    while True:
        data, files, _, _ = socket.recv_fds(way, _MOST_BYTES, 4)
        with contextlib.suppress(ChildProcessError):
            while os.waitpid(-1, os.WNOHANG)[0]:
                pass
        if not data:
            os._exit(0)
        if os.fork() == 0:
            way.close()
            return _begun(json.loads(data), files)
        for file in files:
            os.close(file)


def _begun(asked: dict[str, object], files: list[int]) -> list[str]:
    """In a process that waits for the one that runs the command, and in that one; returns in the latter."""
    told = socket.socket(fileno=files.pop())
    process = os.fork()
    if process:
        for file in files:
            os.close(file)
        told.send(str(process).encode())
        _, status = os.waitpid(process, 0)
        told.send(str(os.waitstatus_to_exitcode(status)).encode())
        os._exit(0)
    told.close()
    words, environment, folder, umask, session = asked.values()
    if session:
        os.setsid()
    assert isinstance(words, list)
    assert isinstance(environment, dict)
    assert isinstance(umask, int)
    for number, file in enumerate(files):
        os.dup2(file, number)
        os.close(file)
    _new_streams()
    os.environ.clear()
    os.environ.update(environment)
    os.umask(umask)
    os.chdir(str(folder))
    time.tzset()
    return words


def _new_streams() -> None:
    """As an interpreter makes them at its start: whether one is a terminal or can seek is asked only then."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        old = getattr(sys, name)
        new = open(  # noqa: SIM115 - a descriptor, to the end of the process
            number, "w" if number else "r", encoding=old.encoding, errors=old.errors, closefd=False
        )
        new.reconfigure(line_buffering=new.line_buffering or name == "stderr")
        setattr(sys, name, new)
        setattr(sys, f"__{name}__", new)


def _end_at_once(statuses: Sequence[int]) -> None:
    """End with the status that was asked for, without taking every module apart: three quarters of a process.

    Threads were waited for and other functions of `atexit` called by then. What cannot be written is left to
    the usual end, which says so.
    """
    for status in statuses:
        with contextlib.suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(status)


if __name__ == "__main__":
    asked_for: list[int] = []
    atexit.register(_end_at_once, asked_for)  # before all others, so that it is called after them
    sys.path[:] = sys.path[1:]  # this folder, which no command has
    sys.argv[1:] = _serve(socket.socket(fileno=int(sys.argv[1])))
    try:
        runpy.run_module(_MODULE, run_name="__main__", alter_sys=True)
    except SystemExit as end:
        if isinstance(end.code, int):
            asked_for.append(end.code)
        raise
