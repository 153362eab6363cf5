"""A system without what Windows, or a Python built for little, does not have: its names are taken away.

The folder of `made` goes to the front of ``PYTHONPATH``. Python runs a ``sitecustomize`` before anything
else, in the process under test and in every process that it starts. What the standard library of this system
itself needs is loaded first; everything else finds the names gone.
"""

from __future__ import annotations

import os
from pathlib import Path

_NAMES_TAKEN = """
import asyncio, functools, getpass, multiprocessing, selectors, shutil, subprocess, tempfile
import os, select, signal, socket, sys

GONE = ("_posixshmem", "fcntl", "grp", "pty", "pwd", "readline", "resource", "syslog", "termios", "tty")


class Finder:
    @staticmethod
    def find_spec(name, path=None, target=None):
        if name in GONE:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


for name in GONE:
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Finder)


def no_handlers(*_):
    raise NotImplementedError


asyncio.SelectorEventLoop.add_signal_handler = no_handlers
asyncio.SelectorEventLoop.remove_signal_handler = no_handlers
socket.socketpair = functools.partial(socket.socketpair, int(socket.AF_UNIX))
for module, names in (
    (asyncio, ("open_unix_connection", "start_unix_server")),
    (os, ("fchmod", "getegid", "geteuid", "getgid", "getuid", "mkfifo", "openpty", "ttyname")),
    (os, ("posix_fallocate", "sched_getaffinity")),
    (os, ("O_CLOEXEC", "O_NOFOLLOW", "O_NONBLOCK", "statvfs", "sysconf")),
    (select, ("poll", "epoll")),
    (signal, ("SIGALRM", "SIGHUP", "SIGPIPE", "SIGUSR1", "SIGUSR2", "setitimer")),
    (socket, ("AF_UNIX", "SO_PEERCRED")),
):
    for name in names:
        if hasattr(module, name):
            delattr(module, name)
"""


def made(folder: Path) -> dict[str, str]:
    """The environment in which Python starts on such a system; ``folder`` is made."""
    folder.mkdir(parents=True)
    (folder / "sitecustomize.py").write_text(_NAMES_TAKEN, "utf-8")
    return {**os.environ, "PYTHONPATH": str(folder)}
