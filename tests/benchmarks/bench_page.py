"""What the page of a stand costs, and how old what it shows is.

``cost``: `lashmap run --plain` at 2 x 1 kHz as `bench_service` measures it: without a page, with one that
nobody looks at, and with one and five who look. The bar is 15 % of a core with one.

``latency``: an indicator of our own sends another number each millisecond; from the moment when a line was
written to its terminal until the first picture that shows it, or a newer one, has come over loopback. Beside
it the same for the live screen of the same run. All lines count, those between two pictures too. The bar is
150 ms for 99 of 100.

``memory``: as many pictures as hours have, those of one test in virtual time again and again, as fast as they
go: through the server to one who looks (resident size of this process), and into a real browser (where
chromium is), which counts those that reached its page (its heap, nodes and listeners after a collection).
Both after each eighth, and how they grow.

Run: ``python tests/benchmarks/bench_page.py cost [seconds]``, ``… latency [seconds]``, ``… memory [hours]``;
all three without a word. Linux only.
"""

from __future__ import annotations

import contextlib
import gc
import http.client
import os
import pty
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from analysis.browser import chromium
from benchmarks.bench_service import RATE_HZ, processor_s, resident_mb, share, wait_for
from benchmarks.bench_service import __file__ as bench_service
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.commands import simulate as simulate_command
from lashmap_daemon.page.on_page import PICTURE_S
from lashmap_daemon.page.picture import Parts, Running, of_test
from lashmap_daemon.page.stand_page import StandPage
from lashmap_daemon.screens.view import trace_of, view_of
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.simulated_stand import SimulatedInstruments

BAR, BAR_MS = 15.0, 150.0
_LASHMAP = [sys.executable, "-m", "lashmap_daemon"]
_STEP_MM = 0.0001
_ADDRESS = re.compile(rb"The page of the stand: http://127\.0\.0\.1:(\d+)/")
_ON_PAGE = re.compile(rb'"name":"indicator","text":"\+(\d+\.\d{4})')
_ON_SCREEN = re.compile(rb"indicator \+(\d+\.\d{4})")


@contextmanager
def started(*words: str | Path) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """A process on a terminal of its own, which is given too."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [*map(str, words)], stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    )
    os.close(theirs)
    try:
        yield process, ours
    finally:
        process.terminate()
        process.wait(timeout=30.0)
        os.close(ours)


@contextmanager
def looking(port: int) -> Iterator[http.client.HTTPResponse]:
    """The stream of pictures."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30.0)
    connection.request("GET", "/pictures")
    answer = connection.getresponse()
    try:
        yield answer
    finally:
        answer.close()
        connection.close()


def drain(answer: http.client.HTTPResponse) -> None:
    """Take all that comes."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        while answer.readline():
            pass


def bench_cost(seconds: float) -> None:
    """Print the processor use of a run with and without page."""
    folder = Path(tempfile.mkdtemp(prefix="bench-page-"))
    stand, prompts = folder / "stand" / "stand.toml", folder / "stand" / "prompts.jsonl"
    print(f"processor use, per cent of one core, over {seconds:.0f} s, 2 x {RATE_HZ:.0f} lines a second")
    served = subprocess.Popen([sys.executable, bench_service, "stand", str(folder / "stand")])
    try:
        wait_for(stand)
        for name, more, lookers in (
            ("run, without a page", [], 0),
            ("run --page, nobody looks", ["--page-port", "0"], 0),
            ("run --page, one looks", ["--page-port", "0"], 1),
            ("run --page, five look", ["--page-port", "0"], 5),
        ):
            prompts.write_text("", "utf-8")
            words: list[str | Path] = [*_LASHMAP, "run", stand, DEMO_BOX, "--locked-out", "--plain", *more]
            with ExitStack() as stack:
                process, said = stack.enter_context(started(*words, "--logbook", folder / f"{name}.logbook"))
                port = _port(said) if more else 0
                threading.Thread(target=_take, args=(said,), daemon=True).start()
                wait_for(prompts)
                for _ in range(lookers):
                    answer = stack.enter_context(looking(port))
                    threading.Thread(target=drain, args=(answer,), daemon=True).start()
                time.sleep(3.0)
                used = share(process.pid, seconds)
                verdict = "ok" if used <= BAR else f"over {BAR:.0f} %"
                size_mb = resident_mb(process.pid)
                print(f"  {name:<26} {used:5.1f} %   {size_mb:6.1f} MB   {verdict}", flush=True)
    finally:
        served.terminate()
        served.wait(timeout=30.0)
        shutil.rmtree(folder)


def _port(said: int) -> int:
    text = b""
    while not (found := _ADDRESS.search(text)):
        text += os.read(said, 4096)
    return int(found[1])


def _take(said: int) -> None:
    with contextlib.suppress(OSError):
        while os.read(said, 65536):
            pass


class Sender:
    """An indicator whose value is the number of its line, and an encoder that stands still.

    Attributes:
        written_s: When each line was written.
    """

    def __init__(self, folder: Path) -> None:
        self.written_s: list[float] = []
        self._ends = False
        self._ours: list[int] = []
        instruments = SimulatedInstruments(indicator_rate_hz=RATE_HZ, encoder_rate_hz=RATE_HZ)
        folder.mkdir()
        names = []
        for _ in range(2):
            ours, theirs = pty.openpty()
            tty.setraw(theirs)
            os.set_blocking(ours, False)
            self._ours.append(ours)
            names.append(Path(os.ttyname(theirs)))
        simulate_command.write_stand(folder, names[0], names[1], instruments)
        self._count = round(37.25 / 360.0 * instruments.encoder_counts_per_turn)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Send no more."""
        self._ends = True
        self._thread.join()

    def _run(self) -> None:
        next_s = time.monotonic()
        while not self._ends:
            value = (len(self.written_s) + 1) * _STEP_MM
            self.written_s.append(time.monotonic())
            for ours, line in zip(
                self._ours, (f"{value:+09.4f}\r\n", f"{self._count:+011d}\r\n"), strict=True
            ):
                with contextlib.suppress(BlockingIOError):  # nobody reads yet
                    os.write(ours, line.encode())
            next_s = max(next_s + 1.0 / RATE_HZ, time.monotonic() - 0.05)
            time.sleep(max(next_s - time.monotonic(), 0.0))


def ages_ms(seen: list[tuple[float, float]], written_s: list[float]) -> np.ndarray:
    """How long each line took to be seen: the first time at which it or a newer one was."""
    ages, last = [], None
    for at_s, value in seen:
        number = round(value / _STEP_MM)
        if last is not None and number > last:
            ages += [at_s - written_s[one - 1] for one in range(last + 1, number + 1)]
        last = number if last is None else max(last, number)
    return 1000.0 * np.array(ages)


def bench_latency(seconds: float) -> None:
    """Print how old what page and live screen show is."""
    folder = Path(tempfile.mkdtemp(prefix="bench-page-"))
    sender = Sender(folder / "stand")
    on_page: list[tuple[float, float]] = []
    on_screen: list[tuple[float, float]] = []
    words: list[str | Path] = [*_LASHMAP, "run", folder / "stand" / "stand.toml", DEMO_BOX]
    words += ["--locked-out", "--page-port", "0"]
    try:
        with started(*words, "--logbook", folder / "book.logbook") as (process, said):
            port = _port(said)
            end_s = time.monotonic() + seconds + 6.0

            def screen() -> None:
                rest = b""
                with contextlib.suppress(OSError):
                    while piece := os.read(said, 65536):
                        at_s, rest = time.monotonic(), (rest + piece)[-4096:]
                        plain = re.sub(rb"\x1b\[[0-9;?]*[A-Za-z]", b"", rest)
                        if found := _ON_SCREEN.findall(plain):
                            on_screen.append((at_s, float(found[-1])))

            threading.Thread(target=screen, daemon=True).start()
            time.sleep(4.0)
            before_s = processor_s(process.pid)
            with looking(port) as answer:
                while time.monotonic() < end_s:
                    if found := _ON_PAGE.search(answer.readline()):
                        on_page.append((time.monotonic(), float(found[1])))
            used = 100.0 * (processor_s(process.pid) - before_s) / (seconds + 2.0)
            sender.close()
    finally:
        sender.close()
        shutil.rmtree(folder)
    print(f"age of what is shown over {seconds:.0f} s, ms; the whole run took {used:.1f} % of a core")
    for name, seen in (("page", on_page), ("live screen", on_screen)):
        ages = ages_ms(seen, sender.written_s)
        half, most = np.percentile(ages, [50.0, 99.0])
        verdict = "" if name != "page" else "ok" if most <= BAR_MS else f"over {BAR_MS:.0f} ms"
        pace = len(seen) / seconds
        print(f"  {name:<12} {len(ages)} lines, median {half:.0f}, 99 of 100 within {most:.0f}   {verdict}"
              f" ({pace:.0f} pictures a second)")  # fmt: skip


def pictures(folder: Path) -> list[Parts]:
    """Those of a whole test."""
    test = VirtualTest(folder, load_box(DEMO_BOX, positions=12, gear_turns=13.0))
    made = []
    while not test.conductor.closed:
        test.tick(2)
        view = replace(view_of(test.conductor, test.now_s, ""), trace=trace_of(test.conductor))
        lines = [str(stamped.event) for stamped in test.stream[-6:]]
        made.append(of_test(Running(view=view, lines=lines, test="a test", place="a place")))
    test.logbook.close()
    return made


def bench_memory(hours: float) -> None:
    """Print how memory grows with the number of pictures."""
    folder = Path(tempfile.mkdtemp(prefix="bench-page-"))
    made = pictures(folder)
    whole = round(hours * 3600.0 / PICTURE_S)
    print(f"memory, {whole} pictures: {hours:g} hours at one each {1000 * PICTURE_S:.0f} ms")
    with StandPage(PageTable(port=0), "bench") as page, looking(page._server.port) as answer:
        threading.Thread(target=drain, args=(answer,), daemon=True).start()
        sizes = []
        for part in range(9):
            for number in range(whole // 8 if part else 2000):  # those before the first size warm it up
                page._server.show(made[number % len(made)])
            gc.collect()
            sizes.append(resident_mb(os.getpid()))
        print(f"  server, after each eighth: {', '.join(f'{size:.1f}' for size in sizes)} MB; "
              f"{_growth(sizes, hours):+.3f} MB an hour", flush=True)  # fmt: skip
    if shutil.which("chromium"):
        _in_browser(folder, made, whole, hours)
    shutil.rmtree(folder)


def _growth(sizes: list[float], hours: float) -> float:
    """Slope of the straight line through the sizes, an hour; the first, of what warms up, left out."""
    return float(np.polyfit(np.arange(1, len(sizes)) * hours / 8.0, sizes[1:], 1)[0])


# Counts the pictures that a page takes apart.
_COUNTED = """(() => {
  const parse = JSON.parse;
  window.pictures = 0;
  JSON.parse = (text) => { if (text.startsWith('{"testing"')) window.pictures += 1; return parse(text); };
})()"""


def _in_browser(folder: Path, made: list[Parts], whole: int, hours: float) -> None:
    """Print how the page grows with the pictures that reached it: what it was too slow for does not count."""
    heaps, began_s, shown = list[float](), time.monotonic(), 0
    with StandPage(PageTable(port=0), "bench") as page, chromium(folder) as browser:
        browser.open("about:blank")
        browser.call("Page.addScriptToEvaluateOnNewDocument", source=_COUNTED)
        browser.open(f"http://127.0.0.1:{page._server.port}/")
        browser.call("Network.disable")  # it tells of each piece that comes, and this process would keep that
        for part in range(9):
            wanted = 2000 + part * (whole // 8)
            while browser.evaluate("pictures") < wanted:
                for _ in range(40):
                    page._server.show(made[shown % len(made)])
                    shown += 1
                browser.evaluate("new Promise((drawn) => requestAnimationFrame(drawn))")
            browser.call("HeapProfiler.collectGarbage")
            heaps.append(browser.call("Runtime.getHeapUsage")["usedSize"] / 1e6)
            counts = browser.call("Memory.getDOMCounters")
            took_s = time.monotonic() - began_s
            print(
                f"  browser: {browser.evaluate('pictures')} pictures after {took_s:.0f} s: "
                f"{heaps[-1]:.2f} MB, {counts['nodes']} nodes, {counts['jsEventListeners']} listeners; "
                f"this process {resident_mb(os.getpid()):.1f} MB",
                flush=True,
            )
    print(
        f"  browser: {_growth(heaps, hours):+.4f} MB an hour; {shown} pictures were shown to it", flush=True
    )


def main() -> None:
    """What the command line asks for."""
    match sys.argv[1:]:
        case ["cost", *rest]:
            bench_cost(float(rest[0]) if rest else 20.0)
        case ["latency", *rest]:
            bench_latency(float(rest[0]) if rest else 30.0)
        case ["memory", *rest]:
            bench_memory(float(rest[0]) if rest else 8.0)
        case _:
            bench_memory(8.0)
            bench_cost(20.0)
            bench_latency(30.0)


if __name__ == "__main__":
    main()
