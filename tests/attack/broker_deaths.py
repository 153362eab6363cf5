"""Kill -9 of the broker while the installed program publishes; it is back at once or after some seconds.

Each ``lashmap run`` has a Mosquitto of its own on a loopback port. It dies at random moments of the test, and
a subscriber with a session there is the witness. When the test is over, ``lashmap publish`` sends what waits.
Every record and the result must have arrived at least once, to the byte as the logbook keeps them.
"""

from __future__ import annotations

import random
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from attack.figures import Figures
from attack.kills import Quota
from attack.lives import Bench
from daemon.bus.broker import Broker
from daemon.bus.killing import Outcome, arrived, strange, to_arrive
from daemon.bus.subscriber import subscriber
from daemon.command import ENTRY, lashmap
from daemon.virtual_time import DEMO_BOX
from lashmap_daemon.logbook.logbook import Logbook

KIND = "kill -9 of the broker of run"
_STAND = "bench-1"
_ALIVE_S = (0.3, 6.0)
_AWAY_S = (0.0, 0.3)
_LONG_AWAY_S = (1.0, 8.0)
_LONG_SHARE = 0.3
_PATIENCE_S = 300.0


@dataclass(frozen=True, kw_only=True)
class Plan:
    """How hard the blows fall.

    Attributes:
        deaths: How many, over all.
        side_by_side: Programs at a time, each with a broker of its own.
        positions: Planned in a test.
        gear_turns: Over which.
    """

    deaths: int
    side_by_side: int = 3
    positions: int = 26
    gear_turns: int = 13


def attack(folder: Path, plan: Plan, seed: int) -> Figures:
    """Kill brokers so many times, and let each test end."""
    figures, quota = Figures(KIND), Quota(plan.deaths)
    figures.add("deaths", 0)

    def series(at: int) -> None:
        test = 0
        while not quota.spent:
            test += 1
            _one_test(folder / f"{at}-{test}", plan, figures, quota, 1000 * seed + 100 * at + test)

    with ThreadPoolExecutor(plan.side_by_side) as pool:
        for done in [pool.submit(series, at) for at in range(plan.side_by_side)]:
            if (error := done.exception()) is not None:
                figures.wrong(f"a series broke off: {error!r}")
    return figures


def _one_test(folder: Path, plan: Plan, figures: Figures, quota: Quota, seed: int) -> None:
    chance = random.Random(seed)  # noqa: S311 - moments, not secrets
    bench = Bench(folder=folder)
    bench.box.parent.mkdir(parents=True)
    text = DEMO_BOX.read_text("utf-8")
    text = text.replace("positions = 26", f"positions = {plan.positions}\nrepeats = 0", 1)
    bench.box.write_text(text.replace("gear_turns = 13", f"gear_turns = {plan.gear_turns}", 1), "utf-8")
    broker = Broker(folder / "broker", keep=True)
    broker.start()
    try:
        with subscriber(broker.port, session="witness") as heard, bench.simulated(seed):
            with bench.stand.open("a", encoding="utf-8") as file:
                file.write(f'\n[bus]\nbroker = "{broker.url}"\nstand = "{_STAND}"\nsettle_seconds = 1\n')
            with (folder / "screen").open("w+", encoding="utf-8") as screen:
                process = _run(bench, screen)
                figures.add("deaths", _deaths(process, broker, quota, chance))
                status = process.wait(_PATIENCE_S)
                screen.seek(0)
                said = screen.read()
            if status != 0 or "Traceback" in said:
                figures.wrong(f"seed {seed}: run ends with {status}: {said[-300:]}")
                return
            sent = lashmap("publish", bench.stand, "--logbook", bench.book)
            if sent.returncode != 0:
                figures.wrong(f"seed {seed}: publish ends with {sent.returncode}: {sent.stderr[-300:]}")
            with Logbook(bench.book, create=False) as book:
                test = book.tests()[-1].test
            outcome = Outcome(expected=to_arrive(bench.book, test, f"lashmap/{_STAND}"))
            heard.wait(lambda: set(outcome.expected) <= set(arrived(heard)))
            outcome.copies = arrived(heard)
    finally:
        broker.kill()
    figures.add("tests")
    figures.add("records and results in the logbooks", len(outcome.expected))
    figures.add("of them arrived", len(set(outcome.expected) & set(outcome.copies)))
    figures.add("arrived more than once, as they were", outcome.repeated)
    for what in strange(outcome):
        figures.wrong(f"seed {seed}: {what}")


def _run(bench: Bench, screen: IO[str]) -> subprocess.Popen[str]:
    words = ["run", bench.stand, bench.box, "--logbook", bench.book, "--locked-out", "--plain"]
    return subprocess.Popen(
        [*ENTRY, *map(str, words)],
        stdin=subprocess.DEVNULL,
        stdout=screen,
        stderr=subprocess.STDOUT,
        text=True,
    )


def _deaths(process: subprocess.Popen[str], broker: Broker, quota: Quota, chance: random.Random) -> int:
    """Kill the broker again and again until the test is over; returns how often."""
    deaths = 0
    while process.poll() is None and quota.take():
        time.sleep(chance.uniform(*_ALIVE_S))
        broker.kill()
        deaths += 1
        time.sleep(chance.uniform(*(_LONG_AWAY_S if chance.random() < _LONG_SHARE else _AWAY_S)))
        broker.start()
    return deaths
