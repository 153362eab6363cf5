"""Tables of an export as Arrow tables, for the formats that Arrow writes quickly.

Arrow comes with the extra ``export``; without it CSV and JSON are written in plain Python. Arrays are laid
over the samples' own memory as the Arrow columnar format says: Arrow's way to take whatever it is given loads
pandas first, to see whether it was given something of that, which takes half a second.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.frames import Coded

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import ModuleType

    from lashmap_analysis.tables import Figure, Table
    from numpy.typing import NDArray

    from lashmap_daemon.exchange.frames import Column, Columns


_KINDS: dict[str, tuple[type | tuple[type, ...], type]] = {
    "string": (str, np.str_),
    "integer": (int, np.int64),
    "number": ((int, float), np.float64),
    "boolean": (bool, np.bool_),
}


def missing_extra(wanted: str, package: str, extra: str = "export") -> ConfigurationError:
    """What to say when a format needs a package that is not there."""
    return ConfigurationError(
        f"--to {wanted}",
        [f"needs the package {package}, which is not installed; do: pip install 'lashmap[{extra}]'"],
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

    With ``coded`` repeated texts of the samples are codes of a dictionary (Parquet), not plain texts (CSV).
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


def arrow_rows(table: Table, columns: Columns, schema: Any) -> Any:  # noqa: ANN401 - as above
    """Columns as an Arrow table.

    Raises:
        TypeError: A value is not of its column's kind.
    """
    import pyarrow as pa  # noqa: PLC0415 - as above

    arrays = []
    for column in table.columns:
        array = arrow_array(columns[column.name], column)
        coded = pa.types.is_dictionary(array.type)
        arrays.append(
            array.dictionary_decode()
            if coded and not pa.types.is_dictionary(schema.field(column.name).type)
            else array
        )
    return pa.table(arrays, schema=schema)


def arrow_array(column: Column, figure: Figure) -> Any:  # noqa: ANN401 - as above
    """A column as an Arrow array.

    Raises:
        TypeError: A value is not of the column's kind.
    """
    import pyarrow as pa  # noqa: PLC0415 - as above

    if isinstance(column, Coded):
        return pa.DictionaryArray.from_arrays(
            numbers(column.codes.astype(np.int8)), texts_array(column.words)
        )
    if isinstance(column, np.ma.MaskedArray):
        return numbers(column.data, ~np.ma.getmaskarray(column))
    if isinstance(column, np.ndarray):
        return numbers(column, np.isfinite(column))
    return _plain(column, figure)


def numbers(values: NDArray[Any], known: NDArray[np.bool_] | None = None) -> Any:  # noqa: ANN401 - as above
    """An Arrow array of numbers, or of truths; ``known`` is false where a value is missing."""
    import pyarrow as pa  # noqa: PLC0415 - as above

    there = None if known is None or known.all() else _bits(known)
    data = _bits(values) if values.dtype == np.bool_ else pa.py_buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(values), [there, data])


def texts_array(values: Sequence[str | None]) -> Any:  # noqa: ANN401 - as above
    """An Arrow array of texts, missing where None."""
    import pyarrow as pa  # noqa: PLC0415 - as above

    coded = [(value or "").encode("utf-8") for value in values]
    ends = np.cumsum([0, *map(len, coded)], dtype=np.int32)
    there = _bits(np.array([value is not None for value in values], dtype=np.bool_))
    buffers = [there, pa.py_buffer(ends), pa.py_buffer(b"".join(coded))]
    return pa.Array.from_buffers(pa.string(), len(coded), buffers)


def _plain(values: list[Any], column: Figure) -> Any:  # noqa: ANN401 - as above
    known = [None if isinstance(value, float) and not math.isfinite(value) else value for value in values]
    fitting, dtype = _KINDS[column.kind]
    for value in known:
        if not (
            value is None or (isinstance(value, fitting) and isinstance(value, bool) == (dtype is np.bool_))
        ):
            raise TypeError(f"{column.name}: {value!r} is no {column.kind}")
    if column.kind == "string":
        return texts_array(known)
    filled: NDArray[Any] = np.array([dtype(0) if value is None else value for value in known], dtype=dtype)
    return numbers(filled, np.array([value is not None for value in known], dtype=np.bool_))


def _bits(truths: NDArray[np.bool_]) -> Any:  # noqa: ANN401 - as above
    import pyarrow as pa  # noqa: PLC0415 - as above

    return pa.py_buffer(np.packbits(truths, bitorder="little"))
