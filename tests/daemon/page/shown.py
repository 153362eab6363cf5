"""A test in virtual time on a page that is really served, and a client that speaks to it over loopback."""

from __future__ import annotations

import http.client
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.page.on_page import OnThePage
from lashmap_daemon.page.stand_page import StandPage
from lashmap_daemon.sequence import sequence
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.story import events
from lashmap_daemon.testing.conductor import Conductor

WITHIN_S = 15.0
ALL: list[Any] = ["repeat", "skip", "note", "photo", "stop"]


class Silent:
    """A screen that shows nothing."""

    def hear(self, stamped: events.Stamped) -> None:
        """Nothing."""

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Nothing."""

    def commands(self) -> list[str]:
        """Nobody types."""
        return []


@dataclass
class Shown:
    """A virtual test whose page is served.

    Attributes:
        test: The test.
        page: Its page.
        screen: Between both.
    """

    test: VirtualTest
    page: StandPage
    screen: OnThePage
    heard: int = field(default=0)

    def go_on(self, ticks: int = 1) -> None:
        """Let time pass in the test; the page is shown what a live test would show it."""
        for _ in range(ticks):
            if self.test.conductor.closed:
                return
            self.test.tick()
            self.hear()
            self.screen.show(self.test.conductor, self.test.now_s)
            for command in self.screen.commands():
                self.obey(command)

    def hear(self) -> None:
        """What happened since goes to the screen."""
        for stamped in self.test.stream[self.heard :]:
            self.screen.hear(stamped)
        self.heard = len(self.test.stream)

    def obey(self, command: str) -> None:
        """What a live test does with a command."""
        conductor, (word, _, rest) = self.test.conductor, command.partition(" ")
        if word == "note":
            conductor.note(rest)
        else:
            stop = sequence.Stop("stopped", "by the operator")
            conductor.happen({"repeat": sequence.Repeat(), "skip": sequence.Skip()}.get(word, stop))
        self.hear()

    def until(self, kind: type[events.Event], ticks: int = 2000) -> None:
        """Go on until an event of this kind."""
        before = len(self.test.of(kind))
        for _ in range(ticks):
            if len(self.test.of(kind)) > before:
                return
            self.go_on()
        raise AssertionError(f"no {kind.__name__}")

    def settle(self) -> None:
        """Wait until the page has the newest picture."""
        wait_until(lambda: self.page.relay.behind_s == 0.0)

    @property
    def port(self) -> int:
        """Where it is served."""
        return self.page._server.port


def wait_until(good: Callable[[], object], within_s: float = WITHIN_S) -> None:
    """Wait for something that another thread does."""
    end_s = time.monotonic() + within_s
    while not good():
        assert time.monotonic() < end_s
        time.sleep(0.01)


@contextmanager
def shown(folder: Path, *, table: PageTable | None = None, seed: int = 4, **plan: float) -> Iterator[Shown]:
    """A short test of the demonstration box on a page at a free port."""
    plan = plan or {"positions": 4, "gear_turns": 1, "reversals": 4, "confirming_positions": 1}
    test = VirtualTest(folder, load_box(DEMO_BOX, **plan), seed=seed)
    table = table or PageTable(port=0, may=ALL)
    with StandPage(table, "Bench 3, invented") as page:
        screen = OnThePage(Silent(), page, test.started)
        found = Shown(test=test, page=page, screen=screen)
        found.hear()
        try:
            yield found
        finally:
            test.logbook.close()


@dataclass
class Client:
    """Speaks HTTP to a page over loopback, as a browser would unless told otherwise."""

    port: int
    token: str = ""
    host: str = ""

    def headers(self) -> dict[str, str]:
        """Of every request."""
        host = self.host or f"127.0.0.1:{self.port}"
        return {"Host": host, **({"Authorization": f"Bearer {self.token}"} if self.token else {})}

    def get(self, path: str, **headers: str) -> tuple[int, dict[str, str], bytes]:
        """Status, headers in small letters, body."""
        return self.send("GET", path, b"", **headers)

    def ask(self, body: object, **headers: str) -> tuple[int, str]:
        """Status and reason of a request for a deed."""
        data = body if isinstance(body, bytes) else json.dumps(body).encode()
        origin = headers.pop("Origin", f"http://127.0.0.1:{self.port}")
        status, _, answer = self.send("POST", "/ask", data, Origin=origin, **headers)
        return status, json.loads(answer)["reason"]

    def photo(self, data: bytes, **about: str) -> tuple[int, str]:
        """Status and reason of a photograph that is handed in."""
        path = f"/photo?{urlencode(about)}"
        status, _, answer = self.send("POST", path, data, Origin=f"http://127.0.0.1:{self.port}")
        return status, json.loads(answer)["reason"]

    def send(self, method: str, path: str, body: bytes, **more: str) -> tuple[int, dict[str, str], bytes]:
        """Any request."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WITHIN_S)
        try:
            connection.request(method, path, body or None, {**self.headers(), **more})
            answer = connection.getresponse()
            return answer.status, {name.lower(): one for name, one in answer.getheaders()}, answer.read()
        finally:
            connection.close()

    @contextmanager
    def look(self) -> Iterator[Iterator[tuple[str, Any]]]:
        """The stream of pictures: name and content of one part after another."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WITHIN_S)
        connection.request("GET", "/pictures", headers=self.headers())
        answer = connection.getresponse()
        assert answer.status == 200, answer.read()
        assert answer.getheader("content-type", "").startswith("text/event-stream")

        def parts() -> Iterator[tuple[str, Any]]:
            name = ""
            while line := answer.readline():
                if line.startswith(b"event: "):
                    name = line[7:].strip().decode()
                elif line.startswith(b"data: "):
                    yield name, json.loads(line[6:])

        try:
            yield parts()
        finally:
            answer.close()  # and with it the connection
            connection.close()
