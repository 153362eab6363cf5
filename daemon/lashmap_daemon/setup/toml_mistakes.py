"""What a person meant who wrote a line that is not TOML, or put a value of the wrong kind after a key.

Decided here: hints for mistakes of people who never heard of TOML: a decimal comma, *yes*, quotes of a word
processor. The line is always shown; where no hint fits, the parser says what it expected.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

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
_MOST_SHOWN = 100
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


def without_mark(text: str) -> str:
    """The text without a byte-order mark in front, which some editors write."""
    return text.removeprefix("\ufeff")


def meant(text: str, message: str) -> str:
    """What is wrong with a text that is not TOML: the parser's own words, the line, and how to write it.

    Args:
        text: The whole text.
        message: What `tomllib` said of it.
    """
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
    shown = line if len(line) <= _MOST_SHOWN else f"{line[:_MOST_SHOWN]}…"
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


def other_kind(key: str, found: object, wanted: str) -> str:
    """How to write a value whose kind is wrong; empty when nothing is known about it.

    Args:
        key: The last part of its name.
        found: The value.
        wanted: The kind that is wanted, in pydantic's words.
    """
    if isinstance(found, bool) or len(str(found)) > _MOST_SHOWN:
        return ""
    if isinstance(found, int | float):
        return f'; a name stands in quotes: {key} = "{found}"' if "string" in wanted else ""
    if isinstance(found, str) and found.strip().lower() in {"true", "false", "yes", "no"}:
        right = "true" if found.strip().lower() in {"true", "yes"} else "false"
        return f"; write {key} = {right}, without quotes"
    if isinstance(found, str) and re.fullmatch(rf"{_NUMBER}(,\d+)?", found.strip()):
        return f"; write {key} = {found.strip().replace(',', '.')}, without quotes"
    return ""


def another_file(tree: Mapping[str, object], known: frozenset[str]) -> str:
    """What kind of file this is when it is none of the kind that was asked for; empty when it may be.

    Args:
        tree: What was read.
        known: Tables of the kind that was asked for.
    """
    own = len(known & tree.keys())
    for kind, tables in _TABLES_OF.items():
        if len((tables - known) & tree.keys()) > own:
            return f"is {kind}, and another file is wanted here; the order is: lashmap run STAND BOX"
    return ""
