"""What is asked of a store: questions as SQL files, answered by DuckDB over the Parquet files that count.

A question is a file of `questions/`: its first comment is the question, the next lines say how it is meant.
Anybody can copy one and change it; ``lashmap fleet sql`` shows the same tables. Where a row has a statistic
``t`` with its ``degrees_of_freedom``, two columns are added, and the strongest rows stand first: ``p``
(two-sided, Student), and ``q``, the share of false alarms to be expected when this row and all stronger ones
are believed (Benjamini & Hochberg, J. R. Statist. Soc. B 57, 1995, the step-up procedure): of a thousand
stands fifty have p below 0.05 by chance.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np
from lashmap_analysis.uncertainty.students_t import probability

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.fleet.store import Store, StoreError, arrow_schema
from lashmap_daemon.fleet.tables import TABLES

if TYPE_CHECKING:
    import duckdb
    from numpy.typing import NDArray

_MEMORY = "400MB"
# The newest result as recorded of each test, so that a test counts once however often it was concluded.
_RECORDED = """
CREATE VIEW recorded AS
SELECT * FROM results WHERE how = 'recorded'
QUALIFY row_number() OVER (PARTITION BY day, test ORDER BY utc DESC, id DESC) = 1
"""


@dataclass(frozen=True, kw_only=True)
class Question:
    """A question that lashmap ships.

    Attributes:
        name: Of its file, without its ending.
        asks: The question.
        meant: How it is meant, and what the columns rest on.
        sql: The whole file.
    """

    name: str
    asks: str
    meant: str
    sql: str


@dataclass(frozen=True, kw_only=True)
class Answer:
    """The rows of an answer; times are aware of UTC."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]


def questions() -> dict[str, Question]:
    """Every question, by name."""
    found = {}
    for one in sorted(files(__package__).joinpath("questions").iterdir(), key=lambda one: one.name):
        if not one.name.endswith(".sql"):
            continue
        sql = one.read_text(encoding="utf-8")
        words = [line.removeprefix("-- ") for line in sql.splitlines() if line.startswith("-- ")]
        name = one.name.removesuffix(".sql")
        found[name] = Question(name=name, asks=words[0], meant=" ".join(words[1:]), sql=sql)
    return found


def opened(store: Store) -> duckdb.DuckDBPyConnection:
    """DuckDB with a view for each table of the store as it stands now, and the view ``recorded``.

    Raises:
        StoreError: The store cannot be read.
    """
    import duckdb  # noqa: PLC0415 - optional and slow

    base = duckdb.connect()
    base.execute(f"SET memory_limit = '{_MEMORY}'")
    base.execute("SET TimeZone = 'UTC'")
    base.execute("SET enable_progress_bar = false")  # it would stand between the lines of a pipe
    for name, table in TABLES.items():
        places = store.files(name)
        columns = ", ".join(f'"{column.name}"' for column in table.columns)
        if places and all(map(_is_local, places)):
            listed = ", ".join(f"'{_quoted(place)}'" for place in places)
            source = f"read_parquet([{listed}], hive_partitioning = true, hive_types = {{'day': DATE}})"
        else:
            # DuckDB opens no object storage without an extension that it would fetch from the network.
            source = f"arrow_{name}"
            base.register(source, store.dataset(name) if places else arrow_schema(table).empty_table())
        base.execute(f"CREATE VIEW {name} AS SELECT {columns} FROM {source}")  # noqa: S608 - names of ours, quoted places
    base.execute(_RECORDED)
    return base


def _is_local(place: str) -> bool:
    return "://" not in place or place.startswith("file://")


def _quoted(place: str) -> str:
    return place.removeprefix("file://").replace("'", "''")


def ask(store: Store, question: Question, *, since: dt.date, until: dt.date, check: str) -> Answer:
    """Answer a question.

    Args:
        store: Open.
        question: Which.
        since: First day of tests that count.
        until: Last day.
        check: How the serial numbers of check standards begin.

    Raises:
        StoreError: The store cannot be read.
    """
    given = {"since": since, "until": until, "check": check}
    return run(
        store, question.sql, {name: value for name, value in given.items() if f"${name}" in question.sql}
    )


def run(store: Store, sql: str, given: dict[str, Any] | None = None) -> Answer:
    """Answer any SQL.

    Raises:
        StoreError: The store cannot be read.
        ConfigurationError: The SQL cannot be understood, or asks for more than there is.
    """
    import duckdb  # noqa: PLC0415 - optional and slow

    with opened(store) as base:
        try:
            asked = base.execute(sql, given or {})
            columns = tuple(one[0] for one in asked.description or ())
            rows = tuple(asked.fetchall())
        except duckdb.IOException as error:
            raise StoreError(f"{store.place}: a file of it cannot be read ({_line(error)})") from error
        except duckdb.Error as error:
            raise ConfigurationError("SQL", [_line(error)]) from error
    return with_alarms(Answer(columns=columns, rows=rows))


def _line(error: Exception) -> str:
    return str(error).strip().partition("\n")[0]


def with_alarms(answer: Answer) -> Answer:
    """Put ``p`` and ``q`` beside every ``t`` with its ``degrees_of_freedom``; others stay as they are."""
    if not {"t", "degrees_of_freedom"} <= set(answer.columns):
        return answer
    t_at, freedom_at = answer.columns.index("t"), answer.columns.index("degrees_of_freedom")
    p = np.array([_two_sided(row[t_at], row[freedom_at]) for row in answer.rows], dtype=np.float64)
    q = false_alarms(p)
    return Answer(
        columns=(*answer.columns, "p", "q"),
        rows=tuple(
            (*answer.rows[at], _or_none(p[at]), _or_none(q[at])) for at in np.argsort(p, kind="stable")
        ),
    )


def _two_sided(t: float | None, freedom: float | None) -> float:
    if t is None or freedom is None or not math.isfinite(t) or freedom < 1:
        return math.nan
    return 2.0 * (1.0 - probability(abs(t), freedom))


def _or_none(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def false_alarms(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Benjamini and Hochberg's adjusted p-values.

    Args:
        p: Shape (n,); nan where none is known, which counts as no comparison.

    Returns:
        Shape (n,): the least false discovery rate at which each would be among the alarms.
    """
    q = np.full(len(p), np.nan)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    stepped = p[order] * len(order) / np.arange(1, len(order) + 1)
    q[order] = np.minimum(np.minimum.accumulate(stepped[::-1])[::-1], 1.0)
    return q
