"""The address under which people find a page: as text, and as a code for the camera of a tablet."""

from __future__ import annotations

import io
import socket
from typing import TYPE_CHECKING

import segno

from lashmap_daemon.setup.page_table import is_address

if TYPE_CHECKING:
    from lashmap_daemon.setup.page_table import PageTable


def invitation(table: PageTable, port: int, token: str | None, *, what: str, file: str) -> list[str]:
    """Where ``what`` is, with the token; ``file`` is the one that has its table."""
    address = address_of(table, port)
    whole = address if token is None else f"{address}#{token}"
    drawn = io.StringIO()
    segno.make_qr(whole, error="m").terminal(drawn, compact=True, border=2)
    own = [f"It can be seen on this computer alone; page.host in {file} opens it."]
    warning = table.warning()
    return [
        f"{what}: {whole}",
        *(own if table.is_own else drawn.getvalue().rstrip("\n").split("\n")),
        *([warning] if warning else []),
    ]


def address_of(table: PageTable, port: int) -> str:
    """The address without the token."""
    host = table.host
    if is_address(host) and host in {"0.0.0.0", "::"}:  # noqa: S104 - it is compared, not bound
        host = table.names[0] if table.names else _own_address()
    scheme = "https" if table.encrypted else "http"
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}/"


def _own_address() -> str:
    """The address by which this computer reaches others; its name where it reaches nobody."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(("192.0.2.1", 9))  # for documentation (RFC 5737); nothing is sent
        except OSError:
            return socket.gethostname()
        return str(asking.getsockname()[0])
