"""Judging again: the raw samples of every test that a store knows, with the analysis of today.

What was recorded stays; a result *judged anew* stands beside it with the version of the analysis. A test
that has one of this version is passed over, so an interrupted run goes on where it was. A test that cannot be
judged fails by itself, with its reason. The same function is called whoever calls it: here, processes of this
machine (`on_this_machine`), or a cluster (`on_cluster`), so that the figures are the same to the last digit.
"""

from __future__ import annotations

import datetime as dt
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from lashmap_daemon.bus import from_test, messages
from lashmap_daemon.clean_text import visible
from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.fleet.rows import Row, Rows, result_rows
from lashmap_daemon.fleet.store import Given, Store
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude

ANEW = "judged anew"
_TOGETHER = 40  # results that are merged in one go
_LATEST_S = 10.0  # or so long after the last
_AT_ONCE = 1000  # tests that are handed out together


@dataclass(frozen=True, kw_only=True)
class Task:
    """A test to be judged, and the file that its raw samples lie in."""

    day: dt.date
    stand: str
    test: str
    place: str


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What came of it.

    Attributes:
        result: The message of its result as JSON; empty when it failed.
        failed: Why.
    """

    task: Task
    result: bytes = b""
    failed: str = ""


@dataclass(kw_only=True)
class Progress:
    """How far it is.

    Attributes:
        total: Tests to be judged.
        before: Tests that had been judged by this version before.
        failed: Those that could not be judged, with the reason.
    """

    total: int
    before: int
    done: int = 0
    failed: list[tuple[str, str]] = field(default_factory=list)
    began_s: float = field(default_factory=time.monotonic)

    def left_s(self) -> float | None:
        """Seconds that are left at the pace so far; None before the first."""
        if not self.done:
            return None
        return (time.monotonic() - self.began_s) / self.done * (self.total - self.done)


Run = Callable[[Sequence[Task]], Iterator[Judged]]


def judge_one(task: Task) -> Judged:
    """Judge one test; whatever goes wrong is its own."""
    try:
        with Logbook(Path(task.place), create=False) as book:
            assessment = conclude(book, task.test)
        if assessment.record.damage:
            return Judged(task=task, failed=f"it is not as it was written ({assessment.record.damage[0]})")
        made = from_test.result(
            assessment,
            task.stand,
            identifier=f"{task.test}/anew/{assessment.version}",
            utc=f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}",
        )
        return Judged(task=task, result=messages.payload(made))
    except Exception as error:  # noqa: BLE001 - one record among millions may hold anything
        return Judged(task=task, failed=visible(str(error) or type(error).__name__))


def on_this_machine(processes: int | None = None) -> Run:
    """Run in processes of this machine, as many as it has processors when none are given.

    A process that dies takes no test with it but the one that killed it twice.
    """

    def run(tasks: Sequence[Task]) -> Iterator[Judged]:
        for some in _parts(tasks):
            broken = list[Task]()
            yield from _in_pool(some, processes or os.cpu_count() or 1, broken.append)
            # The next death says whose it is: each of these has a pool of its own.
            for one in broken:
                twice = list[Task]()
                yield from _in_pool([one], 1, twice.append)
                if twice:
                    yield Judged(task=one, failed="the process that judged it died, twice")

    return run


def _in_pool(tasks: Sequence[Task], processes: int, broken: Callable[[Task], None]) -> Iterator[Judged]:
    """Judge in processes; ``broken`` is told of tests that were in hand or waited when one of them died."""
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        futures = {pool.submit(judge_one, one): one for one in tasks}
        for future in as_completed(futures):
            try:
                yield future.result()
            except BrokenProcessPool:
                broken(futures[future])


def _parts(tasks: Sequence[Task]) -> Iterator[Sequence[Task]]:
    """Not millions at once: neither the memory nor a scheduler should hold them all."""
    return (tasks[at : at + _AT_ONCE] for at in range(0, len(tasks), _AT_ONCE))


def on_cluster(scheduler: str) -> Run:
    """Run on a Dask cluster; its workers need lashmap and the same files under the same names.

    Raises:
        ConfigurationError: The packages are not installed.
        StandError: The scheduler is not reached.
    """
    try:
        import distributed  # noqa: PLC0415 - optional and slow
    except ImportError as error:
        problem = f"needs {error.name}, which is not installed; do: pip install 'lashmap[cluster]'"
        raise ConfigurationError("--scheduler", [problem]) from None

    def run(tasks: Sequence[Task]) -> Iterator[Judged]:
        try:
            client = distributed.Client(scheduler, timeout=20)  # type: ignore[no-untyped-call]
        except (OSError, TimeoutError, ValueError) as error:
            raise StandError(f"{scheduler}: the scheduler is not reached ({error})") from None
        with client:
            for some in _parts(tasks):
                sent: dict[Any, Task] = {
                    client.submit(judge_one, one, pure=False, retries=1): one for one in some
                }
                for future in distributed.as_completed(list(sent)):  # type: ignore[no-untyped-call]
                    if future.status == "error":  # its worker died more often than the scheduler allows
                        yield Judged(task=sent[future], failed=visible(str(future.exception())))
                    else:
                        yield future.result()

    return run


def tasks_of(store: Store, version: str) -> tuple[list[Task], int]:
    """Tests whose raw samples lie somewhere, without those that this version judged; and how many those are.

    Raises:
        StoreError: The store cannot be read.
    """
    judged = store.columns("results", "test", "how", "analysis_version")
    known = {test for test, how, by in judged if (how, by) == (ANEW, version)}
    newest: dict[str, tuple[int, Task]] = {}
    names = ("day", "stand", "test", "place", "events", "raw")
    for day, stand, test, place, events, raw in store.columns("sources", *names):
        before = newest[test][0] if test in newest else 0
        if raw and test not in known and events > before:
            newest[test] = events, Task(day=day, stand=stand, test=test, place=place)
    return [newest[test][1] for test in sorted(newest)], len(known)


def judge(store: Store, version: str, run: Run, tick: Callable[[Progress], None]) -> Progress:
    """Judge what is to be judged, and put the results into the store as they come.

    Args:
        store: Open.
        version: Of the analysis.
        run: Where it runs.
        tick: Called after each test.

    Raises:
        StoreError: The store cannot be used; what was merged stays.
        StandError: The cluster is not reached.
    """
    tasks, before = tasks_of(store, version)
    progress = Progress(total=len(tasks), before=before)
    batch: list[Given] = []
    merged_s = time.monotonic()
    for one in run(tasks) if tasks else ():
        progress.done += 1
        if one.failed:
            progress.failed.append((one.task.test, one.failed))
        else:
            batch.append(_given(one))
        if len(batch) >= _TOGETHER or (batch and time.monotonic() - merged_s > _LATEST_S):
            store.add(batch)
            batch, merged_s = [], time.monotonic()
        tick(progress)
    store.add(batch)
    return progress


def _given(one: Judged) -> Given:
    message = messages.RESULT.adapter.validate_json(one.result)
    task = one.task
    common: Row = {"day": task.day, "stand": task.stand, "test": task.test}
    rows = tuple(result_rows(message, common, ANEW))
    return Given(rows=Rows(test=task.test, rows=rows), place=task.place, payload=one.result)
