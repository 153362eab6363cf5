"""A serial port that only moves bytes: opened, drained by a thread of its own, come back to when lost.

The thread stamps what it reads at once and hands it over through a bounded queue; when the consumer lags so
far that the queue is full, the oldest reads are dropped and counted, never silently. A port that stops
working is tried again until it is closed, and found under another name if it has to be; the break is marked
in the stream. A failure of the thread itself is kept and raised to whoever takes the next chunks.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from types import TracebackType
from typing import Self

from lashmap_drivers.errors import InstrumentLost, PortNotOpened
from lashmap_drivers.ports.finding import Listing, PortNotFound, find_again, marks_of, resolve, usb_ports
from lashmap_drivers.ports.link import MOST_BYTES, Link, short
from lashmap_drivers.ports.source import Backoff, Loss, Poll, PortSettings
from lashmap_drivers.readings import Chunk

TICK_S = 0.001  # between reads: short enough for a prompt reading
_BUSY_TICKS_S = (0.02, 0.004)  # longest first; waking up is what costs when much comes
_BUSY_BYTES_PER_S = 5000.0  # 200 lines a second or more: their times come from the earliest of many reads
_MOST_BYTES_A_TICK = 2048  # a terminal's 4 kB could overflow before a read that comes late
_PACE_S = 0.1  # how often the pace of the bytes is looked at
_IDLE_S = 0.02  # longest wait before looking whether the port is to be closed
_MOST_CHUNKS = 200_000  # over three minutes of ticks
_MOST_QUEUED_BYTES = 32_000_000
_MOST_REPLY_BYTES = 4096
_JOIN_S = 2.0
_LATE_S = 1.0  # a reply may be this late: taken for the next one, every value from then on would be one old
RETRY = Backoff()


class Port:
    """One open serial port and the thread that drains it.

    Attributes:
        instrument: Role of the instrument.
        name: The port as the stand file names it.
        lost: What is known about a port that is away; None while it works.
        reconnects: How often it came back.
        dropped_chunks: Reads lost because nobody took them in time.
        stale_bytes: Bytes of a polled instrument that answered no request, thrown away.
        missed_polls: Requests without a whole reply in time.
        transaction_s: How long the last polled reading took, in seconds; its time is the middle.

    Args:
        instrument: Role of the instrument, for messages.
        name: Local device name, USB identity (`lashmap_drivers.ports.finding`) or pyserial URL.
        settings: Speed, framing, control lines.
        poll: How it is asked; None for an instrument that sends of its own accord.
        backoff: Waits between attempts to come back; None ends at the first failure.
        listing: Where to look for USB ports; another one in tests.

    Raises:
        PortNotOpened: When it cannot be opened, with the reason; `PortBusy` names the holder.
    """

    def __init__(
        self,
        instrument: str,
        name: str,
        settings: PortSettings,
        *,
        poll: Poll | None = None,
        backoff: Backoff | None = RETRY,
        listing: Listing = usb_ports,
    ) -> None:
        self.instrument = instrument
        self.name = name
        self.lost: Loss | None = None
        self.reconnects = self.dropped_chunks = self.stale_bytes = self.missed_polls = 0
        self.transaction_s = 0.0
        self._settings, self._poll, self._backoff, self._listing = settings, poll, backoff, listing
        self._chunks: deque[Chunk] = deque()
        self._queued_bytes = 0
        self._queue = threading.Lock()
        self._arrived = threading.Event()
        self._closing = threading.Event()
        self._failure: Exception | None = None
        link = self._open(lambda: resolve(name, listing))
        try:
            self._marks = marks_of(name, link.device, listing)
        except Exception as error:  # whatever the system's listing raises must not keep the port taken
            link.close()
            raise PortNotOpened(
                instrument,
                name,
                f"cannot list the ports of this machine ({short(error)})",
                "Name the port by its path, and look into the system's own messages.",
            ) from error
        self._thread = threading.Thread(target=self._run, args=(link,), name=f"port {name}", daemon=True)
        self._thread.start()

    def take(self) -> list[Chunk]:
        """All chunks since the last call, oldest first; one without bytes marks a break.

        Raises:
            InstrumentLost: When the port failed for good and everything read before has been taken.
        """
        self._arrived.clear()
        with self._queue:
            taken = list(self._chunks)
            self._chunks.clear()
            self._queued_bytes = 0
        if not taken and self._failure is not None:
            raise InstrumentLost(
                self.instrument,
                self.name,
                f"the port stopped working ({short(self._failure)})",
                "Plug the cable in again and start the test again; what was recorded is kept.",
            ) from self._failure
        return taken

    def wait(self, seconds: float) -> bool:
        """Wait until there is something to take, at most ``seconds``; true when there is."""
        return self._arrived.wait(seconds)

    @property
    def alive(self) -> bool:
        """True while the thread that moves bytes runs."""
        return self._thread.is_alive()

    def close(self) -> None:
        """Stop the thread, which releases the port; safe to call twice."""
        self._closing.set()
        self._thread.join(timeout=_JOIN_S)  # one that is still trying to connect ends by itself afterwards

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _open(self, find: Callable[[], str]) -> Link:
        try:
            device = find()
        except (PortNotFound, ValueError, OSError) as error:
            raise PortNotOpened(
                self.instrument,
                self.name,
                f"cannot find the port ({error})",
                "Check the stand file and the cable.",
            ) from error
        return Link(self.instrument, self.name, device, self._settings)

    # The thread ------------------------------------------------------------------------------------------

    def _run(self, first: Link) -> None:
        link: Link | None = first
        try:
            while link is not None:
                failure = self._work(link)
                if failure is None:
                    return
                link.close()
                if self._backoff is None:
                    self._failure = failure
                    return
                link = self._come_back(failure, self._backoff)
        except Exception as error:  # noqa: BLE001 - whatever it is, it must reach the consumer
            self._failure = error
        finally:
            if link is not None:
                link.close()
            self._arrived.set()

    def _work(self, link: Link) -> Exception | None:
        """Move bytes until the port is closed (None) or fails (why)."""
        try:
            if self._poll is None:
                self._listen(link)
            else:
                self._ask(link, self._poll)
        except Exception as error:  # noqa: BLE001 - port drivers raise what they like; it is told in `lost`
            return error
        return None

    def _come_back(self, failure: Exception, backoff: Backoff) -> Link | None:
        """Try until the port works again; None when it is to be closed."""
        self.lost = Loss(since_s=time.monotonic(), reason=short(failure))
        self._give(Chunk(self.lost.since_s, b""))
        for wait_s in backoff.waits():
            if self._closing.wait(wait_s):
                return None
            try:
                link = self._open(lambda: find_again(self._marks, self._listing))
            except Exception:  # noqa: BLE001, S112 - see `_work`; it is tried again
                continue
            self.lost = None
            self.reconnects += 1
            return link
        return None

    def _listen(self, link: Link) -> None:
        tick_s, brought, since_s = TICK_S, 0, time.monotonic()
        while not self._closing.is_set():
            data = link.read()
            if not data:
                link.wait(_IDLE_S)
                continue
            now_s = time.monotonic()
            self._give(Chunk(now_s, data))
            brought += len(data)
            if now_s - since_s >= _PACE_S:
                tick_s, brought, since_s = _tick_s(brought / (now_s - since_s)), 0, now_s
            if len(data) < MOST_BYTES:
                time.sleep(TICK_S if len(data) > _MOST_BYTES_A_TICK else tick_s)

    def _ask(self, link: Link, poll: Poll) -> None:
        due_s = time.monotonic()
        while not self._closing.wait(max(0.0, due_s - time.monotonic())):
            due_s = max(due_s + poll.interval_s, time.monotonic())
            self.stale_bytes += len(link.read())
            asked_s = time.monotonic()  # before writing: an instrument can be quicker than the return from it
            link.write(poll.request)
            reply, last_s = self._reply(link, poll, asked_s)
            if reply and poll.complete(reply):
                self.transaction_s = last_s - asked_s
                self._give(Chunk((asked_s + last_s) / 2.0, reply, (last_s - asked_s) / 2.0))
            elif not self._closing.is_set():
                self._miss(link, poll, Chunk(last_s, reply))

    def _reply(self, link: Link, poll: Poll, asked_s: float) -> tuple[bytes, float]:
        """What comes until the reply is whole or late, and when its last byte was read."""
        reply, last_s = b"", asked_s
        while (left_s := asked_s + poll.timeout_s - time.monotonic()) > 0.0 and not self._closing.is_set():
            link.wait(min(left_s, _IDLE_S))
            data = link.read()
            if data:
                reply, last_s = reply + data, time.monotonic()
                if poll.complete(reply) or len(reply) > _MOST_REPLY_BYTES:
                    break
        return reply, last_s

    def _miss(self, link: Link, poll: Poll, part: Chunk) -> None:
        """Keep what came of a reply, apart from the next one, and let a late rest of it go by."""
        self.missed_polls += 1
        if part.data:
            self._give(part)
            self._give(Chunk(part.arrival_s, b""))
        quiet_s = time.monotonic() + max(poll.timeout_s, _LATE_S)
        while (left_s := quiet_s - time.monotonic()) > 0.0 and not self._closing.is_set():
            link.wait(min(left_s, _IDLE_S))
            self.stale_bytes += len(link.read())

    def _give(self, chunk: Chunk) -> None:
        with self._queue:
            self._chunks.append(chunk)
            self._queued_bytes += len(chunk.data)
            if len(self._chunks) > _MOST_CHUNKS or self._queued_bytes > _MOST_QUEUED_BYTES:
                self._drop_oldest()
        self._arrived.set()

    def _drop_oldest(self) -> None:
        """Make room, but keep the newest read."""
        while len(self._chunks) > _MOST_CHUNKS or (
            self._queued_bytes > _MOST_QUEUED_BYTES and len(self._chunks) > 1
        ):
            dropped = self._chunks.popleft()
            self._queued_bytes -= len(dropped.data)
            self.dropped_chunks += not dropped.is_break
        if not self._chunks[0].is_break:
            self._chunks.appendleft(Chunk(self._chunks[0].arrival_s, b""))


def _tick_s(bytes_per_s: float) -> float:
    """How long to let bytes gather between two reads, for the pace at which they come."""
    if bytes_per_s < _BUSY_BYTES_PER_S:
        return TICK_S
    return next((tick_s for tick_s in _BUSY_TICKS_S if bytes_per_s * tick_s <= _MOST_BYTES_A_TICK), TICK_S)
