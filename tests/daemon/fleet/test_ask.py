"""Every shipped question against pandas, SciPy and statsmodels over the records, not over the store."""

from __future__ import annotations

import csv
import datetime as dt
import json
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from daemon.command import ENTRY, lashmap
from daemon.fleet.halls import FIRST, gathered, invented
from lashmap_daemon.fleet.ask import Answer, ask, false_alarms, questions, run
from lashmap_daemon.fleet.invented import CHECK, Truth
from lashmap_daemon.fleet.store import Store
from scipy import stats
from statsmodels.stats.multitest import multipletests

SINCE, UNTIL = FIRST, FIRST + dt.timedelta(days=40)
TRUTH = Truth(drifting=("bench-03", -6.0), odd=("bench-05", 12.0))


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> tuple[Store, pd.DataFrame]:
    """A store, and the results it was gathered from as a frame."""
    records = invented(stands=8, days=30, positions=3, truth=TRUTH)
    store, said = gathered(tmp_path_factory.mktemp("hall") / "store", records)
    assert said == []
    results = [json.loads(payload) for topic, payload in records if topic.endswith("/result")]
    frame = pd.DataFrame(
        {
            "stand": one["stand"],
            "box": one["box"],
            "serial": one["serial"],
            "operator": one["operator"],
            "outcome": one["outcome"],
            "started": dt.datetime.fromisoformat(one["started_utc"]),
            "lash": one["tight_spot_stated"]["normal_backlash_mm"],
            "width": one["tight_spot_stated"]["interval_high_mm"]
            - one["tight_spot_stated"]["interval_low_mm"],
            "gear_tooth": one["tight_spot_stated"]["gear_tooth"],
            "gear": one["runout"]["members"][0]["amplitude_mm"],
            "check": one["serial"].startswith(CHECK),
        }
        for one in results
    )
    return store, frame


def answer(
    store: Store, name: str, *, since: dt.date = SINCE, until: dt.date = UNTIL, check: str = CHECK
) -> Answer:
    return ask(store, questions()[name], since=since, until=until, check=check)


def dicts(found: Answer) -> Iterator[dict[str, Any]]:
    return (dict(zip(found.columns, row, strict=True)) for row in found.rows)


def test_drift_is_that_of_a_straight_line(hall: tuple[Store, pd.DataFrame]) -> None:
    """scipy.stats.linregress, and false alarms by statsmodels' multipletests (Benjamini-Hochberg)."""
    store, frame = hall
    found = {row["stand"]: row for row in dicts(answer(store, "drift"))}
    checks = frame[frame.check]
    assert len(found) == checks.stand.nunique() == 8
    fits = {}
    for stand, its in checks.groupby("stand"):
        days = (its.started - its.started.min()).dt.total_seconds() / 86400.0
        fits[stand] = fit = stats.linregress(days, its.lash)
        row = found[str(stand)]
        assert row["n"] == len(its)
        assert row["drift_um_a_month"] == pytest.approx(30_000 * fit.slope, rel=1e-9)
        assert row["t"] == pytest.approx(fit.slope / fit.stderr, rel=1e-9)
        assert row["p"] == pytest.approx(fit.pvalue, rel=1e-6)
    adjusted = multipletests([fits[stand].pvalue for stand in found], method="fdr_bh")[1]
    assert [row["q"] for row in found.values()] == pytest.approx(list(adjusted), rel=1e-6)
    assert next(iter(found)) == TRUTH.drifting[0]
    assert found["bench-03"]["q"] < 0.01


def test_a_stand_that_measures_otherwise_stands_out(hall: tuple[Store, pd.DataFrame]) -> None:
    """scipy.stats.ttest_ind without equal variances (Welch)."""
    store, frame = hall
    boxes = frame[~frame.check].sort_values("started").drop_duplicates(["box", "serial"])
    found = list(dicts(answer(store, "odd")))
    assert len(found) > 10
    for row in found:
        of_type = boxes[boxes.box == row["box"]]
        own, others = of_type[of_type.stand == row["stand"]].lash, of_type[of_type.stand != row["stand"]].lash
        fit = stats.ttest_ind(own, others, equal_var=False)
        assert (row["n"], row["others"]) == (len(own), len(others))
        assert row["difference_um"] == pytest.approx(1000 * (own.mean() - others.mean()), rel=1e-6)
        assert row["t"] == pytest.approx(fit.statistic, rel=1e-6)
        assert row["p"] == pytest.approx(fit.pvalue, rel=1e-4)
    assert found[0]["stand"] == TRUTH.odd[0]
    assert [row["p"] for row in found] == sorted(row["p"] for row in found)


def test_repeatability_is_the_pooled_standard_deviation(hall: tuple[Store, pd.DataFrame]) -> None:
    store, frame = hall
    found = list(dicts(answer(store, "repeatability")))
    months = frame.started.dt.strftime("%Y-%m")
    groups = frame[frame.check].groupby(["stand", "operator", "serial", months])["lash"]
    pooled: dict[tuple[str, str], list[float]] = {}
    for (stand, operator, *_), its in groups:
        if len(its) > 1:
            squares, freedom = pooled.setdefault((str(stand), str(operator)), [0.0, 0.0])
            pooled[str(stand), str(operator)] = [squares + its.var() * (len(its) - 1), freedom + len(its) - 1]
    assert len(found) == len(pooled) > 10
    for row in found:
        squares, freedom = pooled[row["stand"], row["operator"]]
        assert row["degrees_of_freedom"] == freedom
        assert row["repeatability_um"] == pytest.approx(1000 * np.sqrt(squares / freedom), rel=1e-9)


def test_runout_by_lot_is_that_of_numpy(hall: tuple[Store, pd.DataFrame]) -> None:
    store, frame = hall
    found = [row for row in dicts(answer(store, "runout")) if row["member"] == "gear"]
    boxes = frame[~frame.check]
    lots = boxes.groupby(boxes.serial.str.replace(r"\d{1,4}$", "", regex=True))["gear"]
    assert len(found) == len(lots) > 10
    for row in found:
        its = lots.get_group(row["serials"]).to_numpy()
        assert row["tests"] == len(its)
        assert row["median_um"] == pytest.approx(1000 * np.median(its), rel=1e-9)
        assert row["ninety_percent_um"] == pytest.approx(1000 * np.quantile(its, 0.9), rel=1e-9)
    assert found[0]["serials"] == TRUTH.bad_lot[0]


def test_first_pass_yield_and_spread_are_those_of_pandas(hall: tuple[Store, pd.DataFrame]) -> None:
    store, frame = hall
    boxes = frame[~frame.check].sort_values("started")
    firsts = boxes.drop_duplicates(["box", "serial"])
    assert len(firsts) < len(boxes)  # some were tested again
    for row in dicts(answer(store, "yield")):
        its = firsts[firsts.box == row["box"]]
        assert row["boxes"] == len(its)
        assert row["first_pass_yield"] == pytest.approx((its.outcome == "conforming").mean())
    for row in dicts(answer(store, "tight")):
        its = boxes[boxes.box == row["box"]]
        assert row["spread_um"] == pytest.approx(1000 * its.lash.std(), rel=1e-6)
        assert row["median_interval_um"] == pytest.approx(1000 * its.width.median(), rel=1e-6)
    shares = {(row["box"], row["gear_tooth"]): row["share"] for row in dicts(answer(store, "teeth"))}
    counted = {
        (str(box), tooth): share
        for box, its in boxes.groupby("box")
        for tooth, share in its.gear_tooth.value_counts(normalize=True).items()
    }
    assert shares == pytest.approx(counted)


def test_boxes_tested_again_are_set_beside_their_test_before(hall: tuple[Store, pd.DataFrame]) -> None:
    store, frame = hall
    boxes = frame[~frame.check].sort_values("started")
    change = boxes.groupby(["box", "serial"])["lash"].diff().dropna()
    found = [row["change_um"] for row in dicts(answer(store, "again"))]
    assert len(found) > 5
    assert sorted(found) == pytest.approx(sorted(1000 * change), rel=1e-6)


def test_what_did_not_arrive_is_missing(tmp_path: Path) -> None:
    records = invented(stands=1, days=1)
    store, _ = gathered(tmp_path / "store", records[3:])
    (row,) = dicts(answer(store, "missing"))
    assert (row["said"], row["there"]) == (8, 5)
    again = json.loads(records[5][1])
    again |= {"event": 5_000, "id": f"{again['test']}/5000"}
    again["record"]["attempt"] = 2
    gathered(store.place, [(records[5][0], json.dumps(again).encode())])
    (row,) = dicts(answer(store, "missing"))
    assert (row["said"], row["there"]) == (8, 5)  # a position that was repeated is one position
    gathered(store.place, records)
    assert answer(store, "missing").rows == ()


def test_days_and_check_standards_are_chosen(hall: tuple[Store, pd.DataFrame]) -> None:
    store, frame = hall
    some = list(dicts(answer(store, "tight", since=FIRST, until=FIRST, check="nothing")))
    of_first = frame[frame.started.dt.date == FIRST]
    assert sum(row["tests"] for row in some) == len(of_first)


def test_false_alarms_are_those_of_statsmodels() -> None:
    """The step-up procedure, ties and unknown values included."""
    rng = np.random.default_rng(3)
    for size in (1, 2, 7, 500):
        p = rng.uniform(0.0, 1.0, size) ** 3
        p[::3] = p[0]
        assert false_alarms(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], rel=1e-12)
    with_gaps = np.array([np.nan, 0.01, np.nan, 0.04])
    assert false_alarms(with_gaps)[[1, 3]] == pytest.approx([0.02, 0.04])
    assert np.isnan(false_alarms(with_gaps)[[0, 2]]).all()
    assert len(false_alarms(np.array([]))) == 0


def test_an_empty_store_answers_with_no_row(tmp_path: Path) -> None:
    store = Store(str(tmp_path / "store"), create=True)
    for name in questions():
        assert answer(store, name).rows == ()
    assert run(store, "SELECT count(*) AS n FROM tests").rows == ((0,),)


def test_the_commands_show_write_and_refuse(hall: tuple[Store, pd.DataFrame], tmp_path: Path) -> None:
    store, _ = hall
    shown = lashmap("fleet", "ask", store.place, "drift").stdout
    assert "Which stands drift" in shown
    assert "bench-03" in shown.splitlines()[3]
    file = tmp_path / "drift.csv"
    lashmap("fleet", "ask", store.place, "drift", "--csv", file)
    with file.open(newline="") as lines:
        assert len(list(csv.reader(lines))) == 9
    found = json.loads(lashmap("fleet", "ask", store.place, "drift", "--json").stdout)
    assert found[0]["stand"] == "bench-03"
    sql = lashmap("fleet", "questions", "drift").stdout
    for name, value in {
        "check": "'CHECK-'",
        "since": "DATE '2026-11-01'",
        "until": "DATE '2026-12-11'",
    }.items():
        sql = sql.replace(f"${name}", value)
    again = lashmap("fleet", "sql", store.place, "--query", sql, "--json")
    other = json.loads(again.stdout)
    assert [one["stand"] for one in other] == [one["stand"] for one in found]
    # DuckDB adds up in several threads, so that a last digit may differ.
    assert [one["t"] for one in other] == pytest.approx([one["t"] for one in found], rel=1e-9)


def test_what_cannot_be_asked_says_why(hall: tuple[Store, pd.DataFrame], tmp_path: Path) -> None:
    store, _ = hall
    for words, why in [
        (("fleet", "ask", store.place, "nonsense"), "no such question; there are: again, changed"),
        (
            ("fleet", "ask", store.place, "drift", "--since", "2026-02-01", "--until", "2026-01-01"),
            "is before",
        ),
        (("fleet", "ask", str(tmp_path), "drift"), "is no store of lashmap"),
        (("fleet", "sql", store.place, "--query", "SELECT"), "SQL: "),
        (("gather", str(tmp_path / "new")), "name a folder of logbooks"),
        (("demo", "--hall", "--cycle"), "is a demonstration of its own"),
        (("gather", str(tmp_path / "new"), "no-such"), "no such folder of logbooks"),
        (("gather", str(tmp_path / "new"), "--broker", "mqtt://x", "--name", "A B"), "small letters"),
    ]:
        done = lashmap(*words)
        assert done.returncode == 2
        assert why in done.stderr
        assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("typed", "status", "out", "err"),
    [
        ("SELECT 1 AS a; SELECT\n2 AS b", 0, ["a", "1", "b", "2"], ""),
        ("SELECT nothing FROM tests; SELECT 3", 2, [], "SQL: Binder Error"),
    ],
)
def test_sql_comes_from_a_pipe_too(
    hall: tuple[Store, pd.DataFrame], typed: str, status: int, out: list[str], err: str
) -> None:
    done = subprocess.run(
        [*ENTRY, "fleet", "sql", hall[0].place], input=typed, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout.split()) == (status, out)
    assert err in done.stderr
