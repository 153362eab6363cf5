"""One opened serial port or serial device server: set up, drained, written to, closed.

Decided here: exclusive use, what each setting means for pyserial, and how to wait for bytes without turning
in circles. Threads, time stamps and coming back after a loss are the port's (`lashmap_drivers.ports.port`).
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import time
from pathlib import Path
from typing import Any

from lashmap_drivers.errors import PortBusy, PortNotOpened
from lashmap_drivers.ports.source import PortSettings

try:
    import serial
except ImportError:  # pyserial has no way to a port on a system without terminals of any kind
    serial = None  # type: ignore[assignment]

MOST_BYTES = 65536  # of one chunk: a flood is cut here
_SETTLE_S = 0.1  # a device server sends what it kept for nobody within this
_BLIND_WAIT_S = 0.001  # between looks where the system cannot tell that bytes have come
_WRITE_TIMEOUT_S = 1.0
_KEEP_ALIVE_S = 5  # a device server whose cable was pulled is missed after about three of these

_PARITY = {"none": "N", "even": "E", "odd": "O"}  # as pyserial calls them


class Link:
    """An open port.

    Args:
        instrument: Role of the instrument, for messages.
        name: The port as the stand file names it, for messages.
        device: Device or pyserial URL to open.
        settings: Speed, framing, control lines.

    Raises:
        PortBusy: When somebody else has it open.
        PortNotOpened: When it cannot be opened or set up, with the reason.
    """

    def __init__(self, instrument: str, name: str, device: str, settings: PortSettings) -> None:
        if serial is None:
            raise PortNotOpened(
                instrument,
                name,
                "this system has no serial ports that a program can set up",
                "Use a recording (a recorded file, a logbook replay), or another computer.",
            )
        self.device = device
        self._is_remote = "://" in device
        if not self._is_remote:
            _refuse_other_readers(instrument, name, device)
        try:
            self._serial = _open(device, settings)
        except Exception as error:  # whatever a port driver raises must end in a message
            if _is_busy(error):
                raise PortBusy(instrument, name, tuple(_who_locks(device))) from error
            raise PortNotOpened(
                instrument,
                name,
                f"cannot open the port ({short(error)})",
                "Check the name in the stand file, the cable, and that no other program holds it.",
            ) from error
        self._descriptor = _descriptor(self._serial)
        self._ready = _ready_signal(self._descriptor)
        try:
            self._drop_stale()
        except Exception as error:
            self.close()
            raise PortNotOpened(
                instrument, name, f"the port failed at once ({short(error)})", "Check the cable."
            ) from error

    def read(self) -> bytes:
        """All bytes that are there, at most `MOST_BYTES` and a read more; never waits.

        Raises:
            Exception: What pyserial raises when the port is gone.
        """
        data = self._read_once()
        if not data:
            return data
        # Drained until empty: a terminal hands over 4 kB a read, a telnet port a byte.
        pieces, length = [data], len(data)
        while length < MOST_BYTES and (data := self._read_once()):
            pieces.append(data)
            length += len(data)
        return b"".join(pieces)

    def _read_once(self) -> bytes:
        if self._ready is None:
            data: bytes = self._serial.read(MOST_BYTES)
            return data
        # A third of the time that pyserial takes for the same, which counts a thousand times a second.
        if not self._ready.poll(0):
            return b""
        try:
            data = os.read(self._descriptor, MOST_BYTES)
        except BlockingIOError:
            return b""
        if not data:
            raise OSError(errno.EIO, "the other end hung up")
        return data

    def wait(self, seconds: float) -> None:
        """Wait until there is something to read (or the port failed), at most ``seconds``."""
        if self._ready is None:
            time.sleep(min(seconds, _BLIND_WAIT_S))
        else:
            self._ready.poll(max(0.0, seconds) * 1000.0)

    def write(self, data: bytes) -> None:
        """Send bytes.

        Raises:
            Exception: What pyserial raises when the port is gone or takes no bytes.
        """
        self._serial.write(data)

    def close(self) -> None:
        """Release the port, whatever state it is in."""
        # pyserial lets go of a socket without closing it when the other side hung up first.
        connection = getattr(self._serial, "_socket", None)
        with contextlib.suppress(Exception):
            self._serial.close()
        if connection is not None:
            connection.close()

    def _drop_stale(self) -> None:
        """What came before the port was opened would be stamped as new."""
        if not self._is_remote:
            self._serial.reset_input_buffer()
            return
        _keep_alive(self._serial)
        until_s = time.monotonic() + _SETTLE_S
        while (left_s := until_s - time.monotonic()) > 0.0:
            self.wait(left_s)
            self.read()
        self.read()  # whoever was held up here all that time has not looked once


def short(error: BaseException) -> str:
    """The reason alone: pyserial repeats the port and the error number around it."""
    if isinstance(error, OSError) and error.strerror and "could not open port" not in str(error.strerror):
        return error.strerror
    return str(error).split("] ")[-1].split(": '")[0].strip("'\" ") or type(error).__name__


def _open(device: str, settings: PortSettings) -> Any:  # noqa: ANN401 - one of several classes of pyserial
    port = serial.serial_for_url(device, do_not_open=True)
    port.baudrate = settings.baud
    port.bytesize = settings.data_bits
    port.parity = _PARITY[settings.parity]
    port.stopbits = settings.stop_bits
    port.rtscts = settings.flow_control == "rts/cts"
    port.xonxoff = settings.flow_control == "xon/xoff"
    port.timeout = 0
    if "://" not in device:
        port.exclusive = True  # only local ports can be locked
        port.write_timeout = _WRITE_TIMEOUT_S  # a line held back by flow control must not hold the reader
    if settings.dtr is not None:
        port.dtr = settings.dtr
    if settings.rts is not None:
        port.rts = settings.rts
    port.open()
    return port


def _descriptor(port: Any) -> int:  # noqa: ANN401 - see `_open`
    """What the system can wait on and read from; −1 where there is none."""
    if not hasattr(select, "poll"):
        return -1
    try:
        return int(port.fileno())
    except (OSError, AttributeError):  # a telnet port reads in a thread of its own
        return -1


def _ready_signal(descriptor: int) -> Any:  # noqa: ANN401 - select.poll is no type, and absent on Windows
    """An object whose ``poll(ms)`` returns when the port can be read; None where there is none."""
    if descriptor < 0:
        return None
    ready = select.poll()
    ready.register(descriptor, select.POLLIN)
    return ready


def _keep_alive(port: Any) -> None:  # noqa: ANN401 - see `_open`
    connection = getattr(port, "_socket", None)
    if connection is None:
        return
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (
        ("TCP_KEEPIDLE", _KEEP_ALIVE_S),
        ("TCP_KEEPINTVL", _KEEP_ALIVE_S),
        ("TCP_KEEPCNT", 2),
    ):
        if hasattr(socket, option):
            connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


def _refuse_other_readers(instrument: str, name: str, device: str) -> None:
    """A program that takes no lock is found all the same, where the system lets us look."""
    # The far side of a pseudo-terminal keeps the near side open too, and reads nothing from it.
    if os.name != "posix" or os.path.realpath(device).startswith("/dev/pts/") or not os.path.lexists(device):
        return
    by_file = lock_file_holder(device)
    found = [by_file] if by_file else holders(device)
    if found:
        raise PortBusy(instrument, name, tuple(found))


def _who_locks(device: str) -> list[str]:
    return lockers(device) or holders(device)


def _is_busy(error: BaseException) -> bool:
    """The lock, or a port that is opened for one only, is taken."""
    busy = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
    return isinstance(error, OSError) and error.errno in busy


# Who holds a port: read from the process table, where there is one (Linux), and only when it matters.


_PROC = Path("/proc")
_LOCK_FOLDERS = (Path("/run/lock"), Path("/var/lock"))
_MOST_COMMAND = 80


def lockers(device: str, *, proc: Path = _PROC) -> list[str]:
    """Who holds a lock on ``device``, each as ``process 123 (command)``; this program may be among them.

    Args:
        device: Path of the device; links are followed.
        proc: The process table; another one in tests.
    """
    try:
        status = Path(device).stat()
        lines = (proc / "locks").read_text("ascii").splitlines()
    except OSError:
        return []
    # 1: FLOCK  ADVISORY  WRITE 708 00:13:4 0 EOF — process, then device and inode (proc(5)).
    target = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    found = {int(words[4]) for line in lines if len(words := line.split()) > 5 and words[5] == target}
    return [_named(process, proc) for process in sorted(found)]


def holders(device: str, *, proc: Path = _PROC) -> list[str]:
    """Other processes that have ``device`` open, each as ``process 123 (command)``.

    Processes of other users can usually not be looked into and are then not seen; an empty list is no proof.

    Args:
        device: Path of the device; links are followed.
        proc: The process table; another one in tests.
    """
    target = os.path.realpath(device)
    try:
        processes = sorted(int(entry.name) for entry in proc.iterdir() if entry.name.isdigit())
    except OSError:
        return []
    return [
        _named(process, proc)
        for process in processes
        if process != os.getpid() and _has_open(proc / str(process) / "fd", target)
    ]


def lock_file_holder(
    device: str, *, proc: Path = _PROC, folders: tuple[Path, ...] = _LOCK_FOLDERS
) -> str | None:
    """The living process named in a lock file ``LCK..name``, which terminal programs leave; None without.

    Such files hold the process number as text (Filesystem Hierarchy Standard 3.0, 5.9).
    """
    for folder in folders:
        try:
            process = int((folder / f"LCK..{Path(os.path.realpath(device)).name}").read_text("ascii"))
        except (OSError, ValueError):
            continue
        if process != os.getpid() and (proc / str(process)).is_dir():
            return _named(process, proc)
    return None


def _named(process: int, proc: Path) -> str:
    if process == os.getpid():
        return "this program itself, for another instrument"
    return f"process {process} ({_command(proc / str(process))})"


def _has_open(descriptors: Path, target: str) -> bool:
    try:
        return any(_points_at(entry) == target for entry in descriptors.iterdir())
    except OSError:  # another user's, or gone meanwhile
        return False


def _points_at(descriptor: Path) -> str:
    try:
        return str(descriptor.readlink())
    except OSError:
        return ""


def _command(process: Path) -> str:
    try:
        words = (process / "cmdline").read_bytes().split(b"\0")
    except OSError:
        return "its command cannot be read"
    text = b" ".join(words).decode("utf-8", "replace").strip()
    return text if len(text) <= _MOST_COMMAND else f"{text[:_MOST_COMMAND]}…"
