"""The history of a serial number: builds and tests by time, and the share of first passes that conform."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.logbooks import add_test
from lashmap_daemon.builds.listing import history
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.logbook.logbook import Logbook

from daemon import made_build as made

SERIAL = "INV-1340-07"  # of the demonstration box, which `start_of` takes


def test_the_first_completed_test_of_each_build_counts(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        add_test(book, tmp_path, "t1", "nonconforming", "build-a")
        add_test(book, tmp_path, "t2", "conforming", "build-a")  # a second pass
        add_test(book, tmp_path, "t3", "", "build-b", closed=False)  # broken off
        add_test(book, tmp_path, "t4", "conforming", "build-b")
        add_test(book, tmp_path, "t5", "conforming")
        add_test(book, tmp_path, "t6", "not proven")
        found = history(book, SERIAL)
    # By hand: build-a failed, build-b passed, the serial number without a build passed.
    assert (found.passed, found.passes) == (2, 3)
    assert [entry.name for entry in found.entries] == [f"test t{number}" for number in range(1, 7)]
    assert found.entries[1].of_build == "build-a"
    assert "2 of 3 (67 %)" in found.yield_text


def test_builds_stand_among_the_tests_by_time(tmp_path: Path) -> None:
    box = made.box_file()
    box = box.model_copy(update={"box": box.box.model_copy(update={"serial": SERIAL})})
    build = made.begun(tmp_path / "book", box)  # at 08:01 UTC
    add_test(build.logbook, tmp_path, "t1", "conforming", build.name)  # at 08:00:01
    found = history(build.logbook, SERIAL)
    build.logbook.close()
    assert [entry.name for entry in found.entries] == ["test t1", f"build {build.name}"]
    assert found.entries[1].state == "open; test t1 ended conforming, and nobody decided on it yet"


def test_the_command_prints_it_and_an_unknown_serial_number_is_said_to_be_one(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        add_test(book, tmp_path, "t1", "conforming")
        with pytest.raises(ConfigurationError, match=f"serial number X; known are: {SERIAL}"):
            history(book, "X")
    done = lashmap("list", "--serial", SERIAL, "--logbook", tmp_path / "book")
    assert done.returncode == 0
    assert "2026-11-25T08:00:01Z  test t1: conforming (completed: all positions done)" in done.stdout
    assert "First-pass yield: 1 of 1 (100 %)" in done.stdout
    done = lashmap("list", "--serial", "X", "--logbook", tmp_path / "book")
    assert done.returncode == 2
    assert "--serial: no build and no test of serial number X" in done.stderr
