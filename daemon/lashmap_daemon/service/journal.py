"""What a service says to its machine: its log, and messages to the service manager.

A line of the log carries the stand, test and instrument it is about.
On a terminal the lines are plain; elsewhere each is a JSON object; under systemd each begins with its
priority in angle brackets, as sd-daemon(3) describes. A cause that repeats is held back after a few lines and
counted. Lines are written by a thread of their own behind a bounded queue, so that a reader of the log that
is stuck delays nobody; lines that had no room are counted, and the next line says how many.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import logging
import os
import queue
import re
import socket
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Literal, TextIO

from lashmap_daemon.clean_text import visible
from lashmap_daemon.system import HAS_LOCAL_SOCKETS

LOG = logging.getLogger("lashmap")
FIELDS = ("stand", "test", "instrument")
Form = Literal["plain", "json", "systemd"]

_ABOUT: ContextVar[Mapping[str, str]] = ContextVar("about", default={})  # noqa: B039 - never changed in place
_MOST_LINES = 2000  # waiting to be written
_MOST_OF_A_CAUSE = 5  # lines in `_WHILE_S`
_WHILE_S = 60.0
_MOST_CAUSES = 256
_JOIN_S = 2.0
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
# syslog(3): err 3, warning 4, info 6, debug 7; crit 2.
_PRIORITY = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))


@contextlib.contextmanager
def about(**fields: str) -> Iterator[None]:
    """Everything logged inside carries these fields (of `FIELDS`)."""
    token = _ABOUT.set({**_ABOUT.get(), **fields})
    try:
        yield
    finally:
        _ABOUT.reset(token)


def form_for(stream: TextIO, environment: Mapping[str, str]) -> Form:
    """How to write on ``stream``: systemd names the journal's own stream in ``JOURNAL_STREAM``."""
    if stream.isatty():
        return "plain"
    named = environment.get("JOURNAL_STREAM", "")
    try:
        status = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return "json"
    return "systemd" if named == f"{status.st_dev}:{status.st_ino}" else "json"


def render(record: logging.LogRecord, form: Form) -> str:
    """One line of the log; nothing in a message can begin another line or drive a terminal."""
    fields = {name: getattr(record, name, None) or _ABOUT.get().get(name) for name in FIELDS}
    trace = logging.Formatter().formatException(record.exc_info) if record.exc_info else ""
    utc = dt.datetime.fromtimestamp(record.created, dt.UTC)
    if form == "plain":
        where = " ".join(f"{name}={value}" for name, value in fields.items() if value and name != "stand")
        text = _printable(record.getMessage()) + (f"  [{_printable(where)}]" if where else "")
        lines = [f"{utc.astimezone():%H:%M:%S} {record.levelname.lower():<8}{text}"]
        return "\n".join([*lines, *(_printable(line) for line in trace.splitlines())])
    document: dict[str, object] = {
        "time": f"{utc:%Y-%m-%dT%H:%M:%S}.{utc.microsecond // 1000:03d}Z",
        "level": record.levelname.lower(),
        "message": record.getMessage(),
        **fields,
    }
    if trace:
        document["trace"] = trace
    text = json.dumps(document, ensure_ascii=True)
    return f"<{_priority(record.levelno)}>{text}" if form == "systemd" else text


@dataclass
class _Cause:
    since_s: float
    passed: int = 0
    held: int = 0


class Holding(logging.Filter):
    """Lets a cause pass five times a minute and counts the rest.

    A cause is the text before its figures are put in, together with the instrument.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._causes: OrderedDict[tuple[object, ...], _Cause] = OrderedDict()
        self._lock = threading.Lock()

    def filter(self, record: logging.LogRecord) -> bool:
        """True when this one may pass; it then says how many like it were held back."""
        if record.levelno >= logging.CRITICAL:
            return True
        text = record.getMessage() if record.msg == "%s" else str(record.msg)
        key = (record.levelno, text, getattr(record, "instrument", None), record.exc_info is None)
        now_s = self._clock()
        with self._lock:
            cause = self._causes.pop(key, None)
            held = 0
            if cause is None or now_s - cause.since_s >= _WHILE_S:
                held = cause.held if cause else 0
                cause = _Cause(now_s)
            self._causes[key] = cause
            while len(self._causes) > _MOST_CAUSES:
                self._causes.popitem(last=False)
            if cause.passed >= _MOST_OF_A_CAUSE:
                cause.held += 1
                return False
            cause.passed += 1
        if held:
            record.msg = f"{record.getMessage()} ({held} like it were held back)"
            record.args = ()
        return True

    def ended(self) -> list[str]:
        """Sentences about causes that were held back and have not come again; call now and then."""
        now_s = self._clock()
        with self._lock:
            over = [key for key, cause in self._causes.items() if now_s - cause.since_s >= _WHILE_S]
            counts = [(str(key[1]), self._causes.pop(key).held) for key in over]
        return [f"{held} times more: {text}" for text, held in counts if held]


class Journal(logging.Handler):
    """Writes lines behind a bounded queue.

    Attributes:
        lost: Lines that had no room, since they were last reported.
    """

    def __init__(self, stream: TextIO, form: Form, most_lines: int = _MOST_LINES) -> None:
        super().__init__()
        self.lost = 0
        self._stream, self._form = stream, form
        self._lines: queue.Queue[str | None] = queue.Queue(most_lines)
        self._thread = threading.Thread(target=self._write, name="journal", daemon=True)
        self._thread.start()

    def emit(self, record: logging.LogRecord) -> None:
        """Take a record; never waits."""
        if self.lost:
            record.msg = f"{record.getMessage()} ({self.lost} lines of this log were lost: its reader lags)"
            record.args = ()
        try:
            self._lines.put_nowait(render(record, self._form))
            self.lost = 0
        except queue.Full:
            self.lost += 1

    def close(self) -> None:
        """Write what waits, for at most two seconds."""
        with contextlib.suppress(queue.Full):
            self._lines.put(None, timeout=_JOIN_S)
        self._thread.join(timeout=_JOIN_S)
        super().close()

    def _write(self) -> None:
        while (line := self._lines.get()) is not None:
            # A log that cannot be written (its reader went away) is no reason to stop a test.
            with contextlib.suppress(OSError, ValueError):
                self._stream.write(line + "\n")
                self._stream.flush()


@contextlib.contextmanager
def journal(stream: TextIO, environment: Mapping[str, str], *, verbose: bool) -> Iterator[Holding]:
    """Send everything that this program logs to ``stream``, in the form that fits it."""
    handler, holding = Journal(stream, form_for(stream, environment)), Holding()
    handler.addFilter(holding)
    LOG.addHandler(handler)
    LOG.setLevel(logging.DEBUG if verbose else logging.INFO)
    LOG.propagate = False
    try:
        yield holding
    finally:
        LOG.removeHandler(handler)
        handler.close()


def _priority(level: int) -> int:
    return next((priority for least, priority in _PRIORITY if level >= least), 7)


def _printable(text: str) -> str:
    shown = _CONTROL.sub(lambda found: found.group().encode("unicode_escape").decode("ascii"), text)
    return visible(shown)


_MICROSECONDS = 1_000_000
_PATIENCE_S = 0.5  # for a message that is sent once: the queue of a busy manager may be full


class Notifier:
    """Tells systemd how the service is, after sd_notify(3): a datagram of ``NAME=value`` lines to its socket.

    Only the protocol is here; the service decides what is sent. Without systemd nothing is.

    Attributes:
        watchdog_s: Longest time between two signs of life that it bears, in seconds; None when it does not
            watch this process.

    Args:
        environment: Of the process; ``NOTIFY_SOCKET``, ``WATCHDOG_USEC`` and ``WATCHDOG_PID`` are read.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._address = _address(environment.get("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(environment)
        self._status = ""

    def ready(self) -> None:
        """The service does its work."""
        self._send("READY=1", patience_s=_PATIENCE_S)

    def reloading(self) -> None:
        """The service reads its files again; `ready` follows."""
        self._send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}", patience_s=_PATIENCE_S)

    def stopping(self) -> None:
        """The service ends."""
        self._send("STOPPING=1", patience_s=_PATIENCE_S)

    def status(self, text: str) -> None:
        """A line for a person; sent when it changes."""
        if text != self._status:
            self._status = text
            self._send("STATUS=" + " ".join(text.split()))

    def alive(self) -> None:
        """A sign of life."""
        self._send("WATCHDOG=1")

    def _send(self, *lines: str, patience_s: float = 0.0) -> None:
        if self._address is None:
            return
        # A service manager that does not read must not stop or delay a test.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
            one.settimeout(patience_s)  # 0 is not to wait at all
            one.sendto("\n".join(lines).encode(), self._address)


def _address(named: str) -> str | None:
    if not named.startswith(("/", "@")) or not HAS_LOCAL_SOCKETS:
        return None
    return "\0" + named[1:] if named.startswith("@") else named  # sd_notify(3): @ is the abstract namespace


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """After sd_watchdog_enabled(3): for this process alone when ``WATCHDOG_PID`` names one."""
    process = environment.get("WATCHDOG_PID", "")
    try:
        period = int(environment.get("WATCHDOG_USEC", ""))
        mine = not process or int(process) == os.getpid()
    except ValueError:
        return None
    return period / _MICROSECONDS if mine and period > 0 else None
