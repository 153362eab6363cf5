"""From the tables of an export back to the test record that they came from.

The way back of `frames.py` and of the samples; a test holds both against each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from lashmap_analysis.facts.given import PRECONDITION
from lashmap_analysis.frame_columns import TABLES
from lashmap_analysis.gear_set import GearSet
from lashmap_analysis.indicator import Indicator
from lashmap_analysis.load import LoadError
from lashmap_analysis.record import (
    Encoder,
    Identity,
    Limits,
    Precondition,
    RockTrace,
    RunoutTrace,
    TestRecord,
)

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

Row = dict[str, Any]
NEEDED = ("tests", "positions", "sweeps", "preconditions", "notes", "samples")


def record_of(tables: Mapping[str, pd.DataFrame], test: str) -> TestRecord:
    """Rebuild the record of a test.

    Args:
        tables: Frames as `load` gives them.
        test: Which test.

    Raises:
        LoadError: A table was not loaded, or the test's samples were not exported.
    """
    absent = [name for name in NEEDED if name not in tables]
    if absent:
        raise LoadError(f"{', '.join(absent)}: not loaded, but needed for a record; load all tables")
    (given,) = _rows(tables, "tests", test)
    told = _told(given)
    heard = {channel: _Channel.of(tables["samples"], test, channel) for channel in ("indicator", "encoder")}
    if _rows(tables, "positions", test) and not len(heard["indicator"].time_s):
        raise LoadError(
            f"test {test}: its samples were not exported; export again with --samples all or rocks"
        )
    return TestRecord(
        identity=Identity(**told["identity"]),
        gear_set=GearSet(**told["gear_set"]),
        indicator=Indicator(**told["indicator"]),
        encoder=Encoder(**told["encoder"]),
        limits=Limits(**told["limits"]),
        preconditions=tuple(
            Precondition(**{one.name: row[one.name] for one in PRECONDITION})
            for row in _rows(tables, "preconditions", test)
        ),
        traces=tuple(_trace(row, heard) for row in _rows(tables, "positions", test)),
        units=told[""]["units"],
        closing=told[""]["closing"],
        notes=tuple((row["time_s"], row["text"]) for row in _rows(tables, "notes", test)),
        sweeps=tuple(_sweep(row, heard) for row in _rows(tables, "sweeps", test)),
        damage=tuple(told[""]["damage"].splitlines()),
        left_out=tuple(told[""]["left_out"].splitlines()),
    )


class _Channel:
    """The samples of one instrument of one test."""

    def __init__(self, time_s: NDArray[np.float64], value: NDArray[np.float64], of: dict[str, Any]) -> None:
        self.time_s, self.value, self._of = time_s, value, of

    @classmethod
    def of(cls, samples: pd.DataFrame, test: str, channel: str) -> _Channel:
        one = samples[(samples["test"] == test) & (samples["channel"] == channel)]
        return cls(
            one["time_s"].to_numpy(np.float64),
            one["value"].to_numpy(np.float64),
            {
                "position": one["position"].fillna(0).to_numpy(np.int64),
                "sweep": one["sweep"].to_numpy(object),
            },
        )

    def within(self, column: str, label: object) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Times and values of one rock or sweep."""
        kept = self._of[column] == label
        return self.time_s[kept], self.value[kept]


def _rows(tables: Mapping[str, pd.DataFrame], name: str, test: str) -> list[Row]:
    """The rows of a test, plain values, None where one is missing."""
    table = tables[name]
    own = table[table["test"] == test]
    columns = {
        column.name: [
            None if missing else value for value, missing in zip(cells.tolist(), cells.isna(), strict=True)
        ]
        for column in TABLES[name].columns
        for cells in (own[column.name],)
    }
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _told(given: Row) -> dict[str, Row]:
    """A row of the table of tests by the part of the record that each figure was taken from."""
    told: dict[str, Row] = {}
    for column in TABLES["tests"].columns:
        part, _, name = str(column.of).removeprefix("record.").rpartition(".")
        told.setdefault(part, {})[name] = given[column.name]
    return told


def _trace(row: Row, heard: Mapping[str, _Channel]) -> RockTrace:
    return RockTrace(
        **{name: row[name] for name in ("position", "engagement", "purpose", "attempt")},
        **_within(heard, "position", row["position"]),
        times_apart_uncertainty_s=_or_nan(row["times_apart_standard_uncertainty_s"]),
    )


def _sweep(row: Row, heard: Mapping[str, _Channel]) -> RunoutTrace:
    return RunoutTrace(
        **{name: row[name] for name in ("member", "indicator_from_mesh_deg")},
        **_within(heard, "sweep", row["member"]),
        times_apart_uncertainty_s=_or_nan(row["times_apart_standard_uncertainty_s"]),
    )


def _within(heard: Mapping[str, _Channel], column: str, label: object) -> Row:
    """What both instruments said in one rock or sweep."""
    time_s, indicator_mm = heard["indicator"].within(column, label)
    encoder_time_s, encoder_deg = heard["encoder"].within(column, label)
    return {
        "time_s": time_s,
        "indicator_mm": indicator_mm,
        "encoder_time_s": encoder_time_s,
        "encoder_deg": encoder_deg,
    }


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value
