"""The log: its three forms, its fields, what is held back, and a reader that is stuck."""

from __future__ import annotations

import contextlib
import io
import json
import logging
import os
import re
import socket
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from lashmap_daemon.service.journal import LOG, Holding, Journal, Notifier, about, form_for, journal, render


@dataclass
class Clock:
    """A clock that is set by hand."""

    now_s: float = 0.0

    def __call__(self) -> float:
        return self.now_s


def record(text: str, *args: object, level: int = logging.INFO, **extra: object) -> logging.LogRecord:
    made = logging.LogRecord("lashmap.test", level, __file__, 1, text, args, None)
    vars(made).update(extra)
    return made


def test_json_lines_carry_stand_test_and_instrument() -> None:
    with about(stand="Bench 1"), about(test="t1"):
        line = render(record("lost %s", "it", instrument="encoder"), "json")
    assert json.loads(line) | {"time": ""} == {
        "time": "",
        "level": "info",
        "message": "lost it",
        "stand": "Bench 1",
        "test": "t1",
        "instrument": "encoder",
    }
    assert json.loads(render(record("x"), "json"))["test"] is None


# sd-daemon(3) and syslog(3): "<3>" error, "<4>" warning, "<6>" info, "<7>" debug, "<2>" critical.
@pytest.mark.parametrize(
    ("level", "priority"),
    [
        (logging.CRITICAL, 2),
        (logging.ERROR, 3),
        (logging.WARNING, 4),
        (logging.INFO, 6),
        (logging.DEBUG, 7),
    ],
)
def test_under_systemd_each_line_begins_with_its_priority(level: int, priority: int) -> None:
    assert render(record("x", level=level), "systemd").startswith(f"<{priority}>{{")


def test_nothing_in_a_message_begins_another_line_or_drives_a_terminal() -> None:
    hostile = "note\n<0>panic\x1b[2J\x9b\r\x00 end"
    for form in ("plain", "json", "systemd"):
        line = render(record("%s", hostile), form)
        assert "\n" not in line
        assert "\x1b" not in line
        assert "\x9b" not in line
    assert json.loads(render(record("%s", hostile), "json"))["message"] == hostile


def test_a_trace_is_kept() -> None:
    one = record("failed")
    try:
        int("why")
    except ValueError:
        one.exc_info = sys.exc_info()
    assert "ValueError: invalid literal" in json.loads(render(one, "json"))["trace"]
    assert "ValueError: invalid literal" in render(one, "plain")


def test_the_journal_is_known_by_its_own_stream(tmp_path: Path) -> None:
    with (tmp_path / "log").open("w") as stream:
        status = os.fstat(stream.fileno())
        # systemd.exec(5): JOURNAL_STREAM holds device and inode of the stream that is the journal.
        assert form_for(stream, {"JOURNAL_STREAM": f"{status.st_dev}:{status.st_ino}"}) == "systemd"
        assert form_for(stream, {"JOURNAL_STREAM": "1:2"}) == "json"
        assert form_for(stream, {}) == "json"
    assert form_for(io.StringIO(), {"JOURNAL_STREAM": "1:2"}) == "json"


def test_a_repeating_cause_is_held_back_and_counted() -> None:
    clock = Clock()
    holding = Holding(clock=clock)
    passed = [holding.filter(record("port %s gone", number)) for number in range(12)]
    assert passed == [True] * 5 + [False] * 7
    assert holding.filter(record("another cause"))
    assert holding.filter(record("port %s gone", 1, instrument="encoder"))  # of another instrument
    clock.now_s = 61.0
    after = record("port %s gone", 10)
    assert holding.filter(after)
    assert after.getMessage() == "port 10 gone (7 like it were held back)"


def test_a_cause_that_stopped_is_summed_up() -> None:
    clock = Clock()
    holding = Holding(clock=clock)
    for _ in range(8):
        holding.filter(record("port gone"))
    assert holding.ended() == []
    clock.now_s = 60.0
    assert holding.ended() == ["3 times more: port gone"]
    assert holding.ended() == []


def test_different_sentences_are_different_causes() -> None:
    holding = Holding(clock=Clock())
    assert all(holding.filter(record("%s", f"{number % 50} accepted")) for number in range(250))
    assert not holding.filter(record("%s", "3 accepted"))


def test_what_is_kept_of_causes_is_bounded() -> None:
    holding = Holding(clock=Clock())
    for number in range(5000):
        holding.filter(record(f"cause {number}"))
    assert len(holding._causes) <= 256


def fill(pipe: int) -> None:
    """Leave no room in a pipe: what is written to it next waits for its reader, however quick the machine."""
    os.set_blocking(pipe, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(pipe, b"\n")
    os.set_blocking(pipe, True)


def test_a_stuck_reader_delays_nobody_and_the_loss_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "lashmap_daemon.service.journal._JOIN_S", 60.0
    )  # what is left behind at the end is not counted
    ours, theirs = os.pipe()
    fill(theirs)
    with os.fdopen(ours, "rb") as reader, os.fdopen(theirs, "w") as stream:
        handler = Journal(stream, "json", most_lines=10)
        emitted = 0
        while handler.lost < 50:
            handler.emit(record("line %d of a log that nobody reads, for a while", emitted))
            emitted += 1
        assert emitted <= 50 + 50 + 11  # ten wait, and one that the pipe took up may begin the count anew
        heard: list[bytes] = []
        listening = threading.Thread(target=lambda: heard.extend(reader))
        listening.start()
        while handler.lost:  # until the reader has caught up
            handler.emit(record("there is room again"))
            emitted += 1
        handler.close()
        stream.close()
        listening.join()
    messages = [json.loads(line)["message"] for line in heard if line.strip()]
    said = [re.search(r"\((\d+) lines of this log were lost: its reader lags\)", text) for text in messages]
    assert sum(int(one.group(1)) for one in said if one) == emitted - len(messages)


def test_the_whole_log_goes_to_one_stream_and_stops_with_its_context() -> None:
    stream = io.StringIO()
    with journal(stream, {}, verbose=False):
        logging.getLogger("lashmap.ports").warning("here")
        logging.getLogger("lashmap.ports").debug("not shown")
    assert [json.loads(line)["message"] for line in stream.getvalue().splitlines()] == ["here"]
    assert not LOG.handlers


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind(str(tmp_path / "notify"))
        one.settimeout(60.0)
        yield one


def test_the_words_are_those_of_the_protocol(manager: socket.socket) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": manager.getsockname()})
    notifier.ready()
    notifier.status("testing 3 of\n26")
    notifier.status("testing 3 of\n26")  # said once
    notifier.alive()
    notifier.reloading()
    notifier.stopping()
    assert manager.recv(500) == b"READY=1"
    assert manager.recv(500) == b"STATUS=testing 3 of 26"
    assert manager.recv(500) == b"WATCHDOG=1"
    assert manager.recv(500).startswith(b"RELOADING=1\nMONOTONIC_USEC=")
    assert manager.recv(500) == b"STOPPING=1"


def test_the_abstract_namespace_is_written_with_an_at(tmp_path: Path) -> None:
    name = f"lashmap-{os.getpid()}-{tmp_path.name}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind(f"\0{name}")
        one.settimeout(60.0)
        Notifier({"NOTIFY_SOCKET": f"@{name}"}).ready()
        assert one.recv(100) == b"READY=1"


@pytest.mark.parametrize("named", ["", "relative", "/no/such/socket"])
def test_nobody_to_tell_is_no_failure(named: str) -> None:
    Notifier({"NOTIFY_SOCKET": named}).ready()


def test_a_manager_that_does_not_listen_delays_nobody(manager: socket.socket) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": manager.getsockname()})
    for number in range(5000):  # more than any queue of datagrams holds
        notifier.status(f"status {number}")


# sd_watchdog_enabled(3): WATCHDOG_USEC in microseconds, for the process that WATCHDOG_PID names.
@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
    ],
)
def test_the_watchdogs_time(environment: dict[str, str], expected: float | None) -> None:
    assert Notifier(environment).watchdog_s == expected
