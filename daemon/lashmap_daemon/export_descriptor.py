"""``datapackage.json``: what an export holds, column by column, for people and for programs.

Follows the Data Package and Table Schema specifications of Frictionless Data, version 1; the columns come
from `lashmap_analysis.frame_columns`, so that files, reader and descriptor cannot disagree.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from lashmap_analysis.frame_columns import TABLES, VERSION, Figure, Table

Json = dict[str, Any]
NAME = "datapackage.json"
MEDIA = {"csv": "text/csv", "json": "application/json", "parquet": "application/vnd.apache.parquet"}
ABOUT = (
    "Backlash tests of right-angle gearboxes. Lengths are in mm and angles in degrees; the unit of a number "
    "stands at the end of its column's name. Times called time_s are monotonic seconds since the test "
    "started, those called utc are ISO 8601 in UTC. Numbers that are missing or not finite are empty."
)
ABOUT_CSV = (
    " In CSV a text that a spreadsheet would take for a formula has an apostrophe in front: take one away "
    "from texts that begin with an apostrophe and such a sign."
)


def descriptor(folder: Path, kind: str, created: str) -> Json:
    """Describe the files in a folder.

    Args:
        folder: Holds one file for each table.
        kind: ``csv``, ``json`` or ``parquet``.
        created: ISO 8601, UTC.
    """
    return {
        "profile": "tabular-data-package",
        "name": "lashmap-export",
        "title": "Backlash tests, exported by lashmap",
        "description": ABOUT + (ABOUT_CSV if kind == "csv" else ""),
        "created": created,
        "lashmap": {"tables": VERSION, "version": program_version()},
        "resources": [_resource(table, folder, kind) for table in TABLES.values()],
    }


def schema(table: Table) -> Json:
    """Table Schema of a table; the unit of a column is a property of its own."""
    described: Json = {
        "fields": [_field(column) for column in table.columns],
        "primaryKey": list(table.key),
        "missingValues": [""],
    }
    if table.name != "tests":
        described["foreignKeys"] = [
            {"fields": ["test"], "reference": {"resource": "tests", "fields": ["test"]}}
        ]
    return described


def program_version() -> str:
    """Version of this program."""
    try:
        return version("lashmap")
    except PackageNotFoundError:
        return "unknown (not installed)"


def _resource(table: Table, folder: Path, kind: str) -> Json:
    path = folder / f"{table.name}.{kind}"
    resource: Json = {
        "profile": "tabular-data-resource",
        "name": table.name,
        "description": f"One row is {table.meaning}.",
        "path": path.name,
        "format": kind,
        "mediatype": MEDIA[kind],
        "encoding": "utf-8",
        "bytes": path.stat().st_size,
        "hash": f"sha256:{digest([path])}",
        "schema": schema(table),
    }
    return resource


def _field(column: Figure) -> Json:
    field: Json = {"name": column.name, "type": column.kind, "description": column.meaning}
    if column.unit:
        field["unit"] = column.unit
    # An empty text stands for none, and in CSV an empty cell is a missing one: only numbers are required.
    if column.required and column.kind != "string":
        field["constraints"] = {"required": True}
    return field


def digest(paths: Iterable[Path]) -> str:
    """SHA-256 of the bytes of some files, one after the other, as hexadecimal digits."""
    summed = hashlib.sha256()
    for path in paths:
        with path.open("rb") as file:
            while piece := file.read(1 << 20):
                summed.update(piece)
    return summed.hexdigest()
