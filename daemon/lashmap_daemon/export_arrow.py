"""Tables of an export as Arrow tables, for the formats that Arrow writes quickly.

Arrow comes with the extra ``export``; without it CSV and JSON are written in plain Python.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.export_samples import SWEEPS, Block

if TYPE_CHECKING:
    from types import ModuleType

    from lashmap_analysis.frame_columns import Table

EXTRA = "export"


def missing_extra(wanted: str, package: str) -> ConfigurationError:
    """What to say when a format needs a package that is not there."""
    return ConfigurationError(
        f"--to {wanted}",
        [f"needs the package {package}, which is not installed; do: pip install 'lashmap[{EXTRA}]'"],
    )


def arrow() -> ModuleType | None:
    """The Arrow library; None when it is not installed."""
    try:
        import pyarrow as pa  # noqa: PLC0415 - heavy, and not everybody has it
    except ImportError:
        return None
    return pa  # type: ignore[no-any-return]  # pyarrow has no types


def schema_of(table: Table, *, coded: bool) -> Any:  # noqa: ANN401 - pyarrow has no types
    """The Arrow schema of a table, each field with its meaning and unit.

    Args:
        table: Which.
        coded: Repeated texts of the samples as codes of a dictionary (Parquet) instead of plain texts (CSV).
    """
    import pyarrow as pa  # noqa: PLC0415 - heavy, and not everybody has it

    kinds = {"string": pa.string(), "integer": pa.int64(), "number": pa.float64(), "boolean": pa.bool_()}
    coded_text = pa.dictionary(pa.int8(), pa.string())
    return pa.schema(
        [
            pa.field(
                column.name,
                coded_text
                if coded and table.name == "samples" and column.kind == "string"
                else kinds[column.kind],
                metadata={"meaning": column.meaning, "unit": column.unit},
            )
            for column in table.columns
        ],
        metadata={"table": table.name, "meaning": table.meaning},
    )


def arrow_rows(table: Table, columns: dict[str, list[Any]], schema: Any) -> Any:  # noqa: ANN401 - as above
    """Columns of plain values as an Arrow table."""
    import pyarrow as pa  # noqa: PLC0415 - as above

    return pa.table(
        [
            pa.array([_finite(value) for value in columns[column.name]], type=schema.field(column.name).type)
            for column in table.columns
        ],
        schema=schema,
    )


def arrow_samples(block: Block, schema: Any, texts: tuple[str, str]) -> Any:  # noqa: ANN401 - as above
    """A block of samples as an Arrow table.

    Args:
        block: The samples.
        schema: From `schema_of`.
        texts: The test's name and the channel as they are to be written.
    """
    import pyarrow as pa  # noqa: PLC0415 - as above

    size = len(block)

    def text(name: str, words: tuple[str, ...], code: Any) -> Any:  # noqa: ANN401 - pyarrow has no types
        codes = pa.array(code.astype(np.int8))
        coded = pa.DictionaryArray.from_arrays(codes, pa.array(words, type=pa.string()))
        return coded if pa.types.is_dictionary(schema.field(name).type) else coded.dictionary_decode()

    same = np.zeros(size, dtype=np.int8)
    return pa.table(
        [
            text("test", (texts[0],), same),
            text("channel", (texts[1],), same),
            pa.array(block.time_s),
            pa.array(block.value, mask=~np.isfinite(block.value)),
            text("unit", (block.unit,), same),
            pa.array(block.position, mask=block.position == 0),
            text("sweep", SWEEPS, block.sweep),
        ],
        schema=schema,
    )


def _finite(value: Any) -> Any:  # noqa: ANN401 - whatever the cell holds
    return None if isinstance(value, float) and not math.isfinite(value) else value
