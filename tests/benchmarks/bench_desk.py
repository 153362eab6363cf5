"""What the reviewer's desk costs: a list of 1,000 tests, a test of ten minutes opened, its rocks zoomed into.

``list``: a logbook of 1,000 tests, each with the events of a whole test and a stored result. Processor time
of `lashmap list` without and with the index, beside a start of the program alone, and the wait for the desk's
list over loopback. The bars: 0.4 s of processor time for the command, 0.5 s for the desk's list.

``open``: a test of about ten minutes of two instruments at 1,000 lines a second (made in virtual time, in
some minutes; a logbook that is there can be named instead). The wait for the test, its processor time, and
the wait and processor time of requests for a stretch of a rock. The bar: 1 s until it is open.

``frames``: the same test in a real browser without a window: ten seconds of zooming and moving as fast as
frames come, and how far apart they are. The bar: 60 frames a second.

Waits depend on what else the machine does; processor times less so. Both are printed with its load.

Run: ``python tests/benchmarks/bench_desk.py list [tests]``, ``… open [logbook]``, ``… frames [logbook]``.
"""

from __future__ import annotations

import datetime as dt
import http.client
import json
import os
import random
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

sys.path.insert(0, str(Path(__file__).parents[1]))

from analysis.browser import chromium
from daemon.virtual_time import AS_SHIPPED, DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.desk.desk import ServedDesk
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.page import guard
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped

OPEN_BAR_S = 1.0
REPEATS = 5
_LASHMAP = [sys.executable, "-m", "lashmap_daemon"]


def many_tests(folder: Path, count: int) -> Path:
    """A logbook of so many tests, all of them one test in virtual time under other names and outcomes."""
    test = VirtualTest(folder, load_box(DEMO_BOX, positions=12, gear_turns=13, reversals=4))
    test.run()
    test.logbook.close()
    path = folder / "many.logbook"
    book = Logbook(path, create=True)
    book._base.execute("PRAGMA synchronous=OFF")
    for number in range(count):
        began = dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + number * dt.timedelta(hours=7)
        name, utc = f"{began:%Y%m%d-%H%M%S}-INV-{number:04d}", f"{began:%Y-%m-%dT%H:%M:%SZ}"
        for stamped in test.stream:
            event = stamped.event
            if isinstance(event, events.TestStarted):
                event = replace(event, test=name)
            book.append(name, replace(stamped, utc=utc, event=event))
        book.append(name, Stamped(time_s=test.now_s, utc=utc, event=_stored(number)))
    book.close()
    return path


def _stored(number: int) -> events.ResultStored:
    outcome = ("conforming", "nonconforming", "not proven")[number % 3]
    lash_mm = 0.11 + 0.0007 * (number % 100)
    return events.ResultStored(
        analysis_version="0", outcome=outcome, engagement=number % 40, normal_backlash_mm=lash_mm,
        low_mm=lash_mm - 0.004, high_mm=lash_mm + 0.003, confirmed=True, positions=13, usable=13,
    )  # fmt: skip


def processor_s(words: list[str]) -> float:
    """Processor time of one child process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def bench_list(count: int) -> None:
    """Print what a list costs."""
    folder = Path(tempfile.mkdtemp(prefix="bench-desk-"))
    path = many_tests(folder, count)
    index = path.with_name(f"{path.name}.index")
    listing = [*_LASHMAP, "list", "--logbook", str(path)]
    (rows,) = Logbook(path, create=False)._base.execute("SELECT count(*) FROM event").fetchone()
    print(f"{count} tests, {rows} events, {path.stat().st_size / 1e6:.0f} MB; processor time, s")
    first = processor_s(listing)
    cases = {
        "a start alone (--version)": [*_LASHMAP, "--version"],
        "lashmap list --help": [*_LASHMAP, "list", "--help"],
        "lashmap list": listing,
    }
    found: dict[str, list[float]] = {name: [] for name in cases}
    for _ in range(REPEATS):  # in turn, so that all see one machine
        for name, words in cases.items():
            found[name].append(processor_s(words))
    for name, some in found.items():
        print(f"  {name:<28} {statistics.median(some):.3f}  (least {min(some):.3f})")
    print(f"  without an index             {first:.3f}; index {index.stat().st_size / 1e3:.0f} kB")
    with served(path) as desk:
        waits = sorted(timed(desk.port, "/list")[:2] for _ in range(REPEATS))
        used_s = statistics.median(one for _, one in waits)
        print(
            f"  the desk's list: wait {waits[0][0]:.2f} to {waits[-1][0]:.2f} s, processor {used_s:.2f} s "
            f"(load {os.getloadavg()[0]:.1f})"
        )
    shutil.rmtree(folder)


def ten_minutes(folder: Path) -> Path:
    """A test of about ten minutes at the rates of the shipped stand."""
    plan = {"positions": 48, "gear_turns": 13, "reversals": 100, "confirming_positions": 2}
    test = VirtualTest(folder, load_box(DEMO_BOX, **plan), seed=4, **AS_SHIPPED)
    test.run(most_s=2000.0)
    test.logbook.close()
    return test.logbook.path


@contextmanager
def served(*logbooks: Path) -> Iterator[ServedDesk]:
    """A desk that lets one client ask as often as it likes."""
    guard._BURST = 1_000_000
    with ServedDesk(PageTable(port=0), logbooks) as found:
        yield found


def got(port: int, path: str) -> bytes:
    """An answer over loopback."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120.0)
    connection.request("GET", path)
    answer = connection.getresponse()
    content = answer.read()
    connection.close()
    assert answer.status == 200, content
    return content


def timed(port: int, path: str) -> tuple[float, float, bytes]:
    """Seconds waited, seconds of processor time of the whole process, and the answer."""
    wall_s, used_s = time.perf_counter(), time.process_time()
    content = got(port, path)
    return time.perf_counter() - wall_s, time.process_time() - used_s, content


def bench_open(given: Path | None) -> None:
    """Print what opening and zooming cost."""
    folder = Path(tempfile.mkdtemp(prefix="bench-desk-"))
    path = given or ten_minutes(folder)
    with Logbook(path, create=False) as book:
        test = quote(book.tests()[0].test)
    with served(path) as desk:
        got(desk.port, "/list")
        load = os.getloadavg()[0]
        for name in ("first", "again, unchanged"):
            wall_s, used_s, content = timed(desk.port, f"/open?book=0&test={test}")
            verdict = "ok" if wall_s <= OPEN_BAR_S else f"over {OPEN_BAR_S:g} s"
            print(f"  open, {name:<18} wait {wall_s:.2f} s  processor {used_s:.2f} s  "
                  f"{len(content) / 1e3:.0f} kB  {verdict} (load {load:.1f})")  # fmt: skip
        shown = json.loads(got(desk.port, f"/open?book=0&test={test}"))
        rng = random.Random(1)  # noqa: S311 - places to zoom to
        waits, used = [], []
        for _ in range(300):
            position = rng.choice(list(shown["traces"]))
            lasts_s = shown["traces"][position]["duration"]
            span = lasts_s * 10 ** rng.uniform(-3.0, 0.0)
            start = rng.uniform(0.0, lasts_s - span)
            stretch = f"channel=indicator&from={start}&to={start + span}&points=3200"
            wall_s, used_s, _ = timed(desk.port, f"/trace?key={shown['key']}&position={position}&{stretch}")
            waits.append(1000 * wall_s)
            used.append(1000 * used_s)
        samples = max(one["samples"] for one in shown["traces"].values())
        print(f"  {len(waits)} stretches of rocks of up to {samples} samples: wait, ms: median "
              f"{statistics.median(waits):.1f}, 99 of 100 {sorted(waits)[-4]:.1f}; processor, client "
              f"and server together, ms: median {statistics.median(used):.1f}")  # fmt: skip
    shutil.rmtree(folder)


_ZOOMING = """new Promise((done) => {
  const view = window.lashmapTrace, apart = [];
  let last = 0, began = 0;
  const step = (now) => {
    if (!began) began = now; else apart.push(now - last);
    last = now;
    const at = (now - began) / 10000;
    if (at > 1) { done(apart); return; }
    const span = view.about.duration * 10 ** (-3 * Math.abs(Math.sin(at * Math.PI * 3)));
    const start = (view.about.duration - span) * (0.5 + 0.4 * Math.sin(at * 9));
    view.from = start; view.to = start + span;
    view.draw(); view.want();
    requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
})"""


_DRAWING = """(() => {
  const began = performance.now();
  for (let n = 0; n < 100; n += 1) lashmapTrace.draw();
  return (performance.now() - began) / 100;
})()"""


def bench_frames(given: Path | None) -> None:
    """Print how far apart frames are while a trace is zoomed and moved."""
    folder = Path(tempfile.mkdtemp(prefix="bench-desk-"))
    path = given or ten_minutes(folder)
    with Logbook(path, create=False) as book:
        test = quote(book.tests()[0].test)
    with served(path) as desk, chromium(folder) as browser:
        browser.open("about:blank")
        browser.resize(1400, 900)
        start = time.perf_counter()
        browser.open(f"http://127.0.0.1:{desk.port}/?book=0&test={test}")
        while not browser.evaluate("!!window.lashmapTrace?.sets.indicator?.length"):
            time.sleep(0.02)
        print(f"  from the address to the drawn trace: {time.perf_counter() - start:.2f} s")
        apart = sorted(browser.evaluate(_ZOOMING))
        drawn = browser.evaluate(_DRAWING)
        rate = 1000 * len(apart) / sum(apart)
        print(
            f"  {len(apart)} frames: {rate:.0f} a second, apart, ms: median {statistics.median(apart):.1f}, "
            f"99 of 100 {apart[int(0.99 * len(apart))]:.1f}; drawing one takes {drawn:.2f} ms "
            f"(load {os.getloadavg()[0]:.1f})"
        )
    shutil.rmtree(folder, ignore_errors=True)


def main() -> None:
    """What the command line asks for."""
    match sys.argv[1:]:
        case ["list", *rest]:
            bench_list(int(rest[0]) if rest else 1000)
        case ["open", *rest]:
            bench_open(Path(rest[0]) if rest else None)
        case ["frames", *rest]:
            bench_frames(Path(rest[0]) if rest else None)
        case _:
            bench_list(1000)
            bench_open(None)
            bench_frames(None)


if __name__ == "__main__":
    main()
