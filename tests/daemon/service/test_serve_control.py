"""The local socket under rubbish, half requests, floods and silence: the service answers the next one."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import stat
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as some
from lashmap_daemon.errors import EXIT_CONFIGURATION, EXIT_STAND, StandError
from lashmap_daemon.service import server as control_server
from lashmap_daemon.service.server import serving
from lashmap_daemon.service.words import (
    MOST_REQUEST_BYTES,
    Answer,
    Begin,
    Matched,
    Note,
    NotUnderstood,
    Repeat,
    Request,
    Status,
    line_of,
    read_request,
)
from lashmap_daemon.system import stranger

STATUS = line_of(Status())
DEEP = b'{"lashmap": 1, "command": ' + b"[" * 8000 + b"]" * 8000 + b"}"


async def answer(request: Request) -> Answer:
    match request:
        case Repeat():
            raise StandError("nothing to repeat")
        case Note():
            raise RuntimeError("a mistake of ours")
    return Answer(say=[request.command])


async def send(path: Path, data: bytes, *, end: bool = False) -> bytes:
    """Whatever the service answers to these bytes; empty when it only hangs up."""
    reader, writer = await asyncio.open_unix_connection(path)
    heard = b""
    with contextlib.suppress(OSError):  # hung up on in the middle of ten megabytes
        writer.write(data)
        if end:
            writer.write_eof()
        heard = await reader.read()
    writer.close()
    return heard


def served(
    tmp_path: Path, work: Callable[[Path], Awaitable[None]], patience_s: float = 600.0, tries: int = 1
) -> None:
    async def main() -> None:
        async with serving(tmp_path / "s", answer, patience_s=patience_s):
            await work(tmp_path / "s")
            said = b""
            for _ in range(tries):
                said = said if b'["status"]' in said else await send(tmp_path / "s", STATUS)
            assert json.loads(said)["say"] == ["status"]  # still there

    asyncio.run(main(), debug=True)
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize(
    "data",
    [
        b"\n",
        b"hello\n",
        b"\x00\xff\xfe" * 100 + b"\n",
        b"{}\n",
        b'{"lashmap": 1}\n',
        b'{"lashmap": 1, "command": "start the drive"}\n',
        b'{"lashmap": 1, "command": "status", "more": 1}\n',
        b'{"lashmap": "1", "command": "status"}\n',
        b'{"lashmap": 1, "command": "note", "text": ""}\n',
        b'{"lashmap": 1, "command": "note", "text": "' + b"x" * 3000 + b'"}\n',
        b'{"lashmap": 1, "command": "begin", "box": 3}\n',
        b'{"lashmap": 1, "command": "begin", "box": "b", "settings": {"a": 1}}\n',
        b'{"lashmap": 1e999, "command": "status"}\n',
        b"[" * 15000 + b"\n",
        DEEP[: MOST_REQUEST_BYTES - 100] + b"\n",
        b"\xef\xbb\xbf" + STATUS,
    ],
)
def test_rubbish_is_refused_with_a_reason(tmp_path: Path, data: bytes) -> None:
    async def work(path: Path) -> None:
        said = json.loads(await send(path, data))
        assert said["exit_status"] == EXIT_CONFIGURATION
        assert "not understood" in said["say"][0]

    served(tmp_path, work)


def test_half_a_request_ten_megabytes_and_a_hang_up_cost_one_connection(tmp_path: Path) -> None:
    async def work(path: Path) -> None:
        assert b"half a request" in await send(path, b'{"lashmap": 1', end=True)
        heard = await send(path, b"x" * 10_000_000)
        assert not heard or b"longer than" in heard
        _, writer = await asyncio.open_unix_connection(path)
        writer.close()
        assert (await send(path, STATUS + STATUS)).count(b"\n") == 1  # one request, one answer

    served(tmp_path, work)


def test_who_says_nothing_is_sent_away(tmp_path: Path) -> None:
    async def work(path: Path) -> None:
        connections = [await asyncio.open_unix_connection(path) for _ in range(5)]
        for reader, writer in connections:
            assert b"no whole request came within" in await asyncio.wait_for(reader.read(), 60.0)
            writer.close()

    # A machine that pauses can make a request late as well.
    served(tmp_path, work, patience_s=0.1, tries=100)


def test_a_crowd_is_told_to_come_back(tmp_path: Path) -> None:
    async def work(path: Path) -> None:
        crowd = [await asyncio.open_unix_connection(path) for _ in range(8)]
        await asyncio.sleep(0)
        assert b"too many" in await send(path, b"")
        for _, writer in crowd:
            writer.close()
            await writer.wait_closed()
        async with asyncio.timeout(60.0):
            while b'["status"]' not in await send(path, STATUS):
                pass  # it has not noticed yet that they went

    served(tmp_path, work)


def test_errors_become_refusals_and_mistakes_stay_inside(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def work(path: Path) -> None:
        said = json.loads(await send(path, line_of(Repeat())))
        assert (said["say"], said["exit_status"]) == (["nothing to repeat"], EXIT_STAND)
        said = json.loads(await send(path, line_of(Note(text="x"))))
        assert said["exit_status"] == EXIT_STAND
        assert "RuntimeError" in said["say"][0]

    served(tmp_path, work)
    assert "a mistake of ours" in caplog.text


def test_another_version_is_named() -> None:
    with pytest.raises(NotUnderstood, match="is in version 2 of the messages, the service uses 1"):
        read_request(b'{"lashmap": 2, "command": "status"}')


@given(some.binary(max_size=400))
@example(DEEP)
@example(b'{"lashmap": 1' + b"0" * 10_000 + b', "command": "status"}')
def test_any_bytes_are_a_request_or_not_understood(data: bytes) -> None:
    try:
        read_request(data)
    except NotUnderstood as error:
        said = str(error)
    else:
        said = ""
    assert len(said) < 2000


JSON = some.recursive(
    some.none() | some.booleans() | some.integers() | some.floats() | some.text(max_size=20),
    lambda inner: some.lists(inner, max_size=3) | some.dictionaries(some.text(max_size=9), inner, max_size=3),
    max_leaves=8,
)
KEYS = ("lashmap", "command", "box", "text", "settings", "runout", "matched", "known", "test", "confirmed")


@given(some.dictionaries(some.sampled_from(KEYS), JSON | some.sampled_from(["begin", "note", 1]), max_size=6))
def test_any_object_is_a_request_or_not_understood(tree: dict[str, object]) -> None:
    with contextlib.suppress(NotUnderstood):
        assert read_request(json.dumps(tree).encode()).lashmap == 1


@pytest.mark.parametrize(
    "request_",
    [
        Status(),
        Matched(known=False),
        Note(text="a\nb \u03b4"),
        Begin(box="b", confirmed="typed at the stand", runout=["gear"], settings={"a": "b"}, matched="now"),
    ],
)
def test_requests_survive_the_wire(request_: Request) -> None:
    line = line_of(request_)
    assert line.count(b"\n") == 1
    assert read_request(line) == request_


def test_the_socket_is_for_its_owner(tmp_path: Path) -> None:
    async def work(path: Path) -> None:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600  # noqa: ASYNC240 - a test

    served(tmp_path, work)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
@pytest.mark.skipif(not hasattr(socket, "SO_PEERCRED"), reason="the system does not name peers")
def test_the_system_says_who_speaks() -> None:
    mine, peer = socket.socketpair(socket.AF_UNIX)
    with mine, peer:
        assert stranger(mine) is None
    os.seteuid(65534)
    try:
        mine, peer = socket.socketpair(socket.AF_UNIX)
    finally:
        os.seteuid(0)
    with mine, peer:
        assert stranger(mine) == 65534


def test_somebody_else_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    users: list[int | None] = [65534, None, None]  # the last two: the second request and its proof of life
    monkeypatch.setattr(control_server, "stranger", lambda _: users.pop(0))
    monkeypatch.setattr(control_server, "_REFUSING_S", 60.0)  # what comes later takes the answer with it

    async def work(path: Path) -> None:
        said = json.loads(await send(path, STATUS))
        assert said["say"] == ["only the user of the service and root may use it"]
        assert said["exit_status"] == EXIT_STAND
        assert json.loads(await send(path, STATUS))["exit_status"] == 0

    served(tmp_path, work)


def test_a_second_service_is_refused_and_a_dead_ones_socket_replaced(tmp_path: Path) -> None:
    async def twice() -> None:
        path = tmp_path / "s"
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as left_behind:
            left_behind.bind(str(path))
        async with serving(path, answer):
            with pytest.raises(StandError, match="another service of this stand is running"):
                async with serving(path, answer):
                    raise AssertionError("both are in")
            assert b"status" in await send(path, STATUS)

    asyncio.run(twice(), debug=True)
