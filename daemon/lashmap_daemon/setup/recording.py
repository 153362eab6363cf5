"""From the models of the files to the plain values of the record: the one place where they meet."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from types import UnionType
from typing import Any, TypeVar, get_args, get_type_hints

from pydantic import BaseModel

Value = TypeVar("Value")


def recorded(kind: type[Value], table: BaseModel) -> Value:
    """What the record keeps of a table of a file: the keys that the record has, whatever else is there.

    Args:
        kind: A frozen dataclass of `story.recorded`.
        table: Of a file that was read.
    """
    hints = get_type_hints(kind)
    return kind(**{one.name: _value(hints[one.name], getattr(table, one.name)) for one in fields(kind)})  # type: ignore[arg-type]  # a dataclass


def _value(hint: Any, value: Any) -> Any:  # noqa: ANN401 - whatever stands in a file
    if isinstance(value, BaseModel):
        some = get_args(hint) if isinstance(hint, UnionType) else (hint,)
        return recorded(next(one for one in some if is_dataclass(one)), value)  # type: ignore[arg-type]  # a type
    return tuple(value) if isinstance(value, list) else value
