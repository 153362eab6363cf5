"""The ``lashmap`` command in a process of its own that need not import anything: forked from one that did.

Such a process is a whole one: exit status, streams, environment, folder, signals and its end are those of
``python -m lashmap_daemon``. What an interpreter decides before its first line cannot be had this way; then
`can_start` says no.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import importlib
import json
import os
import pkgutil
import runpy
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

_READ_AT_START = ("PYTHON", "LC_", "LANG", "COVERAGE", "COV_", "LD_", "MALLOC")  # of an environment
_MOST_BYTES = 1 << 20
_MODULE = "lashmap_daemon"


def can_start(environment: Mapping[str, str]) -> bool:
    """True when a process forked here is like one begun anew: the system forks, the environment is alike."""
    measured = any(name.startswith("COV") for name in environment)
    return hasattr(os, "fork") and not measured and _read_at_start(environment) == _first()[1]


def run(
    words: Sequence[str], environment: Mapping[str, str], within_s: float
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end; nothing on standard input.

    Raises:
        subprocess.TimeoutExpired: When it does not end in time; it is ended first.
    """
    with (
        Path(os.devnull).open("rb") as nothing,
        tempfile.TemporaryFile() as output,
        tempfile.TemporaryFile() as errors,
    ):
        ours, theirs = socket.socketpair()
        with ours:
            with theirs:
                _ask(words, environment, [file.fileno() for file in (nothing, output, errors, theirs)])
            with ours.makefile("r", encoding="ascii") as told:
                process = int(told.readline())
                ours.settimeout(within_s)
                try:
                    status = int(told.readline())
                except TimeoutError:
                    with contextlib.suppress(ProcessLookupError):
                        os.kill(process, signal.SIGKILL)
                    raise subprocess.TimeoutExpired([_MODULE, *words], within_s) from None
        return subprocess.CompletedProcess([_MODULE, *words], status, _text(output), _text(errors))


def _ask(words: Sequence[str], environment: Mapping[str, str], files: list[int]) -> None:
    umask = os.umask(0o022)
    os.umask(umask)
    asked = {"words": [*words], "environment": {**environment}, "folder": str(Path.cwd()), "umask": umask}
    data = json.dumps(asked).encode()
    assert len(data) < _MOST_BYTES
    socket.send_fds(_first()[0], [data], files)


def _text(file: IO[bytes]) -> str:
    file.seek(0)
    return file.read().decode().replace("\r\n", "\n")


def _read_at_start(environment: Mapping[str, str]) -> dict[str, str]:
    return {name: text for name, text in environment.items() if name.startswith(_READ_AT_START)}


@functools.cache
def _first() -> tuple[socket.socket, dict[str, str]]:
    """The way to the process that has imported the program, and what it was begun with."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    process = subprocess.Popen(
        [sys.executable, __file__, str(theirs.fileno())],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        pass_fds=[theirs.fileno()],
        cwd="/",
    )
    theirs.close()

    def end() -> None:
        ours.close()
        process.wait(timeout=60.0)

    atexit.register(end)
    return ours, _read_at_start(os.environ)


# In the process that has imported the program -------------------------------------------------------------


def _serve(way: socket.socket) -> list[str]:
    """Fork for whoever asks; returns the words of the command in a process that is to run it."""
    importlib.import_module(f"{_MODULE}.cli")
    commands = importlib.import_module(f"{_MODULE}.commands")
    for module in pkgutil.iter_modules(commands.__path__, f"{commands.__name__}."):
        importlib.import_module(module.name)
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
        told.sendall(f"{process}\n".encode())
        _, status = os.waitpid(process, 0)
        told.sendall(f"{os.waitstatus_to_exitcode(status)}\n".encode())
        os._exit(0)
    told.close()
    words, environment, folder, umask = asked.values()
    assert isinstance(words, list)
    assert isinstance(environment, dict)
    assert isinstance(umask, int)
    for number, file in enumerate(files):
        os.dup2(file, number)
        os.close(file)
    os.environ.clear()
    os.environ.update(environment)
    os.umask(umask)
    os.chdir(str(folder))
    time.tzset()
    return words


if __name__ == "__main__":
    sys.path[:] = sys.path[1:]  # this folder, which no command has
    sys.argv[1:] = _serve(socket.socket(fileno=int(sys.argv[1])))
    runpy.run_module(_MODULE, run_name="__main__", alter_sys=True)
