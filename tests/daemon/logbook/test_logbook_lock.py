from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.small_disk import small_disk
from daemon.virtual_time import DEMO_BOX
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.guard import LogbookBusy, only_writer
from lashmap_daemon.logbook.logbook import Logbook

HOLD = """
import sys
from pathlib import Path
from lashmap_daemon.logbook.guard import only_writer
with only_writer(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


@contextmanager
def held_elsewhere(path: Path) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        try:
            yield holder
        finally:
            holder.kill()


def test_the_holder_is_named_and_death_releases(tmp_path: Path) -> None:
    path = tmp_path / "book"
    with held_elsewhere(path) as holder:
        named = rf"process {holder.pid} \(-c .*{re.escape(str(path))}\) since 20"
        with pytest.raises(LogbookBusy, match=named), only_writer(path):
            pass
        holder.send_signal(signal.SIGKILL)
        holder.wait(timeout=60.0)
        with only_writer(path):
            pass


def test_one_process_cannot_hold_it_twice_but_one_after_another(tmp_path: Path) -> None:
    path = tmp_path / "book"
    for _ in range(2):
        with only_writer(path), pytest.raises(LogbookBusy), only_writer(path):
            pass
    with only_writer(path), only_writer(tmp_path / "other"):
        pass


def test_a_lock_file_that_tells_nothing_is_still_a_lock(tmp_path: Path) -> None:
    path = tmp_path / "book"
    with only_writer(path):
        (tmp_path / "book.lock").write_text("rubbish")
        with pytest.raises(LogbookBusy, match="another process writes to it"), only_writer(path):
            pass


def test_the_name_of_who_held_it_before_is_not_left_behind(tmp_path: Path) -> None:
    """Between locking and writing its own name, the next holder would be called by it."""
    path = tmp_path / "book"
    with only_writer(path):
        assert (tmp_path / "book.lock").stat().st_size > 0
    assert (tmp_path / "book.lock").stat().st_size == 0


def test_a_disk_too_full_for_the_name_of_the_holder_locks_nevertheless(tmp_path: Path) -> None:
    with small_disk(tmp_path, 1) as disk:
        (disk / "book.lock").touch()
        with pytest.raises(OSError, match="No space"):
            (disk / "somebody").write_bytes(bytes(1 << 21))
        path = disk / "book"
        with only_writer(path), pytest.raises(LogbookBusy, match="another process"), only_writer(path):
            pass


def test_a_folder_that_is_none_is_named(tmp_path: Path) -> None:
    with (
        pytest.raises(LogbookError, match=r"book\.lock: the lock file cannot be made"),
        only_writer(tmp_path / "absent" / "book"),
    ):
        pass


def test_run_refuses_a_held_logbook_and_readers_do_not_care(tmp_path: Path) -> None:
    path = tmp_path / "book"
    Logbook(path, create=True).close()
    stand = Path(__file__).parents[3] / "configs" / "stands" / "bench.toml"
    with held_elsewhere(path) as holder:
        done = lashmap("run", stand, DEMO_BOX, "--locked-out", "--logbook", path)
        assert done.returncode == 3
        assert f"process {holder.pid}" in done.stderr
        assert "--logbook" in done.stderr
        assert lashmap("list", "--logbook", path).returncode == 0
        assert lashmap("verify", "--logbook", path).returncode == 0
