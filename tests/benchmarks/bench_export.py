"""Speed and memory of exports, side by side with plain pandas. Run with plain python; it takes some minutes.

Every way writes the same ten million samples, from blocks as `exchange.frames` gives them (their making is
counted with it, and shown alone in the first row); pandas gets them as one frame, as it is commonly used.
Each way runs in a process of its own, so that its peak of memory is its own. The last rows are the whole way
from a logbook: bytes decoded, judged, written. One run each; memory is what the process held at most above
what it held when its input was ready, so that the frame itself is not counted with pandas.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from lashmap_analysis.tables import SAMPLES
from lashmap_daemon.commands.exchange import export
from lashmap_daemon.commands.options import ExportOptions, Kind
from lashmap_daemon.exchange.arrow import arrow
from lashmap_daemon.exchange.files import Folder
from lashmap_daemon.exchange.frames import BLOCK, SWEEPS, Block
from lashmap_drivers.readings import Chunk
from rich.console import Console

SAMPLE_COUNT = 10_000_000
TEST = "20300517-081244-INV-0007"


def made(count: int) -> Iterator[Block]:
    """Blocks of an invented test: a rock every thirty seconds at 1 kHz, resolution 0.1 µm."""
    rng = np.random.default_rng(1)
    for first in range(0, count, BLOCK):
        size = min(BLOCK, count - first)
        number = np.arange(first, first + size)
        time_s = number * 1e-3 + rng.normal(0.0, 2e-5, size)
        value = np.round(0.07 * np.sign(np.sin(number / 400.0)) + rng.normal(0.0, 2e-4, size), 4)
        position = np.where(number % 30_000 > 10_000, number // 30_000 + 1, 0)
        yield Block(
            test=TEST,
            channel="indicator" if first < count // 2 else "encoder",
            time_s=time_s,
            value=value,
            position=position,
            sweep=np.zeros(size, dtype=np.int64),
            passed=np.zeros(size, dtype=np.int64),
        )


def frame_of(blocks: Iterator[Block]) -> pd.DataFrame:
    """The same samples as one frame."""
    parts = list(blocks)
    position = pd.array(np.concatenate([one.position for one in parts]), dtype="Int64")
    position[np.asarray(position) == 0] = pd.NA
    size = len(position)
    return pd.DataFrame(
        {
            "test": pd.Series([TEST] * size, dtype="str"),
            "channel": pd.Series(np.repeat([one.channel for one in parts], [len(one) for one in parts])),
            "time_s": np.concatenate([one.time_s for one in parts]),
            "value": np.concatenate([one.value for one in parts]),
            "unit": pd.Series(np.repeat([one.unit for one in parts], [len(one) for one in parts])),
            "position": position,
            "sweep": pd.Series([SWEEPS[0]] * size, dtype="str"),
        }
    )


def ours(kind: str) -> Callable[[Path, int], None]:
    """Write with our own writer."""

    def write(folder: Path, count: int) -> None:
        files = Folder(folder, kind)
        for block in made(count):
            files.write(SAMPLES, block.columns())
        files.close()

    return write


def peak_mb() -> float:
    """Most memory this process has held, in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def run(way: str, count: int) -> None:
    """Do one way in this process and print its figures."""
    folder = Path(tempfile.mkdtemp(prefix="lashmap-bench-"))
    writers: dict[str, Callable[[], object]] = {}
    if way.startswith("lashmap"):
        kind = way.split()[1]
        small = next(iter(made(1000)))
        warm = Folder(folder, kind)  # imports are not what is measured
        warm.write(SAMPLES, small.columns())
        warm.close()
        writers[way] = lambda: ours(kind)(folder, count)
    elif way.startswith("making"):
        writers[way] = lambda: sum(len(block) for block in made(count))
    else:
        frame = frame_of(made(count))
        writers["pandas to_csv"] = lambda: frame.to_csv(folder / "x.csv", index=False)
        writers["pandas to_parquet"] = lambda: frame.to_parquet(folder / "x.parquet", index=False)
    before_mb, wall_s, busy_s = peak_mb(), time.perf_counter(), time.process_time()
    writers[way]()
    wall_s, busy_s = time.perf_counter() - wall_s, time.process_time() - busy_s
    size = max((one.stat().st_size for one in folder.rglob("*") if one.is_file()), default=0) / 1e6
    name = way if count == SAMPLE_COUNT else f"{way}, {count / 1e6:g} million"
    print(f"| {name} | {wall_s:.1f} | {busy_s:.1f} | {peak_mb() - before_mb:.0f} | {size:.0f} |", flush=True)
    shutil.rmtree(folder)


def logbook(path: Path, lines_a_read: int, count: int) -> None:
    """A logbook of a test on the simulated box, with lines of both instruments after its end.

    They are 1 kHz streams, half of the samples each; reads return up to a millisecond late, as they do.
    """
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from daemon.virtual_time import AS_SHIPPED, VirtualTest, load_box  # noqa: PLC0415 - for one row

    test = VirtualTest(
        path, load_box(positions=10, gear_turns=6.0, confirming_positions=1), seed=4, **AS_SHIPPED
    )
    test.run()
    rng = np.random.default_rng(2)
    um, counts = (rng.integers(-700, 700, 4096).tolist() for _ in range(2))
    lines = {
        "indicator": [b"%+09.4f\r\n" % (one * 1e-4) for one in um],
        "encoder": [b"%+011d\r\n" % one for one in counts],
    }
    name, at_s = test.started.test, test.now_s
    for read in range(count // 2 // lines_a_read):
        at_s += lines_a_read * 1e-3
        at, late_s = read * lines_a_read % 3000, round(0.001 * rng.random(), 6)
        for channel, some in lines.items():
            test.logbook.keep(name, channel, [Chunk(at_s + late_s, b"".join(some[at : at + lines_a_read]))])
    test.logbook.close()


def from_logbook(folder: Path, name: str, kind: Kind) -> None:
    """The whole way: read, checked, decoded, judged, written."""
    before_mb, wall_s, busy_s = peak_mb(), time.perf_counter(), time.process_time()
    options = ExportOptions(
        test=None,
        logbook=folder / "virtual.logbook",
        every=False,
        to=kind,
        output=folder / "out",
        samples="all",
        overwrite=True,
    )
    with (folder / "console").open("w") as screen:
        export(options, Console(file=screen))
    wall_s, busy_s = time.perf_counter() - wall_s, time.process_time() - busy_s
    size = (folder / "out" / f"samples.{kind}").stat().st_size / 1e6
    print(
        f"| {name} | {wall_s:.1f} | {busy_s:.1f} | {peak_mb() - before_mb:.0f} | {size:.0f} |",
        flush=True,
    )


def main() -> None:
    """Print the table, each row from a process of its own."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--way", default="")
    parser.add_argument("--count", type=int, default=SAMPLE_COUNT)
    parser.add_argument("--lines", type=int, default=0)
    parser.add_argument("--to", choices=("parquet", "csv"), default="parquet")
    parser.add_argument("--make", type=Path, default=None, help="make a logbook in this folder")
    parser.add_argument("--take", type=Path, default=None, help="export the one in this folder")
    asked = parser.parse_args()
    if asked.make is not None:
        logbook(asked.make, asked.lines, asked.count)
    elif asked.take is not None:
        name = f"logbook to {asked.to}, {asked.count / 1e6:g} million, {asked.lines} lines a read"
        from_logbook(asked.take, name, asked.to)
    elif asked.way:
        run(asked.way, asked.count)
    else:
        table(asked.count)


def table(count: int) -> None:
    """Start every row in a process of its own."""
    print(f"{count / 1e6:g} million samples unless a row says otherwise; pyarrow: {arrow() is not None}\n")
    print("| way | wall s | processor s | memory MB | file MB |\n|---|---:|---:|---:|---:|", flush=True)
    rows = [
        ("making the samples", count),
        ("lashmap parquet", count),
        ("lashmap csv", count),
        ("lashmap csv", count // 4),
        ("lashmap json", count),
        ("pandas to_parquet", count),
        ("pandas to_csv", count),
    ]
    for way, size in rows:
        subprocess.run([sys.executable, __file__, "--way", way, "--count", str(size)], check=True)
    for lines, size, kinds in (
        (4, count // 10, ["parquet"]),
        (4, count // 2, ["parquet"]),
        (
            4,
            count,
            ["parquet", "parquet", "csv"],
        ),  # the first one twice: nothing of the file is in memory yet
        (40, count, ["parquet", "csv"]),
    ):
        folder = Path(tempfile.mkdtemp(prefix="lashmap-bench-"))
        command = [sys.executable, __file__, "--lines", str(lines), "--count", str(size)]
        subprocess.run([*command, "--make", str(folder)], check=True)
        for kind in kinds:
            subprocess.run([*command, "--take", str(folder), "--to", kind], check=True)
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
