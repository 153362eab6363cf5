"""Which serial ports this machine has now, for a person who must name one in a stand file."""

from __future__ import annotations

from lashmap_drivers.find_port import UsbPort


def ports_here() -> list[str]:
    """One line for each port: what to write in a stand file, and what it is."""
    from serial.tools import list_ports  # noqa: PLC0415 - only for those who ask

    lines = []
    for port in sorted(list_ports.comports()):
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
