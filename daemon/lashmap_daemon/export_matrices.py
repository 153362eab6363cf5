"""An export as a MATLAB file: one struct for each table, one array for each column.

Texts are cell arrays, missing numbers NaN, yes or no 1 or 0 (NaN where missing). The table of samples, which
would repeat a few texts millions of times, holds one struct for each instrument instead:
``samples.indicator`` with ``time_s``, ``value``, ``unit``, ``position`` (0 outside of a rock) and ``sweep``
(0 none, 1 gear, 2 pinion). The file is put together in memory.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from lashmap_analysis.frame_columns import TABLES, Column, Table

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.export_files import Columns
from lashmap_daemon.export_samples import UNIT, Block

MOST_SAMPLES = 100_000_000  # of one instrument: an array of a level 5 file must stay below 2 GB


class MatlabFile:
    """A MATLAB file being gathered.

    Args:
        path: Where it goes.
        name: How the user calls it, for messages.
    """

    def __init__(self, path: Path, name: str) -> None:
        self._path, self._name = path, name
        self._tables: dict[str, Any] = {}
        self._blocks: dict[str, list[Block]] = {channel: [] for channel in UNIT}

    def rows(self, table: Table, columns: Columns) -> None:
        """Take the rows of a table; of each table once."""
        self._tables[table.name] = {
            column.name: _array(column, columns[column.name]) for column in table.columns
        }

    def samples(self, block: Block) -> None:
        """Take samples.

        Raises:
            ConfigurationError: When they are more than such a file can hold.
        """
        kept = self._blocks[block.channel]
        kept.append(block)
        if sum(len(one) for one in kept) > MOST_SAMPLES:
            raise ConfigurationError(
                self._name,
                [f"more than {MOST_SAMPLES:,} samples of one instrument do not fit; use --to parquet"],
            )

    def abandon(self) -> None:
        """Nothing was begun that needs closing."""

    def close(self) -> None:
        """Write the file."""
        from scipy.io import savemat  # noqa: PLC0415 - slow to import

        samples = {channel: _samples(channel, kept) for channel, kept in self._blocks.items()}
        units = {
            table.name: {column.name: column.unit for column in table.columns if column.unit}
            for table in TABLES.values()
        }
        units = {name: named for name, named in units.items() if named}
        savemat(
            self._path,
            {**self._tables, "samples": samples, "units": units},
            long_field_names=True,
            oned_as="column",
            do_compression=True,
        )


def _samples(channel: str, blocks: list[Block]) -> dict[str, Any]:
    def joined(name: str) -> Any:  # noqa: ANN401 - an array of what the block holds
        parts = [getattr(block, name) for block in blocks]
        return np.concatenate(parts) if parts else np.empty(0)

    return {
        "time_s": joined("time_s"),
        "value": joined("value"),
        "unit": UNIT[channel],
        "position": joined("position").astype(np.int32),
        "sweep": joined("sweep").astype(np.int8),
    }


def _array(column: Column, cells: list[Any]) -> Any:  # noqa: ANN401 - an array of what the column holds
    if column.kind == "string":
        array = np.empty(len(cells), dtype=object)
        array[:] = cells
        return array
    missing = [cell is None or (isinstance(cell, float) and not math.isfinite(cell)) for cell in cells]
    return np.array(
        [math.nan if gone else float(cell) for gone, cell in zip(missing, cells, strict=True)],
        dtype=np.float64,
    )
