"""The board in a browser: the same server and guard as a stand's page, fed a few times a second."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Self

from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from lashmap_daemon.hall.board import Board
from lashmap_daemon.hall.hall import Hall
from lashmap_daemon.hall.listening import Listener
from lashmap_daemon.page.address import invitation
from lashmap_daemon.page.app import STREAM_FILES, application, languages, route_of_pictures, routes_of_files
from lashmap_daemon.page.feed import Feed
from lashmap_daemon.page.guard import Rules
from lashmap_daemon.page.server import PageEnded, Server, bind

if TYPE_CHECKING:
    from types import TracebackType

    from starlette.requests import Request

    from lashmap_daemon.setup.bus_table import BusTable
    from lashmap_daemon.setup.page_table import PageTable

QUIET_S = 20.0  # for which a running test says nothing while a person turns the gear, or thinks
_OWN = Path(__file__).with_name("static")
BOARD_FILES = {
    "/": _OWN / "board.html",
    "/board.css": _OWN / "board.css",
    "/board.js": _OWN / "board.js",
    **STREAM_FILES,
}


class BoardPage:
    """Listens and serves while it is entered; `turn` is called a few times a second.

    Attributes:
        hall: What is known.
        listener: Where it comes from.

    Raises:
        ConfigurationError: When its place is taken, or token, password or certificate cannot be used.
        PageEnded: On entering, when it does not come up.
    """

    def __init__(self, bus: BusTable, page: PageTable, stands: frozenset[str]) -> None:
        self._page, self._token, tls = page, page.token(), page.tls()
        self.hall = Hall(root=bus.root, wanted=stands, in_brief=True)
        self.listener = Listener(bus, stands)
        self._board = Board(self.hall, self.listener.broker)
        self._feed = Feed(page.lookers)
        self._server = Server(bind(page.host, page.port), self._feed, tls)

        async def about(_: Request) -> Response:
            return JSONResponse({"root": bus.root, "languages": languages()})

        routes = [
            *routes_of_files(BOARD_FILES),
            Route("/about", about, methods=["GET"]),
            route_of_pictures(self._feed, self._server.lasts),
        ]
        rules = Rules.of(self._token, (*page.names, page.host), BOARD_FILES, encrypted=tls is not None)
        self._guard = application(rules, routes)

    def __enter__(self) -> Self:
        self._server.start(self._guard)
        self.listener.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.listener.__exit__()
        self._server.close()

    @property
    def port(self) -> int:
        """Where it is served."""
        return self._server.port

    def turn(self) -> None:
        """Take in what came, and show it.

        Raises:
            PageEnded: When there is no server any more.
        """
        now_s = time.monotonic()
        for topic, payload, kept in self.listener.take():
            self.hall.feed(topic, payload, retained=kept, now_s=now_s)
        self.listener.ask_alive(self.hall.quiet(now_s, QUIET_S))
        self._server.put(self._board.parts(now_s))

    def invitation(self) -> list[str]:
        """Where the board is, as text and as a code for a camera; with the token."""
        return invitation(self._page, self._server.port, self._token, what="The board", file="the file")


__all__ = ["BoardPage", "PageEnded"]
