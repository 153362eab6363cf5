"""The service as it is installed: a real process, real pseudo-terminals, watched over systemd's socket."""

from __future__ import annotations

import json
import signal
from pathlib import Path

import pytest
from daemon.command import lashmap, least, simulated_stand
from daemon.running_service import Serve, short_boxes
from daemon.virtual_time import CONFIGS
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude, json_text
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.service.words import Begin, Matched, Note, Resume, Stop


def closings(logbook: Path) -> list[str]:
    with Logbook(logbook, create=False) as book:
        return [one.closing for one in book.tests()]


@pytest.mark.begins_first
def test_tests_begin_and_end_while_the_ports_stay_open(tmp_path: Path, serve: Serve) -> None:
    box = short_boxes(tmp_path / "simulated") / "short.toml"
    with simulated_stand(tmp_path / "stand", box=box) as stand, serve(stand) as service:
        service.wait_heard()
        begun = service.tell("begin", "short", "--locked-out", "--operator", "Ada")
        assert begun.returncode == 0, begun.stderr
        test = begun.stdout.split("Test ", 1)[1].split(" ", 1)[0]
        assert "rock the gear lightly" in begun.stdout
        assert service.ask(Note(text="seen from\noutside")).say == ["Note: seen from outside"]
        again = service.ask(Begin(box="short", confirmed="typed at the stand"))
        assert (again.exit_status, f"the service is testing {test}" in again.say[0]) == (3, True)
        idle = service.until(lambda status: status.state == "idle")
        assert f"test {test} completed: all positions done; verdict " in idle.last_test
        result = json.loads((tmp_path / f"{test}.json").read_text("utf-8"))
        assert len(result["positions"]) == 5
        with Logbook(service.logbook, create=False) as book:
            assert json_text(conclude(book, test)) == (tmp_path / f"{test}.json").read_text("utf-8")
        assert "seen from outside" in (tmp_path / f"{test}.html").read_text("utf-8")
        assert (tmp_path / f"{test}.pdf").read_bytes().startswith(b"%PDF")

        # A second one, of a box that leaves open what a person knows.
        asked = service.tell("begin", "open", "--locked-out", "--set", "mounting.pinion_set_mm=105.01")
        assert "Bring the marked teeth together" in asked.stdout
        assert service.status().state == "preparing"
        assert service.ask(Matched()).exit_status == 0
        assert service.ask(Stop()).say == ["Test stopped: by the operator"]
        service.until(lambda status: status.state == "idle")
        assert closings(service.logbook) == ["completed: all positions done", "stopped: by the operator"]
        with Logbook(service.logbook, create=False) as book:
            second = {
                one.name: one.state for one in Replay(book, book.tests()[1].test).record().preconditions
            }
        assert second["mounting distance, pinion"] == second["matched teeth"] == "proven"
        _, log = service.end()
        assert service.process.returncode == 0
        assert any(line["test"] == test and "accepted" in line["message"] for line in log)
        assert {line["stand"] for line in log} == {"Simulated stand"}


def test_sigterm_closes_a_running_test_as_interrupted(tmp_path: Path, serve: Serve) -> None:
    def begin_and_end() -> float:
        with serve(stand) as service:
            service.begin()
            service.until(lambda status: status.done >= 1)
            took_s, _ = service.end()
            assert service.process.returncode == 0
            service.wait_told("STOPPING=1")
        assert set(closings(service.logbook)) == {"interrupted: the service was ended (SIGTERM)"}
        with Logbook(service.logbook, create=False) as book:
            assert conclude(book, None).verdict.outcome == "not proven"
        return took_s

    def only_end() -> float:
        with serve(stand) as service:
            took_s, _ = service.end()
            assert service.process.returncode == 0
        return took_s

    with simulated_stand(tmp_path / "stand") as stand:
        assert least(begin_and_end, below=2.0) < 2.0
        assert least(only_end, below=2.0) < 2.0


@pytest.mark.begins_first
def test_an_interrupted_test_goes_on_in_the_next_service(tmp_path: Path, serve: Serve) -> None:
    box = short_boxes(tmp_path / "simulated") / "short.toml"
    with simulated_stand(tmp_path / "stand", box=box) as stand:
        with serve(stand) as service:
            test = service.begin()
            service.until(lambda status: status.done >= 1)
            service.end()
        with serve(stand) as service:
            service.wait_heard()
            asked = service.tell("resume", "short", "--locked-out")
            assert asked.returncode == 0, asked.stderr
            assert "Bring the marked teeth together" in asked.stdout
            gone_on = service.ask(Matched(known=False))
            assert gone_on.say[0] == f"Test {test} goes on"
            service.until(lambda status: status.state == "idle")
            assert service.ask(Resume(box="short", confirmed="typed at the stand")).exit_status == 2
            service.end()
    assert closings(service.logbook) == ["completed: all positions done"]
    result = json.loads((tmp_path / f"{test}.json").read_text("utf-8"))
    assert len(result["positions"]) >= 5
    assert {one["name"]: one["state"] for one in result["preconditions"]}["matched teeth"] == "unproven"


def test_instruments_may_be_absent_and_may_fail_a_test(tmp_path: Path, serve: Serve) -> None:
    with simulated_stand(tmp_path / "stand"):
        pass  # leaves its stand file behind, and no ports
    stand = tmp_path / "stand" / "stand.toml"
    text = stand.read_text("utf-8").replace("[stand]\n", "[stand]\nreconnect_seconds = 1.0\n")
    (tmp_path / "patient.toml").write_text(text.replace('profile = "', 'profile = "stand/'), "utf-8")
    with serve(tmp_path / "patient.toml") as service:
        absent = service.until(lambda status: all("cannot open" in one.detail for one in status.instruments))
        assert {one.state for one in absent.instruments} == {"absent"}
        refused = service.tell("begin", "short", "--locked-out")
        assert refused.returncode == 3
        assert "indicator on" in refused.stderr
        assert "encoder on" in refused.stderr
        with simulated_stand(tmp_path / "stand"):
            service.begin()
        # The cables are out in the middle of a test: it fails after the patience of the stand file.
        failed = service.until(lambda status: status.state == "idle" and bool(status.last_test))
        assert "failed: " in failed.last_test
        assert {one.state for one in failed.instruments} == {"away"}
        _, log = service.end()
        assert service.process.returncode == 0
    assert closings(service.logbook)[0].startswith("failed: ")
    assert any(line["level"] == "error" and "the test failed" in line["message"] for line in log)


def test_signals_neighbours_and_signs_of_life(tmp_path: Path, serve: Serve) -> None:
    with simulated_stand(tmp_path / "stand") as stand, serve(stand) as service:
        text = stand.read_text("utf-8")
        (tmp_path / "boxes" / "new.toml").write_text("x = [", "utf-8")
        for old, new in (("2099-12-31", "2098-12-31"), ("turn = 360000", "turn = 180000")):
            assert old in text
            stand.write_text(text.replace(old, new), "utf-8")
            service.forget_told()
            service.process.send_signal(signal.SIGHUP)
            service.wait_told("RELOADING=1")
            service.wait_told("READY=1")
        stand.write_text(text, "utf-8")
        assert service.status().boxes == ["new", "open", "short"]

        second = lashmap("serve", stand, "--boxes", tmp_path / "boxes", "--logbook", service.logbook)
        assert second.returncode == 3
        assert f"process {service.process.pid}" in second.stderr
        third = lashmap("serve", stand, "--boxes", tmp_path / "boxes", "--logbook", tmp_path / "other")
        assert third.returncode == 3
        assert "another service of this stand is running" in third.stderr

        service.forget_told()
        service.wait_told("WATCHDOG=1")
        service.logbook.rename(tmp_path / "moved")
        service.wait_told("STATUS=")
        service.forget_told()
        with pytest.raises(AssertionError, match="never told 'WATCHDOG=1'"):
            service.wait_told("WATCHDOG=1", 3.0)
        _, log = service.end()
    said = [line["message"] for line in log]
    assert (
        "the stand file was read again; changed: encoder.calibration_due, indicator.calibration_due" in said
    )
    assert any("encoder.counts_per_turn: cannot change while the service runs" in text for text in said)
    assert any("new.toml: line 1: 'x = [': the list is not closed" in text for text in said)
    assert any("no sign of life is sent" in text for text in said)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("nowhere.toml", "--boxes", "."), "nowhere.toml: no such file"),
        (("STAND", "--boxes", "nowhere"), "nowhere: --boxes: no such folder"),
        (("STAND", "--boxes", ".", "--logbook", "no/where"), "--logbook: no such folder"),
        (("STAND", "--boxes", ".", "--output", "nowhere"), "--output: no such folder"),
        (("STAND",), "Missing option '--boxes'"),
    ],
)
def test_wrong_words_end_with_status_2(words: tuple[str, ...], expected: str) -> None:
    stand = CONFIGS / "stands" / "bench.toml"
    done = lashmap("serve", *(stand if word == "STAND" else word for word in words))
    assert done.returncode == 2
    assert expected in done.stderr
    assert "Traceback" not in done.stderr
