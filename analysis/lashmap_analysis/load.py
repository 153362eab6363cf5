"""An exported folder back in a notebook: pandas frames, and the test record behind them.

Reads what ``lashmap export --to parquet``, ``csv`` or ``json`` wrote; needs neither a logbook nor the daemon.
Every value comes back as it was: numbers to the last bit, texts without the apostrophe that guards them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashmap_analysis.frame_columns import SAMPLES, TABLES, VERSION, Table
from lashmap_analysis.frame_texts import unguarded
from lashmap_analysis.frames import PANDAS, frame

if TYPE_CHECKING:
    import pandas as pd

    from lashmap_analysis.record import TestRecord

DESCRIPTOR = "datapackage.json"


class LoadError(ValueError):
    """What was to be loaded is no whole export; the message says what and what to do next."""


@dataclass(frozen=True)
class Export(Mapping[str, "pd.DataFrame"]):
    """The tables of an export by name; `lashmap_analysis.frame_columns.TABLES` says what is in them.

    Attributes:
        folder: Where they come from.
        tables: A frame for each table that was loaded.
    """

    folder: Path
    tables: dict[str, pd.DataFrame]

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.tables[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.tables)

    def __len__(self) -> int:
        return len(self.tables)

    def __repr__(self) -> str:
        rows = ", ".join(f"{name}: {len(table):,}" for name, table in self.tables.items())
        return f"<export {self.folder}, rows of {rows}>"

    def record(self, test: str | None = None) -> TestRecord:
        """The record of a test, to be assessed again: ``assess(export.record())``.

        Args:
            test: Which; the last of the table of tests when None.

        Raises:
            LoadError: No such test, or it was exported without its samples.
        """
        from lashmap_analysis.load_record import record_of  # noqa: PLC0415 - few need it

        return record_of(self.tables, self._named(test))

    def _named(self, test: str | None) -> str:
        known = self.tables["tests"]["test"].tolist() if "tests" in self.tables else []
        if not known:
            raise LoadError(f"{self.folder}: holds no test, or its table of tests was not loaded")
        if test is not None and test not in known:
            raise LoadError(f"{self.folder}: no test {test}; there are: {', '.join(known[-5:])}")
        return known[-1] if test is None else test


def load(path: str | Path, *, tables: tuple[str, ...] = tuple(TABLES)) -> Export:
    """Load an export.

    Args:
        path: The folder that ``lashmap export`` wrote, or the ``datapackage.json`` in it.
        tables: Which tables; all when left out. The table of samples is the large one.

    Returns:
        The frames. Texts are ``str`` and never missing, whole numbers ``Int64``, numbers ``float64`` with
        NaN where they are missing, yes or no ``boolean``.

    Raises:
        LoadError: The folder is no export, was written by a newer version, lacks a file, or a file has
            another size than the export wrote.
    """
    folder = Path(path).parent if Path(path).name == DESCRIPTOR else Path(path)
    resources = _resources(folder)
    found = {}
    for name in tables:
        if name not in TABLES:
            raise LoadError(f"{name}: no such table; there are: {', '.join(TABLES)}")
        if name not in resources:
            raise LoadError(f"{folder}: its {DESCRIPTOR} lists no table {name}; export again")
        found[name] = _read(TABLES[name], folder, resources[name])
    return Export(folder, found)


def _resources(folder: Path) -> dict[str, dict[str, Any]]:
    try:
        described = json.loads((folder / DESCRIPTOR).read_text(encoding="utf-8"))
        resources = {resource["name"]: resource for resource in described["resources"]}
        version = described["lashmap"]["tables"]
    except OSError as error:
        raise LoadError(
            f"{folder}: no {DESCRIPTOR} that can be read ({error.strerror}); "
            "name the folder that lashmap export wrote with --to parquet, csv or json"
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise LoadError(f"{folder / DESCRIPTOR}: is not from lashmap export; export again") from error
    if version != VERSION:
        raise LoadError(
            f"{folder}: has tables of version {version}, this version reads {VERSION}; export again, or "
            "use the version that wrote it"
        )
    return resources


def _read(table: Table, folder: Path, resource: Mapping[str, Any]) -> pd.DataFrame:
    file = folder / Path(resource["path"]).name
    if not file.is_file():
        raise LoadError(f"{file}: is missing; export again")
    if file.stat().st_size != resource["bytes"]:
        raise LoadError(f"{file}: has another size than when it was exported; export again")
    match resource["format"]:
        case "parquet":
            return _read_parquet(table, file)
        case "csv":
            return _read_csv(table, file)
        case "json":
            rows = json.loads(file.read_text(encoding="utf-8"))
            names = [column.name for column in table.columns]
            return frame(table, {name: [row[name] for row in rows] for name in names})
    raise LoadError(f"{file}: unknown format {resource['format']}; export again")


def _read_parquet(table: Table, file: Path) -> pd.DataFrame:
    try:
        from pyarrow import parquet  # noqa: PLC0415 - heavy, and not everybody has it
    except ImportError:
        raise LoadError(
            f"{file}: reading Parquet needs the package pyarrow; install it with: "
            "pip install 'lashmap[export]'"
        ) from None
    import pandas as pd  # noqa: PLC0415 - slow to import

    # Whole numbers would come back as floating ones where one is missing.
    nullable = {"int64": pd.Int64Dtype(), "bool": pd.BooleanDtype()}
    read: pd.DataFrame = parquet.read_table(file).to_pandas(types_mapper=lambda kind: nullable.get(str(kind)))
    return read.astype({column.name: PANDAS[column.kind] for column in table.columns})


def _read_csv(table: Table, file: Path) -> pd.DataFrame:
    import pandas as pd  # noqa: PLC0415 - slow to import

    # Before version 3 only this keyword reads back every bit; since then it is the default.
    exact: dict[str, Any] = (
        {} if int(pd.__version__.split(".")[0]) >= 3 else {"float_precision": "round_trip"}
    )
    texts = [column.name for column in table.columns if column.kind == "string"]
    if table is SAMPLES:  # a few texts, repeated millions of times
        kinds: dict[str, Any] = {column.name: PANDAS[column.kind] for column in table.columns}
        read: pd.DataFrame = pd.read_csv(
            file,
            dtype=kinds | dict.fromkeys(texts, "category"),
            keep_default_na=False,
            na_values={column.name: [""] for column in table.columns if column.kind != "string"},
            **exact,
        )
        for name in texts:
            read[name] = read[name].cat.rename_categories(unguarded).astype("str")
        return read
    cells = pd.read_csv(file, dtype="str", keep_default_na=False)
    columns: dict[str, Any] = {}
    for column in table.columns:
        given = cells[column.name].tolist()
        columns[column.name] = [_value(column.kind, cell) for cell in given]
    return frame(table, columns)


def _value(kind: str, cell: str) -> Any:  # noqa: ANN401 - whatever the column holds
    match kind:
        case "string":
            return unguarded(cell)
        case "integer":
            return int(cell) if cell else None
        case "boolean":
            return cell == "true" if cell else None
    return float(cell) if cell else None
