"""What systems have or lack of what lashmap needs, so that no other module of the daemon asks where it runs.

Signals, keys and lines typed at a terminal, file locks, users, local sockets, pseudo-terminals. Linux has
them all. On Windows ``msvcrt`` stands in for keys and locks; local sockets and pseudo-terminals are missing.
The tests take names away; nobody has run this on Windows itself yet.
"""

from __future__ import annotations

import asyncio
import errno
import os
import select
import signal
import socket
import struct
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from importlib import import_module
from types import FrameType, TracebackType
from typing import Any, Self

from lashmap_daemon.errors import StandError


def _module(name: str) -> Any:  # noqa: ANN401 - a module of some systems; None on others
    try:
        return import_module(name)
    except ImportError:
        return None


_fcntl, _msvcrt, _termios = _module("fcntl"), _module("msvcrt"), _module("termios")
_tty: Any = _module("tty") if _termios is not None else None

HAS_KEYS = _tty is not None or _msvcrt is not None
HAS_LOCAL_SOCKETS = hasattr(socket, "AF_UNIX") and hasattr(asyncio, "start_unix_server")
HAS_PSEUDO_TERMINALS = _tty is not None and hasattr(os, "openpty")


# Signals ----------------------------------------------------------------------------------------------------


_PATIENCE = 2  # times that Ctrl-C only asks


@contextmanager
def on_signals(handlers: Mapping[str, Callable[[], None]]) -> Iterator[None]:
    """While this is entered, a signal calls its handler in the running loop.

    Args:
        handlers: By name of the signal (``SIGTERM``); a signal that the system does not have never comes.
    """
    loop = asyncio.get_running_loop()
    with ExitStack() as stack:
        for name, handler in handlers.items():
            if hasattr(signal, name):
                _hook(loop, getattr(signal, name), handler, stack)
        yield


def _hook(
    loop: asyncio.AbstractEventLoop, number: signal.Signals, handler: Callable[[], None], stack: ExitStack
) -> None:
    def into_loop(_number: int, _frame: FrameType | None) -> None:
        loop.call_soon_threadsafe(handler)

    try:
        loop.add_signal_handler(number, handler)
        stack.callback(loop.remove_signal_handler, number)
    except NotImplementedError:  # the loop of Windows
        before = signal.signal(number, into_loop)
        stack.callback(signal.signal, number, signal.SIG_DFL if before is None else before)


@contextmanager
def noted_signals(*names: str) -> Iterator[list[signal.Signals]]:
    """While this is entered, signals are noted for a loop that looks at them; nobody else ends it.

    An exception that a handler raises is dropped where Python happens to be in a finaliser or a callback, and
    a handler that set an event would wait for ever for the event's lock when it interrupts the wait for that
    event. Outside the main thread no signal is ever noted.

    Args:
        names: Of the signals (``SIGTERM``); one that the system does not have never comes.

    Yields:
        Those that came.

    Raises:
        KeyboardInterrupt: At the third Ctrl-C, for whoever waits for something that does not end.
    """
    came: list[signal.Signals] = []

    def handle(number: int, _frame: FrameType | None) -> None:
        came.append(signal.Signals(number))
        if came.count(signal.SIGINT) > _PATIENCE:
            raise KeyboardInterrupt

    with ExitStack() as stack:
        if threading.current_thread() is threading.main_thread():
            for number in (getattr(signal, name) for name in names if hasattr(signal, name)):
                stack.callback(signal.signal, number, signal.signal(number, handle) or signal.SIG_DFL)
        yield came


# Terminals --------------------------------------------------------------------------------------------------

_ESCAPE = "\x1b"
_WINDOWS_PREFIXES = {"\x00", "\xe0"}  # of an arrow or function key; its code follows as one more key
_BACKSPACE = "\b"
_ENTER = "\r"


class SingleKeys:
    """Keys of the terminal on standard input while this is entered; it is given back as it was.

    Without `HAS_KEYS` no key ever comes.
    """

    def __init__(self) -> None:
        self._descriptor = sys.stdin.fileno()
        self._before: Any = None

    def __enter__(self) -> Self:
        if _tty is not None:
            self._before = _termios.tcgetattr(self._descriptor)
            _tty.setcbreak(self._descriptor)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is not None:
            with suppress(_termios.error):  # a terminal that is gone wants nothing back
                _termios.tcsetattr(self._descriptor, _termios.TCSADRAIN, self._before)

    def typed(self) -> Iterator[str]:
        """What was typed since the last call, read by read, without waiting.

        An arrow or function key begins with an escape, and what belongs to it follows in the same read.

        Raises:
            OSError: When the terminal is gone.
        """
        if _tty is None:
            yield from _windows_keys()
            return
        while select.select([self._descriptor], [], [], 0)[0]:
            read = os.read(self._descriptor, 64).decode("utf-8", "ignore")
            if not read:  # single keys have no end of input: the terminal hung up
                raise OSError(errno.EIO, "the terminal hung up")
            yield read


class TypedLines:
    """Lines typed on the terminal at standard input, one by one, without waiting for one."""

    def __init__(self) -> None:
        self._begun = ""

    def next(self) -> str | None:
        """A whole line; None when there is none yet, or standard input is no terminal that can be asked."""
        if not sys.stdin.isatty():
            return None
        if _msvcrt is None:
            # Windows can select sockets only, and a system without terminals has nobody who types.
            there = os.name == "posix" and select.select([sys.stdin], [], [], 0)[0]
            return sys.stdin.readline() if there else None
        for key in _windows_keys():
            if key == _ENTER:
                line, self._begun = self._begun, ""
                return line
            if key == _BACKSPACE:
                self._begun = self._begun[:-1]
            elif key.isprintable():
                self._begun += key
        return None


def forget_typed() -> None:
    """Forget what was typed at standard input and not read: it cannot answer a question asked after it."""
    if not sys.stdin.isatty():
        return
    if _termios is not None:
        with suppress(_termios.error):  # a terminal that is gone has nothing to forget
            _termios.tcflush(sys.stdin.fileno(), _termios.TCIFLUSH)
    for _ in _windows_keys():
        pass


def _windows_keys() -> Iterator[str]:
    while _msvcrt is not None and _msvcrt.kbhit():
        key = _msvcrt.getwch()
        yield _ESCAPE + _msvcrt.getwch() if key in _WINDOWS_PREFIXES else key


def need_pseudo_terminals() -> None:
    """Refuse what the simulated stand cannot do without.

    Raises:
        StandError: The system has no pseudo-terminals.
    """
    if not HAS_PSEUDO_TERMINALS:
        raise StandError(
            "this system has no pseudo-terminals, so no stand can be simulated on it (simulate, demo); use "
            "Linux or macOS for that, or try run with recorded files"
        )


def open_pseudo_terminal() -> tuple[int, int, str]:
    """A pseudo-terminal in raw mode: descriptors of the instrument's side and the port's, name of the port.

    Raises:
        StandError: The system has none.
        OSError: None is left.
    """
    need_pseudo_terminals()
    ours, ports = os.openpty()
    try:
        _tty.setraw(ports)
        os.set_blocking(ours, False)
        return ours, ports, os.ttyname(ports)
    except BaseException:
        os.close(ours)
        os.close(ports)
        raise


# Files, users, local sockets --------------------------------------------------------------------------------

_LOCKED_BYTE = 1 << 30  # behind all that is ever written: Windows lets nobody read a byte that is locked
_CREDENTIALS = struct.Struct("3i")  # unix(7), struct ucred: process, user, group


@contextmanager
def locked(descriptor: int) -> Iterator[bool]:
    """Hold a file alone, by a lock that the system takes back when its holder dies.

    Args:
        descriptor: The file, open for writing.

    Yields:
        False where the system has no such locks; nothing is locked then.

    Raises:
        BlockingIOError: Another one holds it.
        OSError: Its disk knows no locks.
    """
    if _fcntl is not None:
        _fcntl.flock(descriptor, _fcntl.LOCK_EX | _fcntl.LOCK_NB)
        yield True  # closing the file gives the lock back
        return
    if _msvcrt is None:
        yield False
        return
    try:
        os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
        _msvcrt.locking(descriptor, _msvcrt.LK_NBLCK, 1)
    except PermissionError as error:
        raise BlockingIOError(*error.args) from error
    try:
        yield True
    finally:
        with suppress(OSError):
            os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
            _msvcrt.locking(descriptor, _msvcrt.LK_UNLCK, 1)


def is_own(status: os.stat_result) -> bool:
    """Whether a file is the user's who runs this; true where files have no user number."""
    return not hasattr(os, "geteuid") or status.st_uid == os.geteuid()


def stranger(connection: socket.socket) -> int | None:
    """User number of a peer on a local socket that is neither this user nor root.

    None for one that may speak, or where the system cannot tell; the folder's mode guards the socket alone.
    """
    if not hasattr(socket, "SO_PEERCRED") or not hasattr(os, "geteuid"):
        return None
    packed = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    _process, user, _group = _CREDENTIALS.unpack(packed)
    return None if user in {0, os.geteuid()} else int(user)


def need_local_sockets() -> None:
    """Refuse what a service and those who speak to it cannot do without.

    Raises:
        StandError: The system has no local sockets.
    """
    if not HAS_LOCAL_SOCKETS:
        raise StandError("this system has no Unix sockets, so a service cannot be spoken to; use lashmap run")
