"""What the logbook costs: time of a commit, samples a second, size an hour, opening after a kill.

Run: python tests/benchmarks/bench_logbook.py [HOURS]. Two instruments of 1000 ASCII lines a second each, read
250 times a second, as a live test writes them. Beside it, in the same run and in turn, so that all see one
disk: a plain file of the raw bytes with fsync (the limit), and CSV lines with and without fsync, a flush each
quarter second. HOURS (10) is the length of the logbook that is opened after its writer was killed.
"""

from __future__ import annotations

import itertools
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

from lashmap_daemon.logbook.check import check_test
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.story.events import NoteTaken, Stamped
from lashmap_drivers.readings import Chunk

READS = 64  # reads of 4 lines, a little more than a quarter second: what makes a pack due
TICK_READS = 5  # of 4 ms, handed over together
LINES_A_READ = 4
FLOAT_MB_AN_HOUR = 2 * 1000 * 3600 * 8 / 1e6  # values alone
Quarter = dict[str, list[tuple[float, bytes]]]


def quarters(seed: int = 1) -> list[Quarter]:
    """A minute of both instruments: a rock of the gear, noise of 0.3 µm, encoder with 0.001° counts."""
    rng = random.Random(seed)  # noqa: S311 - test data
    made: list[Quarter] = []
    side, moved = 0.0, 0
    for _ in range(240):
        quarter: Quarter = {"indicator": [], "encoder": []}
        for read in range(READS):
            at_s = read * 0.004 + rng.uniform(0.0, 2e-4)
            lines = []
            for _ in range(LINES_A_READ):
                if rng.random() < 0.0015:
                    side, moved = (0.15 - side), moved + rng.randrange(-40, 40)
                lines.append(b"%+09.4f\r\n" % (0.2 + side + rng.gauss(0.0, 3e-4)))
            quarter["indicator"].append((at_s, b"".join(lines)))
            text = b"".join(b"%+011d\r\n" % (12_345 + moved + rng.randrange(2)) for _ in range(LINES_A_READ))
            quarter["encoder"].append((at_s + 1e-4, text))
        made.append(quarter)
    return made


def chunks(quarter: Quarter, start_s: float) -> dict[str, list[Chunk]]:
    return {
        name: [Chunk(round((start_s + at_s) * 1e6) / 1e6, data) for at_s, data in some]
        for name, some in quarter.items()
    }


def keep(book: Logbook, ready: dict[str, list[Chunk]]) -> None:
    """As a live test does: both instruments in turn, tick by tick, and so one commit for both."""
    for start in range(0, READS, TICK_READS):
        for name, some in ready.items():
            book.keep("t", name, some[start : start + TICK_READS])


def note(time_s: float) -> Stamped:
    return Stamped(time_s=time_s, utc="2026-11-25T08:00:00Z", event=NoteTaken(text="position 5 accepted"))


def timed(writers: dict[str, Callable[[int], None]], turns: int) -> None:
    """Each writer in turn, so that all see the same disk."""
    seconds: dict[str, list[float]] = {name: [] for name in writers}
    for turn in range(turns):
        for name, write in writers.items():
            start = time.perf_counter()
            write(turn)
            seconds[name].append(time.perf_counter() - start)
    for name, some in seconds.items():
        some.sort()
        print(f"  {name:<44} {1e3 * statistics.median(some):8.2f} {1e3 * some[int(0.99 * len(some))]:8.2f}")


def commits(folder: Path, minute: list[Quarter]) -> None:
    print("\nTime of one commit, ms" + 31 * " " + "median     99 %")
    book = Logbook(folder / "commits.logbook", create=True)
    plain = (folder / "plain.bin").open("ab")
    csv = (folder / "fsync.csv").open("a")
    loose = (folder / "loose.csv").open("a")

    turns = 600
    ready = [chunks(minute[turn % 240], turn * READS * 0.004) for turn in range(turns)]

    def both(turn: int) -> None:
        keep(book, ready[turn])

    def binary(turn: int) -> None:
        for some in minute[turn % 240].values():
            plain.write(b"".join(data for _, data in some))
        plain.flush()
        os.fsync(plain.fileno())

    def lines(turn: int, file: IO[str]) -> None:
        for name, some in minute[turn % 240].items():
            for at_s, data in some:
                for value in data.split():
                    file.write(f"{turn + at_s:.6f},{name},{value.decode()}\n")
        file.flush()

    def csv_fsync(turn: int) -> None:
        lines(turn, csv)
        os.fsync(csv.fileno())

    timed(
        {
            "logbook, an event": lambda turn: book.append("e", note(float(turn))),
            "logbook, a quarter second of both instruments": both,
            "plain binary append of it with fsync": binary,
            "CSV append of it with fsync": csv_fsync,
            "CSV append of it without fsync": lambda turn: lines(turn, loose),
        },
        turns,
    )
    for file in (plain, csv, loose):
        file.close()
    book.close()


def rate_and_size(folder: Path, minute: list[Quarter], hours: float) -> None:
    """As fast as it goes; the samples of one minute again and again, deflated anew each time."""
    path = folder / "size.logbook"
    packs = int(hours * 3600 / (READS * 0.004))
    start, used, preparing = time.perf_counter(), time.process_time(), 0.0
    with Logbook(path, create=True) as book:
        for turn in range(packs):
            began = time.process_time()
            ready = chunks(minute[turn % 240], turn * READS * 0.004)
            preparing += time.process_time() - began
            keep(book, ready)
        largest = path.with_name(path.name + "-wal").stat().st_size / 1e6
    wall, cpu = time.perf_counter() - start, time.process_time() - used - preparing
    recorded_s = packs * READS * 0.004
    samples = packs * 2 * READS * LINES_A_READ
    size = path.stat().st_size / 1e6 * 3600 / recorded_s
    print(f"\nSamples to disk, durable, one process: {samples / wall / 1e6:.2f} million a second")
    print(f"Processor time of the logbook at 2 x 1 kHz: {100 * cpu / recorded_s:.2f} % of a core")
    print(f"Size an hour at 2 x 1 kHz: {size:.1f} MB, and a write-ahead log of at most {largest:.1f} MB")
    for what, floats in (("value only", FLOAT_MB_AN_HOUR), ("value and time", 2 * FLOAT_MB_AN_HOUR)):
        print(f"  against {floats:.1f} MB of floats ({what}): {size / floats:.2f} times")
    start, used = time.perf_counter(), time.process_time()
    assert not check_test(path, "t").problems
    an_hour = 3600 / recorded_s
    print(
        f"Verifying an hour of samples: {(time.perf_counter() - start) * an_hour:.1f} s, "
        f"{(time.process_time() - used) * an_hour:.1f} s of processor time"
    )


def write_until_killed(path: Path, hours: float) -> Iterator[None]:
    """What the killed process runs: hours in a hurry (not synced), then at full durability until the end."""
    minute = quarters()
    book = Logbook(path, create=True)
    book._base.execute("PRAGMA synchronous=OFF")
    hurry = int(hours * 3600 / (READS * 0.004))
    for turn in itertools.count():
        if turn == hurry:
            book._base.execute("PRAGMA synchronous=FULL")
            print("now", flush=True)
        keep(book, chunks(minute[turn % 240], turn * READS * 0.004))
        yield


def recovery(folder: Path, hours: float) -> None:
    path = folder / "killed.logbook"
    with subprocess.Popen(
        [sys.executable, __file__, "--write", str(path), str(hours)], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "now\n"
        time.sleep(1.0)  # of writing in earnest, with a log that is partly written back
        writer.send_signal(signal.SIGKILL)
    size, log = path.stat().st_size / 1e6, path.with_name(path.name + "-wal").stat().st_size / 1e6
    start = time.perf_counter()
    book = Logbook(path, create=False)
    opened = time.perf_counter()
    end_s = book.end_s("t")
    book.append("t", note(end_s))
    ready = time.perf_counter()
    book.close()
    print(f"\nA logbook of {end_s / 3600:.1f} hours ({size:.0f} MB, log {log:.1f} MB), its writer killed:")
    print(f"  opened and recovered in {1e3 * (opened - start):.0f} ms, "
          f"ready to go on with its test {1e3 * (ready - opened):.0f} ms later")  # fmt: skip


def main() -> None:
    if "--write" in sys.argv:
        for _ in write_until_killed(Path(sys.argv[2]), float(sys.argv[3])):
            pass
        return
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    minute = quarters()
    with tempfile.TemporaryDirectory(dir=".") as name:
        folder = Path(name)
        commits(folder, minute)
        rate_and_size(folder, minute, 0.25)
        recovery(folder, hours)


if __name__ == "__main__":
    main()
