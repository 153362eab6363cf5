"""What the reviewer's desk costs: a list of 1,000 tests, a test of ten minutes opened, its rocks zoomed into.

``list``: a logbook of 1,000 tests, each with the events of a whole test and a stored result. Processor time
of `lashmap list` without and with the index, beside a start of the program alone, and the wait for the desk's
list over loopback. The bars: 0.4 s of processor time for the command, 0.5 s for the desk's list.

``open``: a test of about ten minutes of two instruments at 1,000 lines a second (made in virtual time, in
a minute; a logbook that is there can be named instead), beside a short test that the desk has recomputed at
its start, as it does with the newest. The wait for what was stored and for the test recomputed, processor
time, its parts, and the wait and processor time of requests for a stretch of a rock. The bar: 1 s until it
is open.

``frames``: the same test in a real browser without a window, chosen in the list: when what was stored, the
verdict and the trace are there; then ten seconds of zooming and moving as fast as frames come, and how far
apart they are, in turn with ten seconds of an empty page that draws nothing. The bar: 60 frames a second.

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
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote, unquote

sys.path.insert(0, str(Path(__file__).parents[1]))

from analysis.browser import Browser, chromium
from daemon.virtual_time import AS_SHIPPED, DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.desk.desk import ServedDesk
from lashmap_daemon.desk.opened import Opened
from lashmap_daemon.desk.showing import shown
from lashmap_daemon.desk.traces import traces_of
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.page import guard
from lashmap_daemon.replay.conclude import judged
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped
from lashmap_daemon.story.story import story_of

SHORT = Path(__file__).parents[1] / "golden" / "spiral" / "test.logbook"
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


def short_test(folder: Path) -> Path:
    """One that the desk finds newest, and recomputes at its start."""
    return Path(shutil.copy(SHORT, folder / "short.logbook"))


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


def parts_of_opening(path: Path, test: str) -> dict[str, float]:
    """Seconds of processor time of each step of an opening."""
    found = {}
    with Logbook(path, create=False) as book:
        last_s = time.process_time()

        def took(name: str) -> None:
            nonlocal last_s
            now_s = time.process_time()
            found[name], last_s = now_s - last_s, now_s

        with Replay(book, test) as replay:
            took("events")
            record = replay.record()
            took("decode and check")
        assessment = judged(record, replay.events)
        took("assess")
    opened = Opened(
        key="", path=path, test=test, assessment=assessment, story=story_of(replay.events), events=0,
        traces=traces_of(record),
    )  # fmt: skip
    json.dumps(shown(opened))
    took("word and draw")
    return found


def settled() -> None:
    """Wait until the desk has recomputed the newest test."""
    for thread in threading.enumerate():
        if thread.name == "desk":
            thread.join()


def bench_open(given: Path | None) -> None:
    """Print what opening and zooming cost."""
    folder = Path(tempfile.mkdtemp(prefix="bench-desk-"))
    path = given or ten_minutes(folder)
    with Logbook(path, create=False) as book:
        name = book.tests()[0].test
    test = quote(name)
    with served(path, short_test(folder)) as desk:
        got(desk.port, "/list")
        settled()
        load = os.getloadavg()[0]
        wall_s, used_s, _ = timed(desk.port, f"/stored?book=0&test={test}")
        print(f"  what was stored          wait {wall_s:.3f} s  processor {used_s:.3f} s (load {load:.1f})")
        for which in ("first", "again, unchanged"):
            wall_s, used_s, content = timed(desk.port, f"/open?book=0&test={test}")
            verdict = "ok" if wall_s <= OPEN_BAR_S else f"over {OPEN_BAR_S:g} s"
            print(f"  open, {which:<18} wait {wall_s:.2f} s  processor {used_s:.2f} s  "
                  f"{len(content) / 1e3:.0f} kB  {verdict} (load {load:.1f})")  # fmt: skip
        parts = [parts_of_opening(path, unquote(test)) for _ in range(REPEATS)]
        for part in parts[0]:
            some = sorted(one[part] for one in parts)
            print(f"    {part:<22} processor {some[REPEATS // 2]:.3f} s (least {some[0]:.3f})")
        found = json.loads(got(desk.port, f"/open?book=0&test={test}"))
        rng = random.Random(1)  # noqa: S311 - places to zoom to
        waits, used = [], []
        for _ in range(300):
            which = rng.choice(list(found["traces"]))
            lasts_s = found["traces"][which]["duration"]
            span = lasts_s * 10 ** rng.uniform(-3.0, 0.0)
            start = rng.uniform(0.0, lasts_s - span)
            stretch = f"channel=indicator&from={start}&to={start + span}&points=3200"
            wall_s, used_s, _ = timed(desk.port, f"/trace?key={found['key']}&of={quote(which)}&{stretch}")
            waits.append(1000 * wall_s)
            used.append(1000 * used_s)
        samples = max(one["samples"] for one in found["traces"].values())
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


_EMPTY = """new Promise((done) => {
  const apart = [];
  let last = 0, began = 0;
  const step = (now) => {
    if (!began) began = now; else apart.push(now - last);
    last = now;
    if (now - began > 10000) { done(apart); return; }
    requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
})"""


# A picture of one colour of the trace's size: what the browser takes to show anything at all.
_FILLING = """new Promise((done) => {
  const canvas = document.createElement('canvas');
  [canvas.width, canvas.height] = [%d, %d];
  document.body.append(canvas);
  const pen = canvas.getContext('2d'), apart = [];
  let last = 0, began = 0;
  const step = (now) => {
    if (!began) began = now; else apart.push(now - last);
    last = now;
    if (now - began > 10000) { done(apart); return; }
    pen.fillStyle = `hsl(${now %% 360} 50%% 50%%)`;
    pen.fillRect(0, 0, canvas.width, canvas.height);
    requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
})"""


_OPENING = """(async ([test, rests]) => {
  const link = [...document.querySelectorAll('#list a')].find((one) => one.search.includes(test));
  if (rests) {
    link.closest('tr').dispatchEvent(new PointerEvent('pointerenter'));
    await new Promise((go) => { setTimeout(go, 3000); });
  }
  const began = performance.now(), found = [];
  link.click();
  for (const there of [() => document.querySelector('.stored'), () => document.querySelector('.verdict'),
    () => window.lashmapTrace?.sets.indicator?.length]) {
    while (!there()) await new Promise((go) => { setTimeout(go, 2); });
    found.push(performance.now() - began);
  }
  return found;
})(%s)"""


_DRAWING = """(() => {
  const began = performance.now();
  for (let n = 0; n < 100; n += 1) lashmapTrace.draw();
  return (performance.now() - began) / 100;
})()"""


def forget(desk: ServedDesk) -> None:
    """As if nothing had been opened yet."""
    desk.openings._opened.clear()


def main_thread_s(browser: Browser) -> float:
    """Processor time of the main thread of the page since this was asked first."""
    browser.call("Performance.enable", timeDomain="threadTicks")
    metrics = browser.call("Performance.getMetrics")["metrics"]
    return float(next(one["value"] for one in metrics if one["name"] == "TaskDuration"))


def bench_frames(given: Path | None) -> None:
    """Print how far apart frames are while a trace is zoomed and moved."""
    folder = Path(tempfile.mkdtemp(prefix="bench-desk-"))
    path = given or ten_minutes(folder)
    with Logbook(path, create=False) as book:
        test = quote(book.tests()[0].test)
    with served(path, short_test(folder)) as desk, chromium(folder) as browser:
        browser.open("about:blank")
        browser.resize(1400, 900)
        settled()
        for hint in ("chosen at once", "rested on first"):
            browser.open(f"http://127.0.0.1:{desk.port}/")
            while not browser.evaluate("document.querySelectorAll('#list tbody tr').length"):
                time.sleep(0.02)
            waits = browser.evaluate(_OPENING % json.dumps([test, hint == "rested on first"]))
            stored, verdict, trace = (f"{one / 1000:.2f}" for one in waits)
            print(
                f"  {hint}: s from the click: as stored {stored}, verdict {verdict}, trace {trace} "
                f"(load {os.getloadavg()[0]:.1f})"
            )
            forget(desk)
        drawn = browser.evaluate(_DRAWING)
        size = browser.evaluate("[lashmapTrace.canvas.width, lashmapTrace.canvas.height]")
        cases = {"an empty page": _EMPTY, "one colour": _FILLING % tuple(size), "the trace": _ZOOMING}
        for what, moving in [*cases.items()] * 2:
            if moving is not _ZOOMING:
                browser.open("about:blank")
            else:
                browser.open(f"http://127.0.0.1:{desk.port}/?book=0&test={test}")
                while not browser.evaluate("!!window.lashmapTrace?.sets.indicator?.length"):
                    time.sleep(0.02)
            before_s = main_thread_s(browser)
            apart = sorted(browser.evaluate(moving))
            frame_ms = 1000 * (main_thread_s(browser) - before_s) / len(apart)
            rate = 1000 * len(apart) / sum(apart)
            print(
                f"  {what:<14} {len(apart)} frames: {rate:.1f} a second, apart, ms: median "
                f"{statistics.median(apart):.1f}, 99 of 100 {apart[int(0.99 * len(apart))]:.1f}; "
                f"{frame_ms:.2f} ms of processor time each on the page's main thread "
                f"(load {os.getloadavg()[0]:.1f})"
            )
        print(f"  drawing one frame takes {drawn:.2f} ms")
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
