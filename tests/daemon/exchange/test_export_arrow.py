"""Arrays laid over memory by hand are those that pyarrow makes itself of the same values."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_analysis.tables import Figure, Kind, Table
from lashmap_daemon.exchange.arrow import arrow_rows, numbers, schema_of, texts_array


def table_of(kind: Kind) -> Table:
    return Table(name="made", meaning="", key=(), columns=(Figure(name="x", kind=kind, meaning=""),))


def same(ours: Any, theirs: Any) -> None:  # noqa: ANN401 - pyarrow has no types
    ours.validate(full=True)
    assert ours.equals(theirs)
    assert ours.null_count == theirs.null_count


@given(st.lists(st.none() | st.text()))
def test_texts(values: list[str | None]) -> None:
    same(texts_array(values), pa.array(values, type=pa.string()))


@given(st.lists(st.tuples(st.integers(-(2**63), 2**63 - 1), st.booleans())))
def test_integers_some_of_them_missing(values: list[tuple[int, bool]]) -> None:
    whole = np.array([value for value, _ in values], dtype=np.int64)
    known = np.array([one for _, one in values], dtype=np.bool_)
    same(numbers(whole, known), pa.array(whole, mask=~known))
    same(numbers(whole[::2]), pa.array(whole[::2].copy()))


@given(st.lists(st.tuples(st.floats(allow_nan=False), st.booleans(), st.booleans())))
def test_floats_and_truths(values: list[tuple[float, bool, bool]]) -> None:
    some, true, known = (np.array([one[index] for one in values]) for index in range(3))
    known = known.astype(np.bool_)
    same(numbers(some.astype(np.float64), known), pa.array(some.astype(np.float64), mask=~known))
    same(numbers(true.astype(np.bool_), known), pa.array(true.astype(np.bool_), mask=~known))


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        ("string", ["", "a"]),
        ("integer", [1, None, -(2**60)]),
        ("number", [1, None, 2.5]),
        ("boolean", [True, None, False]),
    ],
)
def test_plain_values_of_every_kind(kind: Kind, values: list[object]) -> None:
    table = table_of(kind)
    made = arrow_rows(table, {"x": values}, schema_of(table, coded=False))
    assert made.column("x").to_pylist() == values


def test_a_number_that_is_not_finite_is_missing() -> None:
    table = table_of("number")
    made = arrow_rows(table, {"x": [np.inf, np.nan, 1.0]}, schema_of(table, coded=False))
    assert made.column("x").to_pylist() == [None, None, 1.0]


@pytest.mark.parametrize(
    ("kind", "value"),
    [("integer", 1.5), ("integer", "1"), ("integer", True), ("number", "1.5"), ("boolean", 1), ("string", 1)],
)
def test_a_value_of_another_kind_is_not_made_to_fit(kind: Kind, value: object) -> None:
    table = table_of(kind)
    with pytest.raises(TypeError, match=r"x: .* is no "):
        arrow_rows(table, {"x": [None, value]}, schema_of(table, coded=False))
