"""The attack campaign: every kind in its full count, a table for each, and a status: did all hold?

make attack                                     # half an hour on two cores
make attack KILLS=10 BROKERS=5 LOGBOOKS=50 TRACES=1000 FLIPS=1 ATTACK_SEED=2
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from attack import broker_deaths, kills, live_flips, logbook_damage, wire_traces
from attack.figures import Figures

_PROCESSES = 2
_KINDS: dict[str, tuple[int, str, Callable[[Path, int, int], Figures]]] = {
    "traces": (
        10_000,
        "traces of frames on a bad cable",
        lambda _folder, count, seed: wire_traces.attack(count, seed, processes=_PROCESSES),
    ),
    "logbooks": (
        500,
        "damaged logbooks",
        lambda folder, count, seed: logbook_damage.attack(folder, count, seed, processes=_PROCESSES),
    ),
    "flips": (
        5,
        "live tests with flipped bits",
        live_flips.attack,
    ),
    "brokers": (
        50,
        "deaths of the broker",
        lambda folder, count, seed: broker_deaths.attack(folder, broker_deaths.Plan(deaths=count), seed),
    ),
    "kills": (
        100,
        "kills of run and serve",
        lambda folder, count, seed: kills.attack(folder, kills.Plan(kills=count), seed),
    ),
}


def main() -> None:
    """Run what is asked for, and print what came of it."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("--seed", type=int, default=1)
    for kind, (count, meaning, _) in _KINDS.items():
        options.add_argument(f"--{kind}", type=int, default=count, help=f"{meaning}; 0 for none")
    asked = vars(options.parse_args())
    print(f"seed {asked['seed']}, Python {platform.python_version()}, {platform.machine()}", flush=True)  # noqa: T201
    violations = 0
    for kind, (_, _, attack) in _KINDS.items():
        if not asked[kind]:
            continue
        with tempfile.TemporaryDirectory(prefix="lm-") as folder:  # short: a socket's name holds 107 bytes
            figures = attack(Path(folder), asked[kind], asked["seed"])
        print(figures.table(), flush=True)  # noqa: T201
        violations += len(figures.violations)
    print(f"\n{violations} violations" if violations else "\nall held")  # noqa: T201
    sys.exit(bool(violations))


if __name__ == "__main__":
    main()
