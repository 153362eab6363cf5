"""Kill -9 at random moments of a real test on a real simulated stand, and go on each time.

    python tests/benchmarks/bench_kill.py 300 [--seed 1]

After each kill: everything that the plain screen had acknowledged (accepted positions, skipped ones, notes)
is in the logbook, the file passes SQLite's own integrity check, and the test goes on at the right position.
At the end of each test the stated interval holds the truth of the simulated gearbox. Prints what failed.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from lashmap_daemon import events
from lashmap_daemon.conclude import conclude
from lashmap_daemon.logbook import Logbook

ENTRY = [sys.executable, "-m", "lashmap_daemon"]
BOX = Path(__file__).parents[2] / "configs" / "boxes" / "spiral-13x40.toml"
PLAN = {
    "positions = 26": "positions = 12",
    "gear_turns = 13": "gear_turns = 3",
    "confirming_positions = 3": "confirming_positions = 2",
}
_ACCEPTED = re.compile(r" s  +(\d+)  accepted: normal backlash (\d\.\d+)\smm")
_ASKED = re.compile(r" s  +(\d+)  (?:Turn|Stay|Confirm)")
_LEFT_OUT = re.compile(r" s  +(\d+)  left out: ")
_NOTE = re.compile(r" s  Note: (.*)")
_READY_S = 30.0


@dataclass
class Found:
    """What the kills brought to light.

    Attributes:
        kills: How many.
        tests: How many tests were brought to their end.
        acknowledged: Accepted positions seen on the screen.
        in_rock: Kills while a rock was recorded.
        right_next: How often the next position after a kill was seen on the screen and was the right one.
        problems: What should not have been.
        due: Planned positions that were open after the last kill.
    """

    kills: int = 0
    tests: int = 0
    acknowledged: int = 0
    in_rock: int = 0
    right_next: int = 0
    problems: list[str] = field(default_factory=list)
    due: list[int] = field(default_factory=list)


class Screen:
    """Reads the plain lines of a run as they come."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.lines: list[str] = []
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """All that was printed has been read."""
        self.process.wait()
        self._thread.join()
        if self.process.stdout is not None:
            self.process.stdout.close()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))


def hammer(
    folder: Path, found: Found, *, kills: int, seed: int, shortest_s: float = 0.3, longest_s: float = 9.0
) -> None:
    """Kill until it was done ``kills`` times, then let the last test end.

    Args:
        folder: For everything.
        found: Filled as it goes on.
        kills: How many.
        seed: Of the moments.
        shortest_s: Shortest time that a run is left alone, in seconds; it starts up in one or two.
        longest_s: Longest.
    """
    random_moment = random.Random(seed)  # noqa: S311 - moments, not secrets
    text = BOX.read_text("utf-8")
    for old, new in PLAN.items():
        text = text.replace(old, new, 1)
    box, book = folder / "box.toml", folder / "book"
    box.write_text(text, "utf-8")
    while True:
        with stand_of(folder, box, seed + found.tests) as stand:
            resume = False
            while found.kills < kills:
                screen = run(stand, box, book, resume=resume)
                try:
                    screen.process.wait(timeout=random_moment.uniform(shortest_s, longest_s))
                except subprocess.TimeoutExpired:
                    screen.process.send_signal(signal.SIGKILL)
                    found.kills += 1
                    if found.kills % 25 == 0:
                        print(f"{found.kills} kills, {len(found.problems)} problems", flush=True)
                screen.end()
                done = screen.process.returncode == 0
                resume = look(screen, book, found, done=done, resumed=resume) and not done
                if done:
                    break
            else:
                screen = run(stand, box, book, resume=resume)
                screen.end()
                look(screen, book, found, done=screen.process.returncode == 0, resumed=resume)
        judge(folder, book, found)
        if found.kills >= kills:
            return


@contextmanager
def stand_of(folder: Path, box: Path, seed: int) -> Iterator[Path]:
    """A simulated stand; each test of the series has a gearbox of its own."""
    stand_file = folder / "stand" / "stand.toml"
    stand_file.unlink(missing_ok=True)
    words = ["simulate", str(box), "--folder", str(stand_file.parent), "--seed", str(seed)]
    process = subprocess.Popen(
        [*ENTRY, *words, "--truth", str(folder / "truth.json")], stdout=subprocess.DEVNULL
    )
    try:
        end_s = time.monotonic() + _READY_S
        while not stand_file.exists():
            if time.monotonic() > end_s or process.poll() is not None:
                raise RuntimeError("the simulated stand did not start")
            time.sleep(0.05)
        yield stand_file
    finally:
        process.terminate()
        process.wait(timeout=20.0)


def run(stand: Path, box: Path, book: Path, *, resume: bool) -> Screen:
    """Start or go on."""
    words = ["run", str(stand), str(box), "--logbook", str(book), "--locked-out", "--plain"]
    process = subprocess.Popen(
        [*ENTRY, *words, *(["--resume"] if resume else [])],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    return Screen(process)


def look(screen: Screen, book: Path, found: Found, *, done: bool, resumed: bool) -> bool:
    """Hold the file to what the screen acknowledged; true when there is an unfinished test in it."""

    def wrong(what: str) -> None:
        found.problems.append(f"kill {found.kills}: {what}")
        print(found.problems[-1], flush=True)

    if screen.process.returncode not in {0, -signal.SIGKILL}:
        wrong(f"ended with {screen.process.returncode}: {screen.lines[-3:]}")
    if not book.exists():
        return False
    base = sqlite3.connect(book)
    try:
        checked = base.execute("PRAGMA integrity_check").fetchall()
    finally:
        base.close()
    if checked != [("ok",)]:
        wrong(f"integrity check: {checked}")
    with Logbook(book, create=False) as opened:
        tests = opened.tests()
        if not tests:
            return False
        stream = list(opened.events(tests[-1].test))
    happened = [stamped.event for stamped in stream]
    kept = {
        (event.number, f"{event.normal_backlash_mm:.4f}")
        for event in happened
        if isinstance(event, events.RockAccepted)
    }
    left_out = {event.number for event in happened if isinstance(event, events.PositionSkipped)}
    notes = {event.text for event in happened if isinstance(event, events.NoteTaken)}
    found.acknowledged += sum(_ACCEPTED.search(line) is not None for line in screen.lines)
    for line in screen.lines:
        if not is_kept(line, kept, left_out, notes):
            wrong(f"shown and not in the logbook: {line}")
    checks = {event.check for event in happened if isinstance(event, events.TestResumed)}
    asked = [int(match[1]) for line in screen.lines if (match := _ASKED.search(line))]
    on = [number for number in asked if number not in checks]
    if resumed and on and found.due:
        found.right_next += on[0] == found.due[0]
        if on[0] != found.due[0]:
            wrong(f"went on with position {on[0]}, due was {found.due[0]}")
    started = happened[0]
    settled = left_out | {number for number, _ in kept}
    planned = len(started.planned) if isinstance(started, events.TestStarted) else 0
    found.due = [number for number in range(1, planned + 1) if number not in settled]
    if not done:
        found.in_rock += isinstance(happened[-1], events.RockStarted)
    # Its result may have been stored behind the closing record already.
    ends = [event for event in happened if isinstance(event, events.TestClosed | events.TestResumed)]
    return not (ends and isinstance(ends[-1], events.TestClosed) and ends[-1].outcome == "completed")


def is_kept(line: str, kept: set[tuple[int, str]], left_out: set[int], notes: set[str]) -> bool:
    """True unless the line acknowledges something that the logbook lacks."""
    if match := _ACCEPTED.search(line):
        return (int(match[1]), match[2]) in kept
    if match := _LEFT_OUT.search(line):
        return int(match[1]) in left_out
    match = _NOTE.search(line)
    return match is None or match[1] in notes


def judge(folder: Path, book: Path, found: Found) -> None:
    """The test that ended last, against the truth of its gearbox."""
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    with Logbook(book, create=False) as opened:
        newest = opened.tests()[-1]
        if not newest.closing.startswith("completed"):
            return
        found.tests += 1
        result = conclude(opened, newest.test)
    true = truth["tight_spot"]["normal_backlash_mm"]
    if result.stated is None or not result.stated.interval_mm[0] <= true <= result.stated.interval_mm[1]:
        interval = None if result.stated is None else result.stated.interval_mm
        found.problems.append(f"test {newest.test}: interval {interval} misses the truth {true:.4f} mm")
    if result.record.damage:
        found.problems.append(f"test {newest.test}: {result.record.damage}")


def main() -> None:
    """Kill, and print what came of it."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("kills", type=int)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--shortest", type=float, default=0.3, help="shortest time between kills")
    options.add_argument("--longest", type=float, default=9.0, help="longest time between kills, in seconds")
    asked = options.parse_args()
    began_s = time.monotonic()
    found = Found()
    with tempfile.TemporaryDirectory() as folder, contextlib.suppress(KeyboardInterrupt):
        hammer(
            Path(folder),
            found,
            kills=asked.kills,
            seed=asked.seed,
            shortest_s=asked.shortest,
            longest_s=asked.longest,
        )
    print(f"{found.kills} kills ({found.in_rock} in a rock), {found.tests} tests brought to their end")
    print(f"{found.acknowledged} acknowledged positions, all looked up; {found.right_next} next ones seen")
    print(f"{time.monotonic() - began_s:.0f} s")
    print("\n".join(found.problems) or "nothing was lost, nothing went on at a wrong position")
    sys.exit(bool(found.problems))


if __name__ == "__main__":
    main()
