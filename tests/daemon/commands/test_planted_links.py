"""Links that somebody planted in a shared folder: whatever lashmap writes, what is behind them stays."""

from __future__ import annotations

import datetime as dt
import errno
import json
import os
import re
import shutil
import threading
from pathlib import Path

import pytest
from daemon.command import lashmap, simulated_stand
from daemon.exported import exported, recorded
from daemon.logbooks import two_tests
from daemon.virtual_time import load_box
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_daemon.commands import simulate as simulate_command
from lashmap_daemon.commands.options import Kind
from lashmap_daemon.errors import LogbookError, StandError
from lashmap_daemon.logbook.archive import archive
from lashmap_daemon.logbook.guard import Reserve, only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.rescue import rescue
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.screens.prompts import PromptsFile
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.simulated_stand import Stand as SimulatedStand
from lashmap_daemon.simulated_stand.serve import serve
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped
from lashmap_daemon.whole_file import open_own, write_whole

PRECIOUS = b"somebody else's file\n"


class Trap:
    """A file of somebody else's, outside of the folder that lashmap writes to, and links to it."""

    def __init__(self, folder: Path) -> None:
        self.outside = folder / "outside"
        self.outside.mkdir()
        self.precious = self.outside / "precious"
        self.precious.write_bytes(PRECIOUS)
        self.shared = folder / "shared"
        self.shared.mkdir()

    def plant(self, *names: str) -> None:
        """Links under names that lashmap uses, or used to use."""
        for name in names:
            (self.shared / name).symlink_to(self.precious)

    def must_be_untouched(self) -> None:
        """Nothing was written through a link, and nothing made where one leads."""
        assert self.precious.read_bytes() == PRECIOUS
        assert [one.name for one in self.outside.iterdir()] == ["precious"]


@pytest.fixture
def trap(tmp_path: Path) -> Trap:
    return Trap(tmp_path)


def test_result_and_reports_of_a_test_replace_links_and_follow_none(trap: Trap) -> None:
    path, test = recorded()
    book = Path(shutil.copy(path, trap.shared.parent / "book.logbook"))
    names = [f"{test}.{suffix}" for suffix in ("json", "html", "pdf")]
    trap.plant(*names, *(f".{name}.unfinished" for name in names))
    with Logbook(book, create=False) as logbook:
        done = hand_over(logbook, test, trap.shared)
    trap.must_be_untouched()
    for file in (done.json, done.html, done.pdf):
        assert not file.is_symlink()
        assert file.stat().st_size > 1000
    assert json.loads(done.json.read_text("utf-8"))["verdict"]


def test_a_file_that_is_handed_over_leaves_a_planted_name_alone(trap: Trap) -> None:
    trap.plant("page.html", ".page.html.unfinished")
    write_whole(trap.shared / "page.html", "the page")
    trap.must_be_untouched()
    assert (trap.shared / "page.html").read_text("utf-8") == "the page"
    assert {one.name for one in trap.shared.iterdir()} == {"page.html", ".page.html.unfinished"}
    assert (trap.shared / ".page.html.unfinished").is_symlink()  # it is not ours to remove


def test_a_pipe_behind_a_planted_link_gets_nothing(trap: Trap) -> None:
    os.mkfifo(trap.outside / "pipe")
    (trap.shared / "page.html").symlink_to(trap.outside / "pipe")
    write_whole(trap.shared / "page.html", "the page")  # would wait for a reader of the pipe
    assert not (trap.shared / "page.html").is_symlink()


def test_what_is_no_file_is_still_written_to(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    read: list[bytes] = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_bytes()))
    reader.start()
    write_whole(pipe, "into the pipe")
    reader.join(60.0)
    assert read == [b"into the pipe"]
    ends = os.pipe()
    write_whole(Path(f"/dev/fd/{ends[1]}"), "as the shell's >( ) does")
    assert os.read(ends[0], 100) == b"as the shell's >( ) does"
    for end in ends:
        os.close(end)


@pytest.mark.parametrize("kind", ["csv", "parquet", "json"])
def test_an_export_to_a_folder_follows_no_link(trap: Trap, kind: Kind) -> None:
    (trap.shared / ".out.unfinished").symlink_to(trap.outside)
    exported(kind, trap.shared / "out", samples="rocks")
    trap.must_be_untouched()
    assert (trap.shared / "out" / "datapackage.json").is_file()


@pytest.mark.parametrize("kind", ["xlsx", "mat"])
def test_an_export_to_a_file_replaces_a_link_to_nowhere(trap: Trap, kind: Kind) -> None:
    output = trap.shared / f"out.{kind}"
    output.symlink_to(trap.outside / "made by the link")
    (trap.shared / f".out.{kind}.unfinished").symlink_to(trap.outside)
    exported(kind, output, samples="none")
    trap.must_be_untouched()
    assert output.is_file()
    assert not output.is_symlink()


@pytest.mark.parametrize("by_hand", [False, True])
def test_the_room_kept_back_takes_the_place_of_a_link(
    trap: Trap, monkeypatch: pytest.MonkeyPatch, *, by_hand: bool
) -> None:
    if by_hand:
        monkeypatch.delattr(os, "posix_fallocate", raising=False)
    trap.plant("book.reserve")
    reserve = Reserve(trap.shared / "book", 300_000)
    assert reserve.hold()
    trap.must_be_untouched()
    assert reserve.path.lstat().st_size == 300_000
    assert reserve.release()


def test_a_lock_file_that_is_a_link_is_refused_and_what_it_points_at_stays(trap: Trap) -> None:
    trap.plant("book.lock")
    refused = pytest.raises(LogbookError, match=r"book\.lock: .*symbolic link.*remove it")
    with refused, only_writer(trap.shared / "book"):
        pass
    trap.must_be_untouched()


def test_a_lock_file_with_another_name_elsewhere_is_refused(trap: Trap) -> None:
    (trap.shared / "book.lock").hardlink_to(trap.precious)
    refused = pytest.raises(LogbookError, match=r"book\.lock: .*hard link")
    with refused, only_writer(trap.shared / "book"):
        pass
    trap.must_be_untouched()
    with pytest.raises(OSError, match="hard link") as caught:
        open_own(trap.shared / "book.lock", os.O_WRONLY)
    assert caught.value.errno == errno.EMLINK


def test_a_prompts_file_that_is_a_link_is_refused_at_the_start_and_later(trap: Trap) -> None:
    path = trap.shared / "prompts.jsonl"
    trap.plant("prompts.jsonl")
    with pytest.raises(StandError, match=r"prompts\.jsonl: .*symbolic link.*prompts\.file"):
        PromptsFile(path, MeshCycle(pinion_teeth=13, gear_teeth=40))
    path.unlink()
    prompts = PromptsFile(path, MeshCycle(pinion_teeth=13, gear_teeth=40))
    path.unlink()
    trap.plant("prompts.jsonl")
    closed = events.TestClosed(outcome="completed", reason="all positions done")
    with pytest.raises(StandError, match="symbolic link"):
        prompts(Stamped(time_s=1.0, utc="2026-11-25T08:00:00Z", event=closed))
    trap.must_be_untouched()


@pytest.mark.parametrize("ending", ["-wal", "-shm", "-journal"])
def test_a_link_beside_the_logbook_is_refused_before_sqlite_writes_through_it(
    trap: Trap, ending: str
) -> None:
    path = two_tests(trap.shared)
    trap.plant(f"{path.name}{ending}")
    for create in (True, False):
        with pytest.raises(LogbookError, match=rf"{ending}: is a symbolic link"):
            Logbook(path, create=create)
    trap.must_be_untouched()


def test_a_logbook_is_not_made_where_a_link_leads_to(trap: Trap) -> None:
    link = trap.shared / "book"
    link.symlink_to(trap.outside / "made by the link")
    with pytest.raises(LogbookError, match="symbolic link to a file that is not there"):
        Logbook(link, create=True)
    path = two_tests(trap.shared)
    with pytest.raises(LogbookError, match="symbolic link to a file that is not there"):
        rescue(path, link)
    with pytest.raises(LogbookError, match="symbolic link to a file that is not there"):
        archive(path, link, older_than=dt.timedelta(0), now=dt.datetime(2027, 1, 1, tzinfo=dt.UTC))
    trap.must_be_untouched()


def test_what_the_simulated_stand_leaves_follows_no_link(trap: Trap) -> None:
    trap.plant("truth.json", "stand.toml", ".stand.toml", "indicator.toml", "encoder.toml")
    instruments = SimulatedInstruments()
    simulate_command.write_stand(trap.shared, Path("/dev/a"), Path("/dev/b"), instruments)
    stop = threading.Event()
    stop.set()
    stand = SimulatedStand(simulate_command.simulated_box(load_box()), instruments, seed=1)
    serve(
        stand,
        folder=trap.shared / "ports",
        truth=trap.shared / "truth.json",
        announce=lambda _: None,
        stop=stop,
    )
    trap.must_be_untouched()
    assert "counts_per_turn" in (trap.shared / "stand.toml").read_text("utf-8")
    assert json.loads((trap.shared / "truth.json").read_text("utf-8"))["tight_spot"]


def test_run_names_a_planted_lock_and_begins_nothing(trap: Trap) -> None:
    book = trap.shared / "book.logbook"
    box = trap.shared.parent / "box.toml"
    shutil.copy(Path(__file__).parents[3] / "configs" / "boxes" / "spiral-13x40.toml", box)
    trap.plant("book.logbook.lock")
    with simulated_stand(trap.shared.parent / "stand") as stand:
        done = lashmap("run", stand, box, "--logbook", book, "--locked-out", "--plain")
    assert done.returncode == 3
    assert "book.logbook.lock" in done.stderr
    assert "symbolic link" in done.stderr
    assert "Traceback" not in done.stderr
    trap.must_be_untouched()
    assert not book.exists()


def test_compare_replaces_a_link(trap: Trap) -> None:
    path, test = recorded()
    again = Path(shutil.copy(path, trap.shared.parent / "again.logbook"))
    trap.plant("pair.html")
    done = lashmap(
        *("compare", test, test, "--logbook", path, "--logbook2", again),
        *("--report", trap.shared / "pair.html"),
    )
    assert done.returncode == 0, done.stderr
    trap.must_be_untouched()
    assert not (trap.shared / "pair.html").is_symlink()


def test_no_file_is_opened_for_writing_but_in_one_place() -> None:
    """Every way of Python's that makes or empties a file by its name, outside of `whole_file`."""
    house = Path(__file__).parents[3]
    ways = re.compile(
        r"""\.write_(text|bytes)\(|\bopen\([^()]*["'][wax]b?\+?["']|\bos\.open\(|mkstemp|NamedTemporaryFile|\.touch\("""
    )
    found = [
        f"{path.name}: {line.strip()}"
        for package in ("analysis", "daemon", "drivers")
        for path in sorted((house / package).rglob("*.py"))
        if path.name != "whole_file.py"
        for line in path.read_text("utf-8").splitlines()
        if ways.search(line) and "os.fdopen(" not in line
    ]
    assert found == [
        # In folders made for us alone, by `tempfile` and by `whole_file.new_folder_beside`.
        "typesetting.py: (Path(folder) / name).write_bytes(b64decode(data))",
        'files.py: self._file: IO[str] = path.open("w", encoding="utf-8", newline="")',
        # Only where nothing is there yet, a link included, and for nobody else to read.
        "page_table.py: descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)",
    ]
