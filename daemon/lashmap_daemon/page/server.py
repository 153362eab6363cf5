"""The server of the page: a thread with a loop of its own, and connections that are few and do not linger.

uvicorn speaks HTTP on each connection; which connections there are is decided here, before any of them has a
byte read or a handshake made: at most so many in all and from one address, a time limit for all of a request
(`Server.lasts` lifts it for a stream), a looker that takes nothing is let go. What happens here never reaches
the thread of a test but as the end of a relay.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.page.feed import Feed
from lashmap_daemon.page.picture import Parts, as_bytes

if TYPE_CHECKING:
    import ssl

    from lashmap_daemon.page.guard import App

LOG = logging.getLogger("lashmap.page")
MOST_CONNECTIONS, MOST_OF_ONE = 128, 32
REQUEST_S = 15.0  # for a handshake, a request and its answer
_HANDSHAKE_S = 5.0
_STUCK_S = 10.0  # a looker that takes nothing for so long is let go
_HEAD_BYTES = 16_384
_UNSENT_BYTES = 16_384  # a slow looker is that far behind, and what it shows is not old
_READY_S = 10.0
_LOOK_S = 0.25


class PageEnded(Exception):
    """The server of the page is no more; the text says why."""


def bind(host: str, port: int) -> socket.socket:
    """A socket that listens.

    Raises:
        ConfigurationError: When there is no such place here, or another program has it.
    """
    try:
        family, _, _, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.create_server(place[:2], family=family, backlog=64)
    except OSError as error:
        reason = error.strerror or str(error)
        problem = f"{host}:{port} cannot be listened on ({reason}); change page.host or page.port"
        raise ConfigurationError("page", [f"{problem}, or give --page-port"]) from None
    # What is accepted has it from here.
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _UNSENT_BYTES)
    listening.setblocking(False)
    return listening


class Server:
    """Serves an application until it is closed.

    Attributes:
        feed: What those who look get.
    """

    def __init__(self, listening: socket.socket, feed: Feed, tls: ssl.SSLContext | None = None) -> None:
        self.feed = feed
        self.port: int = listening.getsockname()[1]
        self._listening, self._tls = listening, tls
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._end: asyncio.Event | None = None
        self._connections: dict[tuple[str, int], asyncio.Timeout | None] = {}
        self._failure = ""
        self._thread: threading.Thread | None = None

    def start(self, app: App) -> None:
        """Serve from now on, in a thread.

        Raises:
            PageEnded: When it does not come up.
        """
        self._thread = threading.Thread(target=self._run, args=(app,), name="page", daemon=True)
        self._thread.start()
        if not self._ready.wait(_READY_S) or self._loop is None:
            raise PageEnded(self._failure or f"its server did not come up within {_READY_S:.0f} s")

    def close(self, wait_s: float = 1.0) -> None:
        """End it; the lookers are let go."""
        loop, end = self._loop, self._end
        if loop is not None and end is not None and not loop.is_closed():
            loop.call_soon_threadsafe(end.set)
        if self._thread is not None:
            self._thread.join(wait_s)
        self._listening.close()

    def show(self, parts: Parts) -> None:
        """Put a picture before all who look; returns when the server has it, however long that takes.

        Raises:
            PageEnded: When there is no server any more.
        """
        self.put(as_bytes(parts), is_live=bool(parts["now"].get("live", True)))

    def put(self, packed: Mapping[str, bytes], *, is_live: bool = True) -> None:
        """The same with parts that are bytes already; raises as `show`."""
        taken, loop = threading.Event(), self._loop

        def put() -> None:
            self.feed.put(packed, is_live=is_live)
            taken.set()

        try:
            if loop is None:
                raise PageEnded("its server was never there")
            loop.call_soon_threadsafe(put)
        except RuntimeError:  # its loop is closed
            raise PageEnded(self._failure or "its server ended") from None
        while not taken.wait(_LOOK_S):
            if self.why_ended:
                raise PageEnded(self.why_ended)

    @property
    def why_ended(self) -> str:
        """Why it is no more; empty while it serves."""
        if self._thread is not None and self._thread.is_alive():
            return ""
        return self._failure or "its server ended"

    def lasts(self, client: Any) -> None:  # noqa: ANN401 - whatever a request names as its client
        """The answer to this client has no end: no time limit cuts it."""
        limit = self._connections.get((client.host, client.port)) if client is not None else None
        if limit is not None:
            limit.reschedule(None)

    # In the thread -------------------------------------------------------------------------------------

    def _run(self, app: App) -> None:
        try:
            asyncio.run(self._serve(app))
        except BaseException as error:  # noqa: BLE001 - said by whoever shows a picture next
            self._failure = str(error) or type(error).__name__
            LOG.error("the page ended: %s", self._failure)  # noqa: TRY400 - nobody mends it with a traceback
        finally:
            self._ready.set()

    async def _serve(self, app: App) -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(_quietly)
        made = _protocols(app)
        self._end = asyncio.Event()
        self._loop = loop
        self._ready.set()
        accepting = asyncio.create_task(self._accept(made))
        ending = asyncio.create_task(self._end.wait())
        await asyncio.wait({accepting, ending}, return_when=asyncio.FIRST_COMPLETED)
        ending.cancel()
        if accepting.done():
            accepting.result()
        accepting.cancel()  # asyncio.run cancels the connections, each of which is aborted

    async def _accept(self, made: Callable[[], Connection]) -> None:
        loop, talking = asyncio.get_running_loop(), set[asyncio.Task[None]]()
        while True:
            try:
                accepted, address = await loop.sock_accept(self._listening)
            except OSError:  # it was gone again, or there is no descriptor left
                await asyncio.sleep(_LOOK_S)
                continue
            place = (str(address[0]), int(address[1]))
            same = sum(host == place[0] for host, _ in self._connections)
            if len(self._connections) >= MOST_CONNECTIONS or same >= MOST_OF_ONE:
                accepted.close()
                continue
            self._connections[place] = None
            task = asyncio.create_task(self._talk(accepted, place, made))
            talking.add(task)
            task.add_done_callback(talking.discard)

    async def _talk(
        self, accepted: socket.socket, place: tuple[str, int], made: Callable[[], Connection]
    ) -> None:
        """One connection from its handshake to its end."""
        connection: Connection | None = None
        try:
            async with asyncio.timeout(REQUEST_S) as limit:
                self._connections[place] = limit
                _, connection = await asyncio.get_running_loop().connect_accepted_socket(
                    made,
                    accepted,
                    ssl=self._tls,
                    ssl_handshake_timeout=_HANDSHAKE_S if self._tls is not None else None,
                )
                await connection.gone.wait()
        except (OSError, TimeoutError):
            pass  # it went away, made no handshake, or took too long: nobody is there to be told
        finally:
            self._connections.pop(place, None)
            if connection is not None:
                connection.transport.abort()
            accepted.close()


class Connection(H11Protocol):
    """One connection.

    Attributes:
        gone: Set when it ended.
    """

    def __init__(self, config: uvicorn.Config, state: ServerState) -> None:
        super().__init__(config, state, {})
        self.gone = asyncio.Event()
        self._stuck: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as theirs
        """Begin; little waits to be sent."""
        transport.set_write_buffer_limits(high=_UNSENT_BYTES)
        super().connection_made(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        """It ended."""
        self.resume_writing()
        super().connection_lost(exc)
        self.gone.set()

    def pause_writing(self) -> None:
        """Nothing more is taken at the other end; it has a while to go on."""
        super().pause_writing()
        self._stuck = self.loop.call_later(_STUCK_S, self.transport.abort)

    def resume_writing(self) -> None:
        """It goes on."""
        if self._stuck is not None:
            self._stuck.cancel()
            self._stuck = None
        super().resume_writing()


def _protocols(app: App) -> Callable[[], Connection]:
    """Makes the protocol of each connection."""
    config = uvicorn.Config(
        app,
        http=H11Protocol,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        h11_max_incomplete_event_size=_HEAD_BYTES,
    )
    for name in ("uvicorn.error", "uvicorn.access", "uvicorn.asgi"):
        logger = logging.getLogger(name)  # what it says of a client's mistakes is for nobody at the stand
        logger.addHandler(logging.NullHandler())
        logger.propagate = False
    config.load()
    state = ServerState()
    return lambda: Connection(config, state)


def _quietly(_: asyncio.AbstractEventLoop, context: Mapping[str, Any]) -> None:
    LOG.debug("%s", context.get("message", ""), exc_info=context.get("exception"))
