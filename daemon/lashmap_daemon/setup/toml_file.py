"""A TOML file becomes a checked model, or an error that names file, key, what was found and expected.

Lengths may be written in mm or in inches: any key that ends in ``_in`` is read as inches and stored under the
same name ending in ``_mm``, unless it holds true or false. Free texts are bounded here, so that a person can
mend the file; a record is read as it is, since an older one may hold more and must stay readable.

Hints are given for mistakes of people who never heard of TOML: a decimal comma, *yes*, quotes of a word
processor. The line is always shown; where no hint fits, the parser says what it expected.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from itertools import groupby
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, TypeVar, get_args, get_type_hints

from lashmap_drivers.ports.regular_file import FileRefused, read_regular
from lashmap_drivers.profile import MM_PER_INCH
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, ValidationInfo
from pydantic.fields import FieldInfo

from lashmap_daemon.clean_text import visible, visible_lines
from lashmap_daemon.errors import ConfigurationError

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
    hidden = next((one for one, seen in zip(text, shown, strict=True) if one != seen), None)
    if hidden is not None:
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
_OF_A_LIST = re.compile(r"List should have (at (?:least|most) \d+) items? after validation, not (\d+)")


def in_our_words(message: str) -> str:
    """The sentence of one problem without pydantic's prefixes."""
    if counted := _OF_A_LIST.fullmatch(message):
        return f"expected {counted[1]} values, not {counted[2]}"
    if message.startswith(_OF_A_TYPE):
        return f"expected {message.removeprefix(_OF_A_TYPE)}"
    return message.removeprefix(_OF_A_CHECK)


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
    text = text.removeprefix("\ufeff")  # a byte-order mark, which some editors write
    problems: list[str] = []
    inches: set[str] = set()
    try:
        tree = _inches_to_mm(tomllib.loads(text), "", problems, inches)
    except RecursionError:
        problem = "holds hundreds of tables or lists inside each other; write them flat"
        raise ConfigurationError(name, [problem]) from None
    except ValueError as error:  # also a number of thousands of digits
        raise ConfigurationError(name, [_meant(text, str(error))]) from error
    try:
        checked = model.model_validate(tree, context=FROM_FILE)
    except ValidationError as error:
        another = _another_file(tree, frozenset(model.model_fields))
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
            return f"{key}: is missing; add it{_described(path, model)}"
        case "extra_forbidden":
            return f"{key}: unknown key{_nearest(path, model)}"
        case "model_type" | "dict_type":
            return f"{key}: expected a table [{key}], got {_shown(found)}"
    message = in_our_words(str(detail["msg"]))
    if detail["type"] == "value_error":
        return f"{key}: {message}" if key else message
    how = _other_kind(path[-1], found, detail["type"]) if detail["type"].endswith("_type") else ""
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


def _described(path: list[str], model: type[BaseModel]) -> str:
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


# How a number is written that is none in TOML, what is wrong with it, and how to write it.
_NUMBERS = (
    (r"([-+]?\d+),(\d+)", "a comma where a decimal point stands", r"\1.\2"),
    (r"([-+]?[\d.]+)\s*[A-Za-z°µ\"'%]+", "a number stands without its unit, which the key names", r"\1"),
    (r"([-+]?)(\.\d+)", "a number begins with a digit", r"\g<1>0\2"),
    (r"([-+]?\d+)\.", "a number ends with a digit", r"\1.0"),
    (r"(.*\S)\s*;", "no semicolon at the end", r"\1"),
    (r"([-+]?)0+(\d[\d.]*)", "a number has no zero in front (a name stands in quotes)", r"\1\2"),
)
_UNITS = {"mm", "in", "deg", "c", "nm", "um", "seconds", "hours", "hz"}  # last part of the name of a number
_PLACE = re.compile(r"\((?:at line (\d+), column \d+|at end of document)\)")
_MOST_OF_A_LINE = 100
_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_CURLY = "\u201c\u201d\u201e\u2018\u2019\u201a\u00ab\u00bb"  # quotes of word processors
_LONG_MINUS = "\u2212\u2013\u2014"
_WORDS_FOR = {"yes": "true", "on": "true", "no": "false", "off": "false", "none": "", "null": "", "nil": ""}

# Tables that only one kind of file has -> that kind, and the place it has on the command line.
_TABLES_OF = {
    "a box file": frozenset({"box", "gear_set", "mounting", "matched_teeth", "tip", "limits", "plan"}),
    "a stand file": frozenset({"stand", "hands_free", "prompts", "bus"}),
    "a mapping file for lashmap import": frozenset({"file", "positions", "time"}),
}


def _meant(text: str, message: str) -> str:
    """What is wrong with a text that is no TOML: the parser's words, the line, and how to write it."""
    lines = [line.strip() for line in text.rstrip().split("\n")]
    place = _PLACE.search(message)
    at_line = place[1] if place else None  # None: at the end of the file
    number = min(int(at_line), len(lines)) if at_line else len(lines)
    hint = _hint(lines[number - 1], message) if at_line else ""
    if not hint:  # what was not closed is noticed further down
        number, hint = next(
            ((at, found) for at in range(number, 0, -1) if (found := _not_closed(lines[at - 1]))),
            (number, ""),
        )
    line = lines[number - 1]
    shown = line if len(line) <= _MOST_OF_A_LINE else f"{line[:_MOST_OF_A_LINE]}…"
    said = _PLACE.sub("", message).strip().rstrip(".")
    return f"line {number}: {shown!r}: {hint or f'is not valid TOML: {said}'}"


def _hint(line: str, message: str) -> str:
    """How to write a line; empty when nothing is known about it."""
    key, equals, value = line.partition("=")
    key, value = key.strip(), value.strip()
    if "Cannot overwrite" in message:
        return f"{key} stands twice in this table; keep one"
    if "twice" in message:
        return "this table stands twice in the file; put its keys together"
    if any(mark in line for mark in _CURLY):
        return 'quotes of a word processor; write straight ones: "…"'
    if line.startswith(("[", "(", "<")) and not equals:
        return _table_hint(line)
    if not equals:
        return _without_equals(line)
    return _value_hint(key, value)


def _table_hint(line: str) -> str:
    name = re.sub(r"[^A-Za-z0-9_.]", "", line)
    return f"a table is written [{name}]" if name else ""


def _without_equals(line: str) -> str:
    key, colon, value = line.partition(":")
    if colon and re.fullmatch(r"[A-Za-z0-9_]+", key.strip()):
        return f"a key and its value are joined by =; write {key.strip()} = {value.strip()}"
    return "a line holds a table in brackets, or a key, = and a value"


def _value_hint(key: str, value: str) -> str:
    bare = value.split("#", 1)[0].strip()
    if any(mark in bare for mark in _LONG_MINUS):
        return f"a long dash is no minus; write {key} = {_straight(bare)}"
    if not bare:
        return f"{key} has no value; write one, or remove the line"
    for pattern, why, write in _NUMBERS:
        if re.fullmatch(pattern, bare):
            return f"{why}; write {key} = {re.sub(pattern, write, bare)}"
    return _word_hint(key, bare)


def _word_hint(key: str, bare: str) -> str:
    """The value is a text, or should have been one."""
    lowered = bare.lower()
    if lowered in {"true", "false"}:
        return f"write it small: {key} = {lowered}"
    if lowered in _WORDS_FOR:
        other = _WORDS_FOR[lowered]
        return f"write {key} = {other}" if other else f"nothing is said by leaving the line {key} out"
    if bare.startswith('"') and "\\" in bare:
        inner = bare.strip('"')
        return f"a backslash means something else between double quotes; write {key} = '{inner}'"
    if (found := _not_closed(f"{key} = {bare}")) != "":
        return found
    wants_number = key.rpartition("_")[2] in _UNITS
    if wants_number or re.fullmatch(r"[^\W\d][^\"'\[\]{}]*", bare):
        return f"{key} is a number; write it, or remove the line" if wants_number else _in_quotes(key, bare)
    return ""


def _in_quotes(key: str, bare: str) -> str:
    return f'a text stands in quotes; write {key} = "{bare}"'


def _not_closed(line: str) -> str:
    """Whether a text or a list that begins in this line does not end in it."""
    bare = line.partition("=")[2].split("#", 1)[0].strip()
    if bare.startswith(('"', "'")) and bare.count(bare[0]) % 2:
        return f"the text is not closed; end it with {bare[0]}"
    if bare.startswith("[") and bare.count("[") > bare.count("]"):
        return "the list is not closed; end it with ]"
    return ""


def _straight(text: str) -> str:
    return text.translate(dict.fromkeys(map(ord, _LONG_MINUS), "-"))


def _other_kind(key: str, found: object, wanted: str) -> str:
    """How to write a value that is not of the wanted kind; empty when nothing is known about it."""
    if isinstance(found, bool) or len(str(found)) > _MOST_OF_A_LINE:
        return ""
    if isinstance(found, int | float):
        return f'; a name stands in quotes: {key} = "{found}"' if "string" in wanted else ""
    if isinstance(found, str) and found.strip().lower() in {"true", "false", "yes", "no"}:
        right = "true" if found.strip().lower() in {"true", "yes"} else "false"
        return f"; write {key} = {right}, without quotes"
    if isinstance(found, str) and re.fullmatch(rf"{_NUMBER}(,\d+)?", found.strip()):
        return f"; write {key} = {found.strip().replace(',', '.')}, without quotes"
    return ""


def _another_file(tree: Mapping[str, object], known: frozenset[str]) -> str:
    """What kind of file this is when it is none with the tables ``known``; empty when it may be one."""
    own = len(known & tree.keys())
    for kind, tables in _TABLES_OF.items():
        if len((tables - known) & tree.keys()) > own:
            return f"is {kind}, and another file is wanted here; the order is: lashmap run STAND BOX"
    return ""
