"""The short version of `tests/benchmarks/bench_kill.py`: a real run is killed a few times and goes on."""

from __future__ import annotations

from pathlib import Path

from benchmarks.bench_kill import Found, hammer


def test_a_real_run_that_is_killed_goes_on_and_ends_at_the_truth(tmp_path: Path) -> None:
    found = Found()
    hammer(tmp_path, found, kills=4, seed=7, shortest_s=4.0, longest_s=9.0)
    assert found.problems == []
    assert found.kills == 4
    assert found.tests >= 1
    assert found.acknowledged >= 12  # the planned positions of at least one test
