"""The service's end of the local socket: who may connect, how long, how much.

Whatever comes in - rubbish, half a request, ten megabytes, silence - costs one connection and nothing else.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

from lashmap_daemon.errors import EXIT_STAND, LashmapError, StandError
from lashmap_daemon.service.words import (
    MOST_REQUEST_BYTES,
    Answer,
    NotUnderstood,
    Request,
    line_of,
    read_request,
    refusal,
)
from lashmap_daemon.system import need_local_sockets, stranger

LOG = logging.getLogger("lashmap.control")
PATIENCE_S = 5.0  # for a request to come whole, and for an answer to be taken
_MOST_AT_ONCE = 8
_REFUSING_S = 0.2

Answering = Callable[[Request], Awaitable[Answer]]


@contextlib.asynccontextmanager
async def serving(path: Path, answer: Answering, *, patience_s: float = PATIENCE_S) -> AsyncIterator[None]:
    """Answer requests on a socket at ``path`` while this is entered; the socket is removed afterwards.

    Args:
        path: In a folder that only its owner can enter.
        answer: Gives the answer to a request; what it raises becomes a refusal.
        patience_s: See `PATIENCE_S`.

    Raises:
        StandError: When another service of this stand answers there, or the socket cannot be made.
    """
    need_local_sockets()
    if _somebody_answers(path):
        raise StandError(
            f"{path}: another service of this stand is running; ask it with lashmap tell STAND status, and "
            "stop it before starting one anew"
        )
    connections = _Connections(answer, patience_s)
    try:
        server = await asyncio.start_unix_server(connections.meet, path, limit=MOST_REQUEST_BYTES)
        path.chmod(0o600)  # noqa: ASYNC240 - a local file; the folder lets nobody else in meanwhile
    except OSError as error:
        raise StandError(f"{path}: the local socket cannot be made ({error.strerror or error})") from error
    try:
        yield
    finally:
        server.close()
        connections.send_away()
        with contextlib.suppress(OSError):
            path.unlink()  # noqa: ASYNC240 - a local file


class _NoRequest(Exception):
    """Somebody connected and sent nothing."""


class _Connections:
    def __init__(self, answer: Answering, patience_s: float) -> None:
        self._answer, self._patience_s = answer, patience_s
        self._here: set[asyncio.StreamWriter] = set()

    async def meet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, to its end; nothing it does gets out of here."""
        self._here.add(writer)
        try:
            await self._serve(reader, writer)
        except Exception:
            LOG.exception("a request could not be dealt with")
        finally:
            self._here.discard(writer)
            writer.close()

    def send_away(self) -> None:
        """Close every connection."""
        for writer in tuple(self._here):
            writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        reply: Answer | None
        user = stranger(writer.get_extra_info("socket"))
        if user is not None:
            LOG.warning("a request of user %s was refused: the socket is for its owner", user)
            reply = refusal("only the user of the service and root may use it", exit_status=EXIT_STAND)
        elif len(self._here) > _MOST_AT_ONCE:
            reply = refusal("too many requests at once; try again", exit_status=EXIT_STAND)
        else:
            reply = None
        if reply is None:
            reply = await self._read(reader)
        else:
            # A connection that is closed with bytes unread takes its answer with it (unix(7)).
            with contextlib.suppress(OSError, TimeoutError):
                async with asyncio.timeout(_REFUSING_S):
                    await reader.read(MOST_REQUEST_BYTES)
        with contextlib.suppress(OSError, TimeoutError):  # whoever asked may be gone
            writer.write(line_of(reply))
            async with asyncio.timeout(self._patience_s):
                await writer.drain()

    async def _read(self, reader: asyncio.StreamReader) -> Answer:
        try:
            line = await self._line(reader)
            return await self._answer(read_request(line))
        except NotUnderstood as error:
            LOG.warning("a request was not understood: %s", error)
            return refusal(str(error))
        except _NoRequest:
            return refusal("no request came")
        except LashmapError as error:
            return refusal(*error.lines, exit_status=error.exit_status)
        except Exception as error:
            LOG.exception("a request failed")
            return refusal(
                f"the service failed at this ({type(error).__name__}); see its log", exit_status=EXIT_STAND
            )

    async def _line(self, reader: asyncio.StreamReader) -> bytes:
        try:
            async with asyncio.timeout(self._patience_s):
                return await reader.readuntil(b"\n")
        except TimeoutError:
            raise NotUnderstood(f"no whole request came within {self._patience_s:g} s") from None
        except asyncio.IncompleteReadError as error:
            if not error.partial:
                raise _NoRequest from None
            raise NotUnderstood("half a request came; it must end with a line feed") from None
        except asyncio.LimitOverrunError:
            raise NotUnderstood(f"the request is longer than {MOST_REQUEST_BYTES} bytes") from None
        except OSError:
            raise NotUnderstood("the connection broke") from None


def _somebody_answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(str(path))
        except OSError:
            return False  # nobody, or what a killed service left behind
        return True
