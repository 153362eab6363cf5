"""Speaking to a service from the command line: what is said, what is refused, and with which exit status."""

from __future__ import annotations

import asyncio
import os
import pty
import socket
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from daemon.command import ENTRY, lashmap
from lashmap_daemon.errors import StandError
from lashmap_daemon.service.client import place_for
from lashmap_daemon.service.server import serving
from lashmap_daemon.service.words import Answer, Request, StatusReport

REPORT = StatusReport(state="idle", stand="Bench 1", logbook="x.logbook", awaits="a test", instruments=[])


@pytest.fixture
def runtime(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="lm-") as name:
        monkeypatch.setenv("RUNTIME_DIRECTORY", name)
        yield Path(name)


@contextmanager
def service(stand: Path) -> Iterator[list[Request]]:
    """Something that answers on the socket of ``stand``; yields what it was asked."""
    asked: list[Request] = []
    ready, done = threading.Event(), threading.Event()

    async def answer(request: Request) -> Answer:
        asked.append(request)
        match request.command:
            case "status":
                return Answer(
                    say=["Bench 1: idle", "  awaits     lashmap tell STAND begin BOX"], status=REPORT
                )
            case "skip":
                raise StandError("nothing to skip")
        return Answer(say=[f"{request.command}: done"])

    async def serve() -> None:
        async with serving(place_for(stand, stand, os.environ), answer):
            ready.set()
            await asyncio.to_thread(done.wait)

    thread = threading.Thread(target=asyncio.run, args=(serve(),))
    thread.start()
    assert ready.wait(60.0)
    try:
        yield asked
    finally:
        done.set()
        thread.join()


def test_words_arrive_as_they_were_said(runtime: Path) -> None:
    stand = runtime / "stand.toml"
    with service(stand) as asked:
        shown = lashmap("tell", stand, "status")
        assert shown.returncode == 0, shown.stderr
        assert f"lashmap tell {stand} begin BOX" in shown.stdout  # as it can be typed
        whole = lashmap("tell", stand, "status", "--json")
        assert StatusReport.model_validate_json(whole.stdout) == REPORT
        said = lashmap(
            *("tell", stand, "begin", "b-7", "--locked-out", "--operator", "Ada", "--runout", "gear"),
            *("--set", "mounting.pinion_set_mm=79.375", "--matched", "now", "--build", "build-7"),
            *("--method", "both", "--brake-nm", "0.5"),
        )
        assert said.returncode == 0, said.stderr
        assert "Isolate and lock out the drive" in said.stdout
        refused = lashmap("tell", stand, "skip")
        assert (refused.returncode, refused.stderr) == (3, "lashmap: nothing to skip\n")
    begin = asked[2].model_dump()
    assert begin == {
        "lashmap": 1,
        "command": "begin",
        "box": "b-7",
        "operator": "Ada",
        "confirmed": "on the command line (--locked-out)",
        "runout": ["gear"],
        "settings": {"mounting.pinion_set_mm": "79.375"},
        "matched": "now",
        "build": "build-7",
        "method": "both",
        "brake_nm": [0.5],
    }


def test_a_resumption_arrives_as_it_was_said(runtime: Path) -> None:
    stand = runtime / "stand.toml"
    with service(stand) as asked:
        said = lashmap(
            *("tell", stand, "resume", "b-7", "--test", "20261125-080000-b-7", "--operator", "Ada"),
            *("--locked-out", "--matched", "unknown"),
        )
        assert (said.returncode, said.stdout.splitlines()[-1]) == (0, "resume: done"), said.stderr
        later = lashmap("tell", stand, "resume", "b-7", "--locked-out")
        assert later.returncode == 0, later.stderr
    resumes = [one.model_dump() for one in asked]
    assert resumes[0] == {
        "lashmap": 1,
        "command": "resume",
        "box": "b-7",
        "test": "20261125-080000-b-7",
        "operator": "Ada",
        "confirmed": "on the command line (--locked-out)",
        "matched": "unknown",
    }
    assert (resumes[1]["test"], resumes[1]["matched"]) == (None, "later")


def test_without_the_lock_out_nothing_is_said_to_the_service(runtime: Path) -> None:
    stand = runtime / "stand.toml"
    with service(stand) as asked:
        done = lashmap("tell", stand, "begin", "b-7")
        assert done.returncode == 2
        assert "Isolate and lock out the drive" in done.stdout
        assert "the cautions were not confirmed" in done.stderr
    assert asked == []


@pytest.mark.parametrize(("typed", "status"), [("locked out", 0), ("yes", 2), ("no", 2)])
def test_on_a_terminal_the_cautions_are_asked(runtime: Path, typed: str, status: int) -> None:
    stand = runtime / "stand.toml"
    ours, theirs = pty.openpty()
    with service(stand) as asked:
        process = subprocess.Popen(
            [*ENTRY, "tell", stand, "begin", "b-7"], stdin=theirs, stdout=theirs, stderr=theirs
        )
        os.close(theirs)
        heard = b""
        while b"is isolated and locked out" not in heard:
            heard += os.read(ours, 4096)
        os.write(ours, typed.encode() + b"\n")
        if typed == "yes":  # taken for a slip of the keys, once
            while heard.count(b"is isolated and locked out") < 2:
                heard += os.read(ours, 4096)
            os.write(ours, b"yes\n")
        assert process.wait(60.0) == status
    os.close(ours)
    assert len(asked) == (0 if status else 1)


def test_what_was_typed_before_the_question_is_not_its_answer(runtime: Path) -> None:
    stand = runtime / "stand.toml"
    ours, theirs = pty.openpty()
    os.write(ours, b"locked out\n")  # before the program even runs
    with service(stand) as asked:
        process = subprocess.Popen(
            [*ENTRY, "tell", stand, "begin", "b-7"], stdin=theirs, stdout=theirs, stderr=theirs
        )
        os.close(theirs)
        heard = b""
        while b"is isolated and locked out" not in heard:
            heard += os.read(ours, 4096)
        os.write(ours, b"no\n")
        assert process.wait(60.0) == 2
    os.close(ours)
    assert asked == []


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("begin", "b", "--locked-out", "--set", "x"), "--set: expected a key and its value once"),
        (("begin", "b", "--locked-out", "--runout", "ring"), "runout.0: expected 'gear' or 'pinion'"),
        (("begin", "b", "--locked-out", "--matched", "maybe"), "matched: expected 'later', 'now' or"),
        (("note", ""), "text: expected something, not an empty text"),
        (("note", "x" * 3000), "text: expected at most 2000 characters"),
        (("drive", "on"), "No such command 'drive'"),
    ],
)
def test_wrong_words_end_with_status_2(runtime: Path, words: tuple[str, ...], expected: str) -> None:
    done = lashmap("tell", runtime / "stand.toml", *words)
    assert done.returncode == 2
    assert expected in done.stderr
    assert "Traceback" not in done.stderr


def test_no_service_is_said_with_what_to_do(runtime: Path) -> None:
    stand = runtime / "stand.toml"
    done = lashmap("tell", stand, "status")
    assert done.returncode == 3
    assert f"no service of {stand} answers; searched: {runtime}" in done.stderr
    # Behind the stand file the option is not understood: the message shows where it goes.
    assert f"lashmap tell --logbook FILE {stand} …" in done.stderr
    assert f"lashmap serve {stand}" in done.stderr


@pytest.mark.parametrize(
    ("spoken", "expected"),
    [
        (b"", "the answer is not understood"),
        (b"hello\n", "the answer is not understood"),
        (b"x" * 2**21, "end"),
    ],
)
def test_another_programs_socket_is_not_believed(runtime: Path, spoken: bytes, expected: str) -> None:
    stand = runtime / "stand.toml"
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
        other.bind(str(place_for(stand, stand, os.environ)))
        other.listen(1)

        def speak() -> None:
            connection, _ = other.accept()
            with connection:
                connection.recv(4096)
                try:
                    connection.sendall(spoken)
                except OSError:
                    return  # hung up on, as it should be

        thread = threading.Thread(target=speak)
        thread.start()
        done = lashmap("tell", stand, "status")
        thread.join()
    assert done.returncode == 3
    assert expected in done.stderr
    assert "Traceback" not in done.stderr
