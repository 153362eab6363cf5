"""What pydantic found wrong, in our words: its own prefixes say nothing to whoever reads the message.

The command line's own checks of its options use pydantic too, so the sentences come through here as well.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from itertools import groupby
from pathlib import Path
from typing import Any, TypeVar

from lashmap_drivers.ports.regular_file import FileRefused, read_regular
from lashmap_drivers.profile import MM_PER_INCH
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup.free_text import FROM_FILE
from lashmap_daemon.setup.toml_mistakes import another_file, meant, other_kind, without_mark

# Before the text of a ValueError that a check raised; added by pydantic 2.
_OF_A_CHECK = "Value error, "
_OF_A_TYPE = "Input should be "
_OF_A_LIST = re.compile(r"List should have (at (?:least|most) \d+) items? after validation, not (\d+)")


def in_our_words(message: str) -> str:
    """The sentence of one problem without pydantic's prefixes."""
    if counted := _OF_A_LIST.fullmatch(message):
        return f"expected {counted[1]} values, not {counted[2]}"
    if message.startswith(_OF_A_TYPE):
        return f"expected {message.removeprefix(_OF_A_TYPE)}"
    return message.removeprefix(_OF_A_CHECK)


def problem_of(detail: Mapping[str, object], *, before: str = "") -> str:
    """Key and sentence of one problem.

    Args:
        detail: One of `pydantic.ValidationError.errors`.
        before: Stands before the key, such as the option that it was given with.
    """
    where = detail["loc"]
    key = ".".join(str(part) for part in where) if isinstance(where, tuple) else ""
    sentence = in_our_words(str(detail["msg"]))
    return f"{before}{key}: {sentence}" if before or key else sentence


# A TOML file becomes a checked model, or an error that names file, key, what was found and expected.
#
# Lengths may be written in mm or in inches: any key that ends in ``_in`` is read as inches and stored under
# the same name ending in ``_mm``, unless it holds true or false, which is no length.


Model = TypeVar("Model", bound=BaseModel)

MOST_BYTES = 1_000_000  # a hundred times the longest that we know
_MOST_SHOWN = 200
# Kinds that a key takes one of, as pydantic names them behind the key; no key of ours is called so.
_KIND = re.compile(r"literal\[|(?:constrained-)?(?:float|int|str)$")


def load(path: Path, model: type[Model]) -> Model:
    """Read ``path`` and check it against ``model``.

    Raises:
        ConfigurationError: When the file is missing, is not TOML, or any key is wrong; all problems at once.
    """
    try:
        text = read_regular(path, MOST_BYTES).decode("utf-8").replace("\r\n", "\n")
    except FileRefused as error:
        raise ConfigurationError(str(path), [str(error)]) from None
    except UnicodeDecodeError as error:
        raise ConfigurationError(str(path), [f"is no TOML file in UTF-8: {error}"]) from error
    return parse(text, str(path), model)


def parse(text: str, name: str, model: type[Model]) -> Model:
    """Check TOML ``text``, called ``name`` in messages, against ``model``.

    Raises:
        ConfigurationError: As `load`.
    """
    text = without_mark(text)
    problems: list[str] = []
    inches: set[str] = set()
    try:
        tree = _inches_to_mm(tomllib.loads(text), "", problems, inches)
    except RecursionError:
        problem = "holds hundreds of tables or lists inside each other; write them flat"
        raise ConfigurationError(name, [problem]) from None
    except ValueError as error:  # also a number of thousands of digits
        raise ConfigurationError(name, [meant(text, str(error))]) from error
    try:
        checked = model.model_validate(tree, context=FROM_FILE)
    except ValidationError as error:
        another = another_file(tree, frozenset(model.model_fields))
        problems += [another] if another else _sentences(error.errors(), model)
    else:
        if not problems:
            return checked
    raise ConfigurationError(name, [_as_written(problem, inches) for problem in problems])


def _as_written(problem: str, inches: set[str]) -> str:
    """The problem with its key as the person wrote it, where that was in inches."""
    key, colon, rest = problem.partition(": ")
    return f"{key.removesuffix('_mm')}_in{colon}{rest}" if key in inches else problem


def _inches_to_mm(
    table: Mapping[str, Any], prefix: str, problems: list[str], inches: set[str]
) -> dict[str, Any]:
    """The tables with lengths in mm; the keys that were in inches go to ``inches``, as they are now."""
    converted: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, dict):
            converted[key] = _inches_to_mm(value, f"{prefix}{key}.", problems, inches)
        elif key.endswith("_in") and not isinstance(value, bool):  # a yes or no is no length
            metric = key.removesuffix("_in") + "_mm"
            if metric in table:
                problems.append(f"{prefix}{key}: {metric} is given too; keep one of them")
            else:
                inches.add(prefix + metric)
            converted[metric] = _in_mm(value)
        else:
            converted[key] = value
    return converted


def _in_mm(value: Any) -> Any:  # noqa: ANN401 - whatever the file holds
    """Numbers and lists of numbers in inches become mm; anything else is left for the model to refuse."""
    if isinstance(value, list):
        return [_in_mm(one) for one in value]
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    try:
        return value * MM_PER_INCH if is_number else value
    except OverflowError:  # a whole number of hundreds of digits: no length, and the model says so
        return math.inf


def _sentences(details: Iterable[Any], model: type[BaseModel]) -> list[str]:
    """One sentence for each problem: a key that takes a word or a number is one, not one for each kind."""
    sentences: list[str] = []
    for where, group in groupby(details, key=_key_of):
        several = list(group)
        if len(several) == 1 and where == several[0]["loc"]:
            sentences += _sentence(several[0], model).splitlines()
            continue
        kinds = (in_our_words(str(one["msg"])).removeprefix("expected ") for one in several)
        found = _shown(several[0].get("input"))
        sentences.append(f"{'.'.join(map(str, where))}: expected {', or '.join(kinds)}, got {found}")
    return sentences


def _key_of(detail: Any) -> tuple[object, ...]:  # noqa: ANN401 - pydantic's
    """Where the key is: pydantic appends the kind that it tried where there are several."""
    where: tuple[object, ...] = detail["loc"]
    return where[:-1] if where and _KIND.match(str(where[-1])) else where


def _sentence(detail: Any, model: type[BaseModel]) -> str:  # noqa: ANN401 - pydantic's
    path = [str(part) for part in detail["loc"]]
    key = ".".join(path)
    found = detail.get("input")
    match detail["type"]:
        case "missing":
            return f"{key}: is missing; add it{_hint(path, model)}"
        case "extra_forbidden":
            return f"{key}: unknown key{_nearest(path, model)}"
        case "model_type" | "dict_type":
            return f"{key}: expected a table [{key}], got {_shown(found)}"
    message = in_our_words(str(detail["msg"]))
    if detail["type"] == "value_error":
        return f"{key}: {message}" if key else message
    how = other_kind(path[-1], found, detail["type"]) if detail["type"].endswith("_type") else ""
    return f"{key}: expected {message.removeprefix('expected ')}, got {_shown(found)}{how}"


def _shown(found: object) -> str:
    """What was found, cut where it is long."""
    text = repr(found)
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}…"


def _fields(path: list[str], model: type[BaseModel]) -> Mapping[str, FieldInfo] | None:
    """The keys of the table that the last part of ``path`` stands in; None when there is no such table."""
    fields: Mapping[str, FieldInfo] = model.model_fields
    for part in path[:-1]:
        inner = fields[part].annotation if part in fields else None
        inner = next((a for a in (inner, *getattr(inner, "__args__", ())) if _is_model(a)), None)
        if inner is None:
            return None
        fields = inner.model_fields
    return fields


def _hint(path: list[str], model: type[BaseModel]) -> str:
    """What the table says of a key that was left out, in brackets."""
    field = (_fields(path, model) or {}).get(path[-1])
    return f" ({field.description})" if field is not None and field.description else ""


def _nearest(path: list[str], model: type[BaseModel]) -> str:
    """Names the key that was probably meant."""
    fields = _fields(path, model)
    if fields is None:
        return "; remove it"
    close = difflib.get_close_matches(path[-1], fields, n=1, cutoff=0.5)
    return f"; did you mean {close[0]}?" if close else f"; known here: {', '.join(fields)}"


def _is_model(kind: object) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)
