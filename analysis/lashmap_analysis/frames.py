"""An assessment as rows of the tables of an export.

Decided here: which figure goes into which column. Names and meanings are `frame_columns.py`; samples and
events are added by whoever has them (the daemon, from a logbook).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from lashmap_analysis.frame_columns import FOUND, GIVEN, TABLES
from lashmap_analysis.frame_review import review_rows
from lashmap_analysis.result import to_document

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pandas as pd

    from lashmap_analysis.assessment import Assessment
    from lashmap_analysis.frame_columns import Column, Table
    from lashmap_analysis.lash_map import LashMap

Json = dict[str, Any]
Columns = dict[str, list[Any]]
PANDAS = {"string": "str", "integer": "Int64", "number": "float64", "boolean": "boolean"}


def columns_of(assessment: Assessment) -> dict[str, Columns]:
    """The rows of one test, as columns.

    Args:
        assessment: What was concluded.

    Returns:
        For every table but samples and events its columns, each a list with None where a cell is missing.
    """
    document = to_document(assessment)
    test = document["test"]
    rows: dict[str, list[Json]] = {
        "tests": [{name: _found(document, path) for name, (_, path) in GIVEN.items()}],
        "results": [{name: _found(document, path) for name, (_, path) in FOUND.items()}],
        "positions": _positions(document, assessment),
        "flags": _flags(document),
        "lash_map": _lash_map(assessment.lash_map),
        "sweeps": _sweeps(document, assessment),
        "budget": _numbered((document["budget"] or {}).get("lines", []), value="figure"),
        "preconditions": document["preconditions"],
        "notes": _numbered(document["notes"]),
        **review_rows(document["review"]),
    }
    return {
        name: as_columns(TABLES[name], ({"test": test, **row} for row in some)) for name, some in rows.items()
    }


def as_columns(table: Table, rows: Iterable[Mapping[str, Any]]) -> Columns:
    """Rows by name become the columns of a table; what a row lacks is missing, an empty text for a text."""
    kept = list(rows)
    return {column.name: [_cell(column, row.get(column.name)) for row in kept] for column in table.columns}


def frame(table: Table, columns: Mapping[str, Any]) -> pd.DataFrame:
    """Columns as a pandas frame, with the types that `lashmap_analysis.load` gives.

    Args:
        table: Which table they are of.
        columns: A list or an array for each of its columns.

    Returns:
        Texts as ``str``, whole numbers as ``Int64``, numbers as ``float64`` (NaN is missing), yes or no as
        ``boolean``.
    """
    import pandas as pd  # noqa: PLC0415  (290 ms that the start of the command line must not pay)

    return pd.DataFrame(
        {column.name: pd.Series(columns[column.name], dtype=PANDAS[column.kind]) for column in table.columns}
    )


def _cell(column: Column, value: Any) -> Any:  # noqa: ANN401 - whatever the document holds
    return "" if value is None and column.kind == "string" else value


def _found(document: Json, path: str) -> Any:  # noqa: ANN401 - whatever the document holds
    value: Any = document
    for key in path.split("."):
        if value is None:
            return None
        value = value[key]
    return "\n".join(value) if isinstance(value, list) else value


def _positions(document: Json, assessment: Assessment) -> list[Json]:
    apart = [trace.times_apart_uncertainty_s for trace in assessment.record.traces]
    return [
        {
            **position,
            "flags": "; ".join(position["flags"]),
            "times_apart_standard_uncertainty_s": float(seconds) if np.isfinite(seconds) else None,
        }
        for position, seconds in zip(document["positions"], apart, strict=True)
    ]


def _flags(document: Json) -> list[Json]:
    return [
        {
            "position": position["position"],
            "flag": flag["name"],
            "disabling": flag["disabling"],
            "sentence": flag["sentence"],
            "numbers": json.dumps(flag["numbers"]),
        }
        for position in document["positions"]
        for flag in position["flag_details"]
    ]


def _sweeps(document: Json, assessment: Assessment) -> list[Json]:
    return [
        {**sweep, "indicator_from_mesh_deg": trace.indicator_from_mesh_deg}
        for sweep, trace in zip(document["sweeps"], assessment.record.sweeps, strict=True)
    ]


def _numbered(lines: list[Json], **renamed: str) -> list[Json]:
    return [
        {"line": number, **{renamed.get(key, key): value for key, value in line.items()}}
        for number, line in enumerate(lines, 1)
    ]


def _lash_map(lash_map: LashMap | None) -> list[Json]:
    if lash_map is None:
        return []
    cycle = lash_map.gear_set.mesh_cycle
    engagements = np.arange(cycle, dtype=np.int64)
    prediction = lash_map.predict(engagements)
    chances = lash_map.tightest_probability
    known = chances.tolist() if len(chances) == cycle else [None] * cycle
    return [
        {
            "engagement": engagement,
            "gear_angle_deg": lash_map.gear_set.gear_angle_deg(engagement),
            "backlash_mm": backlash,
            "standard_uncertainty_mm": uncertainty,
            "tightest_probability": chance,
        }
        for engagement, backlash, uncertainty, chance in zip(
            engagements.tolist(),
            prediction.backlash_mm.tolist(),
            prediction.standard_uncertainty_mm.tolist(),
            known,
            strict=True,
        )
    ]
