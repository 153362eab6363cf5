"""A cycle run in an export: the samples of each pass, and a record that is judged again to the last digit."""

from __future__ import annotations

import io
import shutil
from pathlib import Path

import numpy as np
import pytest
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.record.record import TestRecord
from lashmap_analysis.tables import load
from lashmap_daemon.commands.exchange import export
from lashmap_daemon.commands.options import ExportOptions
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.replay import Replay, newest_test
from rich.console import Console

STORED = Path(__file__).parents[2] / "golden" / "cycle" / "test.logbook"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copy(STORED, tmp_path_factory.mktemp("cycle") / "book"))


@pytest.fixture(scope="module")
def record(book: Path) -> TestRecord:
    with Logbook(book, create=False) as logbook:
        return Replay(logbook, newest_test(logbook)).record()


@pytest.mark.parametrize("samples", ["all", "rocks"])
@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_an_export_gives_back_every_pass_and_the_same_verdict(
    book: Path, record: TestRecord, tmp_path: Path, kind: str, samples: str
) -> None:
    export(
        ExportOptions(
            test=None,
            logbook=book,
            every=False,
            to=kind,  # type: ignore[arg-type]
            output=tmp_path / "out",
            samples=samples,  # type: ignore[arg-type]
            overwrite=False,
        ),
        Console(file=io.StringIO()),
    )
    loaded = load(tmp_path / "out")
    again = loaded.record()
    assert len(record.passes) == 4
    for one, other in zip(again.passes, record.passes, strict=True):
        assert (one.number, one.direction, one.brake_nm) == (other.number, other.direction, other.brake_nm)
        for name in ("pinion_time_s", "pinion_deg", "gear_time_s", "gear_deg"):
            assert np.array_equal(getattr(one, name), getattr(other, name)), name
    for rock, other_rock in zip(again.traces, record.traces, strict=True):
        assert rock.pinion_deg.size
        assert np.array_equal(rock.pinion_deg, other_rock.pinion_deg)
        assert np.array_equal(rock.pinion_time_s, other_rock.pinion_time_s)
    found, known = assess(again), assess(record)
    assert known.cycle_run is not None
    assert known.cycle_run.judges
    assert found.stated == known.stated
    assert found.verdict == known.verdict
    heard = loaded["samples"]
    assert set(heard["channel"]) == {"indicator", "encoder", "pinion encoder"}
    assert heard.loc[heard["channel"] == "indicator", "pass"].isna().all()
