"""Which device a port of the stand file is now: by path, by URL, or by what its USB adapter says it is.

``usb:1a86:7523`` is the one adapter with that vendor and product number (hexadecimal, as ``lsusb`` shows
them); ``usb:1a86:7523:EXAMPLE1`` also has that serial number. Paths and URLs stand for themselves. A local
port is recognised again after it was unplugged by the same marks, so that an instrument that comes back under
another name is found, and another instrument under the old name is not taken for it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

_USB = re.compile(r"usb:([0-9a-fA-F]{1,4}):([0-9a-fA-F]{1,4})(?::(.+))?")


@dataclass(frozen=True, kw_only=True)
class UsbPort:
    """A serial port on USB.

    Attributes:
        device: Name to open.
        vendor: USB vendor number.
        product: USB product number.
        serial: Serial number of the adapter; empty when it has none.
        location: The socket it is plugged into; empty when unknown.
    """

    device: str
    vendor: int
    product: int
    serial: str = ""
    location: str = ""

    @property
    def name(self) -> str:
        """As a stand file names it."""
        serial = f":{self.serial}" if self.serial else ""
        return f"usb:{self.vendor:04x}:{self.product:04x}{serial}"


Listing = Callable[[], Sequence[UsbPort]]


class PortNotFound(LookupError):
    """No port, or more than one, is what was asked for."""


def usb_ports() -> list[UsbPort]:
    """The USB serial ports that are plugged in now, as the system lists them."""
    return [
        UsbPort(
            device=port.device,
            vendor=port.vid,
            product=port.pid,
            serial=port.serial_number or "",
            location=port.location or "",
        )
        for port in _listed()
        if port.vid is not None and port.pid is not None
    ]


def _listed() -> list[Any]:
    try:
        from serial.tools import list_ports  # noqa: PLC0415 - only for those who ask
    except ImportError:  # see `lashmap_drivers.ports.link`: there are none
        return []
    return sorted(list_ports.comports())


def resolve(name: str, listing: Listing = usb_ports) -> str:
    """The device or URL to open now.

    Args:
        name: As in the stand file.
        listing: Where to look for USB ports; another one in tests.

    Raises:
        PortNotFound: When no port, or more than one, has the USB identity.
        ValueError: When ``name`` begins with ``usb:`` and goes on as no USB identity does.
    """
    if not name.lower().startswith("usb:"):
        return name
    asked = _USB.fullmatch(name)
    if asked is None:
        raise ValueError(
            f"{name}: expected usb:vendor:product or usb:vendor:product:serial, hexadecimal numbers"
        )
    vendor, product, serial = int(asked[1], 16), int(asked[2], 16), asked[3]
    there = listing()
    fitting = [
        port
        for port in there
        if (port.vendor, port.product) == (vendor, product) and serial in (None, port.serial)
    ]
    if not fitting:
        seen = ", ".join(f"{port.name} on {port.device}" for port in there) or "none"
        raise PortNotFound(f"no such USB port is plugged in; there are: {seen}")
    if len(fitting) > 1:
        both = ", ".join(f"{port.name} on {port.device}" for port in fitting)
        raise PortNotFound(f"more than one USB port fits: {both}; add the serial number, or use a path")
    return fitting[0].device


@dataclass(frozen=True, kw_only=True)
class Marks:
    """By what a port is recognised again.

    Attributes:
        name: As in the stand file.
        usb: The adapter behind it when it was opened; None when it is none on USB.
        alone: Nothing else that was plugged in then had the same vendor, product and serial number.
    """

    name: str
    usb: UsbPort | None = None
    alone: bool = True


def marks_of(name: str, device: str, listing: Listing = usb_ports) -> Marks:
    """The marks of a port just opened.

    Args:
        name: As in the stand file.
        device: What it was opened as.
        listing: Where to look for USB ports.
    """
    if "://" in device:
        return Marks(name=name)
    real = os.path.realpath(device)
    there = listing()
    mine = next((port for port in there if os.path.realpath(port.device) == real), None)
    if mine is None:
        return Marks(name=name)
    return Marks(name=name, usb=mine, alone=sum(port.name == mine.name for port in there) == 1)


def find_again(marks: Marks, listing: Listing = usb_ports) -> str:
    """The device or URL that is the same port now.

    With a serial number of its own it is found on any socket and under any name. Without one, only on the
    socket where it was: another adapter of the kind may hold another instrument and must not be taken for
    it.

    Raises:
        PortNotFound: When it is not there.
    """
    was = marks.usb
    if was is None:
        return resolve(marks.name, listing)
    there = [port for port in listing() if port.name == was.name]
    if was.serial and marks.alone:
        if len(there) == 1:
            return there[0].device
    elif was.location:
        there = [port for port in there if port.location == was.location]
        if len(there) == 1:
            return there[0].device
    where = (
        "" if was.serial and marks.alone else f"; plug it into the same socket ({was.location or 'unknown'})"
    )
    raise PortNotFound(f"{was.name} is not plugged in{where}")


# Which serial ports this machine has now, for a person who must name one in a stand file.


def ports_here() -> list[str]:
    """One line for each port: what to write in a stand file, and what it is."""
    lines = []
    for port in _listed():
        line = port.device
        if port.vid is not None and port.pid is not None:
            usb = UsbPort(
                device=port.device, vendor=port.vid, product=port.pid, serial=port.serial_number or ""
            )
            line += f" or {usb.name}"
        if port.description and port.description not in {"n/a", port.device}:
            line += f" ({port.description})"
        lines.append(line)
    return lines
