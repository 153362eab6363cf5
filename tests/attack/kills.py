"""Kill -9 at random moments of real tests on simulated stands, several side by side; go on each time.

After each kill: everything that was acknowledged (accepted positions on the screen or in the status, notes,
prompts) is in the logbook, SQLite's own integrity check and ``lashmap verify`` are content, and the test goes
on at the right position. At the end of each test the stated interval is held to the truth of the simulated
gearbox, whose backlash lies anywhere around both limits.
"""

from __future__ import annotations

import json
import math
import random
import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import cycle
from pathlib import Path

from attack.acknowledged import Kept, lacking
from attack.figures import Figures
from attack.lives import Bench, Life, live_run, live_serve
from daemon.command import lashmap
from daemon.virtual_time import demo_text
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from scipy import stats

KIND = "kill -9 of run and serve"
MISSES = "tests whose 95 % interval misses the truth"
TOLD = "tests that state an interval"
_RARE = 0.001
_LIVE: dict[str, Callable[..., Life]] = {"run": live_run, "serve": live_serve}


@dataclass(frozen=True, kw_only=True)
class Plan:
    """How hard the blows fall.

    Attributes:
        kills: How many, over all.
        shortest_s: Shortest time that a life is given; it starts up in one or two seconds.
        longest_s: Longest.
        ways: What is killed, in turns over those side by side.
        side_by_side: Programs at a time, each on a stand of its own.
        positions: Planned in a test.
        gear_turns: Over which.
        rate_hz: Lines a second of the simulated indicator.
    """

    kills: int
    shortest_s: float = 2.0
    longest_s: float = 60.0
    ways: tuple[str, ...] = ("run", "run", "serve")
    side_by_side: int = 6
    positions: int = 26
    gear_turns: int = 13
    rate_hz: float = 1000.0


class Quota:
    """So many kills, shared."""

    def __init__(self, kills: int) -> None:
        self._left = kills
        self._lock = threading.Lock()

    def take(self) -> bool:
        """Take one; False when none is left."""
        with self._lock:
            self._left -= 1
            return self._left >= 0

    def give_back(self) -> None:
        """It was not needed."""
        with self._lock:
            self._left = max(self._left, 0) + 1

    @property
    def spent(self) -> bool:
        with self._lock:
            return self._left <= 0


def attack(folder: Path, plan: Plan, seed: int) -> Figures:
    """Kill until it was done ``plan.kills`` times, then let each test end."""
    figures, quota = Figures(KIND), Quota(plan.kills)
    for name in ("kills of run", "kills of serve", "kills in a rock"):
        figures.add(name, 0)
    series = [
        _Series(folder / str(at), plan, figures, quota, seed=1000 * seed + 100 * at, way=way)
        for at, way in zip(range(plan.side_by_side), cycle(plan.ways), strict=False)
    ]
    with ThreadPoolExecutor(len(series)) as pool:
        for done in [pool.submit(one.work) for one in series]:
            if (error := done.exception()) is not None:
                figures.wrong(f"a series broke off: {error!r}")
    told, misses = figures.counts[TOLD], figures.counts[MISSES]
    if misses and float(stats.binom.sf(misses - 1, told, 0.05)) < _RARE:
        figures.wrong(f"{misses} of {told} intervals miss the truth: more than 95 % intervals may")
    return figures


class _Series:
    """Tests one after another on one bench, each killed now and then."""

    def __init__(
        self, folder: Path, plan: Plan, figures: Figures, quota: Quota, *, seed: int, way: str
    ) -> None:
        self._bench = Bench(folder=folder)
        self._plan, self._figures, self._quota, self._seed, self._way = plan, figures, quota, seed, way
        self._chance = random.Random(seed)  # noqa: S311 - moments, not secrets
        self._due: list[int] = []
        self._test = self._resumed = 0

    def work(self) -> None:
        """Until the quota is spent."""
        while not self._quota.spent:
            self._test, self._resumed, self._due = self._test + 1, 0, []
            self._write_box()
            with self._bench.simulated(self._seed + self._test, self._plan.rate_hz):
                self._one_test()
            self._judge()

    def _one_test(self) -> None:
        resume = False
        while True:
            seconds = self._chance.uniform(self._plan.shortest_s, self._plan.longest_s)
            mortal = self._quota.take()
            try:
                life = _LIVE[self._way](self._bench, seconds if mortal else None, resume=resume)
            except AssertionError as error:
                self._wrong(str(error))
                return
            if mortal and not life.killed:
                self._quota.give_back()
            going_on = self._look(life, resumed=resume)
            if not life.killed or (resume and not going_on):
                return
            resume = going_on

    def _look(self, life: Life, *, resumed: bool) -> bool:
        """Hold the file to what was acknowledged; true when there is an unfinished test in it."""
        self._figures.add(f"kills of {self._way}", int(life.killed))
        if life.problem:
            self._wrong(life.problem)
        life.shown.read_prompts(self._bench.stand.parent / "prompts.jsonl")
        kept = Kept.read(self._bench.book)
        for lost in lacking(life.shown, kept):
            self._wrong(f"acknowledged and not in the logbook: {lost}")
        self._figures.add("positions, notes and prompts acknowledged, all looked up", len(life.shown))
        if kept is None:
            return False
        self._check_file()
        number = kept.next_asked(life.shown, self._resumed)
        if resumed and number is not None and self._due:
            self._figures.add("next positions seen after a kill")
            if number != self._due[0]:
                self._wrong(f"went on with position {number}, due was {self._due[0]}")
        self._due, self._resumed = kept.due, kept.resumed
        self._figures.add("kills in a rock", int(life.killed and kept.in_rock))
        return kept.unfinished

    def _check_file(self) -> None:
        base = sqlite3.connect(self._bench.book)
        try:
            checked = base.execute("PRAGMA integrity_check").fetchall()
        finally:
            base.close()
        if checked != [("ok",)]:
            self._wrong(f"integrity check: {checked}")
        verified = lashmap("verify", "--logbook", self._bench.book)
        self._figures.add("verified")
        if verified.returncode != 0:
            self._wrong(
                f"verify ends with {verified.returncode}: {verified.stdout[-600:]}{verified.stderr[-300:]}"
            )

    def _judge(self) -> None:
        """The test that ended last, against the truth of its gearbox."""
        truth = json.loads(self._bench.truth.read_text("utf-8"))
        with Logbook(self._bench.book, create=False) as opened:
            newest = opened.tests()[-1]
            if not newest.closing.startswith("completed"):
                self._wrong(f"test {newest.test} ended as {newest.closing!r}")
                return
            result = conclude(opened, newest.test)
        figures, true_mm = self._figures, truth["tight_spot"]["normal_backlash_mm"]
        figures.add("tests brought to their end")
        figures.add(f"of them {result.verdict.outcome}")
        if result.record.damage:
            self._wrong(f"test {newest.test}: {result.record.damage}")
        limits = result.record.limits
        inside = (limits.minimum_mm or -math.inf) <= true_mm <= (limits.maximum_mm or math.inf)
        if {"conforming": not inside, "nonconforming": inside}.get(result.verdict.outcome):
            self._wrong(f"test {newest.test}: {result.verdict.outcome}, the truth is {true_mm:.4f} mm")
        if result.stated is None:
            return
        low, high = result.stated.interval_mm
        figures.add(TOLD)
        figures.add(MISSES, int(not low <= true_mm <= high))
        if abs(true_mm - (low + high) / 2.0) > high - low:  # twice the half width
            self._wrong(
                f"test {newest.test}: {low:.4f} to {high:.4f} mm is far from the truth {true_mm:.4f} mm"
            )

    def _write_box(self) -> None:
        """The demonstration box, its tight spot from below the lower limit to above the upper one."""
        mean_mm = self._chance.uniform(0.11, 0.2)
        text = demo_text()
        changes = {
            "positions = 26": f"positions = {self._plan.positions}\nrepeats = 0",
            "gear_turns = 13": f"gear_turns = {self._plan.gear_turns}",
            "mean_normal_backlash_mm = 0.145": f"mean_normal_backlash_mm = {mean_mm:.4f}",
        }
        for old, new in changes.items():
            assert old in text, old
            text = text.replace(old, new, 1)
        self._bench.box.parent.mkdir(parents=True, exist_ok=True)
        self._bench.box.write_text(text, "utf-8")

    def _wrong(self, what: str) -> None:
        self._figures.wrong(f"{self._way}, seed {self._seed}, test {self._test}: {what}")
