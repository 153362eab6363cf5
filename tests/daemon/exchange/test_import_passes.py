"""A cycle run in a recording made elsewhere: two columns of angles, and the times of its passes.

Reference: the same samples, recorded at the (simulated) stand and judged from its logbook.
"""

from __future__ import annotations

import csv
import shutil
from pathlib import Path
from typing import TypeAlias

import pandas as pd
import pytest
from daemon.recordings import HEAD, imported
from daemon.virtual_time import CONFIGS
from lashmap_analysis.cycle.cycle import CycleFit
from lashmap_analysis.judge.assessment import Assessment
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.frames import frames
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.replay import newest_test

STORED = Path(__file__).parents[2] / "golden" / "cycle" / "test.logbook"
GEAR_ZERO, PINION_ZERO = 12.5, -33.0  # of the two columns
ENCODERS = """
[encoder.gear]
column = "gear"
unit = "deg"
counts_per_turn = 20000
matched_deg = 12.5
[encoder.pinion]
column = "pinion"
unit = "deg"
counts_per_turn = 20000
{pinion}
[positions]
engagement_column = "tooth"
counted_from_matched_teeth = true
"""


AtTheStand: TypeAlias = tuple[Assessment, dict[str, pd.DataFrame]]


@pytest.fixture(scope="module")
def at_the_stand(tmp_path_factory: pytest.TempPathFactory) -> AtTheStand:
    path = Path(shutil.copy(STORED, tmp_path_factory.mktemp("stand") / "book"))
    with Logbook(path, create=False) as book:
        test = newest_test(book)
        return conclude(book, test), frames(book, test)


def written(folder: Path, at_the_stand: AtTheStand, **said: str) -> Path:
    """The recording as a logger writes it, and its mapping."""
    known, tables = at_the_stand
    samples = tables["samples"].assign(time_s=tables["samples"]["time_s"].round(6))
    table = samples.pivot_table(index="time_s", columns="channel", values="value", sort=True)
    engagement = dict(zip(tables["positions"]["position"], tables["positions"]["engagement"], strict=True))
    tooth = samples.groupby("time_s")["position"].max().map(engagement)
    columns = {
        "t": table.index,
        "dial": table["indicator"],
        "gear": table["encoder"] + GEAR_ZERO,
        "pinion": table["pinion encoder"] + PINION_ZERO,
        "tooth": tooth,
    }
    with (folder / "bench.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        for row in zip(*columns.values(), strict=True):
            writer.writerow(["" if pd.isna(cell) else repr(float(cell)) for cell in row])
    passes = "".join(
        f'[[pass]]\ndirection = "{one.direction}"\nbrake_nm = 2.0\n'
        f"from_s = {one.pinion_time_s[0]:.6f}\nto_s = {one.pinion_time_s[-1]:.6f}\n"
        for one in known.record.passes
    )
    head = HEAD.format(
        path="bench.csv",
        box=CONFIGS / "boxes" / said.get("box", "spiral-15x45-inch.toml"),
        unit="mm",
        file="",
        time=said.get("time", "counts_together = true"),
    )
    (folder / "mapping.toml").write_text(
        head + ENCODERS.format(pinion=said.get("pinion", "")) + passes, "utf-8"
    )
    return folder / "mapping.toml"


def fit_of(assessment: Assessment) -> CycleFit:
    run = assessment.cycle_run
    assert run is not None
    assert run.fit is not None
    return run.fit


def test_passes_of_a_recording_are_judged_as_at_the_stand(tmp_path: Path, at_the_stand: AtTheStand) -> None:
    known, _ = at_the_stand
    found, _ = imported(written(tmp_path, at_the_stand), tmp_path / "book")
    assert known.cycle_run is not None
    assert found.cycle_run is not None
    assert (found.cycle_run.used, found.cycle_run.judges) == (known.cycle_run.used, known.cycle_run.judges)
    assert all(one.pinion_deg.size for one in found.record.traces)
    assert not any(flag.name == "pinion moved" for one in found.positions for flag in one.flags)
    own, other = fit_of(found), fit_of(known)
    assert own.flags == other.flags
    # The file has its times to a microsecond, and no torque of the brake was given at the stand.
    assert own.lash_mm == pytest.approx(other.lash_mm, abs=0.0003, nan_ok=True)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"time": ""}, "time.counts_together: is missing"),
        ({"time": "counts_together = false"}, "rows hold both counts under one time"),
        ({"pinion": "absolute = true"}, "encoder.pinion.absolute: a box file gives"),
        ({"pinion": "matched_deg = -20.0"}, "encoder.pinion.matched_deg: the pinion rests"),
        ({"pinion": "sense = -1"}, "check encoder.pinion.unit"),
    ],
)
def test_what_cannot_be_meant_of_two_encoders_is_refused(
    tmp_path: Path, at_the_stand: AtTheStand, said: dict[str, str], words: str
) -> None:
    with pytest.raises(ConfigurationError, match=words):
        imported(written(tmp_path, at_the_stand, **said), tmp_path / "book")
