"""Who comes in: hosts, origins, tokens. Rules from the Fetch standard and RFC 6750 (bearer tokens)."""

from __future__ import annotations

import asyncio

import pytest
from lashmap_daemon.page.guard import Guard, Message, Receive, Rules, Scope, Send

TOKEN = "abcdefghijklmnopqrstuvwx"  # noqa: S105 - of this test
RULES = Rules.of(TOKEN, ["stand-3.local"], ["/"], encrypted=False)
BEARER = {"host": "10.1.2.3:8460", "authorization": f"Bearer {TOKEN}"}


def status(method: str, path: str, **headers: str) -> int:
    refused = RULES.refusal(method, path, {name.replace("_", "-"): one for name, one in headers.items()})
    return 200 if refused is None else refused[0]


@pytest.mark.parametrize("host", ["10.1.2.3", "10.1.2.3:8460", "[::1]:8460", "LOCALHOST", "Stand-3.local:1"])
def test_it_is_reached_by_its_addresses_and_names(host: str) -> None:
    assert status("GET", "/", host=host) == 200


@pytest.mark.parametrize(
    "host",
    ["", "evil.example", "evil.example:8460", "10.1.2.3.evil.example", "a@10.1.2.3", "10.1.2.3/x", "[::1"],
)
def test_a_name_that_others_turned_here_is_refused(host: str) -> None:
    assert status("GET", "/", host=host) == 421


@pytest.mark.parametrize(
    "given",
    [
        "",
        TOKEN,
        "Bearer",
        "Bearer ",
        f"Bearer {TOKEN}x",
        f"Bearer {TOKEN[:-1]}",
        f"Basic {TOKEN}",
        "Bearer é",
    ],
)
def test_without_the_token_only_the_page_itself_is_handed_out(given: str) -> None:
    assert status("GET", "/pictures", host="10.1.2.3", authorization=given) == 401
    assert status("GET", "/", host="10.1.2.3", authorization=given) == 200


def test_with_the_token_it_is_open() -> None:
    assert status("GET", "/pictures", **BEARER) == 200
    assert status("GET", "/pictures", **{**BEARER, "authorization": f"bearer {TOKEN}"}) == 200


@pytest.mark.parametrize(
    "origin",
    ["", "null", "http://evil.example", "https://10.1.2.3:8460", "http://10.1.2.3", "http://10.1.2.3:8461"],
)
def test_nothing_is_changed_from_another_page(origin: str) -> None:
    assert status("POST", "/ask", **BEARER, origin=origin) == 403


def test_it_is_changed_from_its_own() -> None:
    assert status("POST", "/ask", **BEARER, origin="http://10.1.2.3:8460") == 200
    # A page elsewhere that knows the token, in a browser that says where it is.
    said = {**BEARER, "origin": "http://10.1.2.3:8460", "sec-fetch-site": "cross-site"}
    assert status("POST", "/ask", **said) == 403
    assert status("GET", "/pictures", **said) == 403


def test_where_no_token_is_wanted_the_rest_still_holds() -> None:
    rules = Rules.of(None, [], [], encrypted=True)
    assert rules.refusal("GET", "/pictures", {"host": "127.0.0.1"}) is None
    assert rules.refusal("GET", "/pictures", {"host": "evil.example"}) is not None
    own = {"host": "127.0.0.1:1", "origin": "https://127.0.0.1:1"}
    assert rules.refusal("POST", "/ask", own) is None
    assert rules.refusal("POST", "/ask", {**own, "origin": "http://127.0.0.1:1"}) is not None


def test_of_large_files_one_at_a_time_is_taken() -> None:
    async def both() -> list[int]:
        taken: list[bytes] = []
        answers: list[int] = []

        async def app(_scope: Scope, receive: Receive, send: Send) -> None:
            taken.append((await receive())["body"])
            await send({"type": "http.response.start", "status": 200, "headers": []})

        guard = Guard(app, RULES, 10, {"/photo": 1000})
        first_comes, go_on = asyncio.Event(), asyncio.Event()

        async def slowly() -> Message:
            first_comes.set()
            await go_on.wait()
            return {"type": "http.request", "body": b"a" * 500, "more_body": False}

        async def at_once() -> Message:
            return {"type": "http.request", "body": b"b" * 500, "more_body": False}

        async def send(message: Message) -> None:
            if message["type"] == "http.response.start":
                answers.append(message["status"])

        def scope(path: str) -> Scope:
            given = {**BEARER, "origin": f"http://{BEARER['host']}"}
            headers = [(name.encode(), one.encode()) for name, one in given.items()]
            return {"type": "http", "method": "POST", "path": path, "headers": headers, "client": ("x", 1)}

        first = asyncio.create_task(guard(scope("/photo"), slowly, send))
        await first_comes.wait()
        await guard(scope("/photo"), at_once, send)
        await guard(scope("/ask"), at_once, send)
        go_on.set()
        await first
        await guard(scope("/photo"), at_once, send)
        assert [one[:1] for one in taken] == [b"a", b"b"]
        return answers

    assert asyncio.run(both()) == [503, 413, 200, 200]
