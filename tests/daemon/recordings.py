"""Recordings that another program could have made: samples of a simulated test, written in its own way."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from contextlib import nullcontext
from functools import cache
from pathlib import Path
from unittest.mock import patch

import pandas as pd
from daemon.exported import recorded
from daemon.virtual_time import DEMO_BOX
from lashmap_analysis.judge.assessment import Assessment
from lashmap_daemon.commands.exchange import import_recording
from lashmap_daemon.commands.options import ImportOptions
from lashmap_daemon.exchange.frames import frames
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay import conclude as conclude_module
from lashmap_daemon.replay.conclude import conclude
from rich.console import Console

MATCHED_DEG = 37.25  # of the box file
HEAD = """
[file]
path = "{path}"
box = "{box}"
{file}
[test]
recorded = 2026-03-01T08:30:00+01:00
operator = "A. Nobody"
vouched_by = "A. Nobody"
[time]
column = "t"
{time}
[indicator]
column = "dial"
unit = "{unit}"
resolution_mm = 0.0001
serial = "I-1"
calibration_due = 2027-01-01
"""
ENCODER = """
[encoder]
column = "angle"
unit = "deg"
counts_per_turn = 144000
calibration_due = 2027-01-01
absolute = true
"""
BY_ENCODER = '[positions]\nfind_by = "encoder"\n'
BY_LABEL = '[positions]\nengagement_column = "tooth"\ncounted_from_matched_teeth = true\n'


@cache
def rows(*, swept: bool = False) -> pd.DataFrame:
    """One row for every moment at which an instrument gave a sample; empty cells where one gave none.

    Args:
        swept: With the runout sweep of the gear, otherwise without.
    """
    book, test = recorded()
    with Logbook(book, create=False) as logbook:
        tables = frames(logbook, test)
    samples = tables["samples"]
    # Nothing comes after the sweep; its last moment may be that of a sample that is no longer in it.
    samples = (
        samples if swept else samples[samples["time_s"] < samples["time_s"][samples["sweep"] != ""].min()]
    )
    samples = samples.assign(time_s=samples["time_s"].round(6))  # as a logger writes them
    engagement = dict(zip(tables["positions"]["position"], tables["positions"]["engagement"], strict=True))
    table = samples.pivot_table(index="time_s", columns="channel", values="value", sort=True)
    tooth = samples.groupby("time_s")["position"].max().map(engagement)
    return pd.DataFrame(
        {
            "t": table.index,
            "dial": table["indicator"].to_numpy(),
            "angle": table["encoder"].to_numpy() + MATCHED_DEG,
            "tooth": tooth.to_numpy(),
        }
    )


@cache
def sweep_s() -> tuple[float, float]:
    """First and last moment of the runout sweep, as a logger writes them."""
    book, test = recorded()
    with Logbook(book, create=False) as logbook:
        samples = frames(logbook, test)["samples"]
    times = samples[samples["sweep"] == "gear"]["time_s"].round(6)
    return float(times.min()), float(times.max())


def write_csv(path: Path, change: Callable[[pd.DataFrame], pd.DataFrame] = lambda table: table) -> None:
    """Write the rows with every digit, after a change."""
    table = change(rows())
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(table.columns)
        for row in table.itertuples(index=False):
            writer.writerow(
                ["" if pd.isna(cell) else (cell if isinstance(cell, str) else repr(cell)) for cell in row]
            )


def mapping(
    folder: Path, *, name: str = "bench.csv", unit: str = "mm", file: str = "", time: str = "", rest: str = ""
) -> Path:
    """A mapping file beside the recording."""
    path = folder / "mapping.toml"
    head = HEAD.format(path=name, box=DEMO_BOX, unit=unit, file=file, time=time)
    path.write_text(head + (rest or ENCODER + BY_ENCODER), "utf-8")
    return path


def imported(path: Path, book: Path, *, reports: bool = False) -> tuple[Assessment, str]:
    """The recording that a mapping file names, in a logbook and judged; and its test.

    Args:
        path: Mapping file.
        book: Logbook.
        reports: Write page and PDF beside it too, most of the work of an import.
    """
    options = ImportOptions(mapping=path, logbook=book, output=None)
    with nullcontext() if reports else patch.object(conclude_module, "write_report"):
        test = import_recording(options, Console(file=io.StringIO(), width=200), operator="tester")
    with Logbook(book, create=False) as logbook:
        return conclude(logbook, test), test
