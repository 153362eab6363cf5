"""The application behind the desk's page: what is asked for, who may ask for it, and how it is answered.

Reading needs the token that the guard asks for; writing needs the desk's own token, always. What takes long
is done in threads, few at a time; whoever comes when many wait already is asked to come again.

What was stored of a test is shown at once, as stored and unchecked; its verdict only when it was recomputed.
"""

from __future__ import annotations

import asyncio
import shutil
import tempfile
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from lashmap_analysis.charts.style import HATCHES, chart_rules
from lashmap_analysis.judge.compare import CompareError
from lashmap_analysis.judge.comparison import compare_tests
from lashmap_analysis.render.parts import comparison_html
from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Route

from lashmap_daemon.desk import downloads, traces
from lashmap_daemon.desk.opened import Openings
from lashmap_daemon.desk.reviewing import asked_in, review
from lashmap_daemon.desk.shelf import UNREADABLE, Refused, Shelf, without_folders
from lashmap_daemon.desk.showing import shown
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.page.app import COMMON_FILES, languages, routes_of_files
from lashmap_daemon.replay.compared import compared

if TYPE_CHECKING:
    from lashmap_daemon.page.guard import Rules

STATIC = Path(__file__).with_name("static")
FILES = {
    "/": STATIC / "desk.html",
    "/desk.css": STATIC / "desk.css",
    "/desk.js": STATIC / "desk.js",
    "/trace.js": STATIC / "trace.js",
    **COMMON_FILES,
}
OPEN_PATHS = (*FILES, "/charts.css")
_AT_ONCE, _WAITING = 2, 16
_Found = TypeVar("_Found")


class Busy(Exception):
    """Too many wait."""


class Work:
    """Long work, done in threads: two at a time, and so many more wait at most."""

    def __init__(self) -> None:
        self._room = asyncio.Semaphore(_AT_ONCE)
        self._waiting = 0

    async def do(self, long: Callable[[], _Found]) -> _Found:
        """Do it and wait for it.

        Raises:
            Busy: When too many wait already.
        """
        if self._waiting >= _WAITING:
            raise Busy
        self._waiting += 1
        try:
            async with self._room:
                return await asyncio.to_thread(long)
        finally:
            self._waiting -= 1


class Desk:
    """Answers requests.

    Args:
        shelf: The logbooks.
        openings: The tests that are open.
        writers: Who may write; None where nobody may.
        lasts: Called with a request's client when its answer takes long, so that no time limit cuts it.
    """

    def __init__(
        self, shelf: Shelf, openings: Openings, writers: Rules | None, lasts: Callable[[Any], None]
    ) -> None:
        self._shelf, self._openings, self._writers, self._lasts = shelf, openings, writers, lasts
        self._work = Work()

    def warm(self) -> None:
        """Make what the first opening needs, by recomputing and wording the newest test.

        A logbook that cannot be read says so to whoever asks for it.
        """
        with suppress(Refused, *UNREADABLE):
            newest = self._shelf.newest()
            if newest is not None:
                shown(self._openings.open(*newest))

    @property
    def routes(self) -> list[BaseRoute]:
        """All that can be asked."""
        return [
            *routes_of_files(FILES),
            Route("/charts.css", self._charts, methods=["GET"]),
            Route("/about", self._about, methods=["GET"]),
            Route("/list", self._answering(self._list), methods=["GET"]),
            Route("/stored", self._answering(self._stored), methods=["GET"]),
            Route("/prepare", self._answering(self._prepare), methods=["GET"]),
            Route("/open", self._answering(self._open), methods=["GET"]),
            Route("/trace", self._answering(self._trace), methods=["GET"]),
            Route("/compare", self._answering(self._compare), methods=["GET"]),
            Route("/download", self._answering(self._download), methods=["GET"]),
            Route("/review", self._answering(self._review), methods=["POST"]),
        ]

    def _answering(self, answer: Callable[[Request], Any]) -> Callable[[Request], Any]:
        """With refusals as JSON, whatever a logbook does."""

        async def answered(request: Request) -> Response:
            try:
                found: Response = await answer(request)
            except Busy:
                return _refusal(503, "many have asked already; wait a moment and try again")
            except Refused as error:
                return _refusal(409, str(error))
            except UNREADABLE as error:
                return _refusal(409, _nameless(error, self._shelf))
            return found

        return answered

    async def _charts(self, _: Request) -> Response:
        return Response(chart_rules(), media_type="text/css")

    async def _about(self, request: Request) -> Response:
        return JSONResponse(
            {
                "may": self._may_not(request) is None,
                "writes": self._writers is not None,
                "languages": languages(),
                "hatches": HATCHES,
                "downloads": downloads.WANTED,
            }
        )

    async def _list(self, _: Request) -> Response:
        return JSONResponse(await self._work.do(self._shelf.listed))

    async def _stored(self, request: Request) -> Response:
        book, test = self._numbered(request)
        return JSONResponse(await self._work.do(partial(self._shelf.stored, book, test)))

    async def _prepare(self, request: Request) -> Response:
        path, test = self._wanted(request)
        self._lasts(request.client)
        await self._work.do(partial(self._openings.prepare, path, test))
        return JSONResponse({})

    async def _open(self, request: Request) -> Response:
        path, test = self._wanted(request)
        self._lasts(request.client)
        return JSONResponse(await self._work.do(lambda: shown(self._openings.open(path, test))))

    async def _trace(self, request: Request) -> Response:
        asked = request.query_params
        opened = self._openings.by_key(asked.get("key", ""))
        numbers = {name: _number(asked.get(name, "")) for name in ("from", "to", "points")}
        channel = asked.get("channel", "indicator")
        try:
            found = traces.stretch(
                opened.traces[asked.get("of", "")],
                channel,
                opened.assessment.record.units,
                start_s=numbers["from"],
                end_s=numbers["to"],
                points=int(numbers["points"]),
            )
        except KeyError:
            raise Refused("there are no such samples") from None
        return Response(found, media_type="application/octet-stream")

    async def _compare(self, request: Request) -> Response:
        wanted = [self._wanted(request, f"book{n}", f"test{n}") for n in (1, 2)]
        if wanted[0] == wanted[1]:
            raise Refused("pick two different tests")
        self._lasts(request.client)
        return JSONResponse({"html": await self._work.do(partial(_compared, wanted))})

    async def _download(self, request: Request) -> Response:
        path, test = self._wanted(request)
        wanted = next((one for one in downloads.WANTED if one == request.query_params.get("what")), None)
        if wanted is None:
            raise Refused(f"there is no such file; there are {', '.join(downloads.WANTED)}")
        self._lasts(request.client)
        folder = Path(tempfile.mkdtemp(prefix="lashmap-desk-"))
        try:
            file = await self._work.do(
                lambda: downloads.made(self._openings.open(path, test), wanted, folder)
            )
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        gone = BackgroundTask(shutil.rmtree, folder, ignore_errors=True)
        return FileResponse(file, filename=file.name, background=gone)

    async def _review(self, request: Request) -> Response:
        refusal = self._may_not(request)
        if refusal is not None:
            return _refusal(*refusal)
        asked = asked_in(await request.body())
        self._lasts(request.client)
        return JSONResponse(
            {"said": await self._work.do(partial(review, asked, self._shelf, self._openings))}
        )

    def _may_not(self, request: Request) -> tuple[int, str] | None:
        """Why whoever asks may not write; None when they may."""
        if self._writers is None:
            return 403, "this desk is read only"
        headers = {name.lower(): value for name, value in request.headers.items()}
        return self._writers.refusal(request.method, request.url.path, headers)

    def _wanted(self, request: Request, book: str = "book", test: str = "test") -> tuple[Path, str]:
        number, name = self._numbered(request, book, test)
        return self._shelf.path(number), name

    def _numbered(self, request: Request, book: str = "book", test: str = "test") -> tuple[int, str]:
        asked = request.query_params
        name = asked.get(test, "")
        if not name:
            raise Refused("no test is named; go back to the list")
        return int(_number(asked.get(book, ""))), name


def _compared(wanted: list[tuple[Path, str]]) -> str:
    builds = []
    for path, test in wanted:
        with Logbook(path, create=False) as book:
            builds.append(compared(book, test))
    try:
        return comparison_html(compare_tests(builds))
    except CompareError as error:
        raise Refused(f"these two cannot be compared: expected {error.expected}") from None


def _number(text: str) -> float:
    try:
        found = float(text[:40])
    except ValueError:
        raise Refused("a number was expected in the address; go back to the list") from None
    if not abs(found) < 1e12:
        raise Refused("a number in the address is out of all bounds; go back to the list")
    return found


def _nameless(error: Exception, shelf: Shelf) -> str:
    text = str(error)
    for path in shelf.paths:
        text = without_folders(Exception(text), path)
    return text


def _refusal(status: int, reason: str) -> Response:
    return JSONResponse({"reason": reason}, status_code=status)
