"""A made process table; that the real one is read is tested with a second program in test_port.py."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from lashmap_drivers.errors import PortBusy
from lashmap_drivers.ports.link import Link, holders, lock_file_holder, lockers
from lashmap_drivers.ports.source import PortSettings


@pytest.fixture
def device(tmp_path: Path) -> Path:
    path = tmp_path / "ttyX"
    path.touch()
    return path


@pytest.fixture
def proc(tmp_path: Path, device: Path) -> Path:
    proc = tmp_path / "proc"
    for process, target in ((41, device), (7, device), (9, tmp_path), (os.getpid(), device)):
        folder = proc / str(process) / "fd"
        folder.mkdir(parents=True)
        (folder / "3").symlink_to(target)
        (proc / str(process) / "cmdline").write_bytes(b"terminal\0--port\0" + f"{process}".encode() + b"\0")
    (proc / "sys").mkdir()
    return proc


def test_other_processes_that_have_it_open_are_named(device: Path, proc: Path, tmp_path: Path) -> None:
    link = tmp_path / "by-id"
    link.symlink_to(device)
    assert holders(str(link), proc=proc) == [
        "process 7 (terminal --port 7)",
        "process 41 (terminal --port 41)",
    ]


def test_a_lock_is_traced_to_its_process(device: Path, proc: Path) -> None:
    status = device.stat()
    place = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}"
    (proc / "locks").write_text(
        f"1: FLOCK  ADVISORY  WRITE 41 {place}:{status.st_ino} 0 EOF\n"
        f"2: POSIX  ADVISORY  READ 9 {place}:{status.st_ino + 1} 0 EOF\n",
        "ascii",
    )
    assert lockers(str(device), proc=proc) == ["process 41 (terminal --port 41)"]


def test_a_lock_file_names_a_living_process_only(device: Path, proc: Path, tmp_path: Path) -> None:
    file = tmp_path / "LCK..ttyX"
    assert lock_file_holder(str(device), proc=proc, folders=(tmp_path,)) is None
    file.write_text("        41\n", "ascii")
    assert lock_file_holder(str(device), proc=proc, folders=(tmp_path,)) == "process 41 (terminal --port 41)"
    file.write_text("        42\n", "ascii")  # left behind
    assert lock_file_holder(str(device), proc=proc, folders=(tmp_path,)) is None
    file.write_text("rubbish", "ascii")
    assert lock_file_holder(str(device), proc=proc, folders=(tmp_path,)) is None


def test_no_process_table_is_no_complaint(tmp_path: Path, device: Path) -> None:
    assert holders(str(device), proc=tmp_path / "none") == []
    assert lockers(str(device), proc=tmp_path / "none") == []


def test_a_reader_without_a_lock_is_found_before_opening(
    device: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("lashmap_drivers.ports.link.holders", lambda _: ["process 41 (terminal)"])
    with pytest.raises(PortBusy, match=re.escape("held by process 41 (terminal). Close that program")):
        Link("encoder", str(device), str(device), PortSettings())
