"""Who may come to the page, and what may come with a request: decided before anything of it is read further.

A request is answered only under an address or a name of this computer (a page elsewhere whose name was turned
to this address, "DNS rebinding", has another), with the token where there is one, and not too often from one
address. One that changes something comes from the page itself (``Origin``, Fetch standard 3.1); the pages of
others open none of ours but the first (Fetch Metadata, ``Sec-Fetch-Site``). Nothing is
kept in a browser by the server: no cookie. A body is short and comes at once.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import socket
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Iterable, Mapping, MutableMapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from lashmap_daemon.allowance import Allowance
from lashmap_daemon.setup.page_table import is_address

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_BURST, _INTERVAL_S = 60, 0.05  # of requests from one address
_MOST_ADDRESSES = 256
_BODY_S = 5.0  # within which a body has come
_LARGE_S = 12.0  # a large one, of which there is one at a time
_SCHEME = "bearer "
HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "cache-control": "no-store",
    "connection": "close",  # each request has a time limit of its own that way
}


@dataclass(frozen=True, kw_only=True)
class Rules:
    """Of one server.

    Attributes:
        token: None where whoever reaches it may look.
        names: Of this computer, beside its addresses.
        encrypted: It is reached by https.
        open_paths: What is handed out without the token: the page itself, which says nothing of the stand.
    """

    token: str | None
    names: frozenset[str]
    encrypted: bool
    open_paths: frozenset[str]

    @classmethod
    def of(
        cls, token: str | None, names: Iterable[str], open_paths: Iterable[str], *, encrypted: bool
    ) -> Rules:
        """With what this computer is called anyway."""
        own = {"localhost", socket.gethostname(), f"{socket.gethostname().partition('.')[0]}.local"}
        known = frozenset(name.lower() for name in (*own, *names))
        return cls(token=token, names=known, encrypted=encrypted, open_paths=frozenset(open_paths))

    def refusal(self, method: str, path: str, headers: Mapping[str, str]) -> tuple[int, str] | None:
        """Status and reason why a request is not answered; None when it is. Names of headers are in small."""
        host = _host_of(headers.get("host", ""))
        if host is None or not (is_address(host) or host in self.names):
            return 421, "this is no address of the stand; where it is a name of it, add it to page.names"
        if path != "/" and headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
            return 403, "the request comes from another page than that of the stand"
        if method not in {"GET", "HEAD"}:
            scheme = "https" if self.encrypted else "http"
            if headers.get("origin", "").lower() != f"{scheme}://{headers['host'].lower()}":
                return 403, "the request does not come from the page of the stand"
        if path not in self.open_paths and not self._knows(headers.get("authorization", "")):
            return 401, "the token is missing or is not the one of this stand"
        return None

    def _knows(self, authorization: str) -> bool:
        if self.token is None:
            return True
        if not authorization.lower().startswith(_SCHEME):
            return False
        given = authorization[len(_SCHEME) :].strip()
        return hmac.compare_digest(given.encode("utf-8", "replace"), self.token.encode())


def _host_of(header: str) -> str | None:
    """The host in a header of that name, in small letters; None when it is none."""
    try:
        parts = urlsplit(f"//{header}")
        parts.port  # noqa: B018 - raises when it is none
    except ValueError:
        return None
    return parts.hostname if header and not (parts.username or parts.path or parts.query) else None


@dataclass
class Guard:
    """Stands before an application (ASGI 3); `Rules` say who comes in.

    Attributes:
        most_bytes: Of a body.
        larger: Of a body at these paths; one of those at a time is read.
        refused: How many requests were refused so far.
    """

    app: App
    rules: Rules
    most_bytes: int
    larger: Mapping[str, int] = field(default_factory=dict)
    refused: int = field(default=0, init=False)
    _often: OrderedDict[str, Allowance] = field(default_factory=OrderedDict, init=False)
    _large_comes: bool = field(default=False, init=False)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or say why not."""
        if scope["type"] != "http":
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        guarded, most = _guarded(send), self.larger.get(scope["path"], self.most_bytes)
        found = self._often_enough(scope) or self.rules.refusal(scope["method"], scope["path"], headers)
        if found is None and scope["method"] not in {"GET", "HEAD", "POST"}:
            found = 405, "only GET and POST are known here"
        if found is None:
            found = self._too_long(headers, most)
        if found is not None:
            self.refused += 1
            await refuse(guarded, *found)
            return
        if scope["method"] == "POST":
            body = await self._body(receive, most)
            if body is None:
                self.refused += 1
                await refuse(guarded, 413, f"more than {most} bytes, or they did not come in time")
                return
            receive = _with_body(body, receive)
        await self.app(scope, receive, guarded)

    def _often_enough(self, scope: Scope) -> tuple[int, str] | None:
        address = str((scope.get("client") or ("?",))[0])
        allowance = self._often.pop(address, None) or Allowance(burst=_BURST, interval_s=_INTERVAL_S)
        self._often[address] = allowance
        while len(self._often) > _MOST_ADDRESSES:
            self._often.popitem(last=False)
        return None if allowance.spend(time.monotonic()) else (429, "too many requests; wait a moment")

    def _too_long(self, headers: Mapping[str, str], most: int) -> tuple[int, str] | None:
        length = headers.get("content-length", "0")
        if not length.isdecimal() or len(length) > 12 or int(length) > most:
            return 413, f"more than {most} bytes are not taken"
        if most > self.most_bytes and self._large_comes:
            return 503, "another file is being taken; try again"
        return None

    async def _body(self, receive: Receive, most: int) -> bytes | None:
        large = most > self.most_bytes
        self._large_comes = self._large_comes or large
        pieces, size = list[bytes](), 0
        try:
            async with asyncio.timeout(_LARGE_S if large else _BODY_S):
                while True:
                    message = await receive()
                    pieces.append(bytes(message.get("body", b"")))
                    size += len(pieces[-1])
                    if message["type"] != "http.request" or size > most:
                        return None
                    if not message.get("more_body", False):
                        return b"".join(pieces)
        except TimeoutError:
            return None
        finally:
            self._large_comes = self._large_comes and not large


def _guarded(send: Send) -> Send:
    """Send with the headers of every answer."""
    extra = [(name.encode(), value.encode()) for name, value in HEADERS.items()]

    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = [one for one in message.get("headers", []) if one[0].decode() not in HEADERS]
            message = {**message, "headers": [*own, *extra]}
        await send(message)

    return guarded


def _with_body(body: bytes, receive: Receive) -> Receive:
    """As if the body came in one piece; what follows is what comes."""
    first: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def received() -> Message:
        return first.pop() if first else await receive()

    return received


async def refuse(send: Send, status: int, reason: str) -> None:
    """Answer with a reason."""
    body = json.dumps({"reason": reason}).encode()
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    if status == 401:
        headers.append((b"www-authenticate", b"Bearer"))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
