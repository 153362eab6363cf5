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
from lashmap_analysis.tables.columns import TABLES, Figure, Table
from numpy.typing import NDArray

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.arrow import missing_extra
from lashmap_daemon.exchange.files import Columns
from lashmap_daemon.exchange.samples import UNIT, Block

# Of both instruments together: a variable of a level 5 file must stay below 2 GB (documentation of the
# format, from memory), and `samples` holds all of them at 21 bytes each.
MOST_SAMPLES = 100_000_000
_Kept = dict[str, NDArray[Any]]


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
        self._count += len(block)
        if self._count > MOST_SAMPLES:
            problem = (
                f"such a file holds no more than {MOST_SAMPLES:,} samples; use --to parquet or csv, "
                "which have no such limit, or leave samples out: --samples rocks or none"
            )
            raise ConfigurationError(self._name, [problem])
        self._blocks[block.channel].append(
            {
                "time_s": block.time_s,
                "value": block.value,
                "position": block.position.astype(np.int32),
                "sweep": block.sweep.astype(np.int8),
            }
        )

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
    def joined(name: str, kind: type[np.generic]) -> Any:  # noqa: ANN401 - an array of what the block holds
        return np.concatenate([np.empty(0, dtype=kind), *(block[name] for block in blocks)])

    return {
        "time_s": joined("time_s", np.float64),
        "value": joined("value", np.float64),
        "unit": UNIT[channel],
        "position": joined("position", np.int32),
        "sweep": joined("sweep", np.int8),
    }


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
