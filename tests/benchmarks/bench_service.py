"""What a stand costs: processor use of a live test at 2 x 1 kHz, and memory over eight hours of it.

``processor``: a simulated stand in a process of its own sends 1,000 lines a second on both instruments;
`lashmap serve` (idle and with a test) and `lashmap run` (plain lines, and the live screen on a terminal) read
them. Shown is the processor time of the whole reading process, all its threads, as a share of one core, over
the middle of a test. The bar is 15 %.

``memory``: eight simulated hours at 2 x 1 kHz through conductor, channels and logbook in virtual time, one
test of 100 positions after another into one open logbook; the resident size after every hour. The bytes are
those of one simulated test, said again for every further one.

Run: ``python tests/benchmarks/bench_service.py processor [seconds]`` or ``… memory [hours]``; both without a
word. Linux only: the figures come from ``/proc``.
"""

from __future__ import annotations

import contextlib
import fcntl
import gc
import os
import pty
import shutil
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box, matched_of
from lashmap_daemon.commands import simulate as simulate_command
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.simulated_stand import SimulatedInstruments, Stand, Wire, serve
from lashmap_daemon.story import events
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.conductor import Conductor
from lashmap_drivers.readings import Chunk

RATE_HZ = 1000.0
BAR = 15.0
BAR_MB_PER_HOUR = 1.0
_TICKS = os.sysconf("SC_CLK_TCK")
_PAGE = os.sysconf("SC_PAGE_SIZE")
_LASHMAP = [sys.executable, "-m", "lashmap_daemon"]
TICK_S = 0.02
INSTRUMENTS = SimulatedInstruments(indicator_rate_hz=RATE_HZ, encoder_rate_hz=RATE_HZ)


def stand_process(folder: Path) -> None:
    """Be the simulated stand, until told to end."""
    box = toml_file.load(DEMO_BOX, BoxFile)
    stand = Stand(simulate_command.simulated_box(box), INSTRUMENTS, seed=1)
    serve(
        stand,
        folder=folder,
        prompts=folder / "prompts.jsonl",
        announce=lambda _: None,
        ready=lambda indicator, encoder: simulate_command.write_stand(
            folder, indicator, encoder, INSTRUMENTS
        ),
    )


def processor_s(process: int) -> float:
    """Processor time of a process so far, user and system, all threads, in seconds (proc(5), stat)."""
    fields = Path(f"/proc/{process}/stat").read_text("ascii").rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS


def resident_mb(process: int) -> float:
    """Resident size of a process in MB (proc(5), statm)."""
    return int(Path(f"/proc/{process}/statm").read_text("ascii").split()[1]) * _PAGE / 1e6


def share(process: int, seconds: float) -> float:
    """Per cent of one core that a process takes over some seconds."""
    start_s, before_s = time.monotonic(), processor_s(process)
    time.sleep(seconds)
    return 100.0 * (processor_s(process) - before_s) / (time.monotonic() - start_s)


@contextmanager
def running(*words: str | Path, output: int | None = None) -> Iterator[subprocess.Popen[bytes]]:
    """A process that is ended afterwards."""
    quiet = subprocess.DEVNULL if output is None else output
    process = subprocess.Popen(
        [*map(str, words)], stdin=quiet, stdout=quiet, stderr=subprocess.DEVNULL, start_new_session=True
    )
    try:
        yield process
    finally:
        process.terminate()
        process.wait(timeout=30.0)


def wait_for(path: Path, within_s: float = 30.0) -> None:
    """Wait until a file is there and holds something."""
    end_s = time.monotonic() + within_s
    while not path.exists() or not path.stat().st_size:
        if time.monotonic() > end_s:
            raise SystemExit(f"{path} did not appear")
        time.sleep(0.05)


def tell(stand: Path, *words: str) -> None:
    """A command for the service, tried until it is taken."""
    said = b""
    for _ in range(40):
        done = subprocess.run([*_LASHMAP, "tell", stand, *words], capture_output=True, check=False)
        if done.returncode == 0:
            return
        said = done.stderr
        time.sleep(0.5)
    raise SystemExit(f"the service did not take {words}: {said.decode()}")


@contextmanager
def terminal() -> Iterator[int]:
    """A terminal of 100 x 40 that somebody reads."""
    ours, theirs = pty.openpty()
    os.set_blocking(ours, True)

    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 100, 0, 0))

    def read() -> None:
        with contextlib.suppress(OSError):
            while os.read(ours, 65536):
                pass

    threading.Thread(target=read, daemon=True).start()
    try:
        yield theirs
    finally:
        os.close(theirs)
        os.close(ours)


def bench_processor(seconds: float) -> None:
    """Print the processor use of every way to run a test."""
    folder = Path(tempfile.mkdtemp(prefix="bench-service-"))
    os.environ["RUNTIME_DIRECTORY"] = str(folder / "run")
    prompts, stand = folder / "stand" / "prompts.jsonl", folder / "stand" / "stand.toml"
    (folder / "boxes").mkdir()
    shutil.copy(DEMO_BOX, folder / "boxes" / "box.toml")
    print(f"processor use, per cent of one core, over {seconds:.0f} s, 2 x {RATE_HZ:.0f} lines a second")
    rows: list[tuple[str, float, float]] = []
    with running(sys.executable, __file__, "stand", folder / "stand"):
        wait_for(stand)
        words: list[str | Path] = [*_LASHMAP, "serve", stand, "--boxes", folder / "boxes"]
        words += ["--logbook", folder / "served.logbook"]
        with running(*words) as process:
            tell(stand, "status")
            time.sleep(3.0)
            rows.append(("serve, idle", share(process.pid, seconds), resident_mb(process.pid)))
            tell(stand, "begin", "box", "--locked-out")
            time.sleep(3.0)
            rows.append(("serve, a test", share(process.pid, seconds), resident_mb(process.pid)))
        run: list[str | Path] = [*_LASHMAP, "run", stand, DEMO_BOX, "--locked-out", "--logbook"]
        run.append(folder / "run.logbook")
        for name, more in (("run, plain lines", ["--plain"]), ("run, live screen", [])):
            prompts.write_text("", "utf-8")
            with terminal() as screen, running(*run, *more, output=screen) as process:
                wait_for(prompts)
                time.sleep(3.0)
                rows.append((name, share(process.pid, seconds), resident_mb(process.pid)))
    shutil.rmtree(folder)
    for name, used, resident in rows:
        verdict = "ok" if used <= BAR else f"over {BAR:.0f} %"
        print(f"  {name:<20} {used:5.1f} %   {resident:6.1f} MB   {verdict}")


def recorded(folder: Path) -> tuple[VirtualTest, list[dict[str, bytes]]]:
    """One whole simulated test and its bytes, tick by tick."""
    box = load_box(DEMO_BOX, positions=100, gear_turns=13.0)
    test = VirtualTest(folder, box, instruments=INSTRUMENTS, tick_s=TICK_S)
    said: list[dict[str, bytes]] = []
    advance = test._simulated.advance

    def note(seconds: float) -> Wire:
        wire = advance(seconds)
        said.append({INDICATOR: wire.indicator, ENCODER: wire.encoder})
        return wire

    test._simulated.advance = note  # type: ignore[method-assign]
    test.run(most_s=3600.0)
    test.logbook.close()
    return test, said


def again(first: VirtualTest, name: str, logbook: Logbook) -> Conductor:
    """A conductor for one more test of the same box."""
    started = replace(first.started, test=name)
    channels = Channels(started.stand, first.box.gear_set.gear_set())
    channels.count_from(matched_of(first.box))

    def emit(event: events.Event) -> events.Stamped:
        stamped = events.Stamped(time_s=0.0, utc="2026-11-25T08:00:00Z", event=event)
        logbook.append(name, stamped)
        return stamped

    conductor = Conductor(
        started, channels, emit=emit, keep=lambda channel, some: logbook.keep(name, channel, some)
    )
    conductor.emit(started)
    return conductor


def bench_memory(hours: int) -> None:
    """Print the resident size after every simulated hour."""
    folder = Path(tempfile.mkdtemp(prefix="bench-service-"))
    first, said = recorded(folder / "first")
    print(
        f"memory, {hours} simulated hours at 2 x {RATE_HZ:.0f} lines a second, tests of {first.now_s:.0f} s"
    )
    sizes: list[float] = []
    begun_s, done_s, tests = time.monotonic(), 0.0, 0
    with Logbook(folder / "all.logbook", create=True) as logbook:
        while len(sizes) < hours:
            tests += 1
            conductor = again(first, f"test {tests}", logbook)
            now_s = 0.0
            for wire in said:
                now_s += TICK_S  # summed as the first test did, to the last bit: every decision is the same
                conductor.tick(now_s, {name: [Chunk(now_s, data)] for name, data in wire.items() if data})
                done_s += TICK_S
                if done_s >= 3600.0 * (len(sizes) + 1):
                    gc.collect()
                    sizes.append(resident_mb(os.getpid()))
                    spent_s = time.monotonic() - begun_s
                    print(
                        f"  hour {len(sizes)}: {sizes[-1]:6.1f} MB, {tests} tests ({spent_s:.0f} s)",
                        flush=True,
                    )
            if not conductor.closed:
                raise SystemExit("a test that was said again did not close as the first one did")
        size_mb = sum(path.stat().st_size for path in folder.glob("all.logbook*")) / 1e6
    shutil.rmtree(folder)
    growth = (sizes[-1] - sizes[0]) / max(len(sizes) - 1, 1)
    verdict = "ok" if growth < BAR_MB_PER_HOUR else f"over {BAR_MB_PER_HOUR:.0f} MB an hour"
    print(f"  from hour 1 to {hours}: {growth:+.2f} MB an hour, {verdict}")
    print(f"  logbook {size_mb / hours:.0f} MB an hour")


def main() -> None:
    """What the command line asks for."""
    match sys.argv[1:]:
        case ["stand", folder]:
            stand_process(Path(folder))
        case ["processor", *rest]:
            bench_processor(float(rest[0]) if rest else 20.0)
        case ["memory", *rest]:
            bench_memory(int(rest[0]) if rest else 8)
        case _:
            bench_processor(20.0)
            bench_memory(8)


if __name__ == "__main__":
    main()
