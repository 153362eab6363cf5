"""The logbook's file is taken away in mid-test: the test ends, and nothing that was accepted is missing."""

from __future__ import annotations

import io
import os
import re
import resource
import shutil
import sqlite3
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from daemon.command import lashmap, simulated_stand, start
from daemon.logbooks import note, two_tests
from daemon.running_service import running_service, short_boxes
from daemon.small_disk import small_disk
from daemon.testing.test_never_lose_disk import BOX, KeptTest
from lashmap_daemon.commands import run as run_command
from lashmap_daemon.commands.options import RunOptions
from lashmap_daemon.errors import LogbookGone
from lashmap_daemon.logbook.check import check_file, check_test
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import HandedOver, conclude, hand_over
from lashmap_daemon.service.words import Begin, StatusReport
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from rich.console import Console

Loss = Callable[[Path], None]


def unlinked(book: Path) -> None:
    """The file alone."""
    book.unlink()


def folder_removed(book: Path) -> None:
    """With everything in it, and at once: one by one, the log would be seen to go before its folder."""
    shutil.rmtree(book.parent.rename(book.parent.with_name("going")))


def replaced(book: Path) -> None:
    """By another logbook, as a careless restore does it."""
    other = two_tests(book.parent)
    other.replace(book)


def renamed(book: Path) -> None:
    """Put aside."""
    book.rename(book.with_name("put aside"))


def log_removed(book: Path) -> None:
    """Somebody tidied up."""
    book.with_name(f"{book.name}-wal").unlink()


def unmounted(book: Path) -> None:
    """Lazily: what is open stays open, and the name leads to the folder beneath (umount(8))."""
    subprocess.run(["umount", "-l", str(book.parent)], check=True)


LOSSES: tuple[Loss, ...] = (unlinked, folder_removed, replaced, renamed, log_removed, unmounted)
SAID: dict[Loss, str] = {
    unlinked: "the file is gone",
    folder_removed: "its folder is gone",
    replaced: "another file stands under its name",
    renamed: "the file is gone",
    log_removed: "its write-ahead log .* is gone",
    unmounted: "its folder is gone",
}


@contextmanager
def place(tmp_path: Path, loss: Loss) -> Iterator[Path]:
    """A folder for a logbook, on a disk of its own where that is to be unmounted."""
    if loss is not unmounted:
        folder = tmp_path / "books"
        folder.mkdir()
        yield folder
        return
    with small_disk(tmp_path, 30) as disk:
        try:
            yield disk
        finally:
            subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(disk)], check=True)  # to be unmounted again


@contextmanager
def largest_file(size: int) -> Iterator[None]:
    """No file may become larger in this process meanwhile (setrlimit(2)); Python ignores the signal."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def saved_whole(saved: Path, test: str, accepted: list[int], closing_words: str) -> None:
    """The saved file holds every accepted position, closed and sealed, and is judged as any other."""
    assert check_file(saved).good
    with Logbook(saved, create=False) as book:
        kept = [stamped.event for stamped in book.events(test)]
        assert [one.number for one in kept if isinstance(one, events.RockAccepted)] == accepted
        (closed,) = [one for one in kept if isinstance(one, events.TestClosed)]
        assert closed.outcome == "failed"
        assert re.search(closing_words, closed.reason)
        assert check_test(saved, test).is_sealed
        assert {one.position for one in conclude(book, test).positions} == set(accepted)


@pytest.mark.parametrize("loss", LOSSES)
def test_in_virtual_time_the_test_stops_within_a_second_and_is_saved(tmp_path: Path, loss: Loss) -> None:
    with place(tmp_path, loss) as folder:
        test = KeptTest(folder, BOX, seed=4)
        for _ in range(2):
            test.run_until(events.RockAccepted)
        test.run_until(events.RockStarted)
        test.tick_for(0.2)
        lost_s = test.now_s
        loss(test.logbook.path)
        while test.keeper.gone is None:
            test.tick()
            assert test.now_s <= lost_s + 1.0
        shown = len(test.stream)
        test.keeper.emit(events.TestClosed(outcome="failed", reason=str(test.keeper.gone)))
        assert len(test.stream) == shown  # nothing is shown as kept before it is
        with pytest.raises(LogbookGone, match=SAID[loss]) as caught:
            test.keeper.finish(0.0)
        saved = caught.value.saved
        assert saved is not None
        assert str(saved) in str(caught.value)
        assert saved.parent == (tmp_path if loss in {folder_removed, unmounted} else folder)
        saved_whole(saved, test.started.test, [1, 2], SAID[loss])
        with Logbook(saved, create=False) as book:
            for channel in (INDICATOR, ENCODER):
                arrivals = [chunk.arrival_s for chunk in book.raw(test.started.test, channel)]
                assert arrivals == sorted(arrivals)
                assert arrivals[-1] == pytest.approx(test.now_s, abs=1e-6)
            kept = [stamped.event for stamped in book.events(test.started.test)][4:]
        assert kept == [stamped.event for stamped in test.stream]
        with pytest.raises(LogbookGone):
            test.keeper.finish(0.0)  # nothing is saved twice
        assert len(list(saved.parent.glob("*-saved-*.logbook"))) == 1
        test.logbook.close()


def test_a_signal_that_comes_with_the_loss_raises_nothing_and_its_closing_is_saved(tmp_path: Path) -> None:
    """What a signal handler raises would end in a traceback of the event loop, and the test go on."""
    test = KeptTest(tmp_path, BOX, seed=4)
    test.run_until(events.RockAccepted)
    unlinked(test.logbook.path)
    test.stop()
    assert not test.of(events.TestClosed)  # not shown before it is kept
    with pytest.raises(LogbookGone) as caught:
        test.keeper.finish(0.0)
    assert caught.value.saved is not None
    assert test.keeper.closed == events.TestClosed(outcome="stopped", reason="by the operator")
    with Logbook(caught.value.saved, create=False) as book:
        assert [one.closing for one in book.tests()] == ["stopped: by the operator"]


def test_what_waits_for_room_is_saved_too_when_the_full_file_goes(tmp_path: Path) -> None:
    test = KeptTest(tmp_path, BOX, seed=4)
    test.run_until(events.RockAccepted)
    test.fill()
    test.run_until(events.RecordingPaused)
    test.tick_for(1.0)
    waited = test.logbook.waiting_bytes
    assert waited > 1000
    unlinked(test.logbook.path)
    test.keeper.check_file()
    test.keeper.emit(events.TestClosed(outcome="failed", reason="the file is gone"))
    with pytest.raises(LogbookGone) as caught:
        test.keeper.finish(0.0)
    assert caught.value.saved is not None
    saved_whole(caught.value.saved, test.started.test, [1], "gone")
    assert test.logbook.waiting_bytes == 0


def test_the_other_tests_are_saved_too_and_left_behind_only_for_want_of_room(
    tmp_path: Path,
) -> None:
    path = two_tests(tmp_path)
    with Logbook(path, create=True) as book:
        book.append("t3", note("one"))
        before = {test: list(book.events(test)) for test in ("t1", "t2", "t3")}
        unlinked(path)
        saved, told = book.saved_elsewhere("t3")
        with saved:
            assert "every test of the logbook" in told
            assert {test: list(saved.events(test)) for test in before} == before
        assert check_file(saved.path).good
    path = tmp_path / "large"
    with Logbook(path, create=True) as book:
        book.append("t3", note("one"))
        for number in range(200):
            book.append("t1", note("x" * 4000, float(number)))
        unlinked(path)
        with largest_file(300_000):
            alone, told = book.saved_elsewhere("t3")
        with alone:
            assert "test t3 alone, for want of room" in told
            assert [one.test for one in alone.tests()] == ["t3"]
            assert list(alone.events("t3")) == list(book.events("t3"))
    assert set(tmp_path.glob("*-saved-*.logbook")) == {saved.path, alone.path}  # nothing half is left


def test_what_can_no_longer_be_read_is_saved_from_memory(tmp_path: Path) -> None:
    """As when the disk is pulled out: the connection gives nothing any more."""
    test = KeptTest(tmp_path, BOX, seed=4)
    test.keeper.emit(test.started)
    test.run_until(events.RockAccepted)
    unlinked(test.logbook.path)
    test.keeper.check_file()
    test.keeper.emit(events.TestClosed(outcome="failed", reason="the file is gone"))
    test.logbook._base.close()
    with pytest.raises(LogbookGone, match=r"the events of test .* waited: the rest is lost") as caught:
        test.keeper.finish(0.0)
    assert caught.value.saved is not None
    with Logbook(caught.value.saved, create=False) as book:
        kept = [stamped.event for stamped in book.events(test.started.test)]
    assert kept == [stamped.event for stamped in test.stream]
    assert isinstance(kept[-1], events.TestClosed)


def test_without_any_place_it_says_that_nothing_could_be_saved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    test = KeptTest(tmp_path, BOX, seed=4)
    test.run_until(events.RockAccepted)
    unlinked(test.logbook.path)
    monkeypatch.setattr("lashmap_daemon.logbook.guard.make_new", lambda _path: None)
    monkeypatch.setattr("lashmap_daemon.logbook.guard.connect", lambda _path: sqlite3.connect("/nowhere/x"))
    with pytest.raises(LogbookGone, match=r"nothing could be saved: .*unable to open") as caught:
        test.keeper.finish(0.0)
    assert caught.value.saved is None


def test_closing_a_logbook_that_was_replaced_leaves_the_log_of_the_other(tmp_path: Path) -> None:
    """SQLite removes a write-ahead log by its name on closing; rows of the other stand nowhere else."""
    path = tmp_path / "book"
    with Logbook(path, create=True) as book:
        book.append("t1", note("of the first"))
        for name in ("book", "book-wal", "book-shm"):
            (tmp_path / name).unlink()
        with closing(sqlite3.connect(path)) as other:
            other.execute("PRAGMA journal_mode=WAL")
            other.execute("CREATE TABLE t (x)")
            other.execute("INSERT INTO t VALUES (1)")
            other.commit()
            log = (tmp_path / "book-wal").read_bytes()
            book.close()
            assert (tmp_path / "book-wal").read_bytes() == log
    assert sqlite3.connect(path).execute("SELECT x FROM t").fetchall() == [(1,)]


def accepted_in(text: str) -> list[int]:
    """Positions that a plain screen or a service called accepted."""
    return [int(one) for one in re.findall(r"(\d+)  accepted:", text)]


@pytest.mark.parametrize("loss", [unlinked, folder_removed, replaced, unmounted])
def test_run_stops_with_status_3_and_names_the_saved_file(tmp_path: Path, loss: Loss) -> None:
    box = short_boxes(tmp_path / "boxes") / "short.toml"
    with (
        place(tmp_path, loss) as folder,
        simulated_stand(tmp_path / "stand", box=box) as stand,
    ):
        book, output = folder / "book.logbook", tmp_path / "output"
        output.mkdir()
        running = start(
            *("run", stand, box, "--logbook", book, "--output", output, "--locked-out", "--plain")
        )
        said: list[str] = []
        seen = threading.Event()

        def read() -> None:
            assert running.stdout is not None
            for line in running.stdout:
                said.append(line)
                if accepted_in("".join(said)):
                    seen.set()

        reader = threading.Thread(target=read)
        reader.start()
        assert seen.wait(60.0), said
        loss(book)
        assert running.wait(60.0) == 3
        reader.join(60.0)
        assert running.stderr is not None
        err = running.stderr.read()
        running.communicate()
        told = "".join(said)
        assert "Traceback" not in err
        found = re.search(r"saved in (\S+\.logbook)", " ".join(err.split()))
        assert found is not None, err
        saved = Path(found.group(1))
        assert f"--logbook {saved} --resume" in " ".join(told.split())
        with Logbook(saved, create=False) as kept:
            (test,) = [one.test for one in kept.tests()]
        accepted = accepted_in(told)
        saved_whole(saved, test, accepted, SAID[loss])
        assert len(accepted) < 5  # it did not go on to the end
        assert not list(output.iterdir())  # and left no report
        reviewed = lashmap("review", test, "--logbook", saved)
        assert reviewed.returncode == 0, reviewed.stderr


@pytest.mark.parametrize("before", [True, False])
def test_a_file_that_goes_while_the_report_is_made_is_no_success(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, before: bool
) -> None:
    """The record is closed then, and yet would be gone with the program."""
    box = short_boxes(tmp_path / "boxes") / "short.toml"
    book = tmp_path / "book.logbook"

    def meanwhile(logbook: Logbook, test: str, output: Path) -> HandedOver:
        if before:
            unlinked(book)
        done = hand_over(logbook, test, output)
        unlinked(book)
        return done

    monkeypatch.setattr(run_command, "hand_over", meanwhile)
    with simulated_stand(tmp_path / "stand", box=box) as stand:
        options = RunOptions(
            stand=stand, box=box, logbook=book, output=None, operator="Ada", locked_out=True, plain=True
        )
        with pytest.raises(LogbookGone, match=r"the file is gone.*closed\. saved in") as caught:
            run_command.run(options, Console(file=io.StringIO(), width=200))
    assert caught.value.exit_status == 3
    assert caught.value.saved is not None
    assert check_file(caught.value.saved).good
    with Logbook(caught.value.saved, create=False) as saved:
        assert [one.closing for one in saved.tests()] == ["completed: all positions done"]


@pytest.mark.parametrize("loss", [unlinked, folder_removed, replaced, unmounted])
def test_a_service_saves_the_test_begins_no_other_and_stays_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, loss: Loss
) -> None:
    boxes = short_boxes(tmp_path / "boxes")
    short = Path(os.path.realpath(tmp_path.parent)) / f"s{LOSSES.index(loss)}"
    short.mkdir()
    with (
        place(tmp_path, loss) as folder,
        simulated_stand(tmp_path / "stand", box=boxes / "short.toml") as stand,
        running_service(folder, stand, boxes, monkeypatch, short) as service,
    ):
        test = service.begin()
        service.until(lambda status: status.done >= 1)
        loss(service.logbook)

        def idle(status: StatusReport) -> bool:
            return status.state == "idle"

        last = service.until(idle).last_test
        found = re.search(r"saved in (\S+\.logbook)", last)
        assert found is not None, last
        again = service.ask(Begin(box="short", confirmed="typed at the stand"))
        assert again.exit_status == 3
        assert re.search(SAID[loss], again.say[0])
        while not re.search(SAID[loss], service.wait_told("STATUS=")):
            pass
        _, log = service.end()
        told = "\n".join(line["message"] for line in log)
        assert re.search(f"no sign of life is sent: .*{SAID[loss]}", told)
        accepted = accepted_in(told)
        assert accepted
        saved_whole(Path(found.group(1)), test, accepted, SAID[loss])
