"""The desk, served: a server that waits until somebody ends it, and the address that people are given."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from lashmap_daemon.desk.app import OPEN_PATHS, Desk
from lashmap_daemon.desk.opened import Openings
from lashmap_daemon.desk.shelf import Shelf
from lashmap_daemon.page.address import address_of, invitation
from lashmap_daemon.page.app import application
from lashmap_daemon.page.feed import Feed
from lashmap_daemon.page.guard import Rules
from lashmap_daemon.page.server import PageEnded, Server, bind
from lashmap_daemon.system import noted_signals

if TYPE_CHECKING:
    from lashmap_daemon.setup.page_table import PageTable

_LOOK_S = 0.2


class ServedDesk:
    """Serves while it is entered.

    On this computer alone whoever reaches it may read; on a network the token is needed for that too. To
    exclude and to sign needs the token everywhere.

    Attributes:
        port: Where it is served.
        token: Of this desk; it is made anew where no file names one.
        openings: The tests that are open.

    Raises:
        ConfigurationError: When its place is taken, or token or certificate cannot be used.
        PageEnded: When it does not come up.
    """

    def __init__(self, table: PageTable, logbooks: Sequence[Path], *, writes: bool = True) -> None:
        self._table, self._writes = table, writes
        self.token = table.token() or secrets.token_urlsafe(24)
        tls = table.tls()
        self._server = Server(bind(table.host, table.port), Feed(1), tls)
        self.port = self._server.port
        names, encrypted = (*table.names, table.host), tls is not None
        looking = None if table.is_own else self.token
        readers = Rules.of(looking, names, OPEN_PATHS, encrypted=encrypted)
        writers = Rules.of(self.token, names, (), encrypted=encrypted) if writes else None
        self.openings = Openings()
        desk = Desk(Shelf(paths=tuple(logbooks)), self.openings, writers, self._server.lasts)
        self._server.start(application(readers, desk.routes))
        self._warming = threading.Thread(target=desk.warm, name="desk")
        self._warming.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.close()
        self._warming.join()  # a thread that is cut off in the middle of a computation takes the program down

    def wait(self) -> None:
        """Serve until the process is to end (Ctrl-C, SIGTERM), also where it was started with Ctrl-C ignored.

        Raises:
            PageEnded: When the server ended by itself.
        """
        with noted_signals("SIGINT", "SIGTERM") as came:
            while not came:
                if self._server.why_ended:
                    raise PageEnded(self._server.why_ended)
                time.sleep(_LOOK_S)

    def invitation(self) -> list[str]:
        """Where the desk is, with its token."""
        if not self._table.is_own:
            return invitation(self._table, self.port, self.token, what="The desk", file="")
        address = address_of(self._table, self.port)
        return [
            f"The desk: {address}{f'#{self.token}' if self._writes else ''}",
            "It can be seen on this computer alone; --host opens it to a network.",
            *([f"To read only: {address}"] if self._writes else []),
        ]


__all__ = ["PageEnded", "ServedDesk"]
