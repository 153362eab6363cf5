"""From a logbook to a report, part by part: ``python tests/benchmarks/bench_report.py``.

About 48 positions at 1,000 indicator and 500 encoder lines a second, made in virtual time. The bar is 3 s
from a cold start. The first rows are the command from start to end, the others its parts in one process.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.virtual_time import AS_SHIPPED, VirtualTest, load_box
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.render import render_html, render_pdf
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.replay import Replay, newest_test

RUNS = 5


def timed(work: Callable[[], object]) -> float:
    """Median wall time of a few runs, in seconds."""
    times = []
    for _ in range(RUNS):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        test = VirtualTest(folder, load_box(positions=45), seed=2, **AS_SHIPPED)
        test.run(most_s=900.0)
        test.logbook.close()
        path = folder / "virtual.logbook"
        command = [sys.executable, "-m", "lashmap_daemon", "review", "--logbook", str(path)]
        with Logbook(path, create=False) as book:
            record = Replay(book, newest_test(book)).record()
            reading = timed(lambda: Replay(book, newest_test(book)).record())
        assessment = assess(record)
        html, pdf = render_html(assessment).encode(), render_pdf(assessment)
        seconds = sum(trace.time_s[-1] - trace.time_s[0] for trace in record.traces)
        size = f"{len(record.traces)} positions, {seconds:.0f} s of rocks in {test.now_s:.0f} s of test"
        print(f"{size}, median of {RUNS}")

        def command_with(*more: str) -> float:
            return timed(lambda: subprocess.run([*command, *more], capture_output=True, check=True))

        rows = (
            ("command, no report", command_with(), 0),
            ("command, html", command_with("--report", str(folder / "x.html")), len(html)),
            ("command, pdf", command_with("--report", str(folder / "x.pdf")), len(pdf)),
            ("  decode the raw bytes", reading, 0),
            ("  assess", timed(lambda: assess(record)), 0),
            ("  set the HTML", timed(lambda: render_html(assessment)), 0),
            ("  set the PDF", timed(lambda: render_pdf(assessment)), 0),
        )
        for what, took_s, length in rows:
            print(f"{what:<26}{took_s:7.2f} s{f'{length / 1000:10.0f} kB' if length else ''}")


if __name__ == "__main__":
    main()
