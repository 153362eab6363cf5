"""What an import refuses, each with the place in file or mapping that is to be mended."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pandas as pd
import pytest
from daemon.recordings import BY_ENCODER, BY_LABEL, ENCODER, imported, mapping, write_csv
from lashmap_daemon.errors import ConfigurationError

Change: TypeAlias = Callable[[pd.DataFrame], pd.DataFrame]


def broken(column: str, row: int, cell: str | float) -> Change:
    def change(table: pd.DataFrame) -> pd.DataFrame:
        table = table.astype(object)
        table.loc[row, column] = cell
        return table

    return change


@pytest.mark.parametrize(
    ("change", "edit", "says"),
    [
        (
            broken("t", 40, 0.0),
            {},
            r"bench.csv: row 42: its time 0.0 is not later than .* times must increase",
        ),
        (
            broken("dial", 41, "NaN"),
            {},
            r"row 43, column dial: 'NaN' is no number; .* add it to file.missing",
        ),
        (broken("dial", 41, "1e999"), {}, r"row 43, column dial: '1e999' is no number"),
        (broken("dial", 41, "1,234"), {}, r"row 43, column dial: '1,234' is no number"),
        (lambda table: table, {"file": 'decimal = ","'}, r"row 2, column t: '0.0\d*' is no time"),
        (broken("t", 3, "soon"), {}, r"row 5, column t: 'soon' is no time"),
        (lambda table: table.drop(columns="dial"), {}, r"has no column 'dial'; it has: t, angle, tooth"),
        (
            lambda table: table.rename(columns={"angle": "Angle"}),
            {},
            r"no column 'angle'; did you mean 'Angle'\?",
        ),
        (lambda table: table.head(1), {}, r"holds 1 rows of samples"),
        (lambda table: table.assign(t=table["t"] * 1e3), {}, r"too far to see a rock; time.unit says 's'"),
        (
            lambda table: table,
            {"unit": "in"},
            r"no rock was found: .* Check indicator.unit|none of the rocks above is usable",
        ),
        (lambda table: table, {"unit": "mil"}, r"indicator.unit: expected 'mm', 'um' or 'in', got 'mil'"),
        (
            lambda table: table.assign(angle=table["angle"] % 360.0),
            {},
            r"the encoder jumps by 3\d\d.*° between two samples",
        ),
        (
            lambda table: table,
            {"rest": ENCODER + "matched_deg = 35.5\n" + BY_ENCODER},
            r"encoder.matched_deg: the gear rests \+1.75° off whole engagements",
        ),
        (
            lambda table: table.assign(tooth=table["tooth"] + (table["tooth"] == 8)),
            {"rest": ENCODER + BY_LABEL},
            r"by its label, at engagement 9, but the encoder stands at 8.0",
        ),
        (
            lambda table: table.assign(dial=table["dial"] * 40.0),
            {"rest": ENCODER + BY_LABEL},
            r"indicator.unit: a typical rock would span \d.* mm, more than a module",
        ),
        (
            lambda table: table.assign(dial=table["dial"] * 1000.0),
            {"rest": ENCODER + BY_LABEL},
            r"indicator.unit: the indicator would go \d+ mm in this recording, and none goes further",
        ),
        (
            lambda table: table.assign(tooth=0.5),
            {"rest": ENCODER + BY_LABEL},
            r"column tooth: '0.5' is no whole number of gear teeth",
        ),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_place(
    tmp_path: Path, change: Change, edit: dict[str, str], says: str
) -> None:
    write_csv(tmp_path / "bench.csv", change)
    with pytest.raises(ConfigurationError, match=says):
        imported(mapping(tmp_path, **edit), tmp_path / "book")
    assert not (tmp_path / "book").exists()
