"""A page that is really served, over loopback: pictures, deeds, and what hostile or slow clients do to it."""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import socket
import sqlite3
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest
from daemon.bus.certificates import Authority
from daemon.made_build import png
from daemon.page.shown import ALL, Client, Shown, shown, wait_until
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.check import check_test
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.photograph import photo, write_photos
from lashmap_daemon.page import camera, guard, server
from lashmap_daemon.page.app import FILES
from lashmap_daemon.page.orders import MOST_PHOTO_BYTES
from lashmap_daemon.page.picture import Parts
from lashmap_daemon.page.stand_page import StandPage
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.story import events
from lashmap_daemon.story.story import story_of


@pytest.fixture(name="on_page")
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shown]:
    monkeypatch.setattr(guard, "_BURST", 10_000)  # this client is one address for all
    with shown(tmp_path) as found:
        yield found


def notes(on_page: Shown) -> list[str]:
    return [one.text for one in on_page.test.of(events.NoteTaken) if isinstance(one, events.NoteTaken)]


def asked(on_page: Shown, deed: str, **more: str) -> tuple[int, str]:
    """Ask for a deed as the page would, while the test goes on."""
    body = {"deed": deed, "test": on_page.test.started.test, **more}
    return meanwhile(on_page, lambda: Client(on_page.port).ask(body))


def photographed(on_page: Shown, data: bytes, words: str = "") -> tuple[int, str]:
    """Hand in a photograph as the page would, while the test goes on."""
    about = {"test": on_page.test.started.test, "words": words}
    return meanwhile(on_page, lambda: Client(on_page.port).photo(data, **about))


def meanwhile(on_page: Shown, do: Callable[[], tuple[int, str]]) -> tuple[int, str]:
    found: list[tuple[int, str]] = []
    thread = threading.Thread(target=lambda: found.append(do()))
    thread.start()
    while thread.is_alive():
        on_page.go_on()
        thread.join(0.005)
    return found[0]


def place(on_page: Shown) -> str:
    on_page.go_on(2)
    on_page.settle()
    with Client(on_page.port).look() as parts:
        name, now = next(parts)
        while name != "now":
            name, now = next(parts)
    return str(now["place"])


def numbered(number: int) -> Parts:
    """A picture of some size."""
    return {"now": {"number": number, "much": "x" * 5000}}


def test_who_looks_sees_the_newest_picture_at_once_and_then_each(on_page: Shown) -> None:
    on_page.until(events.RockAccepted)
    on_page.settle()
    with Client(on_page.port).look() as parts:
        first = dict(next(parts) for _ in range(4))
        assert first.keys() == {"now", "map", "told", "trace"}
        assert first["now"]["done"] == 1
        on_page.until(events.RockAccepted)
        while True:
            name, part = next(parts)
            if name == "now" and part["done"] == 2:
                break
        assert on_page.page.is_seen
    wait_until(lambda: not on_page.page.is_seen)


def test_every_answer_forbids_what_the_page_does_not_need(on_page: Shown) -> None:
    for path in (*FILES, "/about", "/nowhere"):
        status, headers, body = Client(on_page.port).get(path)
        assert status == (404 if path == "/nowhere" else 200), path
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["content-security-policy"].startswith("default-src 'none'; ")
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "set-cookie" not in headers
        assert b"style=" not in body or path == "/page.js"
        assert b"onclick" not in body


def test_what_is_asked_is_done_and_the_record_says_where(on_page: Shown) -> None:
    on_page.until(events.RockAccepted)
    assert asked(on_page, "note", words="seen\n from the  tablet <b>") == (200, "")
    assert "seen from the tablet <b> (on the page)" in notes(on_page)
    on_page.until(events.RockStarted)
    assert asked(on_page, "repeat", place=place(on_page))[0] == 200
    assert "repeat was asked on the page" in notes(on_page)
    assert asked(on_page, "stop") == (200, "")
    assert on_page.test.of(events.TestClosed)


def test_what_was_meant_for_something_else_is_not_done(on_page: Shown) -> None:
    on_page.until(events.RockStarted)
    before = place(on_page)
    on_page.until(events.RockAccepted)
    status, reason = asked(on_page, "skip", place=before)
    assert (status, "has gone on" in reason) == (409, True)
    assert asked(on_page, "stop", test="another")[0] == 409
    assert not notes(on_page)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[]",
        b"{" * 3000,
        b'{"deed": "begin"}',
        b'{"deed": "matched"}',
        b'{"deed": "ready"}',
        b'{"deed": "arrived"}',
        b'{"deed": "note", "words": ""}',
        b'{"deed": "note", "words": "\\u202eevil"}',
        b'{"deed": "skip", "words": "with words"}',
        b'{"deed": "skip", "drive": "on"}',
        b'{"deed": "note", "words": "' + b"x" * 501 + b'"}',
        b"\xff\xfe",
    ],
)
def test_what_is_no_request_is_refused_with_its_reason(on_page: Shown, body: bytes) -> None:
    status, reason = Client(on_page.port).ask(body)
    assert status == 409
    assert 10 < len(reason) < 400
    assert not notes(on_page)


def test_what_the_stand_file_does_not_allow_is_refused(tmp_path: Path) -> None:
    with shown(tmp_path, table=PageTable(port=0, may=["note"])) as on_page:
        assert asked(on_page, "note", words="this may be")[0] == 200
        for deed in ("repeat", "skip", "stop"):
            status, reason = asked(on_page, deed)
            assert (status, "page.may" in reason) == (409, True)


def test_a_photograph_stands_in_the_record_to_the_last_byte(tmp_path: Path) -> None:
    data = png(600) + b"\xff" * 1_000_000  # more than one pack
    with shown(tmp_path) as on_page:
        on_page.until(events.RockStarted)
        assert photographed(on_page, data, "heel side,\n drive <b>") == (200, "")
        assert photographed(on_page, data, "the same again") == (200, "")
        assert photographed(on_page, b"\xff\xd8\xff\xe0 another") == (200, "")
        on_page.until(events.RockAccepted)
        test, book = on_page.test.started.test, on_page.test.logbook
        assert asked(on_page, "stop") == (200, "")
        first, second = story_of(book.events(test)).photos
        assert (first.number, first.words, first.size) == (1, "heel side, drive <b>", len(data))
        assert first.sha256 == hashlib.sha256(data).hexdigest()
        assert photo(book, test, first.number, first.channel, first.sha256) == data
        files = write_photos(book, test, (first, second), tmp_path / "photos")
        assert [one.name for one in files] == [f"{test}-photo-1.png", f"{test}-photo-2.jpg"]
        assert files[0].read_bytes() == data
        assert any(f"SHA-256 {first.sha256}" in text for _, text in Replay(book, test).record().notes)
        path = book.path
    assert not check_test(path, test).problems
    with sqlite3.connect(path) as base:
        base.execute("UPDATE raw SET data = zeroblob(length(data)) WHERE channel = ?", (second.channel,))
    base.close()
    assert check_test(path, test).problems
    with Logbook(path, create=False) as book, pytest.raises(LogbookError, match="photograph 2 is not as it"):
        photo(book, test, 2, second.channel, second.sha256)


@pytest.mark.parametrize(
    ("data", "words", "reason"),
    [
        (b"", "", "neither a JPEG nor a PNG"),
        (b"<svg onload=alert(1)>", "", "neither a JPEG nor a PNG"),
        (b"GIF89a", "", "neither a JPEG nor a PNG"),
        (png(3), "a\x1b[31m", "cannot be shown"),
        (png(3), "w" * 501, "words"),
    ],
)
def test_what_is_no_photograph_is_refused(on_page: Shown, data: bytes, words: str, reason: str) -> None:
    status, said = Client(on_page.port).photo(data, test=on_page.test.started.test, words=words)
    assert (status, reason in said) == (409, True)
    assert not on_page.test.of(events.PhotoTaken)


def test_a_photograph_that_is_too_large_or_of_another_test_is_refused(on_page: Shown) -> None:
    said_to_come = {"Content-Length": str(MOST_PHOTO_BYTES + 1), "Origin": f"http://127.0.0.1:{on_page.port}"}
    assert Client(on_page.port).send("POST", "/photo", b"x", **said_to_come)[0] == 413
    status, said = meanwhile(on_page, lambda: Client(on_page.port).photo(png(3), test="another"))
    assert (status, "has gone on" in said) == (409, True)
    status, said = Client(on_page.port).ask({"deed": "photo", "test": on_page.test.started.test})
    assert (status, "as a file" in said) == (409, True)
    assert not on_page.test.of(events.PhotoTaken)


def test_where_no_photograph_may_be_taken_none_is_let_in(tmp_path: Path) -> None:
    large = png(3) + bytes(10_000)
    with shown(tmp_path, table=PageTable(port=0, may=["note"])) as on_page:
        said_to_come = {"Content-Length": str(len(large)), "Origin": f"http://127.0.0.1:{on_page.port}"}
        assert Client(on_page.port).send("POST", "/photo", b"x", **said_to_come)[0] == 413
        status, reason = meanwhile(on_page, lambda: Client(on_page.port).photo(png(3), test="t"))
        assert (status, "page.may" in reason) == (409, True)


def test_no_more_photographs_than_a_test_holds(on_page: Shown, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(camera, "MOST", 1)
    assert photographed(on_page, png(3)) == (200, "")
    assert photographed(on_page, png(4)) == (409, "the test holds 1 photographs, the most")


def test_on_a_network_nothing_is_seen_without_the_token(tmp_path: Path) -> None:
    file = tmp_path / "token"
    with shown(tmp_path, table=PageTable(port=0, may=ALL, token_file=str(file))) as on_page:
        token = file.read_text("utf-8").strip()
        invitation = "\n".join(on_page.page.invitation())
        assert f"http://127.0.0.1:{on_page.port}/#{token}" in invitation
        assert token not in on_page.page.line
        for path in ("/about", "/pictures", "/nowhere"):
            status, headers, body = Client(on_page.port).get(path)
            assert (status, headers["www-authenticate"]) == (401, "Bearer")
            assert on_page.test.started.test.encode() not in body
        assert Client(on_page.port).ask({"deed": "stop"})[0] == 401
        assert Client(on_page.port, token).get("/about")[0] == 200
        with Client(on_page.port, token).look() as parts:
            on_page.go_on(3)
            assert next(parts)


def test_encrypted_it_speaks_tls_and_nothing_else(tmp_path: Path) -> None:
    authority = Authority(tmp_path, "authority")
    made = authority.sign("stand", host="127.0.0.1")
    table = PageTable(port=0, certificate_file=str(made.certificate), key_file=str(made.key))
    trust = ssl.create_default_context(cafile=authority.file)
    with shown(tmp_path / "test", table=table) as on_page:
        connection = http.client.HTTPSConnection("127.0.0.1", on_page.port, context=trust, timeout=60)
        connection.request("GET", "/about")
        assert connection.getresponse().status == 200
        connection.close()
        with pytest.raises((OSError, http.client.HTTPException)):
            Client(on_page.port).get("/about")
        assert on_page.page.line.startswith("https://")


def test_one_more_than_may_look_is_told_so(tmp_path: Path) -> None:
    with (
        shown(tmp_path, table=PageTable(port=0, lookers=2)) as on_page,
        Client(on_page.port).look(),
        Client(on_page.port).look(),
    ):
        on_page.go_on(3)
        status, _, body = Client(on_page.port).get("/pictures")
        assert (status, b"2 look already" in body) == (503, True)


def test_one_that_takes_nothing_keeps_nobody_from_seeing(
    on_page: Shown, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "_STUCK_S", 0.2)
    monkeypatch.setattr(server, "_UNSENT_BYTES", 1)
    stuck = socket.socket()
    stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    stuck.connect(("127.0.0.1", on_page.port))
    stuck.sendall(b"GET /pictures HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    wait_until(lambda: on_page.page._feed.lookers == 1)
    with Client(on_page.port).look() as parts:
        for number in range(200):  # more than fits between both
            on_page.page.show(partial(numbered, number))
            while next(parts) != ("now", numbered(number)["now"]):
                pass
        wait_until(lambda: on_page.page._feed.lookers == 1)  # it was let go
    stuck.close()


def test_fifty_who_look_get_the_same_and_the_test_has_waited_for_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "MOST_OF_ONE", 100)
    with (
        shown(tmp_path, table=PageTable(port=0, lookers=50)) as on_page,
        contextlib.ExitStack() as stack,
    ):
        on_page.go_on(2)
        on_page.settle()
        looking = [stack.enter_context(Client(on_page.port).look()) for _ in range(50)]
        on_page.until(events.RockAccepted)
        for parts in looking:
            while next(parts)[1].get("done") != 1:
                pass


def test_a_gigabyte_is_refused_before_it_comes(on_page: Shown) -> None:
    with socket.create_connection(("127.0.0.1", on_page.port), timeout=60.0) as sending:
        head = f"POST /ask HTTP/1.1\r\nHost: 127.0.0.1:{on_page.port}\r\nOrigin: http://127.0.0.1:{on_page.port}\r\n"
        sending.sendall(f"{head}Content-Length: {2**30}\r\n\r\n".encode())
        answer = sending.recv(65536)
        assert answer.startswith(b"HTTP/1.1 413 ")
        with contextlib.suppress(ConnectionError):
            while sending.recv(65536):
                pass  # and it is over
    with socket.create_connection(("127.0.0.1", on_page.port), timeout=60.0) as sending:
        sending.sendall(f"{head}Transfer-Encoding: chunked\r\n\r\n".encode())
        with contextlib.suppress(ConnectionError):  # a body of unsaid length is cut where it is too long
            for _ in range(1000):
                sending.sendall(b"1000\r\n" + b"x" * 0x1000 + b"\r\n")
            raise AssertionError("four megabytes were taken")
    assert Client(on_page.port).get("/about")[0] == 200


def test_one_that_never_ends_its_request_is_let_go(on_page: Shown, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "REQUEST_S", 0.3)
    for begun in (b"", b"GET / HTT", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "):
        with socket.create_connection(("127.0.0.1", on_page.port), timeout=60.0) as slow:
            slow.sendall(begun)
            with contextlib.suppress(ConnectionError):
                assert not slow.recv(100)
    with socket.create_connection(("127.0.0.1", on_page.port), timeout=60.0) as slow:
        slow.sendall(
            f"POST /ask HTTP/1.1\r\nHost: 127.0.0.1:{on_page.port}\r\n"
            f"Origin: http://127.0.0.1:{on_page.port}\r\nContent-Length: 40\r\n\r\n{{".encode()
        )
        with contextlib.suppress(ConnectionError):
            assert not slow.recv(100)
    with Client(on_page.port).look() as parts:  # that limit is for requests: who looks may go on looking
        for number in range(7):
            time.sleep(0.1)  # longer than the limit, all in all
            on_page.page.show(partial(numbered, number))
            while next(parts) != ("now", numbered(number)["now"]):
                pass


def test_five_hundred_connections_do_not_keep_the_test_from_going_on(on_page: Shown) -> None:
    opened = []
    for _ in range(500):
        with contextlib.suppress(OSError):
            one = socket.create_connection(("127.0.0.1", on_page.port), timeout=60.0)
            opened.append(one)
    assert len(on_page.page._server._connections) <= server.MOST_OF_ONE
    on_page.until(events.RockAccepted)
    on_page.settle()
    for one in opened:
        one.close()
    wait_until(lambda: not on_page.page._server._connections)
    assert Client(on_page.port).get("/about")[0] == 200


def test_too_many_requests_of_one_are_refused_for_a_while(tmp_path: Path) -> None:
    with shown(tmp_path) as on_page:
        found = [Client(on_page.port).get("/nowhere")[0] for _ in range(guard._BURST + 20)]
        assert found[0] == 404
        assert 429 in found


def test_a_place_that_is_taken_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        with pytest.raises(ConfigurationError) as caught:
            StandPage(PageTable(port=taken.getsockname()[1]), "x")
        assert "page: 127.0.0.1:" in str(caught.value)
        assert "--page-port" in str(caught.value)
