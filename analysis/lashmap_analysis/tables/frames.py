"""An assessment as rows of the tables of an export.

Which figure goes into which column is said with the figure (`facts/`, `tables/columns.py`); samples and
events are added by whoever has them (the daemon, from a logbook).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from lashmap_analysis.facts.section import TEST
from lashmap_analysis.tables.columns import TABLES

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pandas as pd

    from lashmap_analysis.judge.assessment import Assessment
    from lashmap_analysis.tables.columns import Table


Columns = dict[str, list[Any]]
PANDAS = {"string": "str", "integer": "Int64", "number": "float64", "boolean": "boolean"}


def columns_of(assessment: Assessment, tables: Mapping[str, Table] = TABLES) -> dict[str, Columns]:
    """The rows of one test, as columns.

    Args:
        assessment: What was concluded.
        tables: Which tables.

    Returns:
        For every table but samples and events its columns, each a list with None where a cell is missing.
    """
    found = {name: list(table.rows(assessment)) for name, table in tables.items() if table.rows is not None}
    test = TEST.cell(assessment)
    return {
        name: {
            column.name: [test] * len(rows) if column is TEST else [column.cell(row) for row in rows]
            for column in tables[name].columns
        }
        for name, rows in found.items()
    }


def as_columns(table: Table, rows: Iterable[Mapping[str, Any]]) -> Columns:
    """Rows by name become the columns of a table."""
    kept = list(rows)
    return {column.name: [row[column.name] for row in kept] for column in table.columns}


def frame(table: Table, columns: Mapping[str, Any]) -> pd.DataFrame:
    """Columns as a pandas frame, with the types that `lashmap_analysis.tables.load` gives.

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
