from __future__ import annotations

import datetime as dt
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_daemon.bus.messages import Answer
from lashmap_daemon.bus.requests import MOST_BYTES, Allowance, Desk, Pending

NOW = dt.datetime(2026, 11, 25, 8, 0, 0, tzinfo=dt.UTC)
GOOD = {
    "schema": 1,
    "stand": "bench-1",
    "id": "a1",
    "utc": "2026-11-25T08:00:00Z",
    "test": "T",
    "command": "skip",
    "by": "foreman",
}


def desk() -> Desk:
    made = Desk("bench-1")
    made.test = "T"
    return made


def ask(at: Desk, *, now_s: float = 100.0, retained: bool = False, **changes: object) -> Pending | Answer:
    return judge(at, changes, now_s=now_s, retained=retained)


def judge(
    at: Desk, changes: dict[str, object], *, now_s: float = 100.0, retained: bool = False
) -> Pending | Answer:
    return at.judge(json.dumps(GOOD | changes).encode(), retained=retained, now=NOW, now_s=now_s)


def refusal(judged: Pending | Answer) -> str:
    assert isinstance(judged, Answer)
    assert not judged.accepted
    return judged.reason


def test_a_good_request_reaches_the_test_once_and_says_who_asked() -> None:
    at = desk()
    pending = ask(at)
    assert isinstance(pending, Pending)
    assert "being handled" in refusal(ask(at))
    assert [words for one in at.take() for words in one.as_words] == [
        "note skip was asked over the bus, by foreman",
        "skip",
    ]
    assert at.take() == []
    first = at.settle("a1")
    assert first.accepted
    assert ask(at) == first  # a copy is answered, not obeyed, again
    assert at.take() == []


@pytest.mark.parametrize(
    "command", ["start", "drive", "begin", "resume", "Stop", "stop ", "", None, 3, ["stop"]]
)
def test_there_are_four_commands_and_none_moves_a_drive(command: object) -> None:
    assert "command" in refusal(ask(desk(), command=command))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"utc": "2026-11-25T07:59:40Z"}, "sent 20 s ago"),
        ({"utc": "2026-11-25T08:01:00Z"}, "in the future"),
        ({"utc": "2026-11-25T08:00:00"}, "no time zone"),
        ({"utc": "yesterday"}, "expected a time"),
        ({"utc": "9999-12-31T23:59:59+00:00"}, "in the future"),
        ({"test": "U"}, "for test 'U'"),
        ({"stand": "bench-2"}, "for stand 'bench-2'"),
        ({"schema": 2}, "schema"),
        ({"by": ""}, "by"),
        ({"by": "me\x1b[2J"}, "control characters"),
        ({"by": "\u202eme"}, "control characters"),
        ({"command": "note"}, "a note needs one"),
        ({"command": "note", "text": "\n"}, "control characters"),
        ({"text": "why not"}, "belongs to a note"),
        ({"command": "note", "text": "x" * 501}, "text"),
        ({"id": ""}, "id"),
        ({"id": "a b"}, "id"),
        ({"id": 7}, "id"),
    ],
)
def test_refused_with_the_reason(changes: dict[str, object], said: str) -> None:
    reason = refusal(judge(desk(), changes))
    assert said in reason
    assert reason.isprintable()


def test_nothing_is_obeyed_while_no_test_runs_or_when_retained() -> None:
    at = desk()
    assert "retained" in refusal(ask(at, retained=True))
    at.test = None
    assert "none is running" in refusal(ask(at))


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff\xfe",
        b"NaN",
        b'{"schema": NaN}',
        b"[" * 4000,
        b'{"a":' * 700,
        b"x" * (MOST_BYTES + 1),
        b"[" * 10_000_000,
        json.dumps(GOOD | {"by": "\ud800"}).encode(),
        json.dumps(GOOD).encode()[:-1],
    ],
)
def test_rubbish_is_refused(payload: bytes) -> None:
    reason = refusal(desk().judge(payload, retained=False, now=NOW, now_s=1.0))
    assert len(reason) < 500
    assert reason.isprintable()


@given(
    st.binary(max_size=300)
    | st.recursive(st.none() | st.text() | st.floats(), st.lists).map(repr).map(str.encode)
)
def test_no_payload_makes_a_command_or_an_exception(payload: bytes) -> None:
    assert isinstance(desk().judge(payload, retained=False, now=NOW, now_s=1.0), Answer)


def test_the_number_of_requests_is_limited() -> None:
    at = desk()
    judged = [ask(at, id=f"n{number}") for number in range(20)]
    assert sum(isinstance(one, Pending) for one in judged) == 5
    assert "too many" in refusal(judged[-1])
    assert isinstance(ask(at, id="later", now_s=103.0), Pending)


def test_an_allowance_refills_to_its_burst_and_no_further() -> None:
    allowance = Allowance(burst=2, interval_s=1.0)
    assert [allowance.spend(1000.0) for _ in range(3)] == [True, True, False]
    assert [allowance.spend(1001.0) for _ in range(2)] == [True, False]


def test_who_claims_first_decides() -> None:
    pending = ask(desk())
    assert isinstance(pending, Pending)
    assert pending.claim()
    assert not pending.claim()
