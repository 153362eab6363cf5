"""What an export refuses, with its reason, and that a refusal leaves nothing behind."""

from __future__ import annotations

import builtins
import re
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd
import pytest
from daemon.command import lashmap
from daemon.exported import exported, recorded
from daemon.small_disk import small_disk
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.record.record import TestRecord
from lashmap_analysis.tables import TABLES, load
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.exchange import export as export_command
from lashmap_daemon.exchange import one_file
from lashmap_daemon.replay.replay import Replay


def without(monkeypatch: pytest.MonkeyPatch, package: str) -> None:
    """Make a package look as if it were not installed."""
    whole = builtins.__import__

    def refuse(
        name: str,
        space: Mapping[str, object] | None = None,
        local: Mapping[str, object] | None = None,
        wanted: Sequence[str] = (),
        level: int = 0,
    ) -> object:
        if name.split(".", 1)[0] == package:
            raise ImportError(name)
        return whole(name, space, local, wanted, level)

    monkeypatch.setattr(builtins, "__import__", refuse)


def test_more_samples_than_a_sheet_holds_are_refused_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 1,048,576 rows: the limit that spreadsheet programs document for a sheet of an Office Open XML workbook.
    assert one_file.MOST_ROWS == 2**20
    monkeypatch.setattr(one_file, "MOST_ROWS", 1000)
    with pytest.raises(
        ConfigurationError, match=r"table of samples has more than the 999 rows .*--samples rocks"
    ):
        exported("xlsx", tmp_path / "tests.xlsx")
    assert list(tmp_path.iterdir()) == []
    exported("xlsx", tmp_path / "tests.xlsx", samples="none")


def test_more_samples_than_a_matlab_file_holds_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert one_file.MOST_SAMPLES * (8 + 8 + 4 + 1 + 2) < 2**31  # one variable of a level 5 file (memory)
    monkeypatch.setattr(one_file, "MOST_SAMPLES", 1000)
    with pytest.raises(ConfigurationError, match=r"no more than 1,000 samples; use --to parquet or csv"):
        exported("mat", tmp_path / "tests.mat")
    assert list(tmp_path.iterdir()) == []
    exported("mat", tmp_path / "tests.mat", samples="none")


def test_without_arrow_csv_and_json_are_the_same_and_parquet_names_the_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    exported("csv", tmp_path / "quick")
    without(monkeypatch, "pyarrow")
    exported("csv", tmp_path / "csv")
    exported("json", tmp_path / "json")
    with pytest.raises(
        ConfigurationError, match=r"needs the package pyarrow.*pip install 'lashmap\[export\]'"
    ):
        exported("parquet", tmp_path / "parquet")
    quick, plain, rows = (load(tmp_path / name) for name in ("quick", "csv", "json"))
    for name in quick:
        pd.testing.assert_frame_equal(quick[name], plain[name], check_exact=True)
        pd.testing.assert_frame_equal(quick[name], rows[name], check_exact=True)
    assert not (tmp_path / "parquet").exists()


def test_without_openpyxl_a_workbook_names_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without(monkeypatch, "openpyxl")
    with pytest.raises(ConfigurationError, match=r"needs the package openpyxl.*lashmap\[export\]"):
        exported("xlsx", tmp_path / "tests.xlsx")


def test_without_scipy_a_matlab_file_names_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without(monkeypatch, "scipy")
    with pytest.raises(ConfigurationError, match=r"needs the package scipy.*pip install 'lashmap\[matlab\]'"):
        exported("mat", tmp_path / "tests.mat")


def test_a_whole_logbook_leaves_unreadable_tests_out_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unreadable(replay: Replay, *_: object) -> TestRecord:
        raise LogbookError(f"test {replay.test}, event 3 cannot be read")

    book, test = recorded()
    assert exported("parquet", tmp_path / "all", every=True) == ()
    assert load(tmp_path / "all")["tests"]["test"].tolist() == [test]
    monkeypatch.setattr(export_command, "read_samples", unreadable)
    assert exported("parquet", tmp_path / "none", every=True) == (test,)
    assert len(load(tmp_path / "none")["tests"]) == 0
    with pytest.raises(LogbookError, match="event 3 cannot be read"):
        exported("csv", tmp_path / "one")
    assert not (tmp_path / "one").exists()
    assert book.is_file()


def test_a_test_that_turns_out_unreadable_half_way_leaves_no_half_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unreadable(record: TestRecord, _: object) -> Assessment:
        raise LogbookError(f"{record.identity.test}: its review cannot be read")

    monkeypatch.setattr(export_command, "judged", unreadable)
    with pytest.raises(ConfigurationError, match=r"half written.*Export the other tests by name"):
        exported("csv", tmp_path / "all", every=True)
    assert not (tmp_path / "all").exists()


def test_an_export_in_another_format_replaces_the_old_one_and_nothing_else(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    exported("csv", folder, samples="none")
    (folder / "mine.csv").write_text("x")
    done = lashmap(
        *("export", "--to", "json", "--samples", "none", "--overwrite"),
        *("--output", folder, "--logbook", recorded()[0]),
    )
    assert done.returncode == 0, done.stderr
    names = {one.name for one in folder.iterdir()}
    assert names == {"mine.csv", "datapackage.json", *(f"{name}.json" for name in TABLES)}
    assert len(load(folder)["tests"]) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--to", "xlsx", "--output", "folder"), "end its name in .xlsx"),
        (("--to", "csv", "--output", "file"), "writes a folder, but this is a file"),
        (("--to", "csv", "--output", "full"), "add --overwrite"),
        (("--to", "mat", "--all", "--output", "x.mat"), "use --to parquet"),
        (("some-test", "--to", "csv", "--output", "new"), "no test some-test; the newest are"),
        (("some-test", "--all", "--to", "csv", "--output", "new"), "leave one away"),
    ],
)
def test_wrong_arguments_are_named(tmp_path: Path, words: tuple[str, ...], says: str) -> None:
    (tmp_path / "file").write_text("x")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine").write_text("x")
    at = words.index("--output") + 1
    placed = (*words[:at], str(tmp_path / words[at]), *words[at + 1 :])
    done = lashmap("export", *placed, "--logbook", recorded()[0])
    assert done.returncode in {2, 3}
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert sorted(one.name for one in tmp_path.iterdir()) == ["file", "full"]


def test_a_file_that_was_cut_is_not_loaded(tmp_path: Path) -> None:
    exported("csv", tmp_path / "csv")
    samples = tmp_path / "csv" / "samples.csv"
    samples.write_bytes(samples.read_bytes()[:-40])
    with pytest.raises(ValueError, match=r"samples.csv: has another size"):
        load(tmp_path / "csv")
    assert set(load(tmp_path / "csv", tables=("tests", "results"))) == {"tests", "results"}
    with pytest.raises(ValueError, match="no such table; there are"):
        load(tmp_path / "csv", tables=("sample",))
    with pytest.raises(ValueError, match="name the folder that lashmap export wrote"):
        load(tmp_path)


@pytest.mark.parametrize("kind", ["csv", "parquet", "json"])
def test_a_full_disk_is_told_in_one_sentence_and_leaves_nothing(kind: str, tmp_path: Path) -> None:
    # A limit on the size of a file fails a write as a full disk does.
    shutil.copy(recorded()[0], tmp_path / "book")
    words = f"export --to {kind} --output out --logbook book"
    command = ["bash", "-c", f"ulimit -f 40; exec {sys.executable} -m lashmap_daemon {words}"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stdout == ""
    assert re.fullmatch(r"lashmap: out: cannot be written \(.+\); choose another place\s*", done.stderr)
    assert not (tmp_path / "out").exists()
    assert not list(tmp_path.glob(".out*"))


def test_a_disk_without_room_gets_no_second_complaint(tmp_path: Path) -> None:
    # Every table that is open fails to close then, and Parquet's writer would say so for itself.
    with small_disk(tmp_path, 1) as disk:
        (disk / "full").write_bytes(bytes(970_000))
        done = lashmap("export", "--to", "parquet", "--output", disk / "out", "--logbook", recorded()[0])
        assert done.returncode == 2
        assert re.fullmatch(r"lashmap: \S+: cannot be written \(.+\); choose another place\s*", done.stderr)
        assert [one.name for one in disk.iterdir()] == ["full"]
