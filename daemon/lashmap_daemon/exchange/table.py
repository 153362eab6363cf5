"""The columns of a recording, checked: every time later than the one before, every cell a number or missing.

Decided here: what is read and what is refused. A refusal names file, row and column; nothing is repaired,
since a repaired recording would no longer be what was recorded.
"""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from lashmap_drivers.readings import Floats

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.arrow import arrow
from lashmap_daemon.setup.mapping_file import Mapping

SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0}
SLOWEST_S = 1.0  # between samples; a dwell of a hand-rocked test holds no more than a few seconds
_MOST_ROWS = 10_000_000  # a few packed bytes can stand for all the memory there is
_NUMBER = re.compile(r"\s*[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?\s*")


@dataclass(frozen=True, kw_only=True)
class Column:
    """The samples of one instrument.

    Attributes:
        time_s: Shape (n,), seconds since the recording began.
        texts: The n numbers as they stand in the file.
    """

    time_s: Floats
    texts: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Recording:
    """What was read.

    Attributes:
        first_s: Time of the first row on the file's own axis, in seconds; nan for ISO 8601.
        time_s: Shape (n,), of every row, seconds since the first.
        indicator: Its samples.
        encoder: Its samples; None without an encoder.
        engagements: Shape (n,), of every row, nan between rocks; None when no column names them.
    """

    first_s: float
    time_s: Floats
    indicator: Column
    encoder: Column | None
    engagements: Floats | None


def read(path: Path, data: bytes, mapping: Mapping) -> Recording:
    """Read a recording.

    Args:
        path: The file; only its name is used.
        data: What it holds.
        mapping: How to read it.

    Raises:
        ConfigurationError: When it cannot be read, lacks a column, its times do not increase, or a cell is
            neither a number nor declared missing.
    """
    wanted = [mapping.time.column, mapping.indicator.column]
    wanted += [mapping.encoder.column] if mapping.encoder else []
    wanted += [mapping.positions.engagement_column] if mapping.positions.engagement_column else []
    by_name, rows = (
        _parquet(path, data, wanted) if path.suffix == ".parquet" else _text(path, data, wanted, mapping)
    )
    if len(rows) < 2:
        raise _refusal(path, f"holds {len(rows)} rows of samples; check file.path and file.skip_lines")
    missing = frozenset(mapping.file.missing)
    first_s, time_s = _times(path, by_name[mapping.time.column], rows, mapping)

    def column(name: str) -> Column:
        decimal = mapping.decimal
        for cell, row in zip(by_name[name], rows, strict=True):
            if cell not in missing and math.isnan(number(cell, decimal)):
                problem = (
                    f"row {row}, column {name}: {cell!r} is no number; where it means that there was no "
                    "sample, add it to file.missing"
                )
                raise _refusal(path, problem)
        kept = [at for at, cell in enumerate(by_name[name]) if cell not in missing]
        if not kept:
            raise _refusal(path, f"column {name}: holds no number at all")
        return Column(time_s=time_s[kept], texts=tuple(by_name[name][at] for at in kept))

    labels = mapping.positions.engagement_column
    return Recording(
        first_s=first_s,
        time_s=time_s,
        indicator=column(mapping.indicator.column),
        encoder=column(mapping.encoder.column) if mapping.encoder else None,
        engagements=_engagements(path, labels, by_name[labels], rows, missing) if labels else None,
    )


def number(text: str, decimal: str) -> float:
    """The value of a cell; nan when it holds no plain, finite number."""
    other = "." if decimal == "," else ","  # may divide thousands, so that 1.234 would mean 1234: not guessed
    if not _NUMBER.fullmatch(text) or other in text:
        return math.nan
    value = float(text.replace(decimal, "."))
    return value if math.isfinite(value) else math.nan


def _refusal(path: Path, problem: str) -> ConfigurationError:
    return ConfigurationError(str(path), [problem])


def _text(
    path: Path, data: bytes, wanted: list[str], mapping: Mapping
) -> tuple[dict[str, list[str]], Sequence[int]]:
    table = mapping.file
    try:
        text = data.decode("utf-8-sig")
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=table.separator))
    except (UnicodeDecodeError, csv.Error) as error:
        raise _refusal(
            path, f"cannot be read ({error}); check file.path and that it is UTF-8 text"
        ) from error
    header = [cell.strip() for cell in (lines[table.skip_lines] if len(lines) > table.skip_lines else [])]
    _check_columns(path, header, wanted)
    first = table.skip_lines + 1 + table.skip_after
    kept = [(at + 1, row) for at, row in enumerate(lines[first:], first) if any(cell.strip() for cell in row)]
    for at, row in kept:
        if len(row) != len(header):
            raise _refusal(
                path, f"row {at}: has {len(row)} columns, the header has {len(header)}; correct it"
            )
    places = {name: header.index(name) for name in wanted}
    return (
        {name: [row[place].strip() for _, row in kept] for name, place in places.items()},
        [at for at, _ in kept],
    )


def _parquet(path: Path, data: bytes, wanted: list[str]) -> tuple[dict[str, list[str]], Sequence[int]]:
    if arrow() is None:
        problem = "reading Parquet needs the package pyarrow; install it with: pip install 'lashmap[export]'"
        raise _refusal(path, problem)
    import pyarrow as pa  # noqa: PLC0415 - heavy, and not everybody has it
    from pyarrow import parquet  # noqa: PLC0415 - as above

    try:
        described = parquet.ParquetFile(pa.BufferReader(data))
        _check_columns(path, list(described.schema_arrow.names), wanted)
        if described.metadata.num_rows > _MOST_ROWS:
            problem = (
                f"holds {described.metadata.num_rows} rows, at most {_MOST_ROWS} are read; import a part"
            )
            raise _refusal(path, problem)
        table = described.read(columns=sorted(set(wanted)))
    except (OSError, pa.ArrowException) as error:
        raise _refusal(path, f"cannot be read as Parquet: {error}") from error

    def shown(value: object) -> str:
        if value is None:
            return ""
        return value.isoformat() if isinstance(value, dt.datetime) else str(value)

    cells = {name: [shown(value) for value in table.column(name).to_pylist()] for name in set(wanted)}
    return cells, range(1, table.num_rows + 1)


def _check_columns(path: Path, header: list[str], wanted: list[str]) -> None:
    problems = []
    for name in dict.fromkeys(wanted):
        count = header.count(name)
        if count > 1:
            problems.append(f"has {count} columns named {name!r}; name them apart")
        elif not count:
            near = difflib.get_close_matches(name, header, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}?" if near else f"it has: {', '.join(header) or 'none'}"
            problems.append(f"has no column {name!r}; {hint}")
    if problems:
        raise ConfigurationError(str(path), problems)


def _times(path: Path, cells: list[str], rows: Sequence[int], mapping: Mapping) -> tuple[float, Floats]:
    unit = mapping.time.unit
    if unit == "iso 8601":
        moments = [_moment(path, cell, row) for cell, row in zip(cells, rows, strict=True)]
        first, since = math.nan, np.array([(moment - moments[0]).total_seconds() for moment in moments])
    else:
        own = np.array([number(cell, mapping.decimal) for cell in cells])
        bad = np.flatnonzero(np.isnan(own))
        if bad.size:
            at = int(bad[0])
            raise _refusal(path, f"row {rows[at]}, column {mapping.time.column}: {cells[at]!r} is no time")
        first, since = float(own[0]) * SECONDS[unit], (own - own[0]) * SECONDS[unit]
    later = np.diff(since)
    if not np.all(later > 0):
        at = int(np.flatnonzero(later <= 0)[0]) + 1
        problem = (
            f"row {rows[at]}: its time {cells[at]} is not later than {cells[at - 1]} before it; times "
            "must increase. Sort the rows or remove the doubled ones"
        )
        raise _refusal(path, problem)
    if float(np.median(later)) > SLOWEST_S:
        problem = (
            f"samples would be {float(np.median(later)):.3g} s apart, too far to see a rock; time.unit says "
            f"{unit!r}: is that right?"
        )
        raise _refusal(path, problem)
    return first, since


def _moment(path: Path, cell: str, row: int) -> dt.datetime:
    try:
        moment = dt.datetime.fromisoformat(cell)
    except ValueError:
        raise _refusal(path, f"row {row}: {cell!r} is no ISO 8601 time; change time.unit") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC)


def _engagements(
    path: Path, name: str, cells: list[str], rows: Sequence[int], missing: frozenset[str]
) -> Floats:
    def whole(cell: str, row: int) -> float:
        value = number(cell, ".")
        if math.isnan(value) or value != round(value):
            raise _refusal(path, f"row {row}, column {name}: {cell!r} is no whole number of gear teeth")
        return value

    return np.array(
        [
            math.nan if cell in missing or not cell else whole(cell, row)
            for cell, row in zip(cells, rows, strict=True)
        ]
    )
