"""The application behind the page: its files, its messages, the stream of pictures, and requests.

`application` takes further routes, so that another page can share server and guard.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from lashmap_daemon.page.feed import Feed, TooManyLook
from lashmap_daemon.page.guard import Guard, Rules
from lashmap_daemon.page.orders import MOST_BYTES, MOST_PHOTO_BYTES, NotTaken, Orders, Pending
from lashmap_daemon.screens.phrases import LANGUAGES, TEXTS, texts_of

STATIC = Path(__file__).with_name("static")
_KINDS = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
    ".json": "application/json",
}
_LOOK_S = 0.02
_ANSWERED_S = 3.0  # within which a test has said what came of a request
_LATE = "the test did not say what came of it; look at the page"
PHOTO = "/photo"
# What all pages have: the stand's, the desk's, the board's.
COMMON_FILES = {
    "/icon.svg": STATIC / "icon.svg",
    "/reader.js": STATIC / "reader.js",
    **{f"/texts/{language}.json": TEXTS / f"{language}.json" for language in LANGUAGES},
}
# What pages have that follow a stream of pictures.
STREAM_FILES = {**COMMON_FILES, "/page.css": STATIC / "page.css", "/stream.js": STATIC / "stream.js"}
FILES = {"/": STATIC / "page.html", "/page.js": STATIC / "page.js", **STREAM_FILES}


@dataclass(frozen=True, kw_only=True)
class About:
    """What the page is told once: of which stand it is, and what may be asked."""

    stand: str
    may: tuple[str, ...]


def application(rules: Rules, routes: Iterable[BaseRoute], *, photos: bool = False) -> Guard:
    """Routes behind the guard, which lets a photograph in where some are taken."""
    larger = {PHOTO: MOST_PHOTO_BYTES} if photos else {}
    return Guard(Starlette(routes=list(routes)), rules, MOST_BYTES, larger)


def routes_of_page(about: About, feed: Feed, orders: Orders, lasts: Callable[[Any], None]) -> list[BaseRoute]:
    """The page of a stand.

    Args:
        about: Which stand.
        feed: Where its pictures come from.
        orders: Where requests go.
        lasts: Called with a request's client when its answer has no end, so that no time limit cuts it.
    """

    async def told(_: Request) -> Response:
        return JSONResponse({"stand": about.stand, "may": about.may, "languages": languages()})

    async def ask(request: Request) -> Response:
        body = await request.body()
        return await _asked(lambda: orders.judge(body), orders)

    async def photo(request: Request) -> Response:
        data, said = await request.body(), request.query_params
        return await _asked(
            lambda: orders.judge_photo(data, said.get("test", ""), said.get("words", "")), orders
        )

    return [
        *routes_of_files(FILES),
        Route("/about", told, methods=["GET"]),
        route_of_pictures(feed, lasts),
        Route("/ask", ask, methods=["POST"]),
        Route(PHOTO, photo, methods=["POST"]),
    ]


def languages() -> dict[str, str]:
    """The languages that there are texts in, each by its own name."""
    return {language: str(texts_of(language)["language"]) for language in LANGUAGES}


def route_of_pictures(feed: Feed, lasts: Callable[[Any], None]) -> BaseRoute:
    """The stream of pictures; ``lasts`` as in `routes_of_page`."""

    async def pictures(request: Request) -> Response:
        stack = ExitStack()
        try:
            sent = stack.enter_context(feed.looker())
        except TooManyLook as error:
            return JSONResponse({"reason": str(error)}, status_code=503)
        lasts(request.client)
        return StreamingResponse(_closing(sent, stack), media_type="text/event-stream")

    return Route("/pictures", pictures, methods=["GET"])


def routes_of_files(files: Mapping[str, Path]) -> list[BaseRoute]:
    """Files of the program by the path under which a browser asks for them."""
    return [Route(path, _answering(file), methods=["GET"]) for path, file in files.items()]


def _answering(file: Path) -> Callable[[Request], Any]:
    async def answer(_: Request) -> Response:
        return Response(_content(file), media_type=_KINDS[file.suffix])

    return answer


@cache
def _content(file: Path) -> bytes:
    """What is in it; a message file without the spaces that are for its translators."""
    content = file.read_bytes()
    return json.dumps(json.loads(content)).encode() if file.suffix == ".json" else content


async def _closing(sent: AsyncIterator[bytes], stack: ExitStack) -> AsyncIterator[bytes]:
    with stack:
        async for piece in sent:
            yield piece


async def _asked(judged: Callable[[], Pending], orders: Orders) -> Response:
    try:
        refusal = await _answer(judged(), orders)
    except NotTaken as error:
        refusal = str(error)
    return JSONResponse({"reason": refusal}, status_code=409 if refusal else 200)


async def _answer(pending: Pending, orders: Orders) -> str:
    """What came of a request: a reason why it was not done, or nothing."""
    waited_s = 0.0
    while pending.refusal is None:
        if waited_s > _ANSWERED_S:
            return "no test took it; look at the page" if orders.give_up(pending) else _LATE
        await asyncio.sleep(_LOOK_S)  # whoever takes it has no loop, or another one
        waited_s += _LOOK_S
    return pending.refusal
