"""A TOML file becomes a checked model, or an error that names file, key, what was found and expected.

Lengths may be written in mm or in inches: any key that ends in ``_in`` is read as inches and stored under the
same name ending in ``_mm``, unless it holds true or false. Free texts are bounded here, so that a person can
mend the file; a record is read as it is, since an older one may hold more and must stay readable.

Every problem names its key as the file has it, in a person's words, and the right table of a key that
stands in the wrong one. How to write what was meant is said by `hints`.
"""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import tomllib
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from functools import cache
from itertools import groupby
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from lashmap_drivers.ports.regular_file import FileRefused, read_regular
from lashmap_drivers.profile import MM_PER_INCH
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, ValidationInfo
from pydantic.fields import FieldInfo

from lashmap_daemon.clean_text import visible, visible_lines
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import hints
from lashmap_daemon.setup.meanings import meaning
from lashmap_daemon.setup.written_text import NoText, text_of

Model = TypeVar("Model", bound=BaseModel)
Value = TypeVar("Value")

FROM_FILE = {"from a file": True}  # the context in which the texts are bounded

MOST_IN_NAME = 40  # of a serial number in the name of a test, and so of its files (255 bytes on any disk)
MOST_IN_LABEL = 100  # stands on one line of the report
MOST_IN_LINE = 300  # stands in a table of the report
MOST_IN_PATH = 1000  # stands in messages; no path of ours comes near
MOST_IN_REMARK = 1000  # stands on page one of the report, which holds what one page holds


def complaint(text: str, most: int, *, lines: bool = False) -> str | None:
    """What speaks against a text; None when nothing. Line breaks are allowed with ``lines``."""
    if len(text) > most:
        return f"expected at most {most} characters, so that the report has room for it, got {len(text)}"
    shown = visible_lines(text) if lines else visible(text)
    hidden = next((one for one, seen in zip(text, shown, strict=True) if one != seen), "")
    if hidden and hidden in "\b\t\n\f\r\x1b":  # what a backslash and a letter stand for
        return (
            f"holds a character that cannot be shown (U+{ord(hidden):04X}). Does a backslash stand in it? "
            "Write the text between single quotes then, or / in its place; otherwise leave the character out"
        )
    if hidden:
        return f"holds a character that cannot be shown (U+{ord(hidden):04X}); leave it out"
    return None


def _bounded(most: int, *, lines: bool = False) -> Callable[[str, ValidationInfo], str]:
    def check(text: str, info: ValidationInfo) -> str:
        problem = complaint(text, most, lines=lines) if info.context == FROM_FILE else None
        if problem is not None:
            raise ValueError(problem)
        return text

    return check


Label = Annotated[str, AfterValidator(_bounded(MOST_IN_LABEL))]
Line = Annotated[str, AfterValidator(_bounded(MOST_IN_LINE))]
FilePath = Annotated[str, AfterValidator(_bounded(MOST_IN_PATH))]
Remark = Annotated[str, AfterValidator(_bounded(MOST_IN_REMARK, lines=True))]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Table(BaseModel):
    """A table of a file: no other keys, no values of another kind."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)

    @classmethod
    def as_modelled(cls, table: str) -> str:
        """The table of the model that has the keys of a table of the file."""
        return table

    @classmethod
    def as_written(cls, problem: str, tree: dict[str, Any]) -> str:  # noqa: ARG003 - some files need it
        """A problem with its key as the file ``tree`` has it, where that is not where the model has it."""
        return problem

    def to_record(self, kind: type[Value]) -> Value:
        """What the record keeps of it: the keys that ``kind`` has, a dataclass of `story.recorded`."""
        hints = _hints(kind)  # type: ignore[arg-type]  # a class can be a key
        return kind(**{one.name: _kept(hints[one.name], getattr(self, one.name)) for one in fields(kind)})  # type: ignore[arg-type]  # a dataclass


@cache
def _hints(kind: type) -> dict[str, Any]:
    """Found anew they would be half of what `lashmap new` does after each answer."""
    return get_type_hints(kind)


def _kept(hint: Any, value: Any) -> Any:  # noqa: ANN401 - whatever stands in a file
    if isinstance(value, Table):
        some = get_args(hint) if isinstance(hint, UnionType) else (hint,)
        return value.to_record(next(one for one in some if is_dataclass(one)))  # type: ignore[arg-type]  # a type
    return tuple(value) if isinstance(value, list) else value


# Before the text of a ValueError that a check raised; added by pydantic 2.
_OF_A_CHECK = "Value error, "
_OF_A_TYPE = "Input should be "
_OF_A_SIZE = re.compile(r"(Value|List|String) should have at (least|most) (\d+) \w+(?:.*?(\d+))?")
_PLAIN_WORDS = {
    "a valid string": "a text",
    "a valid integer": "a whole number",
    "a valid number": "a number",
    "a valid boolean": "true or false",
    "a valid list": "a list",
    "a valid date": "a date",
    "a valid datetime": "a date with time and offset",
}
_OF_A_BOUND = (
    (re.compile(r"greater than or equal to (\S+)"), r"\1 or more"),
    (re.compile(r"less than or equal to (\S+)"), r"\1 or less"),
    (re.compile(r"greater than (\S+)"), r"more than \1"),
    (re.compile(r"less than (\S+)"), r"less than \1"),
)


def in_our_words(message: str) -> str:
    """The sentence of one problem without pydantic's prefixes, and without a programmer's names of kinds."""
    if sized := _OF_A_SIZE.fullmatch(message):
        kind, bound, count, got = sized.groups()
        if kind == "List":
            return f"expected at {bound} {count} values, not {got}"
        if (bound, count) == ("least", "1"):
            return "expected something, not an empty text"
        return f"expected at {bound} {count} character{'s' if count != '1' else ''}"
    if not message.startswith(_OF_A_TYPE):
        return message.removeprefix(_OF_A_CHECK)
    said = message.removeprefix(_OF_A_TYPE)
    for pattern, ours in _OF_A_BOUND:
        said = pattern.sub(ours, said)
    plain = next((ours for theirs, ours in _PLAIN_WORDS.items() if re.match(rf"{theirs}\b", said)), said)
    return f"expected {plain}"


def problem_of(detail: Mapping[str, object], *, before: str = "") -> str:
    """Key and sentence of one of `pydantic.ValidationError.errors`; ``before`` stands before the key."""
    where = detail["loc"]
    key = ".".join(str(part) for part in where) if isinstance(where, tuple) else ""
    sentence = in_our_words(str(detail["msg"]))
    return f"{before}{key}: {sentence}" if before or key else sentence


_NEEDS_ESCAPE = re.compile(r'[\x00-\x1f\x7f"\\]')


def in_toml(text: str) -> str:
    """A text as a value of a TOML file, whatever it holds."""
    return '"' + _NEEDS_ESCAPE.sub(lambda found: f"\\u{ord(found[0]):04X}", text) + '"'


MOST_BYTES = 1_000_000  # a hundred times the longest that we know
_MOST_SHOWN = 200
# Kinds that a key takes one of, as pydantic names them behind the key; no key of ours is called so.
_KIND = re.compile(r"literal\[|(?:constrained-)?(?:float|int|str)$")
# What the analysis says of a field: it names the field, and not the table of the file.
_OF_A_FIELD = re.compile(r"(?:[a-z_ ]+: )?([a-z][a-z0-9_.]*): (.*)", re.DOTALL)
_TOO_MANY_DIGITS = re.compile(r"\d+\.\d{9,}")
_CLOSE = 0.55  # a name is taken for another one from this ratio of `difflib` on


def load(path: Path, model: type[Model]) -> Model:
    """Read ``path`` and check it against ``model``.

    Raises:
        ConfigurationError: When the file is missing, is not TOML, or any key is wrong; all problems at once.
    """
    try:
        text = text_of(read_regular(path, MOST_BYTES))
    except (FileRefused, NoText) as error:
        raise ConfigurationError(str(path), [f"{error}{_beside(path)}"]) from None
    return parse(text.replace("\r\n", "\n").replace("\r", "\n"), str(path), model)


def _beside(path: Path) -> str:
    """The file of a missing one's folder that may be meant; else empty."""
    try:
        if path.exists():
            return ""
        names = [one.name for one in path.parent.iterdir() if one.is_file()]
    except (OSError, ValueError):
        return ""
    meant = [name for name in (f"{path.name}.toml", f"{path.name}.txt") if name in names]
    meant = meant or difflib.get_close_matches(path.name, names, n=1, cutoff=0.75)
    return f"; there is {meant[0]} in that folder" if meant else ""


def parse(text: str, name: str, model: type[Model]) -> Model:
    """Check TOML ``text``, called ``name`` in messages, against ``model``.

    Raises:
        ConfigurationError: As `load`.
    """
    text = text.removeprefix("\ufeff")  # a byte-order mark, which some editors write
    if not text.strip():
        raise ConfigurationError(name, ["is empty; `lashmap examples` says where a whole one is"])
    problems: list[str] = []
    inches: dict[str, object] = {}
    try:
        tree = _inches_to_mm(tomllib.loads(text), "", problems, inches)
    except RecursionError:
        problem = "holds hundreds of tables or lists inside each other; write them flat"
        raise ConfigurationError(name, [problem]) from None
    except ValueError as error:  # also a number of thousands of digits
        sentence = hints.meant(text, str(error), lambda table, key: _wanted(table, key, model))
        raise ConfigurationError(name, [sentence]) from error
    try:
        checked = model.model_validate(tree, context=FROM_FILE)
    except ValidationError as error:
        another = _another_file(tree, frozenset(model.model_fields))
        problems += [another] if another else _sentences(error.errors(), model)
        if issubclass(model, Table):
            problems = [model.as_written(one, tree) for one in problems]
    else:
        if not problems:
            return checked
    raise ConfigurationError(name, [_as_written(problem, inches, tree) for problem in problems])


_LENGTH_KEY = re.compile(r"(?:^|(?<=: ))((?:\w+\.)*\w+)_mm(?=: )")
_BOTH = re.compile(r"[-+.\de]+ mm \(([-+.\de]+ in)\)")
_FLOAT = r"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?"
# Where a sentence has a length: before its unit, behind a bound, and at the end what was found.
_LENGTHS = re.compile(
    rf"(?P<low>{_FLOAT})(?: to (?P<high>{_FLOAT}))?(?P<unit> mm\b)"
    rf"|(?P<words>than (?:or equal to )?|got )(?P<one>{_FLOAT})(?![\w.]| mm)"
)


def _as_written(problem: str, inches: Collection[str], tree: Mapping[str, Any]) -> str:
    """The problem with key and lengths as the person wrote them, where that was in inches."""
    if any(map(problem.startswith, inches)) or _all_in_inches(problem.partition(":")[0], inches, tree):
        problem = _BOTH.sub(r"\1", problem)
    key = _LENGTH_KEY.search(problem)
    if key is None or not any(f".{one}".endswith(f".{key[1]}_mm") for one in inches):
        return problem
    rest = problem[key.end() :].replace("a length in mm", "a length in inches")
    return f"{problem[: key.start()]}{key[1]}_in{_LENGTHS.sub(_in_inches, rest)}"


def _all_in_inches(table: str, inches: Collection[str], tree: Mapping[str, Any]) -> bool:
    """Whether a table has lengths, and all of them in inches; a sentence on both kinds keeps both units."""
    found: object = tree
    for part in table.split("."):
        found = found.get(part) if isinstance(found, Mapping) else None
    lengths = [f"{table}.{key}" for key in found if key.endswith("_mm")] if isinstance(found, Mapping) else []
    return bool(lengths) and all(one in inches for one in lengths)


def _in_inches(found: re.Match[str]) -> str:
    def inches(text: str) -> str:
        return f"{float(text) / MM_PER_INCH:.6g}"

    if found["unit"] is None:
        return f"{found['words']}{inches(found['one'])}"
    high = "" if found["high"] is None else f" to {inches(found['high'])}"
    return f"{inches(found['low'])}{high} in"


def _inches_to_mm(
    table: Mapping[str, Any], prefix: str, problems: list[str], inches: dict[str, object]
) -> dict[str, Any]:
    """The tables with lengths in mm; ``inches`` gets what was in inches: the key as it is now, the value."""
    converted: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, dict):
            converted[key] = _inches_to_mm(value, f"{prefix}{key}.", problems, inches)
        elif key.endswith("_in") and not isinstance(value, bool):  # a yes or no is no length
            metric = key.removesuffix("_in") + "_mm"
            if metric in table:
                problems.append(f"{prefix}{key}: {metric} is given too; keep one of them")
            else:
                inches[prefix + metric] = value
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


# What the model says, in a person's words -------------------------------------------------------------------


def _sentences(details: Iterable[Any], model: type[BaseModel]) -> list[str]:
    """One sentence for each problem: a key that takes a word or a number is one, not one for each kind."""
    sentences: list[str] = []
    details = list(details)
    unknown = {str(one["loc"][-1]).lower() for one in details if one["type"] == "extra_forbidden"}
    for where, group in groupby(details, key=_key_of):
        several = list(group)
        if len(several) == 1 and where == several[0]["loc"]:
            if several[0]["type"] == "missing" and str(where[-1]) in unknown:
                continue  # it is there, in other letters or in another table, and that is said
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
            return f"{key}: is missing; add it{_described(path, model)}"
        case "extra_forbidden":
            return f"{key}: unknown key{_nearest(path, found, model)}"
        case "model_type" | "dict_type":
            hint = _colon(hints.other_kind(key, found, hints.Wanted(kinds=frozenset({"table"}))))
            return f"{key}: expected a table [{key}], got {_shown(found)}{hint}"
    message = in_our_words(str(detail["msg"]))
    if detail["type"] == "value_error":
        return _of_a_field(path, message, model)
    field = field_at(path, model)
    wanted = _taken_by(field.annotation) if field else hints.Wanted()
    how = ""
    if path[-1].isdigit():  # in a list
        divided = isinstance(found, int)
        how = "; in a list a comma divides numbers, and a decimal point is a point" if divided else ""
    elif detail["type"].endswith("_type") or detail["type"] == "literal_error":
        how = _colon(hints.other_kind(key if isinstance(found, dict) else path[-1], found, wanted))
    return f"{key}: expected {message.removeprefix('expected ')}, got {_shown(found)}{how}"


def _colon(hint: str) -> str:
    return f"; {hint}" if hint else ""


def _of_a_field(path: list[str], message: str, model: type[BaseModel]) -> str:
    """What a check of a table said, with the key that it names as the file has it."""
    said = _OF_A_FIELD.fullmatch(message)
    if said and "\n" not in message:
        inside = [*path, *said[1].split(".")]
        if field_at(inside, model) is not None:
            return f"{'.'.join(inside)}: {said[2]}"
        places = _tables_with(said[1], model)
        if not path and len(places) == 1 and field_at(said[1].split("."), model) is None:
            return f"{places[0]}.{said[1]}: {said[2]}"
        named = message.partition(": ")[0].split(".")
        if not path and len(places) > 1 and field_at([*named, said[1]], model) is not None:
            return f"{'.'.join([*named, said[1]])}: {said[2]}"
    return f"{'.'.join(path)}: {message}" if path else message


def _shown(found: object) -> str:
    """What was found as a file has it, cut where it is long."""
    if isinstance(found, bool):
        return "true" if found else "false"
    text = found.isoformat() if isinstance(found, dt.date | dt.time) else repr(found)
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}…"


def _fields(path: Sequence[str], model: type[BaseModel]) -> Mapping[str, FieldInfo] | None:
    """The keys of the table that the last part of ``path`` stands in; None when there is no such table."""
    fields = _keys(model)
    named = False
    for part in path[:-1]:
        if named:  # a table by a name that the person chose
            named = False
            continue
        inner = fields[part].annotation if part in fields else None
        table = _table_in(inner)
        if table is None:
            return None
        named = get_origin(inner) is dict
        fields = _keys(table)
    return None if named else fields


def _keys(model: type[BaseModel]) -> Mapping[str, FieldInfo]:
    """The keys of a table, as pydantic names them in its errors."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _table_in(annotation: Any) -> type[BaseModel] | None:  # noqa: ANN401 - any type
    """The table that a key holds, by itself, in a list or by name; None when it holds none."""
    if _is_model(annotation):
        return annotation  # type: ignore[no-any-return]  # just seen
    return next((found for one in get_args(annotation) if (found := _table_in(one)) is not None), None)


def field_at(path: Sequence[str], model: type[BaseModel]) -> FieldInfo | None:
    """The key at a place, where numbers count the entries of a list; None when the model has none there."""
    plain = [part for part in path if not part.isdigit()]
    return (_fields(plain, model) or {}).get(plain[-1]) if plain else None


def _tables_with(key: str, model: type[BaseModel], before: str = "") -> tuple[str, ...]:
    """Names of all tables of a file that have a key.

    Left out are tables that a person names, and the second of two alike, which has another place in the file.
    """
    found = [before] if before and key in model.model_fields else []
    for name, field in model.model_fields.items():
        table = _table_in(field.annotation)
        if table is not None and get_origin(field.annotation) is not dict and field.alias is None:
            found += _tables_with(key, table, f"{before}.{name}" if before else name)
    return tuple(found)


def _wanted(table: str, key: str, model: type[BaseModel]) -> hints.Wanted:
    """What a key takes; a length in inches takes what one in mm does."""
    metric = f"{key.removesuffix('_in')}_mm" if key.endswith("_in") else key
    table = model.as_modelled(table) if issubclass(model, Table) else table
    parts = [part for part in table.split(".") if part]
    others = tuple(one for one in _tables_with(metric, model) if one != table)
    for name in (key, metric):
        if (field := field_at([*parts, name], model)) is not None:
            return replace(_taken_by(field.annotation), tables=others, needed=field.is_required())
    return hints.Wanted(tables=others)


_KINDS: dict[Any, hints.Kind] = {
    str: "text", float: "number", int: "whole", bool: "truth", dt.date: "date", dt.datetime: "moment"
}  # fmt: skip


def _taken_by(annotation: Any) -> hints.Wanted:  # noqa: ANN401 - any type
    """Kinds and words that a key of this type takes."""
    origin = get_origin(annotation)
    if annotation in _KINDS:
        return hints.Wanted(kinds=frozenset({_KINDS[annotation]}))
    if _is_model(annotation) or origin is dict:
        return hints.Wanted(kinds=frozenset({"table"}))
    if origin is list:
        return hints.Wanted(kinds=frozenset({"list"}))
    if origin is Literal:
        words = tuple(f'"{one}"' if isinstance(one, str) else str(one) for one in get_args(annotation))
        kind: hints.Kind = "text" if words[0].startswith('"') else "whole"
        return hints.Wanted(kinds=frozenset({kind}), words=words)
    if origin is Annotated:
        return _taken_by(get_args(annotation)[0])
    found = [_taken_by(one) for one in get_args(annotation) if one is not type(None)]
    kinds = frozenset(kind for one in found for kind in one.kinds)
    return hints.Wanted(kinds=kinds, words=tuple(word for one in found for word in one.words))


def _described(path: list[str], model: type[BaseModel]) -> str:
    """What is known of a key that was left out, in brackets; for a table how it is written."""
    field = field_at(path, model)
    if field is not None and field.description:
        return f" ({field.description})"
    if field is not None and _table_in(field.annotation) is not None:
        return f", as the table [{'.'.join(path)}]"
    try:
        return f" ({meaning('.'.join(path[:-1]), path[-1]).what})"
    except KeyError:
        return ""


def _nearest(path: list[str], found: object, model: type[BaseModel]) -> str:
    """Names the key or table that was probably meant."""
    fields = _fields([part for part in path if not part.isdigit()], model)
    key = path[-1]
    if fields is None:
        return "; remove it"
    unit = next((end for end in ("_inch", "_inches", "_zoll") if key.endswith(end)), "")
    if unit and f"{key.removesuffix(unit)}_mm" in fields:
        return f"; a length in inches is {key.removesuffix(unit)}_in"
    metric = f"{key.removesuffix('_in')}_mm" if key.endswith("_in") else key
    if places := [one for one in _tables_with(metric, model) if one != ".".join(path[:-1])]:
        return f"; it belongs in the table {' or '.join(f'[{one}]' for one in places)}"
    if isinstance(found, dict) and (table := _table_for(found, model)):
        return f"; did you mean the table [{table}]?"
    lowered = {one.lower(): one for one in fields}
    close = difflib.get_close_matches(key.lower(), lowered, n=1, cutoff=_CLOSE)
    return f"; did you mean {lowered[close[0]]}?" if close else f"; known here: {', '.join(fields)}"


def _table_for(found: Mapping[str, Any], model: type[BaseModel]) -> str:
    """The only table that has all keys of one that nobody knows; empty when there is none."""
    keys = set(found)
    while len(keys) == 1 and isinstance(inner := found[next(iter(keys))], dict):
        found, keys = inner, set(inner)
    if not keys:
        return ""
    places = set.intersection(*(set(_tables_with(key, model)) for key in keys))
    return places.pop() if len(places) == 1 else ""


def _is_model(kind: object) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


# Tables and keys that only one kind of file has -> that kind, and what to do with it.
_FILES: dict[str, tuple[frozenset[str], str]] = {
    "a box file": (
        frozenset({"box", "gear_set", "mounting", "matched_teeth", "tip", "limits", "plan"}),
        "the order is: lashmap run STAND BOX",
    ),
    "a stand file": (
        frozenset({"stand", "hands_free", "prompts", "bus", "page"}),
        "the order is: lashmap run STAND BOX",
    ),
    "a mapping file": (frozenset({"file", "positions", "time"}), "it is read by lashmap import"),
    "the file of a dial gauge": (
        frozenset({"gauge"}),
        "it is read by lashmap run --by-hand BOX --gauge FILE",
    ),
    "an instrument profile": (
        frozenset({"kind", "pattern", "unit", "baud", "terminator"}),
        "a stand file names it behind profile",
    ),
}


def _another_file(tree: Mapping[str, object], known: frozenset[str]) -> str:
    """What kind of file this is when it is none with the tables ``known``; empty when it may be one."""
    own = len(known & tree.keys())
    wanted = max(_FILES, key=lambda kind: len(_FILES[kind][0] & known))
    for kind, (tables, use) in _FILES.items():
        if len((tables - known) & tree.keys()) > own:
            return f"is {kind}, and {wanted} is wanted here; {use}"
    return ""
