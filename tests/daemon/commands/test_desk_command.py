"""The command that serves the desk: an address and a token, and refusals in the words of its own options."""

from __future__ import annotations

import http.client
import re
import signal
import socket
from pathlib import Path

import pytest
from daemon.command import lashmap, start
from daemon.desk.served import golden


def test_it_prints_where_it_is_and_serves_until_it_is_interrupted(tmp_path: Path) -> None:
    (book,) = golden(tmp_path, "spiral")
    process = start("desk", book, "--port", "0")
    assert process.stdout is not None
    try:
        said = "".join(iter(process.stdout.readline, "Ctrl-C ends it.\n"))
        found = re.search(r"http://127\.0\.0\.1:(\d+)/#([\w-]{32})", said)
        assert found is not None, said
        connection = http.client.HTTPConnection("127.0.0.1", int(found[1]), timeout=30.0)
        connection.request("GET", "/about", headers={"Authorization": f"Bearer {found[2]}"})
        assert b'"may":true' in connection.getresponse().read()
        connection.close()
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=30.0) == 0
    finally:
        process.kill()
        process.communicate(timeout=30.0)


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("gone.logbook",), "gone.logbook: no such logbook"),
        ((".",), "is a folder; name the logbook in it"),
        (("spiral.logbook", "--host", "a:b"), "host: expected an address or a name"),
        (("spiral.logbook", "--certificate-file", "x"), "belong together"),
        (("spiral.logbook", "--port", "99999"), "'--port'"),
        (("spiral.logbook", "--token-file", "no/x"), "check --token-file"),
    ],
)
def test_what_is_wrong_is_said_in_the_words_of_its_options(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], reason: str
) -> None:
    golden(tmp_path, "spiral")
    monkeypatch.chdir(tmp_path)
    done = lashmap("desk", *words)
    assert done.returncode == 2
    assert reason in done.stderr


def test_files_none_of_which_is_a_logbook_are_refused_with_their_reasons(tmp_path: Path) -> None:
    (good,) = golden(tmp_path, "spiral")
    text, cut = tmp_path / "text.logbook", tmp_path / "cut.logbook"
    text.write_text("no logbook at all", "utf-8")
    cut.write_bytes(good.read_bytes()[:20_000])
    done = lashmap("desk", text)
    assert done.returncode == 3
    assert "text.logbook: file is not a database; so it is no logbook" in done.stderr
    done = lashmap("desk", text, cut)
    assert done.returncode == 3
    assert ["text.logbook" in line or "cut.logbook" in line for line in done.stderr.splitlines()] == [
        True,
        True,
    ]


def test_a_place_that_is_taken_names_the_option(tmp_path: Path) -> None:
    (book,) = golden(tmp_path, "spiral")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        done = lashmap("desk", book, "--port", str(taken.getsockname()[1]))
    assert done.returncode == 2
    assert "change --host or --port" in done.stderr
