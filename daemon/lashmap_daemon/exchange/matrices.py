"""An export as a MATLAB file: one struct for each table, one array for each column.

Texts are cell arrays, missing numbers NaN, yes or no 1 or 0 (NaN where missing). The table of samples, which
would repeat a few texts millions of times, holds one struct for each instrument instead:
``samples.indicator`` with ``time_s``, ``value``, ``unit``, ``position`` (0 outside of a rock) and ``sweep``
(0 none, 1 gear, 2 pinion). The file is put together in memory, 21 bytes a sample.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from lashmap_analysis.tables import SAMPLES, TABLES, Figure, Table
from numpy.typing import NDArray

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.arrow import missing_extra
from lashmap_daemon.exchange.samples import UNIT, Coded, Column, Columns, cells

# Of both instruments together: a variable of a level 5 file must stay below 2 GB (documentation of the
# format, from memory), and `samples` holds all of them at 21 bytes each.
MOST_SAMPLES = 100_000_000
_Kept = dict[str, NDArray[Any]]
_KINDS = {"time_s": np.float64, "value": np.float64, "position": np.int32, "sweep": np.int8}


class MatlabFile:
    """A MATLAB file being gathered.

    Args:
        path: Where it goes.
        name: How the user calls it, for messages.

    Raises:
        ConfigurationError: When the library is not installed.
    """

    def __init__(self, path: Path, name: str) -> None:
        try:
            from scipy.io import savemat  # noqa: PLC0415 - slow to import, and not everybody has it
        except ImportError:
            raise missing_extra("mat", "scipy", "matlab") from None
        self._save = savemat
        self._path, self._name = path, name
        self._tables: dict[str, Any] = {}
        self._blocks: dict[str, list[_Kept]] = {channel: [] for channel in UNIT}
        self._count = 0

    def write(self, table: Table, columns: Columns) -> None:
        """Take rows of a table: of the samples a block at a time, of each other table all at once.

        Raises:
            ConfigurationError: When there are more samples than such a file can hold.
        """
        if table is not SAMPLES:
            self._tables[table.name] = {
                column.name: _array(column, cells(columns[column.name])) for column in table.columns
            }
            return
        self._count += len(columns["time_s"])
        if self._count > MOST_SAMPLES:
            problem = (
                f"such a file holds no more than {MOST_SAMPLES:,} samples; use --to parquet or csv, "
                "which have no such limit, or leave samples out: --samples rocks or none"
            )
            raise ConfigurationError(self._name, [problem])
        channel = cells(columns["channel"])[0]
        kept = {name: _array_of(columns[name]).astype(kind) for name, kind in _KINDS.items()}
        self._blocks[channel].append(kept)

    def abandon(self) -> None:
        """Nothing was begun that needs closing."""

    def close(self) -> None:
        """Write the file."""
        samples = {channel: _samples(channel, kept) for channel, kept in self._blocks.items()}
        units = {
            table.name: {column.name: column.unit for column in table.columns if column.unit}
            for table in TABLES.values()
        }
        units = {name: named for name, named in units.items() if named}
        self._save(
            self._path,
            {**self._tables, "samples": samples, "units": units},
            long_field_names=True,
            oned_as="column",
            do_compression=True,
        )


def _samples(channel: str, blocks: list[_Kept]) -> dict[str, Any]:
    def joined(name: str) -> NDArray[Any]:
        return np.concatenate([np.empty(0, dtype=_KINDS[name]), *(block[name] for block in blocks)])

    return {
        figure.name: joined(figure.name) if figure.name in _KINDS else UNIT[channel]
        for figure in SAMPLES.columns
        if figure.name not in {"test", "channel"}
    }


def _array_of(column: Column) -> NDArray[Any]:
    filled: NDArray[Any] = column.codes if isinstance(column, Coded) else np.ma.filled(column, 0)
    return filled


def _array(column: Figure, cells: list[Any]) -> Any:  # noqa: ANN401 - an array of what the column holds
    if column.kind == "string":
        array = np.empty(len(cells), dtype=object)
        array[:] = cells
        return array
    missing = [cell is None or (isinstance(cell, float) and not math.isfinite(cell)) for cell in cells]
    return np.array(
        [math.nan if gone else float(cell) for gone, cell in zip(missing, cells, strict=True)],
        dtype=np.float64,
    )
