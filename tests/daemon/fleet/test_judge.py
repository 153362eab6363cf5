"""Judging again: the figures of a review to the last digit, here and on a cluster that loses a worker."""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
import signal
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import pytest
from daemon.command import lashmap
from daemon.fleet.halls import rows
from lashmap_daemon.fleet.ask import questions, run
from lashmap_daemon.fleet.gather import Gatherer
from lashmap_daemon.fleet.judge import (
    ANEW,
    Judged,
    Progress,
    Task,
    judge,
    judge_one,
    on_cluster,
    on_this_machine,
    tasks_of,
)
from lashmap_daemon.fleet.rows import Rows
from lashmap_daemon.fleet.store import Given, Store

GOLDEN = Path(__file__).parents[2] / "golden"
SCENARIOS = ("straight", "sweeps", "mitre", "imported")
VERSION = "of-the-test"


def here(tasks: Sequence[Task]) -> Iterator[Judged]:
    return map(judge_one, tasks)


def quiet(_: Progress) -> None:
    """Nobody looks."""


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Logbooks of the golden set, gathered."""
    for one in SCENARIOS:
        (tmp_path / "books").mkdir(exist_ok=True)
        shutil.copy(GOLDEN / one / "test.logbook", tmp_path / "books" / f"{one}.logbook")
    made = Store(str(tmp_path / "store"), create=True)
    Gatherer(made, "lashmap", pytest.fail).folder(tmp_path / "books")
    return made


def anew(store: Store) -> dict[str, dict[str, Any]]:
    found = {row["test"]: row for row in rows(store, "results") if row["how"] == ANEW}
    return {test: {**row, "utc": None} for test, row in found.items()}


def version_of(store: Store) -> str:
    (version,) = {row["analysis_version"] for row in anew(store).values()}
    return str(version)


def test_what_is_judged_anew_is_what_a_review_says(store: Store) -> None:
    done = judge(store, VERSION, here, quiet)
    assert (done.total, done.before, done.failed) == (len(SCENARIOS), 0, [])
    found = anew(store)
    for scenario in SCENARIOS:
        document = json.loads((GOLDEN / scenario / "result.json").read_text())
        row, stated = found[document["test"]], document["tight_spot"]["stated"]
        assert row["outcome"] == document["verdict"]["outcome"]
        assert row["normal_backlash_mm"] == stated["normal_backlash_mm"]
        assert (row["low_mm"], row["high_mm"]) == (stated["interval_low_mm"], stated["interval_high_mm"])
        assert row["reasons"] == document["verdict"]["reasons"]
        assert row["mean_mm"] == document["lash_map"]["mean_mm"]
    assert {row["how"] for row in rows(store, "results")} == {"recorded", "reviewed", ANEW}


def test_it_goes_on_where_it_was_and_is_done_once(store: Store) -> None:
    first = tasks_of(store, "")[0][:1]
    judge(store, VERSION, lambda _: here(first), quiet)
    version = version_of(store)
    left, before = tasks_of(store, version)
    assert (len(left), before) == (len(SCENARIOS) - 1, 1)
    judge(store, version, here, quiet)
    assert tasks_of(store, version) == ([], len(SCENARIOS))
    kept = rows(store, "results")
    assert judge(store, version, here, quiet).total == 0
    assert rows(store, "results") == kept


def test_a_test_that_cannot_be_judged_fails_by_itself(store: Store, tmp_path: Path) -> None:
    (tmp_path / "books" / "sweeps.logbook").unlink()
    done = judge(store, VERSION, here, quiet)
    ((test, why),) = done.failed
    assert test == json.loads((GOLDEN / "sweeps" / "result.json").read_text())["test"]
    assert "sweeps.logbook" in why
    assert len(anew(store)) == len(SCENARIOS) - 1


def test_processes_give_the_same_to_the_last_digit(store: Store, tmp_path: Path) -> None:
    judge(store, VERSION, here, quiet)
    other = Store(str(tmp_path / "other"), create=True)
    Gatherer(other, "lashmap", pytest.fail).folder(tmp_path / "books")
    judge(other, VERSION, on_this_machine(2), quiet)
    assert anew(other) == anew(store)


class Pool(ThreadPoolExecutor):
    """Threads in place of processes; one test ends its process whenever it is judged."""

    culprit = ""

    def __init__(self, most: int, **_: object) -> None:
        super().__init__(most)

    def submit(self, _: object, /, *given: Any, **__: object) -> Future[Any]:  # noqa: ANN401 - a pool's
        def work() -> Judged:
            if given[0].test == self.culprit:
                raise BrokenProcessPool
            return Judged(task=given[0], result=b"{}")

        return super().submit(work)


def test_a_process_that_dies_takes_only_its_test_along(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lashmap_daemon.fleet.judge.ProcessPoolExecutor", Pool)
    tasks, _ = tasks_of(store, VERSION)
    monkeypatch.setattr(Pool, "culprit", tasks[1].test)
    done = {one.task.test: one.failed for one in on_this_machine(2)(tasks)}
    assert set(done) == {one.test for one in tasks}
    assert {test: failed for test, failed in done.items() if failed} == {
        tasks[1].test: "the process that judged it died, twice"
    }


@pytest.mark.filterwarnings("ignore")  # what the cluster's own shutdown says
def test_a_cluster_of_which_a_worker_dies_gives_the_same_to_the_last_digit(
    store: Store, tmp_path: Path
) -> None:
    distributed = pytest.importorskip("distributed")
    judge(store, VERSION, here, quiet)
    other = Store(str(tmp_path / "other"), create=True)
    Gatherer(other, "lashmap", pytest.fail).folder(tmp_path / "books")
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        dashboard_address=None,
        host="127.0.0.1",
        local_directory=str(tmp_path),
    ) as cluster:
        on_it = on_cluster(cluster.scheduler_address)

        def killing(tasks: Sequence[Task]) -> Iterator[Judged]:
            for number, one in enumerate(on_it(tasks)):
                if number == 0:
                    os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)
                yield one

        done = judge(other, VERSION, killing, quiet)
    assert done.failed == []
    assert anew(other) == anew(store)


def test_what_changed_names_verdicts_that_turn_first(store: Store) -> None:
    """Of four tests one turns by little, two keep their verdict and move by more, one is as it was."""
    judge(store, VERSION, here, quiet)
    changed = questions()["changed"].sql
    days = {"since": "2020-01-01", "until": "2030-01-01"}
    assert run(store, changed, days).rows == ()  # the same analysis recorded them
    still, less, more, turned = sorted(row["test"] for row in rows(store, "tests"))
    recorded = {row["test"]: row for row in rows(store, "results") if row["how"] == "recorded"}
    later = dt.datetime(2027, 1, 1, tzinfo=dt.UTC)
    for test, by_mm, outcome in ((less, 0.001, None), (more, 0.002, None), (turned, 0.0001, "nonconforming")):
        row = {**recorded[test], "how": ANEW, "id": f"{test}/anew/other", "utc": later}
        half_mm = (row["high_mm"] - row["low_mm"]) / 2
        row |= {"normal_backlash_mm": row["normal_backlash_mm"] + by_mm * half_mm, "reasons": ["new"]}
        row |= {} if outcome is None else {"outcome": outcome}
        store.add([Given(rows=Rows(test=test, rows=(("results", row),)), place="", payload=b"")])
    found = run(store, changed, days)
    named = [dict(zip(found.columns, row, strict=True)) for row in found.rows]
    assert [one["test"] for one in named] == [turned, more, less]
    assert still not in {one["test"] for one in named}
    assert [one["apart"] for one in named] == pytest.approx([0.0001, 0.002, 0.001], rel=1e-6)
    assert named[0]["anew"] == "nonconforming" != named[0]["recorded"]
    assert named[0]["new_reasons"] == ["new"]


def test_the_command_says_what_it_did(store: Store, tmp_path: Path) -> None:
    (tmp_path / "books" / "sweeps.logbook").unlink()
    done = lashmap("fleet", "judge", store.place, "--processes", "1")
    assert done.returncode == 3
    assert f"{len(SCENARIOS) - 1} tests judged anew" in done.stdout
    assert "NOT JUDGED" in done.stdout
    assert "no row" in done.stdout
    both = lashmap("fleet", "judge", store.place, "--processes", "1", "--scheduler", "tcp://127.0.0.1:1")
    assert both.returncode == 2
    gone = lashmap("fleet", "judge", store.place, "--scheduler", "tcp://127.0.0.1:1")
    assert gone.returncode == 3
    assert "the scheduler is not reached" in gone.stderr
    assert "Traceback" not in gone.stderr
