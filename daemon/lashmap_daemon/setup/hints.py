"""How to write what a person meant: one sentence for a line or a value that a file cannot hold.

Decided here: what is known about mistakes of people who never heard of TOML (a decimal comma, *yes*, quotes
of a word processor, a date with points, a number with its unit), by what the key takes. A sentence that
proposes a line proposes one that is taken. What is not understood is not guessed: the hint is then empty.
"""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import degrees
from typing import Literal

Kind = Literal["text", "number", "whole", "truth", "date", "moment", "list", "table"]


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What a key takes.

    Attributes:
        kinds: Kinds of values; empty when nobody knows the key.
        words: When it takes only these, as they stand in a file.
        tables: Other tables that have a key of this name.
        needed: It cannot be left out.
    """

    kinds: frozenset[Kind] = frozenset()
    words: tuple[str, ...] = ()
    tables: tuple[str, ...] = ()
    needed: bool = False


_CURLY = "\u201c\u201d\u201e\u2018\u2019\u201a\u00ab\u00bb"  # quotes of word processors
_LONG_MINUS = "\u2212\u2013\u2014"
_ODD_SPACES = "\u00a0\u2007\u2009\u202f\u200b\u2060\ufeff\u3000"
_NUMBER = r"[-+]?\d+(?:[.,]\d+)?"
_PLACE = re.compile(r"\((?:at line (\d+), column \d+|at end of document)\)")
_HEADER = re.compile(r"\s*\[\[?\s*([A-Za-z0-9_.\- ]+?)\s*\]\]?\s*(?:#.*)?")
_MOST_OF_A_LINE = 100
_MOST_HINTED = 1000
_MOST_DAYS = 31
_OR_REMOVE = ", or remove the line"
_TRUE = {"true", "yes", "on", "y", "ok", "x", "1", "ja", "oui", "si"}
_FALSE = {"false", "no", "off", "n", "0", "nein", "non"}
_NOTHING = {"none", "null", "nil", "n/a", "na", "-", "?", "tbd", "unknown"}
_INCHES = {'"', "in", "inch", "inches", "''", "zoll"}
# What a unit behind a number makes of it, by the ending of the key.
_UNITS: dict[str, dict[str, float]] = {
    "mm": {"mm": 1.0, "µm": 1e-3, "um": 1e-3, "micron": 1e-3, "microns": 1e-3, "cm": 10.0, "m": 1e3},
    "in": {**dict.fromkeys(_INCHES, 1.0), "thou": 1e-3, "mil": 1e-3, "mils": 1e-3},
    "deg": {"°": 1.0, "deg": 1.0, "degrees": 1.0, "rad": degrees(1.0), "'": 1.0 / 60.0},
    "c": {"°": 1.0, "c": 1.0, "°c": 1.0, "deg c": 1.0},
    "nm": {"nm": 1.0, "n m": 1.0, "n·m": 1.0, "ncm": 0.01},
    "um": {"µm": 1.0, "um": 1.0, "mm": 1e3},
    "seconds": {"s": 1.0, "sec": 1.0, "seconds": 1.0, "min": 60.0, "minutes": 60.0, "ms": 1e-3, "h": 3600.0},
    "s": {"s": 1.0, "sec": 1.0, "ms": 1e-3, "min": 60.0},
    "hours": {"h": 1.0, "hours": 1.0, "d": 24.0, "days": 24.0, "min": 1.0 / 60.0},
    "": {"%": 0.01},
}
_UNIT_ENDINGS = {one for one in _UNITS if one}
_NAMES = {"mm": "mm", "in": "inches", "deg": "degrees", "c": "°C", "nm": "N m", "um": "µm"}
_NAMES |= {"seconds": "seconds", "s": "seconds", "hours": "hours"}
# Begin a comment elsewhere: behind a value with a space before it, or a whole line.
_COMMENT = re.compile(r"\s*(?://|;|%|--|!|/\*|REM\b|').*")


# A line that is not TOML ------------------------------------------------------------------------------------


def meant(text: str, message: str, wanted: Callable[[str, str], Wanted]) -> str:
    """What is wrong with a text that is no TOML: the line, and how to write it or what the parser said.

    Args:
        text: The file.
        message: Of the parser, with its place.
        wanted: What a key of a table takes, by the names of both.
    """
    lines = [line.strip(" \t\r") for line in text.rstrip(" \t\r\n").split("\n")]
    place = _PLACE.search(message)
    at_line = place[1] if place else None  # None: at the end of the file
    number = min(int(at_line), len(lines)) if at_line else len(lines)

    def asked(key: str) -> Wanted:
        return wanted(_table_above(lines, number), key)

    # A line that is right by itself is not to blame: something above it is not closed.
    short = len(lines[number - 1]) <= _MOST_HINTED  # nobody typed a longer one
    blamed = (at_line and short) and (
        "twice" in message or "Cannot overwrite" in message or not _is_right(lines[number - 1])
    )
    hint = _line_hint(lines[number - 1], message, asked) if blamed else ""
    if not hint:  # what was not closed is noticed further down
        number, hint = next(
            ((at, found) for at in range(number, 0, -1) if (found := _not_closed(lines[at - 1]))),
            (number, ""),
        )
    line = lines[number - 1]
    shown = line if len(line) <= _MOST_OF_A_LINE else f"{line[:_MOST_OF_A_LINE]}…"
    said = _PLACE.sub("", message).strip().rstrip(".")
    return f"line {number}: {shown!r}: {hint or f'is not valid TOML: {said}'}"


def _is_right(line: str) -> bool:
    try:
        tomllib.loads(line)
    except ValueError:
        return False
    return True


def _table_above(lines: list[str], number: int) -> str:
    found = (_HEADER.fullmatch(line) for line in reversed(lines[: number - 1]))
    return next((one[1].replace(" ", "") for one in found if one), "")


def _line_hint(line: str, message: str, asked: Callable[[str], Wanted]) -> str:
    """How to write a line; empty when nothing is known about it."""
    key, equals, value = (part.strip() for part in line.partition("="))
    if "Cannot overwrite" in message:
        return f"{key} stands twice in this table; keep one{_or_a_table(asked(key).tables)}"
    if "twice" in message:
        return "this table stands twice in the file; put its keys together"
    if odd := _odd_characters(line.split("#", 1)[0]):
        return odd
    if equals and ":" not in key:
        named = re.sub(r"\s+", "_", key)
        return (
            f"a key has no spaces; write {named} = {value}"
            if named != key
            else _value_hint(key, value, asked(key))
        )
    return _without_equals(line, asked)


def _odd_characters(code: str) -> str:
    """What word processors and web pages write in place of a space or of quotes."""
    if odd := next((one for one in code if one in _ODD_SPACES), None):
        plain = "".join(" " if one in _ODD_SPACES else one for one in code)
        return f"holds a space of another kind (U+{ord(odd):04X}); type it anew: {' '.join(plain.split())}"
    if any(mark in code for mark in _CURLY):
        plain = code.translate(dict.fromkeys(map(ord, _CURLY), '"')).strip()
        ready = f", so {plain}" if "=" in plain and plain.count('"') == 2 else ""
        return f'quotes of a word processor; write straight ones: "…"{ready}'
    return ""


def _or_a_table(tables: tuple[str, ...]) -> str:
    """Where a second key of the same name may belong."""
    others = " or ".join(f"[{table}]" for table in tables)
    return f", or begin the table that it belongs to above it: {others}" if others else ""


def _without_equals(line: str, asked: Callable[[str], Wanted]) -> str:
    """A line that is neither a table nor key, = and value."""
    if _COMMENT.fullmatch(line):
        return "a comment begins with #"
    if line.startswith(("[", "(", "<")):
        name = re.sub(r"[^A-Za-z0-9_.]", "", line)
        return f"a table is written [{name}]" if name else ""
    key, colon, value = (part.strip() for part in line.partition(":"))
    value = value.removeprefix("=").strip()
    if colon and re.fullmatch(r"[A-Za-z0-9_]+", key):
        if value:
            return f"a key and its value are joined by =; write {key} = {value}"
        return f"a table is written [{key}]" if not asked(key).kinds else f"{key} has no value; write one"
    return "a line holds a table in brackets, or a key, = and a value"


def _value_hint(key: str, value: str, wanted: Wanted) -> str:
    said = _value_said(key, value, wanted)
    return said.removesuffix(_OR_REMOVE) if wanted.needed else said


def _value_said(key: str, value: str, wanted: Wanted) -> str:
    bare = value.split("#", 1)[0].strip().removeprefix("=").strip()
    if not bare:
        return f"{key} has no value; write one{_OR_REMOVE}"
    if bare.startswith(('"', "'")):
        return _quoted_hint(key, bare)
    if open_end := _not_closed(f"{key} = {bare}"):
        return open_end
    if bare.startswith("[") or "list" in wanted.kinds:
        return _list_hint(key, bare)
    return unquoted(key, bare, wanted)


def _comment_off(bare: str) -> str:
    """The value before what begins a comment elsewhere; empty when there is none."""
    found = re.fullmatch(r"(\S+)\s+(?://|;|--|!|/\*).*", bare)
    return found[1] if found else ""


def _quoted_hint(key: str, bare: str) -> str:
    """A text in quotes that is none."""
    mark = bare[0]
    if mark == '"' and "\\" in bare:
        inner = bare.strip('"')
        return f"a backslash means something else between double quotes; write {key} = '{inner}'"
    inner = bare.strip(mark)
    if not inner.isprintable():
        return ""
    if len(bare) > 1 and bare.endswith(mark) and inner:
        if mark in inner and "'" not in inner:
            return f"a quote ends the text; write {key} = '{inner}'"
        if mark not in inner:
            return f"write {key} = {mark}{inner}{mark}"
    return _not_closed(f"{key} = {bare}")


def _list_hint(key: str, bare: str) -> str:
    inner = bare.strip("[](){} ")
    if re.search(r"\d,\d", inner) and re.search(r",\s|;", inner):
        parts = [part.strip().replace(",", ".") for part in re.split(r";|,\s", inner)]
    else:
        parts = [part for part in re.split(r"[;,\s]+", inner) if part]
    if parts and all(re.fullmatch(_NUMBER, part) for part in parts):
        right = f"{key} = [{', '.join(parts)}]"
        return f"a list stands in brackets, its numbers have points and commas between them; write {right}"
    return f"a list stands in brackets with commas between; write {key} = […, …]"


def unquoted(key: str, bare: str, wanted: Wanted) -> str:
    """How to write a value that is neither a text in quotes nor a list, for a key that takes ``wanted``."""
    if bare.lower() in _NOTHING and not wanted.needed:
        return f"nothing is said by leaving the line {key} out"
    if kept := _comment_off(bare):
        return f"a comment begins with #; write {key} = {kept}"
    if any(mark in bare for mark in _LONG_MINUS):
        return f"a long dash is no minus; write {key} = {_straight(bare)}"
    if wanted.words and not (wanted.kinds & {"number"} and re.match(r"[-+]?\d", bare)):
        return _one_of(key, bare, wanted.words)
    kinds = (wanted.kinds if not wanted.words else {"number"}) or _guessed(key, bare)
    for kind, rule in _RULES.items():
        if kind in kinds:
            return rule(key, bare)
    return "" if "is a number" in (said := _number(key, bare)) else said


def _guessed(key: str, bare: str) -> frozenset[Kind]:
    """What a key that nobody knows takes, by its name and value; empty when there is no telling."""
    if bare.lower() in _TRUE | _FALSE:
        return frozenset({"truth"})
    if key.rpartition("_")[2] in _UNIT_ENDINGS:
        return frozenset({"number"})
    return frozenset({"text"} if re.fullmatch(r"[^\W\d][^\"'\[\]{}]*", bare) else ())


def _one_of(key: str, bare: str, words: tuple[str, ...]) -> str:
    same = next((one for one in words if one.strip('"').lower() == bare.strip("\"'").lower()), "")
    if same:
        return f"write {key} = {same}"
    return f"write one of these: {key} = {' or '.join(words)}"


def _truth(key: str, bare: str) -> str:
    lowered = bare.lower()
    for words, right in ((_TRUE, "true"), (_FALSE, "false")):
        if lowered in words:
            return f"write it small: {key} = {right}" if lowered == right else f"write {key} = {right}"
    return f"write {key} = true or {key} = false"


def _in_quotes(key: str, bare: str) -> str:
    if '"' not in bare:
        return f'a text stands in quotes; write {key} = "{bare}"'
    return (
        f"a text stands in quotes; write {key} = '{bare}'" if "'" not in bare else "a text stands in quotes"
    )


def _date(key: str, bare: str) -> str:
    example = f"a date is written year-month-day, as in {key} = 2027-06-30 for the 30th of June"
    found = re.match(r"(\d{1,4})[-./ ](\d{1,2})[-./ ](\d{1,4})$", bare)
    found = found or re.match(r"(\d{4})(\d\d)(\d\d)$", bare)
    if found is None:
        return example
    first, second, third = map(int, found.groups())
    year_first = first > _MOST_DAYS
    year, months = (first, (second, third)) if year_first else (third, (second, first))
    # Which of both is the month is certain where the other is none, or points divide them, or the year leads.
    orders = [order for order in (months, months[::-1]) if order[0] <= 12 and order[1] <= _MOST_DAYS]
    if (
        year < 1000
        or not orders
        or (len(orders) > 1 and months[0] != months[1] and not year_first and "." not in bare)
    ):
        return example
    month, day = orders[0]
    try:
        right = dt.date(year, month, day)
    except ValueError:
        return f"there is no such day in that month: {year}-{month:02d}-{day:02d}"
    return f"a date is written year-month-day; write {key} = {right.isoformat()}"


def _moment(key: str, bare: str) -> str:
    found = re.match(r"(\d{4}-\d\d-\d\d)[T ]+(\d\d:\d\d)(:\d\d)?$", bare)
    example = f"{found[1]}T{found[2]}{found[3] or ':00'}+01:00" if found else "2026-03-01T08:30:00+01:00"
    return (
        f"a moment is year-month-day, T, time and offset from UTC; write {key} = {example} where clocks are "
        "an hour ahead of UTC"
    )


# A number that is none --------------------------------------------------------------------------------------


def _number(key: str, bare: str, *, whole: bool = False) -> str:
    """What is wrong with a number, and how to write it."""
    for rule in (_grouped, _comma, _not_alone, _fraction, _sexagesimal, _with_unit, _digits):
        if said := rule(key, bare, whole):
            return said
    return f"{key} is a {'whole ' if whole else ''}number; write it{_OR_REMOVE}"


def _grouped(key: str, bare: str, whole: bool) -> str:  # noqa: FBT001 - as all rules are called
    if re.fullmatch(r"[-+]?\d{1,3}(?:[ '’]\d{3})+", bare) or (
        whole and re.fullmatch(r"\d{1,3}(?:[,.]\d{3})+", bare)
    ):
        return f"the digits of a number stand together; write {key} = {re.sub(r'[^-+0-9]', '', bare)}"
    if whole and (found := re.fullmatch(r"(\d+)\s*[*x×]\s*(\d+)", bare)):
        return f"nothing is worked out here; write {key} = {int(found[1]) * int(found[2])}"
    if whole and (found := re.fullmatch(r"(\d+)\s*k", bare, re.IGNORECASE)):
        return f"write all digits: {key} = {found[1]}000"
    return ""


def _comma(key: str, bare: str, whole: bool) -> str:  # noqa: FBT001
    if not re.fullmatch(r"[-+]?\d*,\d+", bare):
        return ""
    if whole:
        return f"a whole number has digits alone: {key} = 13"
    return f"a comma where a decimal point stands; write {key} = {_plain(bare)}"


def _not_alone(key: str, bare: str, whole: bool) -> str:  # noqa: ARG001, FBT001
    """Words and signs around one number, or a range."""
    if found := re.fullmatch(rf"(?:±|\+/-|\+-|~|≈|ca\.?|approx\.?|about|[<>≤≥]=?)\s*({_NUMBER})\s*>?", bare):
        return f"a number stands alone; write {key} = {_plain(found[1])}"
    if found := re.fullmatch(rf"({_NUMBER})\s*(?:±|\+/-|\+-)\s*{_NUMBER}", bare):
        right = f"{key} = {_plain(found[1])}"
        return f"one number stands here, its uncertainty or tolerance in a key of its own; write {right}"
    if re.fullmatch(rf"{_NUMBER}\s*(?:\.\.+|…|to|bis|-|/)\s*{_NUMBER}", bare) and "/" not in bare:
        own = "the least and the most have keys of their own"
        return f"one number stands here, not a range; {own}, as {_range(key)}"
    return ""


def _range(key: str) -> str:
    ending = key.rpartition("_")[2]
    return f"minimum_{ending} and maximum_{ending}" if ending in {"mm", "in"} else "minimum_mm and maximum_mm"


def _fraction(key: str, bare: str, whole: bool) -> str:  # noqa: ARG001, FBT001
    if found := re.fullmatch(r"(?:(\d+)[ -])?(\d+)/(\d+)\s*(?:\"|in)?", bare):
        ahead, above, below = (int(one or 0) for one in found.groups())
        if below and above < below * 100:
            return f"a number has no fraction; write {key} = {ahead + above / below:.6g}"
    return ""


def _sexagesimal(key: str, bare: str, whole: bool) -> str:  # noqa: ARG001, FBT001
    if not key.endswith("_deg"):
        return ""
    if found := re.fullmatch(
        r"(-?)(\d+)\s*[°d:\s]\s*(\d{1,2})\s*['′:\s]?\s*(?:(\d{1,2}(?:\.\d+)?)\s*[\"″]?)?", bare
    ):
        sign, *parts = found.groups()
        turned = sum(float(part or 0) / 60**at for at, part in enumerate(parts))
        return f"degrees have decimals here, no minutes; write {key} = {sign}{turned:.6g}"
    return ""


def _with_unit(key: str, bare: str, whole: bool) -> str:  # noqa: ARG001, FBT001
    found = re.fullmatch(rf"({_NUMBER}|[-+]?[.,]\d+|[-+]?\d+\.)\s*([^\d\s.,;:/+-][^\d;:]*)", bare)
    if not found:
        return ""
    ending = key.rpartition("_")[2]
    figure, unit = float(_plain(found[1])), " ".join(found[2].strip().lower().split()).replace("\u03bc", "µ")
    known = _UNITS.get(ending if ending in _UNIT_ENDINGS else "", {})
    if ending == "c" and unit in {"°f", "f"}:
        return f"the key is in °C; write {key} = {(figure - 32.0) / 1.8:.4g}"
    if unit in known:
        value = _plain(found[1]) if known[unit] == 1.0 else f"{figure * known[unit]:.8g}"
        return f"a number stands without its unit, which the key names; write {key} = {value}"
    if ending == "mm" and unit in _INCHES:
        return f"for inches the key ends in _in; write {key.removesuffix('_mm')}_in = {_plain(found[1])}"
    if ending == "in" and unit in _UNITS["mm"]:
        value = f"{figure * _UNITS['mm'][unit]:.8g}"
        return f"for mm the key ends in _mm; write {key.removesuffix('_in')}_mm = {value}"
    where = f" in {_NAMES[ending]}" if ending in _NAMES else ""
    return f"a number stands here alone{where}; write {key} = {_plain(found[1])}"


def _digits(key: str, bare: str, whole: bool) -> str:  # noqa: ARG001, FBT001
    for pattern, why, write in (
        (r"([-+]?)(\.\d+)", "a number begins with a digit", r"\g<1>0\2"),
        (r"([-+]?\d+)\.", "a number ends with a digit", r"\1.0"),
        (r"(.*\S)\s*;", "no semicolon at the end", r"\1"),
        (rf"({_NUMBER})\s*,", "no comma at the end", r"\1"),
        (r"([-+]?)0+(\d[\d.]*)", "a number has no zero in front", r"\1\2"),
    ):
        if re.fullmatch(pattern, bare):
            return f"{why}; write {key} = {re.sub(pattern, write, bare)}"
    return ""


def _plain(text: str) -> str:
    """A number with a point, and a digit on either side of it."""
    text = text.strip().replace(",", ".")
    text = re.sub(r"^([-+]?)\.", r"\g<1>0.", text)
    return f"{text}0" if text.endswith(".") else text


def _straight(text: str) -> str:
    return text.translate(dict.fromkeys(map(ord, _LONG_MINUS), "-"))


def _not_closed(line: str) -> str:
    """Whether a text or a list that begins in this line does not end in it."""
    bare = line.partition("=")[2].split("#", 1)[0].strip()
    if bare.startswith(('"', "'")) and bare.count(bare[0]) % 2:
        return f"the text is not closed; end it with {bare[0]}"
    if bare.startswith("[") and bare.count("[") > bare.count("]"):
        return "the list is not closed; end it with ]"
    return ""


# What takes only one of several kinds comes first.
_RULES: dict[Kind, Callable[[str, str], str]] = {
    "truth": _truth,
    "moment": _moment,
    "date": _date,
    "text": _in_quotes,
    "number": _number,
    "whole": partial(_number, whole=True),
}


# A value of another kind ------------------------------------------------------------------------------------


def other_kind(key: str, found: object, wanted: Wanted) -> str:
    """How to write a value that is TOML, but not what the key takes; empty when nothing is known about it."""
    kinds, hint = wanted.kinds, ""
    match found:
        case dict() if "list" in kinds:
            hint = f"begin each of these tables with [[{key}]]"
        case list():
            hint = f"write [{key}] once" if kinds == {"table"} else "write one value, without brackets"
        case bool() if kinds == {"text"}:
            hint = f'a text stands in quotes: {key} = "…"'
        case str() if len(found) <= _MOST_OF_A_LINE:
            hint = _other_text(key, found.strip(), wanted)
        case dt.date() if kinds & {"date", "moment"}:
            hint = _other_date(key, str(found), kinds)
        case int() | float() if not isinstance(found, bool) and len(str(found)) <= _MOST_OF_A_LINE:
            hint = _other_number(key, found, kinds)
    return hint


def _other_text(key: str, bare: str, wanted: Wanted) -> str:
    """A text where something else is wanted."""
    kinds, hint = wanted.kinds, ""
    if "list" in kinds:
        hint = f'a list stands in brackets: {key} = ["{bare}"]'
    elif "truth" in kinds:
        hint = f"{_truth(key, bare).replace('it small: ', '')}, without quotes"
    elif kinds & {"date", "moment"}:
        hint = _other_date(key, bare, kinds)
    elif same := next((one for one in wanted.words if one.strip('"').lower() == bare.lower()), ""):
        hint = f"write {key} = {same}" + ("" if same.startswith('"') else ", without quotes")
    elif kinds & {"number", "whole"} and re.fullmatch(_NUMBER, bare):
        hint = f"write {key} = {_plain(bare)}, without quotes"
    elif kinds & {"number", "whole"} and "text" not in kinds:
        said = _number(key, bare, whole=kinds == {"whole"})
        hint = "" if "number; write it" in said else said
    return hint


def _other_number(key: str, found: float, kinds: frozenset[Kind]) -> str:
    hint = ""
    if "list" in kinds:
        hint = f"a list stands in brackets: {key} = [{found}]"
    elif "truth" in kinds:
        hint = _truth(key, str(found))
    elif kinds & {"date", "moment"}:
        hint = _other_date(key, str(found), kinds)
    elif kinds == {"text"}:
        hint = f'a name stands in quotes: {key} = "{found}"'
    elif kinds == {"whole"}:
        hint = "digits alone, without a point, as in 13 or 360000"
    return hint


def _other_date(key: str, bare: str, kinds: frozenset[Kind]) -> str:
    if "moment" in kinds:
        return (
            f"write {key} = {bare}, without quotes"
            if re.match(r"\d{4}-\d\d-\d\dT.*[Z+-]", bare)
            else _moment(key, bare)
        )
    if re.fullmatch(r"\d{4}-\d\d-\d\d", bare):
        return f"write {key} = {bare}, without quotes"
    return _date(key, bare.split(" ", maxsplit=1)[0] if re.match(r"\d{4}-", bare) else bare)
