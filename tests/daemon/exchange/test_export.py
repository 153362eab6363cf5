"""What is exported is what was recorded, value for value, as libraries of other authors read it.

References: pandas, pyarrow, openpyxl, scipy.io and the Data Package reference library (frictionless).
"""

from __future__ import annotations

import io
import json
import shutil
import sqlite3
import subprocess
import sys
import warnings
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from daemon.broken_off import BrokenOff
from daemon.exported import FORMULA, NOTES, exported, recorded
from daemon.virtual_time import load_box
from lashmap_analysis.facts.result import to_document
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.tables import TABLES, load
from lashmap_daemon.commands.exchange import export
from lashmap_daemon.commands.options import ExportOptions, Kind
from lashmap_daemon.exchange.frames import frames
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from pyarrow import parquet
from rich.console import Console
from scipy.io import loadmat

ENDS_OF_UNITS = ("_mm", "_deg", "_urad", "_s", "_c", "_nm", "_um_per_nm", "_um_per_m_k")


@pytest.fixture(scope="module")
def truth() -> dict[str, pd.DataFrame]:
    book, test = recorded()
    with Logbook(book, create=False) as logbook:
        return frames(logbook, test)


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("exports")
    made = {"csv": folder / "csv", "json": folder / "json", "parquet": folder / "parquet"}
    made |= {"xlsx": folder / "tests.xlsx", "mat": folder / "tests.mat"}
    kinds: tuple[Kind, ...] = ("csv", "json", "parquet", "xlsx", "mat")
    for kind in kinds:
        exported(kind, made[kind])
    return made


def test_the_samples_are_those_that_a_replay_decodes(truth: dict[str, pd.DataFrame]) -> None:
    book, test = recorded()
    with Logbook(book, create=False) as logbook:
        record = Replay(logbook, test).record()
    samples = truth["samples"]
    for trace in record.traces:
        own = samples[samples["position"] == trace.position]
        heard, turned = (own[own["channel"] == channel] for channel in (INDICATOR, ENCODER))
        assert np.array_equal(heard["time_s"], trace.time_s)
        assert np.array_equal(heard["value"], trace.indicator_mm)
        assert np.array_equal(turned["time_s"], trace.encoder_time_s)
        assert np.array_equal(turned["value"], trace.encoder_deg)
    swept = samples[samples["sweep"] == "gear"]
    assert np.array_equal(swept[swept["channel"] == INDICATOR]["value"], record.sweeps[0].indicator_mm)
    assert set(samples[samples["channel"] == ENCODER]["unit"]) == {"deg"}
    # What came between the rocks is there as well, and belongs to no position.
    assert samples["position"].isna().sum() > 1000


@pytest.mark.parametrize("kind", ["csv", "json", "parquet"])
def test_what_is_loaded_is_what_the_logbook_holds(
    kind: str, places: dict[str, Path], truth: dict[str, pd.DataFrame]
) -> None:
    found = load(places[kind])
    assert set(found) == set(TABLES)
    for name, frame in truth.items():
        pd.testing.assert_frame_equal(found[name], frame, check_exact=True)
    assert found["notes"]["text"].tolist() == list(NOTES)
    book, test = recorded()
    with Logbook(book, create=False) as logbook:
        expected = to_document(
            replace(conclude(logbook, test), review=None)
        )  # a review is no part of the record that an export holds
        assert to_document(assess(found.record(test))) == expected


def test_pandas_and_pyarrow_read_parquet_with_meanings_and_units(
    places: dict[str, Path], truth: dict[str, pd.DataFrame]
) -> None:
    file = parquet.ParquetFile(places["parquet"] / "samples.parquet")
    assert file.metadata.num_rows == len(truth["samples"])
    field = file.schema_arrow.field("time_s")
    assert field.metadata[b"unit"] == b"s"
    assert field.metadata[b"meaning"].startswith(b"seconds since the test started")
    plain = pd.read_parquet(places["parquet"] / "positions.parquet")
    expected = truth["positions"]
    assert np.array_equal(plain["reading_mm"], expected["reading_mm"])
    assert plain["flags"].tolist() == expected["flags"].tolist()


def test_plain_pandas_reads_every_digit_of_the_csv_and_texts_are_no_formulas(
    places: dict[str, Path], truth: dict[str, pd.DataFrame]
) -> None:
    samples = pd.read_csv(places["csv"] / "samples.csv")
    assert np.array_equal(samples["value"], truth["samples"]["value"])
    assert np.array_equal(samples["time_s"], truth["samples"]["time_s"])
    # OWASP "CSV Injection" (memory): a cell must not begin with = + - @, tab, carriage return or line feed.
    texts = [column.name for column in TABLES["notes"].columns if column.kind == "string"]
    for table, columns in (("notes", texts), ("tests", ["box", "set_number", "remark", "operator"])):
        cells = pd.read_csv(places["csv"] / f"{table}.csv", dtype=str, keep_default_na=False)[columns]
        for cell in cells.to_numpy().ravel().tolist():
            assert not cell.lstrip().startswith(("=", "+", "-", "@"))
            assert not cell.startswith(("\t", "\r", "\n"))


def test_a_workbook_holds_every_value_and_no_formula(
    places: dict[str, Path], truth: dict[str, pd.DataFrame]
) -> None:
    book = openpyxl.load_workbook(places["xlsx"], read_only=True)
    assert book.sheetnames == ["columns", *TABLES]
    assert book.active is not None
    assert book.active.title == "results"
    for name, frame in truth.items():
        rows = list(book[name].iter_rows(values_only=True, max_col=len(frame.columns)))
        assert list(rows[0]) == list(frame.columns)
        for at, column in enumerate(frame.columns):
            cells = [row[at] if at < len(row) else None for row in rows[1:]]
            expected = [None if pd.isna(one) or one == "" else one for one in frame[column].tolist()]
            assert cells == expected, (name, column)
    plain = openpyxl.load_workbook(places["xlsx"])
    assert [one.title for one in plain if one.sheet_view.tabSelected] == ["results"]
    cell = plain["tests"]["B2"]
    assert (cell.value, cell.data_type, cell.quotePrefix) == (FORMULA, "s", True)
    assert all(
        cell.data_type != "f" for sheet in plain for row in sheet.iter_rows(max_row=60) for cell in row
    )
    book.close()


def test_scipy_reads_the_matlab_file(places: dict[str, Path], truth: dict[str, pd.DataFrame]) -> None:
    found: dict[str, Any] = loadmat(places["mat"], simplify_cells=True)
    for channel in (INDICATOR, ENCODER):
        own = truth["samples"][truth["samples"]["channel"] == channel]
        samples = found["samples"][channel]
        assert np.array_equal(samples["time_s"], own["time_s"])
        assert np.array_equal(samples["value"], own["value"])
        assert np.array_equal(samples["position"], own["position"].fillna(0))
        assert samples["unit"] == own["unit"].iloc[0]
    positions = truth["positions"]
    for name in ("reading_mm", "encoder_backlash_mm", "engagement", "usable"):
        assert np.array_equal(found["positions"][name], positions[name].astype(float), equal_nan=True)
    assert found["notes"]["text"].tolist() == list(NOTES)
    assert found["units"]["positions"]["reading_mm"] == "mm"


@pytest.mark.parametrize("kind", ["csv", "json", "parquet"])
def test_the_descriptor_is_a_valid_data_package(kind: str, places: dict[str, Path]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its own imports
        from frictionless import Package, Resource, Schema, validate  # noqa: PLC0415 - warns while it is imported

        package = Package(str(places[kind] / "datapackage.json"))
        assert {resource.name for resource in package.resources} == set(TABLES)
        described = json.loads((places[kind] / "datapackage.json").read_text("utf-8"))
        if kind == "csv":
            report = validate(str(places[kind] / "datapackage.json"), limit_rows=3000)
            assert report.valid, report.flatten(["type", "note"])[:5]
        if kind == "json":  # its reader of JSON files is an extra: the rows are handed to it instead
            for one in described["resources"]:
                rows = json.loads((places[kind] / one["path"]).read_text("utf-8"))[:3000]
                if rows:  # without the keys to other tables, which are not at hand here
                    schema = Schema.from_descriptor({**one["schema"], "foreignKeys": []})
                    report = Resource(data=rows, schema=schema).validate()
                    assert report.valid, report.flatten(["type", "note"])[:5]
    for resource in described["resources"]:
        fields = {field["name"]: field for field in resource["schema"]["fields"]}
        assert all(field["description"] for field in fields.values())
        for name, field in fields.items():
            assert ("unit" in field) == name.endswith(ENDS_OF_UNITS), name


def test_rocks_alone_and_none(tmp_path: Path, truth: dict[str, pd.DataFrame]) -> None:
    exported("parquet", tmp_path / "rocks", samples="rocks")
    whole = truth["samples"]
    kept = whole[whole["position"].notna() | (whole["sweep"] != "")].reset_index(drop=True)
    found = load(tmp_path / "rocks")
    pd.testing.assert_frame_equal(found["samples"], kept, check_exact=True)
    assert found.record().identity.test == recorded()[1]
    exported("csv", tmp_path / "none", samples="none")
    assert len(load(tmp_path / "none")["samples"]) == 0
    with pytest.raises(ValueError, match="--samples all or rocks"):
        load(tmp_path / "none").record()


def test_a_record_that_was_changed_is_doubted_after_an_export_too(tmp_path: Path) -> None:
    # Whoever changes a record may want either outcome: neither may come out of an exported copy of it.
    shutil.copy(recorded()[0], tmp_path / "book")
    with closing(sqlite3.connect(tmp_path / "book")) as base, base:
        base.execute("UPDATE event SET body = replace(body, '+1', '+2') WHERE kind = 'NoteTaken'")
    options = ExportOptions(
        test=None,
        logbook=tmp_path / "book",
        every=False,
        to="csv",
        output=tmp_path / "csv",
        samples="rocks",
        overwrite=False,
    )
    export(options, Console(file=io.StringIO()))
    record = load(tmp_path / "csv").record()
    assert len(record.damage) >= 1
    with Logbook(tmp_path / "book", create=False) as logbook:
        assert record.damage == Replay(logbook, recorded()[1]).record().damage
    verdict = assess(record).verdict
    assert verdict.outcome == "not proven"
    assert verdict.reasons[0].startswith("The record is not as it was written: ")


def test_a_position_without_a_rock_is_told_with_its_reason_unless_it_was_measured_later() -> None:
    book, test = recorded()
    with Logbook(book, create=False) as logbook:
        assessment = conclude(logbook, test)
        again = frames(logbook, test)
    told = (
        "Position 98 (engagement 61) was left out: refused 3 times, last because: x.",
        "Position 99 (engagement 77) was left out: skipped by the operator.",
    )
    assert assessment.record.left_out == told  # number 3 has its rock, recorded after it was skipped
    assert 3 in [one.position for one in assessment.positions]
    assert set(told) <= set(assessment.verdict.cautions)
    assert to_document(assessment)["left_out"] == list(told)
    assert again["tests"]["left_out"].item().splitlines() == list(told)


def test_a_resumed_test_is_exported_as_it_is_judged(tmp_path: Path) -> None:
    """Each part has decoders and a matched-teeth reference of its own: in the samples as in the record."""
    test = BrokenOff(tmp_path, load_box(positions=4, gear_turns=1.0, confirming_positions=1), seed=4)
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.go_on(offset=-123_457)  # the encoder began its count anew; 360,000 counts a turn
    test.run()
    record = Replay(test.logbook, test.started.test).record()
    samples = frames(test.logbook, test.started.test)["samples"]
    rocks = frames(test.logbook, test.started.test, samples="rocks")["samples"]
    assert len(record.traces) == 6  # four planned, one of them again after going on, and the confirming one
    for trace in record.traces:
        for table in (samples, rocks):
            own = table[table["position"] == trace.position]
            heard, turned = (own[own["channel"] == channel] for channel in (INDICATOR, ENCODER))
            assert np.array_equal(heard["time_s"], trace.time_s)
            assert np.array_equal(heard["value"], trace.indicator_mm)
            assert np.array_equal(turned["time_s"], trace.encoder_time_s)
            assert np.array_equal(turned["value"], trace.encoder_deg)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_an_export_waits_for_no_library_that_it_does_not_need(kind: str, tmp_path: Path) -> None:
    words = ["export", "--logbook", str(recorded()[0]), "--to", kind, "--output", str(tmp_path / "out")]
    code = (
        "import atexit, sys; from lashmap_daemon.cli import main; heavy = {'scipy', 'pandas', 'pymodbus'};"
        "atexit.register(lambda: print(sorted(heavy & sys.modules.keys())));"
        "main()"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
