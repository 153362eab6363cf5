"""The page of one stand: server, feed, requests and relay together, and the address that people are given."""

from __future__ import annotations

from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Self

from lashmap_daemon.clean_text import clean
from lashmap_daemon.page.address import address_of, invitation
from lashmap_daemon.page.app import FILES, About, application, routes_of_page
from lashmap_daemon.page.feed import Feed
from lashmap_daemon.page.guard import Rules
from lashmap_daemon.page.metrics import Metrics
from lashmap_daemon.page.orders import Orders
from lashmap_daemon.page.server import PageEnded, Server, bind
from lashmap_daemon.testing.relay import Relay

if TYPE_CHECKING:
    from lashmap_daemon.page.picture import Parts
    from lashmap_daemon.setup.page_table import PageTable

_LAST_PICTURE_S = 0.5


class StandPage:
    """Serves while it is entered.

    Attributes:
        orders: What is asked on the page.
        metrics: How the stand is, in figures for a monitoring system.
        relay: Hands pictures to the server; its failure is the end of the page.

    Raises:
        ConfigurationError: When its place is taken, or token or certificate cannot be used.
        PageEnded: When it does not come up.
    """

    def __init__(self, table: PageTable, stand: str) -> None:
        self._table, self._token = table, table.token()
        tls = table.tls()
        self.orders = Orders(table.may)
        self._feed = Feed(table.lookers)
        self._server = Server(bind(table.host, table.port), self._feed, tls)
        about = About(stand=clean(stand), may=self.orders.may)
        self.metrics = Metrics(clean(stand), lambda: (self._feed.lookers, self._guard.refused))
        routes = routes_of_page(about, self._feed, self.orders, self._server.lasts)
        rules = Rules.of(self._token, (*table.names, table.host), FILES, encrypted=tls is not None)
        self._guard = application(rules, [*routes, self.metrics.route()], photos="photo" in table.may)
        self._server.start(self._guard)
        self.relay: Relay[Callable[[], Parts]] = Relay("the page", self._put, replace=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.relay.close(_LAST_PICTURE_S)
        self._server.close()

    @property
    def is_seen(self) -> bool:
        """Somebody looks."""
        return self._feed.lookers > 0

    @property
    def failed(self) -> str:
        """Why there is no page any more; empty while there is."""
        failure = self.relay.failure
        return "" if failure is None else str(failure) or type(failure).__name__

    def show(self, made: Callable[[], Parts]) -> None:
        """Show a picture, made when it is its turn; never waits."""
        self.relay(made)

    @property
    def line(self) -> str:
        """How it is, for a person; without the token."""
        looking = "nobody looks" if not self._feed.lookers else f"{self._feed.lookers} look"
        if self._guard.refused:
            looking += f", {self._guard.refused} requests were refused"
        address = address_of(self._table, self._server.port)
        return f"{address}: {f'gone ({self.failed})' if self.failed else looking}"

    def invitation(self) -> list[str]:
        """Where the page is, as text and as a code for the camera of a tablet; with the token."""
        return invitation(
            self._table, self._server.port, self._token, what="The page of the stand", file="the stand file"
        )

    def _put(self, made: Callable[[], Parts]) -> None:
        self._server.show(made())


__all__ = ["PageEnded", "StandPage"]
