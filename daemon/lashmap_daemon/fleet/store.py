"""The store: Parquet files under Delta tables, so that any number of gatherers may write it at once.

Delta Lake (an open standard; the library delta-rs) decides which files count: a commit is there whole or not
at all, also on object storage, and of two that would add the same row one is done again after the other. Rows
are merged by their keys, so a record that comes twice stands in its table once. A row that is there with
other content is never replaced: what came later is handed back, to be quarantined.

The tables are divided by day and not by stand: of a thousand stands that would be 365,000 files a year for
each table, and opening them takes longer than reading them. Within a day the rows are put in the order of
the stands when it is over, so that a question about one of them reads little.
"""

from __future__ import annotations

import datetime as dt
import json
import random
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lashmap_daemon.errors import ConfigurationError, LashmapError
from lashmap_daemon.fleet.rows import Row, Rows
from lashmap_daemon.fleet.tables import TABLES, VERSION, Column, StoreTable

if TYPE_CHECKING:
    import pyarrow as pa
    from deltalake import DeltaTable

_TRIES = 12  # a merge that another gatherer came before; each waits a little longer
_FILES_A_DAY = 40  # small ones, before they are made into one
_KEPT_HOURS = 24  # files that do not count any more, for questions that still read them
# A test is refused as a whole before anything of it is merged, so what says whose it is comes first.
_ORDER: Final = ("tests", "results", *(name for name in TABLES if name not in {"tests", "results"}))


class StoreError(LashmapError):
    """The store cannot be used as it is."""


@dataclass(frozen=True, kw_only=True)
class Given:
    """One record with its rows, and what it is quarantined as when they do not fit what is there.

    Attributes:
        place: Topic or file that it came from.
    """

    rows: Rows
    place: str
    payload: bytes


@dataclass(frozen=True, kw_only=True)
class Added:
    """What became of some records.

    Attributes:
        inserted: New rows by table.
        contradicting: Records whose rows are there with other content, with what differs.
    """

    inserted: dict[str, int]
    contradicting: tuple[tuple[Given, str], ...]


class Store:
    """The tables at one place: a folder, or a URL of object storage (``s3://bucket/folder``).

    Credentials of object storage come from the environment, as delta-rs takes them (``AWS_…``).

    Args:
        place: Folder or URL.
        create: Make the tables that are missing.

    Raises:
        ConfigurationError: The packages of the extra are not installed.
        StoreError: There is no store, or one of another version.
    """

    def __init__(self, place: str, *, create: bool) -> None:
        self.place = place.rstrip("/")
        self._tables: dict[str, DeltaTable] = {}
        with naming(self.place):
            for name in TABLES:
                self._tables[name] = self._opened(name, create=create)

    def _opened(self, name: str, *, create: bool) -> DeltaTable:
        from deltalake import DeltaTable  # noqa: PLC0415 - optional and slow

        place = f"{self.place}/{name}"
        if not DeltaTable.is_deltatable(place):
            if not create:
                raise StoreError(f"{self.place}: is no store of lashmap; make one with: lashmap gather")
            # Two may make it at once: it is there afterwards, whoever was first.
            DeltaTable.create(
                place,
                schema=arrow_schema(TABLES[name]),
                partition_by=["day"],
                mode="ignore",
                name=f"lashmap {name}",
                description=json.dumps({"lashmap store": VERSION, "meaning": TABLES[name].meaning}),
            )
        table = DeltaTable(place)
        try:
            version = json.loads(table.metadata().description)["lashmap store"]
        except (ValueError, KeyError, TypeError):
            raise StoreError(f"{place}: is a table that lashmap did not make; name another place") from None
        if version != VERSION:
            raise StoreError(
                f"{self.place}: is of version {version}, this program reads version {VERSION}; gather into a "
                "new one, from the same logbooks and archives"
            )
        return table

    def add(self, given: Sequence[Given]) -> Added:
        """Merge records; those that are there already change nothing.

        Raises:
            StoreError: It cannot be written.
        """
        inserted: dict[str, int] = {}
        with naming(self.place):
            refused = dict(self._of_others(given))
            for name in _ORDER:
                rows = [
                    (number, row)
                    for number, one in enumerate(given)
                    if number not in refused
                    for table, row in one.rows.rows
                    if table == name
                ]
                if rows:
                    inserted[name], wrong = self._merge(TABLES[name], rows)
                    refused |= wrong
        contradicting = tuple((given[number], why) for number, why in sorted(refused.items()))
        return Added(inserted=inserted, contradicting=contradicting)

    def quarantine(self, rows: Sequence[Row]) -> None:
        """Keep what was not merged.

        Raises:
            StoreError: It cannot be written.
        """
        with naming(self.place):
            self._merge(TABLES["quarantine"], [(0, row) for row in rows])

    def columns(self, name: str, *columns: str) -> list[tuple[Any, ...]]:
        """Columns of all rows of a table.

        Raises:
            StoreError: It cannot be read.
        """
        with naming(self.place):
            found = self._fresh(name).to_pyarrow_table(columns=list(columns))
        return list(zip(*(found[one].to_pylist() for one in columns), strict=True))

    def files(self, name: str) -> list[str]:
        """Places of the Parquet files of a table that count now."""
        with naming(self.place):
            return list(self._fresh(name).file_uris())

    def dataset(self, name: str) -> Any:  # noqa: ANN401 - pyarrow has no types
        """A table as it stands now, to be read through Arrow; serves where DuckDB cannot open the files."""
        with naming(self.place):
            return self._fresh(name).to_pyarrow_dataset()

    def tidy(self, today: dt.date) -> None:
        """Make the small files of each day into large ones; days that are over are put in order.

        Another gatherer may do the same at the same moment: then one of both finds nothing left to do.
        """
        for name, table in TABLES.items():
            handle = self._fresh(name)
            for day, files in sorted(_by_day(handle).items()):
                over = day < today
                if files < (2 if over else _FILES_A_DAY):
                    continue
                chosen = [("day", "=", day.isoformat())]
                with suppress(_commit_failed()):
                    if over and "stand" in {column.name for column in table.columns}:
                        handle.optimize.z_order(["stand", "test"], partition_filters=chosen)
                    else:
                        handle.optimize.compact(partition_filters=chosen)
                handle = self._fresh(name)
            with suppress(_commit_failed()):
                handle.vacuum(retention_hours=_KEPT_HOURS, enforce_retention_duration=False, dry_run=False)
                handle.create_checkpoint()
                handle.cleanup_metadata()

    def _fresh(self, name: str) -> DeltaTable:
        table = self._tables[name]
        table.update_incremental()
        return table

    def _of_others(self, given: Sequence[Given]) -> list[tuple[int, str]]:
        """Records of tests that are known as another stand's."""
        named = sorted({(row["day"], row["test"]) for one in given for _, row in one.rows.rows})
        owner = dict(self._read(TABLES["tests"], named, ("test", "stand")))
        return [
            (number, f"test {one.rows.test} is known as of stand {owner[one.rows.test]}")
            for number, one in enumerate(given)
            if owner.get(one.rows.test, one.rows.rows[0][1]["stand"]) != one.rows.rows[0][1]["stand"]
        ]

    def _merge(self, table: StoreTable, rows: list[tuple[int, Row]]) -> tuple[int, dict[int, str]]:
        """Insert what is not there; how many, and which records do not fit what is there."""
        first: dict[tuple[Any, ...], tuple[int, Row]] = {}
        wrong: dict[int, str] = {}
        for number, row in rows:
            known = first.setdefault(_key(table, row), (number, row))
            if _as_kept(table, known[1]) != _as_kept(table, row):
                wrong[number] = f"another record of the same name came with it ({_name(table, row)})"
        fresh = [row for number, row in first.values() if number not in wrong]
        if not fresh:
            return 0, wrong
        inserted = self._insert(table, fresh)
        if inserted < len(fresh):
            named = sorted({_where(table, row) for row in fresh})
            names = tuple(column.name for column in table.columns)
            there = {
                _key(table, row): row
                for row in (dict(zip(names, one, strict=True)) for one in self._read(table, named, names))
            }
            for number, row in rows:
                known_row = there.get(_key(table, row))
                if number in wrong or known_row is None:
                    continue
                differs = _difference(table, known_row, row)
                if differs:
                    wrong[number] = f"{_name(table, row)} is there already with another {', '.join(differs)}"
        return inserted, wrong

    def _insert(self, table: StoreTable, rows: list[Row]) -> int:
        source = arrow_of(table, rows)
        where = _any_of(table, {_where(table, row) for row in rows})
        same = " AND ".join(f"target.{name} = source.{name}" for name in ("day", *table.key))
        for attempt in range(1, _TRIES + 1):
            handle = self._fresh(table.name)
            try:
                done = (
                    handle.merge(
                        source,
                        predicate=f"{where} AND {same}",
                        source_alias="source",
                        target_alias="target",
                    )
                    .when_not_matched_insert_all()
                    .execute()
                )
            except _commit_failed():
                if attempt == _TRIES:
                    raise
                time.sleep(random.uniform(0.0, 0.02 * 2**attempt))  # noqa: S311 - it spreads two gatherers
                continue
            return int(done["num_target_rows_inserted"])
        raise AssertionError

    def _read(
        self, table: StoreTable, named: Iterable[tuple[dt.date, str]], columns: tuple[str, ...]
    ) -> list[tuple[Any, ...]]:
        """Columns of the rows of some tests (of the quarantine: of some digests)."""
        from deltalake import QueryBuilder  # noqa: PLC0415 - optional and slow

        wanted = set(named)
        if not wanted:
            return []
        asked = QueryBuilder().register("target", self._fresh(table.name))
        where = _any_of(table, wanted)
        found = asked.execute(f"SELECT {', '.join(columns)} FROM target WHERE {where}").read_all()  # noqa: S608 - names of ours, and tests whose names were held against a pattern
        return list(zip(*(found.column(name).to_pylist() for name in columns), strict=True))


def _by_day(handle: DeltaTable) -> dict[dt.date, int]:
    """How many files each day has."""
    count: defaultdict[dt.date, int] = defaultdict(int)
    for uri in handle.file_uris():
        day = uri.rpartition("/day=")[2].partition("/")[0]
        with suppress(ValueError):
            count[dt.date.fromisoformat(day)] += 1
    return count


def _names_it(table: StoreTable) -> str:
    return "digest" if table.name == "quarantine" else "test"


def _where(table: StoreTable, row: Row) -> tuple[dt.date, str]:
    return row["day"], row[_names_it(table)]


def _any_of(table: StoreTable, wanted: set[tuple[dt.date, str]]) -> str:
    """Names the files that a merge has to look at: their statistics leave out the others."""
    days = ", ".join(f"DATE '{day}'" for day in sorted({day for day, _ in wanted}))
    names = ", ".join(f"'{name}'" for name in sorted({name for _, name in wanted}))
    return f"target.day IN ({days}) AND target.{_names_it(table)} IN ({names})"


def _key(table: StoreTable, row: Row) -> tuple[Any, ...]:
    return (row["day"], *(row.get(name) for name in table.key))


def _name(table: StoreTable, row: Row) -> str:
    return f"{table.name}: {' '.join(str(row.get(name)) for name in table.key)}"


def _as_kept(table: StoreTable, row: Row) -> Row:
    """A row as it comes back from its table, but for what says only when somebody looked."""
    aside = {"utc", "place"} if table.name in {"sources", "quarantine"} else set()
    return {one.name: _filled(one, row) for one in table.columns if one.name not in aside}


def _difference(table: StoreTable, known: Row, row: Row) -> list[str]:
    there, came = _as_kept(table, known), _as_kept(table, row)
    return [name for name, value in came.items() if there[name] != value]


def _filled(column: Column, row: Row) -> Any:  # noqa: ANN401 - a cell
    """A cell; texts are never missing."""
    value = row.get(column.name)
    if value is None:
        return {"text": "", "texts": []}.get(column.kind)
    return value


def arrow_schema(table: StoreTable) -> pa.Schema:
    """The Arrow schema of a table, each field with its meaning."""
    import pyarrow as pa  # noqa: PLC0415 - optional and slow

    kinds = {
        "text": pa.string(),
        "texts": pa.list_(pa.string()),
        "whole": pa.int64(),
        "number": pa.float64(),
        "yes or no": pa.bool_(),
        "time": pa.timestamp("us", tz="UTC"),
        "day": pa.date32(),
        "bytes": pa.binary(),
    }
    return pa.schema(
        [pa.field(one.name, kinds[one.kind], metadata={"meaning": one.meaning}) for one in table.columns]
    )


def arrow_of(table: StoreTable, rows: Sequence[Row]) -> pa.Table:
    """Rows as an Arrow table."""
    import pyarrow as pa  # noqa: PLC0415 - optional and slow

    schema = arrow_schema(table)
    columns = [
        pa.array([_filled(one, row) for row in rows], type=schema.field(one.name).type)
        for one in table.columns
    ]
    return pa.table(columns, schema=schema)


def _commit_failed() -> type[Exception]:
    """What a commit ends in that another one came before."""
    from deltalake.exceptions import CommitFailedError  # noqa: PLC0415 - optional and slow

    return CommitFailedError


@contextmanager
def naming(place: str) -> Iterator[None]:
    """Name the store in what goes wrong with it.

    Raises:
        ConfigurationError: The packages of the extra are not installed.
        StoreError: Anything else.
    """
    try:
        from deltalake.exceptions import DeltaError  # noqa: PLC0415 - optional and slow
    except ImportError as error:
        problem = f"needs {error.name}, which is not installed; do: pip install 'lashmap[fleet]'"
        raise ConfigurationError("the store", [problem]) from None
    try:
        yield
    except (DeltaError, OSError) as error:
        first = str(error).strip().partition("\n")[0] or type(error).__name__
        raise StoreError(f"{place}: the store cannot be used ({first})") from error
