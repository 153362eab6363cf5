"""A desk that is really served, over logbooks that are short."""

from __future__ import annotations

import http.client
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from daemon.virtual_time import CONFIGS
from lashmap_daemon.desk.desk import ServedDesk
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup.page_table import PageTable

GOLDEN = CONFIGS.parent / "tests" / "golden"
WITHIN_S = 60.0


def golden(folder: Path, *names: str) -> list[Path]:
    """Copies of the golden logbooks, whose results are written down beside them."""
    found = []
    for name in names:
        found.append(folder / f"{name}.logbook")
        shutil.copy(GOLDEN / name / "test.logbook", found[-1])
    return found


def first_test(path: Path) -> str:
    """The first test of a logbook."""
    with Logbook(path, create=False) as book:
        return book.tests()[0].test


@dataclass
class Reader:
    """Somebody who asks over loopback; with the desk's token, or without."""

    port: int
    token: str = ""

    def get(self, path: str, **asked: object) -> tuple[int, Any]:
        """Status and answer: JSON taken apart, anything else as bytes."""
        return self.send("GET", f"{path}?{urlencode(asked)}" if asked else path)

    def right(self, path: str, **asked: object) -> Any:  # noqa: ANN401 - as answered
        """The answer to a request that is done."""
        status, found = self.get(path, **asked)
        assert status == 200, found
        return found

    def refusal(self, path: str, **asked: object) -> str:
        """Why a request is not done."""
        status, found = self.get(path, **asked)
        assert status in {403, 409}, found
        return str(found["reason"])

    def review(self, book: int, test: str, seen: int, **asked: object) -> tuple[int, Any]:
        """Ask for a review."""
        return self.send("POST", "/review", {"book": book, "test": test, "seen": seen, **asked})

    def send(self, method: str, path: str, body: object = None, **headers: str) -> tuple[int, Any]:
        """Any request."""
        data = body if isinstance(body, bytes | None) else json.dumps(body).encode()
        own = {
            "Host": f"127.0.0.1:{self.port}",
            **({"Authorization": f"Bearer {self.token}"} if self.token else {}),
        }
        if method == "POST":
            own["Origin"] = f"http://127.0.0.1:{self.port}"
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WITHIN_S)
        try:
            connection.request(method, path, data, {**own, **headers})
            answer = connection.getresponse()
            content = answer.read()
            kind = answer.getheader("content-type", "")
            return answer.status, json.loads(content) if kind == "application/json" else content
        finally:
            connection.close()


@contextmanager
def desk(*logbooks: Path, table: PageTable | None = None, writes: bool = True) -> Iterator[ServedDesk]:
    """A desk at a free port."""
    with ServedDesk(table or PageTable(port=0), logbooks, writes=writes) as served:
        yield served
