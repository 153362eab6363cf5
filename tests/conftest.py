from __future__ import annotations

import gc
import itertools
import os
import random
import shutil
import sys
import tempfile
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from daemon import once

# The same examples in every run, so that no run fails that passed before; `make fuzz` looks for new ones.
# Neither a slow machine nor one that paused is a fault of what is tested.
settings.register_profile(
    "unhurried",
    parent=settings(),
    derandomize="LASHMAP_RANDOM_EXAMPLES" not in os.environ,
    database=None,
    deadline=None,
    suppress_health_check={*settings().suppress_health_check, HealthCheck.too_slow},
)
settings.load_profile("unhurried")

# Hundreds of tests start the program: none of these processes is to compile all of it again.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# As the program does (`cli.main`); the workers have it from here.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# What is imported and collected stays: no search for garbage before all of it is there.
gc.disable()

HERE = Path(__file__).parent
_places: dict[object, int] = {}  # of what was found, in its folder


def pytest_configure(config: pytest.Config) -> None:
    """One folder for all processes of the session; those that it starts inherit its name."""
    if not hasattr(config, "workerinput"):
        os.environ[once.FOLDER] = tempfile.mkdtemp(prefix="lashmap-once-")


def pytest_unconfigure(config: pytest.Config) -> None:
    if not hasattr(config, "workerinput"):
        shutil.rmtree(os.environ.pop(once.FOLDER), ignore_errors=True)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Each process goes through the files in an order of its own.

    Every process imports every file, and what one of them has compiled the others only read. In one order all
    would compile the same file at the same time.
    """
    report = yield
    if isinstance(collector, pytest.Directory) and collector.path != HERE and report.result:
        _places.update((one, place) for place, one in enumerate(report.result))
        random.Random(os.environ.get("PYTEST_XDIST_WORKER", "alone")).shuffle(report.result)  # noqa: S311
    return report


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What waits long in real time begins first, in half of the processes; the others compute meanwhile.

    `--dist worksteal` begins with as many pieces, cut from the list in its order, as there are processes.
    """
    items.sort(key=lambda item: [_places.setdefault(one, len(_places)) for one in item.listchain()])
    processes = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    long = [item for item in items if item.get_closest_marker("begins_first")]
    others = iter([item for item in items if item not in long])
    waiting = (processes + 1) // 2
    ordered: list[pytest.Item] = []
    for process in range(processes):
        size = (len(items) - len(ordered)) // (processes - process)
        piece = long[process::waiting] if process < waiting else []
        ordered += [*piece, *itertools.islice(others, max(0, size - len(piece)))]
    items[:] = [*ordered, *others]


def pytest_collection_finish() -> None:
    """What was imported stays: no search for garbage is to go through it again and again."""
    gc.collect()
    gc.freeze()
    gc.enable()
