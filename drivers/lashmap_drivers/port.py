"""A serial port that only moves bytes: opened, drained by a thread of its own, closed.

The thread stamps each read at once and hands it over through a bounded queue; when the consumer lags so far
that the queue is full, the oldest reads are dropped and counted, never silently. A failure of the thread is
kept and raised to whoever takes the next chunks.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from types import TracebackType
from typing import Self

import serial

from lashmap_drivers.errors import InstrumentLost, PortNotOpened
from lashmap_drivers.profile import PortSettings
from lashmap_drivers.readings import Chunk

TICK_S = 0.004  # short enough that 4 kB terminal buffers never fill, long enough that wake-ups stay cheap
_READ_BYTES = 65536
_QUEUE_CHUNKS = 50_000  # over three minutes of ticks

_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class Port:
    """One open serial port and the thread that drains it.

    Args:
        instrument: Role of the instrument, for messages.
        name: Local device name or pyserial URL.
        settings: Speed and framing.

    Raises:
        PortNotOpened: When it cannot be opened, with the reason.
    """

    def __init__(self, instrument: str, name: str, settings: PortSettings) -> None:
        self.instrument = instrument
        self.name = name
        self.dropped_chunks = 0
        self._chunks: deque[Chunk] = deque(maxlen=_QUEUE_CHUNKS)
        self._failure: Exception | None = None
        self._closing = threading.Event()
        self._serial = self._open(settings)
        self._thread = threading.Thread(target=self._drain, name=f"port {name}", daemon=True)
        self._thread.start()

    def take(self) -> list[Chunk]:
        """All chunks since the last call, oldest first.

        Raises:
            InstrumentLost: When the port failed and everything read before has been taken.
        """
        taken = []
        while self._chunks:
            taken.append(self._chunks.popleft())
        if not taken and self._failure is not None:
            raise InstrumentLost(
                self.instrument,
                self.name,
                f"the port stopped working ({self._failure})",
                "Plug the cable in again and start the test again; what was recorded is kept.",
            ) from self._failure
        return taken

    def close(self) -> None:
        """Stop the thread and release the port; safe to call twice."""
        self._closing.set()
        self._thread.join(timeout=2.0)
        self._serial.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _open(self, settings: PortSettings) -> serial.SerialBase:
        # Only local ports can be locked against a second program.
        options = {} if "://" in self.name else {"exclusive": True}
        try:
            port = serial.serial_for_url(
                self.name,
                baudrate=settings.baud,
                bytesize=settings.data_bits,
                parity=_PARITY[settings.parity],
                stopbits=settings.stop_bits,
                timeout=0,
                **options,
            )
            port.reset_input_buffer()  # stale bytes would be stamped as new
        except (serial.SerialException, OSError, ValueError) as error:
            raise PortNotOpened(
                self.instrument,
                self.name,
                f"cannot open the port ({_short(error)})",
                "Check the name in the stand file, the cable, and that no other program holds it.",
            ) from error
        return port

    def _drain(self) -> None:
        try:
            while not self._closing.is_set():
                data = self._serial.read(_READ_BYTES)
                if data:
                    if len(self._chunks) == _QUEUE_CHUNKS:
                        self.dropped_chunks += 1
                    self._chunks.append(Chunk(time.monotonic(), data))
                self._closing.wait(TICK_S)
        except Exception as error:  # noqa: BLE001 - whatever it is, it must reach the consumer
            self._failure = error


def _short(error: Exception) -> str:
    """The reason alone: pyserial repeats the port and the error number around it."""
    if isinstance(error, OSError) and error.strerror and "could not open port" not in str(error.strerror):
        return error.strerror
    return str(error).split("] ")[-1].split(": '")[0].strip("'\" ")
