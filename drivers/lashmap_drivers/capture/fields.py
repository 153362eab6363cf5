"""Which checksum, if any, ends the lines of a capture: every known one is tried over what it may cover."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from lashmap_drivers.wire.checksums import CRC_BY_NAME, Checksum

_FEWEST_DIFFERENT = 4  # of 8 bits each: chance alone would fit all of them once in four thousand million


@dataclass(frozen=True, kw_only=True)
class Tail:
    """A mark and hexadecimal digits behind it that end every line.

    Attributes:
        mark: The same sign in every line; empty when the digits follow directly.
        digits: How many.
    """

    mark: bytes
    digits: int

    def body_length(self, line: bytes) -> int:
        """Bytes of a line before them."""
        return len(line) - self.digits - len(self.mark)

    def pattern(self, body: str) -> str:
        """The pattern of the whole line around that of its body."""
        return f"{body}{escaped(self.mark)}[0-9A-Fa-f]{{{self.digits}}}"


@dataclass(frozen=True, kw_only=True)
class Check(Tail):
    """A checksum that fits all lines and does not cover its mark.

    Attributes:
        name: For people.
        keys: Of the table ``checksum``.
        skip: Bytes at the start of the line that it does not cover.
        lines: Different lines that it was tried on.
        first: Those bytes at the start.
    """

    name: str
    keys: dict[str, Any]
    skip: int
    lines: int
    first: bytes

    def pattern(self, body: str) -> str:
        """The pattern of the whole line around that of its body."""
        start = escaped(self.first) if self.skip else ""
        covered = body.removeprefix(start)
        return f"{start}(?P<checked>{covered}){escaped(self.mark)}(?P<checksum>[0-9A-Fa-f]{{{self.digits}}})"


def escaped(text: bytes) -> str:
    """A pattern that matches this text, with no more escapes than needed; itself always ASCII."""
    plain = re.sub(r"([\\.+*?()\[\]{}|^$])", r"\\\1", text.decode("latin-1"))
    return re.sub(r"[^\x00-\x7f]", lambda sign: f"\\x{ord(sign[0]):02x}", plain)


def find_check(lines: Sequence[bytes]) -> Check | None:
    """The first known checksum that fits every line; None when none does, or there are too few."""
    different = sorted(set(lines))
    if len(different) < _FEWEST_DIFFERENT:
        return None
    for digits in (4, 2):
        for mark in _marks(different, digits):
            check = _fitting(different, digits, mark)
            if check is not None:
                return check
    return None


def unexplained_tail(lines: Sequence[bytes]) -> Tail | None:
    """Digits behind a mark that look like a checksum; for lines that no known checksum fits."""
    for digits in (4, 2):
        mark = next(_marks(lines, digits), b"")
        tails = {line[-digits:] for line in lines}
        if mark and len(tails) > 1 and any(not tail.isdigit() for tail in tails):
            return Tail(mark=mark, digits=digits)
    return None


def _marks(lines: Sequence[bytes], digits: int) -> Iterator[bytes]:
    """What may stand between body and checksum: the same sign in every line, or nothing."""
    if any(len(line) < digits + 3 for line in lines):
        return
    if not all(_is_hex(line[-digits:]) for line in lines):
        return
    before = {line[-digits - 1 : -digits] for line in lines}
    if len(before) == 1 and not (mark := next(iter(before))).isalnum():
        yield mark
    yield b""


def _is_hex(text: bytes) -> bool:
    return all(byte in b"0123456789abcdefABCDEF" for byte in text)


def _fitting(lines: Sequence[bytes], digits: int, mark: bytes) -> Check | None:
    for skip in (0, 1):
        first = {line[:skip] for line in lines}
        if len(first) != 1:
            continue
        for name, keys in _candidates(digits):
            checksum = Checksum.model_validate(keys)
            compute = checksum.compute()
            if all(
                checksum.read(line[-digits:]) == compute(line[skip : len(line) - digits - len(mark)])
                for line in lines
            ):
                return Check(
                    name=name,
                    keys=keys,
                    digits=digits,
                    mark=mark,
                    skip=skip,
                    lines=len(lines),
                    first=next(iter(first)),
                )
    return None


def _candidates(digits: int) -> Iterator[tuple[str, dict[str, Any]]]:
    bits = 4 * digits
    if bits == 8:
        yield "exclusive or", {"method": "xor"}
    for negated, words in (("no", "sum"), ("twos", "negated sum"), ("ones", "inverted sum")):
        yield f"{words} of {bits} bits", {"method": "sum", "bits": bits, "negated": negated}
    for name, parameters in CRC_BY_NAME.items():
        if parameters[0] == bits:
            yield name, {"method": "crc", "crc": name}


# The layout of captured lines: which parts are numbers, words and signs, and a pattern that says so.


_POINT = re.compile(rb"\d\.\d|(?<!\d)\.\d")
# The degree sign and the micrometre, in one byte or in two (ISO 8859-1, UTF-8).
_SYMBOL = rb"\xc2?\xb0|(?:\xc2?\xb5|\xce\xbc)m(?![A-Za-z])"
SYMBOLS = re.compile(_SYMBOL)
_REST = rb"|(?P<word>" + _SYMBOL + rb"|[A-Za-z]+)|(?P<space> +)|(?P<sign>.)"
# A comma is a decimal mark only where no number has a point; otherwise it parts one field from the next.
_WITH_POINT = re.compile(rb"(?P<number>[+-]? *\d+\.\d+|[+-]? *\d+|[+-]? *\.\d+)" + _REST, re.DOTALL)
_WITH_COMMA = re.compile(rb"(?P<number>[+-]? *\d+,\d+|[+-]? *\d+)" + _REST, re.DOTALL)
_LENGTHS = {b"mm": "mm", b"in": "in", b"inch": "in", b'"': "in", b"um": "um"}
_LENGTHS |= {b"\xb5m": "um", b"\xc2\xb5m": "um", b"\xce\xbcm": "um"}
_ANGLES = dict.fromkeys((b"deg", b"degs", b"degree", b"degrees", b"\xb0", b"\xc2\xb0"), "deg")
_UNITS = _LENGTHS | _ANGLES
UNKNOWN = "?"
"""Stands for a unit that the person has to fill in: a profile with it is refused until that is done."""
_ASK = {
    "length": 'write "mm", "in" or "um", as the display shows',
    "angle": 'write "deg" for degrees; for counts use kind = "counter board", with (?P<count>…)',
    None: 'write "mm", "in", "um" or "deg", as the display shows',
}
_MOST_WORDS = 6
_ENOUGH_FOR_WIDTH = 20

Claim = tuple[str, str, Any]  # what, found, certainty
Quantity = Literal["length", "angle", "two counts"]
_TURNS: Claim = ("turns", "should the angle begin again after each turn, add wraps_at_deg = 360", "guess")


@dataclass(frozen=True)
class Field:
    """One part of the line over all lines.

    Attributes:
        kind: ``number``, ``word``, ``space`` or ``sign``.
        texts: Its text in each line.
    """

    kind: str
    texts: tuple[bytes, ...]

    @property
    def varies(self) -> bool:
        """True when it is not the same in every line."""
        return len(set(self.texts)) > 1


@dataclass(frozen=True)
class Layout:
    """The layout that most lines share.

    Attributes:
        fields: Its parts in order.
    """

    fields: tuple[Field, ...]

    @property
    def numbers(self) -> list[int]:
        """Which parts are numbers."""
        return [place for place, field in enumerate(self.fields) if field.kind == "number"]


@dataclass(frozen=True)
class Written:
    """A pattern, the keys that go with it, and what both rest on."""

    pattern: str
    keys: dict[str, Any]
    findings: tuple[Claim, ...]


def majority_layout(lines: Sequence[bytes], quantity: Quantity | None = None) -> Layout | None:
    """The most frequent layout; None when the lines are not ASCII, signs of units apart."""
    ascii_lines = [line for line in lines if SYMBOLS.sub(b"", line).isascii()]
    # Counts are whole numbers, so that a comma between two of them parts them.
    with_point = quantity == "two counts" or any(_POINT.search(line) for line in ascii_lines)
    token = _WITH_POINT if with_point else _WITH_COMMA
    cut = [[(found.lastgroup or "", found[0]) for found in token.finditer(line)] for line in ascii_lines]
    if not cut:
        return None
    layouts = Counter(tuple(kind for kind, _ in parts) for parts in cut)
    kinds, _ = layouts.most_common(1)[0]
    fitting = [parts for parts in cut if tuple(kind for kind, _ in parts) == kinds]
    fields = tuple(
        Field(kind, tuple(parts[place][1] for parts in fitting)) for place, kind in enumerate(kinds)
    )
    return Layout(fields)


def write_pattern(layout: Layout, quantity: Quantity | None = None) -> Written:
    """The pattern of a layout that holds at least one number.

    Args:
        layout: Of the lines.
        quantity: What the instrument is there to measure; None when nobody said.
    """
    if quantity == "two counts":
        return _write_counts(layout)
    place, chosen = _value_field(layout, quantity)
    field = layout.fields[place]
    value, keys, findings = _value(field)
    unit_place, unit_keys, unit_finding = _unit(layout, place, field, quantity)
    keys |= unit_keys
    trailing = place + 1 if _is_trailing_sign(layout, place) else None
    parts = []
    for at, other in enumerate(layout.fields):
        if at == place:
            parts.append(value)
        elif at == trailing:
            parts.append("(?P<sign>[+-])")
            findings = [("sign", "stands behind the number", "likely")] + [
                f for f in findings if f[0] != "sign"
            ]
        elif at == unit_place and "units" in keys:
            parts.append(f"(?P<unit>{_words(other)})")
        else:
            parts.append(_other(other))
    words = [
        _word_claim(one, before=at == place - 1)
        for at, one in enumerate(layout.fields)
        if one.kind == "word" and one.varies and at != unit_place
    ]
    turns = [_TURNS] if keys.get("unit") == "deg" else []
    return Written("".join(parts), keys, (chosen, *findings, unit_finding, *turns, *words))


def _write_counts(layout: Layout) -> Written:
    """The pattern of a layout with the counts of two encoders."""
    places, chosen = _count_fields(layout)
    names = dict(zip(places, ("count", "second_count"), strict=False))
    parts, claims = [], [chosen]
    for at, field in enumerate(layout.fields):
        if at not in names:
            parts.append(_other(field))
            continue
        value, _, findings = _value(field)
        parts.append(value.replace("(?P<value>", f"(?P<{names[at]}>"))
        claims += [(f"{what}, {names[at]}", found, certainty) for what, found, certainty in findings]
    unit = (
        "whole numbers are taken for counts; say in the stand file which is whose (number) and how many make "
        "a turn, and here where a counter begins again (wraps_at)"
    )
    return Written("".join(parts), {"unit": "count"}, (*claims, ("unit", unit, "guess")))


def _count_fields(layout: Layout) -> tuple[list[int], Claim]:
    """The two numbers of a line that are counts, in the order of the line; fewer where there are not two."""
    whole = [
        place for place in layout.numbers if not any(b"." in text for text in layout.fields[place].texts)
    ]
    moving = [place for place in whole if layout.fields[place].varies]
    if len(whole) <= 2:
        return whole, ("counts", "the only two whole numbers of the line", "sure")
    if len(moving) == 2:
        return moving, ("counts", "the only two whole numbers that change", "likely")
    steadiest = sorted(moving or whole, key=lambda place: -len(set(layout.fields[place].texts)))
    found = sorted(steadiest[:2])
    order = " and ".join(str(layout.numbers.index(place) + 1) for place in found)
    what = (
        f"numbers {order} of {len(layout.numbers)} in the line; turn one shaft at a time to see which change"
    )
    return found, ("counts", what, "guess")


def _is_trailing_sign(layout: Layout, place: int) -> bool:
    texts = layout.fields[place + 1].texts if place + 1 < len(layout.fields) else ()
    return {b"-"} <= set(texts) <= {b"+", b"-"} and not any(
        text[:1] in b"+-" for text in layout.fields[place].texts
    )


def _word_claim(field: Field, *, before: bool) -> Claim:
    if before:
        what = (
            f"the letters {_quoted(field)} before the number may be its sign: then make them a group "
            "(?P<sign>…) and list those that mean minus in negative"
        )
        return ("sign", what, "guess")
    return ("status", f"the words {_quoted(field)} come and go; the manual says what they mean", "guess")


def _value_field(layout: Layout, quantity: Quantity | None) -> tuple[int, Claim]:
    numbers = layout.numbers
    if len(numbers) == 1:
        return numbers[0], ("value", "the only number of the line", "sure")
    fitting = [place for place in numbers if _quantity_behind(layout, place) == quantity]
    if quantity is not None and len(fitting) == 1:
        return fitting[0], ("value", f"the only number with a unit of {quantity} behind it", "likely")
    moving = [place for place in numbers if layout.fields[place].varies]
    decimal = [place for place in moving if re.search(rb"[.,]", layout.fields[place].texts[0])]
    if len(decimal) == 1:
        return decimal[0], ("value", "the only number with decimals that changes", "likely")
    if len(moving) == 1:
        return moving[0], ("value", "the only number that changes", "likely")
    best = max(decimal or moving or numbers, key=lambda place: len(set(layout.fields[place].texts)))
    order = numbers.index(best) + 1
    return best, ("value", f"number {order} of {len(numbers)} in the line; several could be meant", "guess")


def _value(field: Field) -> tuple[str, dict[str, Any], list[Claim]]:
    """Pattern of the value, keys and findings."""
    texts = field.texts
    signs = {text[:1] for text in texts} & {b"+", b"-"}
    apart = any(b" " in text[1:] for text in texts) or any(text[:1] == b" " for text in texts)
    bare = [text.lstrip(b"+- ") for text in texts]
    marks = {mark for mark in b".," if any(mark in text for text in bare)}
    keys: dict[str, Any] = {}
    findings: list[Claim] = []
    if marks == {ord(",")}:
        keys["decimal"] = ","
    digits = _digits(bare, len({len(text) for text in texts}) == 1)
    sign = _sign(texts)
    if marks:
        mark = "comma" if "decimal" in keys else "point"
        findings.append(("number", f"written with a decimal {mark}", "sure"))
    if sign == "":
        findings.append(
            ("sign", "no sign came; move tip or shaft the other way to see how minus is written", "guess")
        )
    elif b"-" not in signs:
        findings.append(("sign", "only plus came; minus is taken to be a - in its place", "likely"))
    if apart:
        # Blanks that always came part the value from a number before it.
        before = " +" if all(text[:1] == b" " for text in texts) else ""
        return f"{before}(?P<sign>{sign or '[+-]?'}) *(?P<value>{digits})", keys, findings
    return f"(?P<value>{sign}{digits})", keys, findings


def _digits(bare: Sequence[bytes], same_width: bool) -> str:  # noqa: FBT001 - one fact of the texts
    wholes = [re.split(rb"[.,]", text)[0] for text in bare]
    decimals = [re.split(rb"[.,]", text)[1:] for text in bare]
    padded = any(len(whole) > 1 and whole[:1] == b"0" for whole in wholes)
    widths = {len(whole) for whole in wholes}
    # A padded number of one width is known to the digit, so that a lost byte cannot pass for a smaller one.
    known = padded and same_width and len(widths) == 1 and len(bare) >= _ENOUGH_FOR_WIDTH
    whole = rf"\d{{{widths.pop()}}}" if known else r"\d*" if 0 in widths else r"\d+"
    if not any(decimals):
        return whole
    places = {len(part[0]) for part in decimals if part}
    mark = r"\." if any(b"." in text for text in bare) else ","
    fraction = rf"\d{{{places.pop()}}}" if len(places) == 1 else r"\d+"
    return f"{whole}{mark}{fraction}" if all(decimals) else f"{whole}(?:{mark}{fraction})?"


def _unit(
    layout: Layout, place: int, field: Field, quantity: Quantity | None
) -> tuple[int | None, dict[str, Any], Claim]:
    """Where the unit stands, the keys that say it, and what they rest on."""
    at = _unit_field(layout, place)
    if at is None:
        return None, *_unit_not_told(layout, field, quantity)
    texts = sorted(set(layout.fields[at].texts))
    units = {text.decode("latin-1"): _UNITS[text.lower()] for text in texts}
    word = f"the word {_quoted(layout.fields[at])}"
    measured = {_quantity_of(unit) for unit in units.values()}
    if quantity is not None and measured != {quantity}:
        role = "an indicator" if quantity == "length" else "an encoder"
        what = (
            f"{word} is no unit of {quantity}, but {role} was asked for: is this its port? {_ASK[quantity]}"
        )
        return None, {"unit": UNKNOWN}, ("unit", what, "guess")
    keys: dict[str, Any] = {"unit": next(iter(units.values()))}
    if len(set(units.values())) > 1 and measured == {"length"}:
        keys["units"] = units
    elif len(set(units.values())) > 1:
        return None, {"unit": UNKNOWN}, ("unit", f"{word} changes: {_ASK[None]}", "guess")
    if at > place:
        return at, keys, ("unit", f"{word} behind the number", "sure" if at <= place + 2 else "likely")
    return at, keys, ("unit", f"{word} before the number", "likely")


def _unit_field(layout: Layout, place: int) -> int | None:
    """The part that holds a unit in every line, the nearest to the number, rather behind it than before."""
    told = [at for at, one in enumerate(layout.fields) if all(text.lower() in _UNITS for text in one.texts)]
    # Beyond the next number it is that number's.
    after = next((at for at in layout.numbers if at > place), len(layout.fields))
    behind = [at for at in told if place < at < after]
    before = [at for at in told if at < place]
    return next(iter(behind), next(reversed(before), None))


def _quantity_behind(layout: Layout, place: int) -> Quantity | None:
    at = _unit_field(layout, place)
    if at is None or at < place:
        return None
    quantities = {_quantity_of(_UNITS[text.lower()]) for text in layout.fields[at].texts}
    return quantities.pop() if len(quantities) == 1 else None


def _quantity_of(unit: str) -> Quantity:
    return "angle" if unit == "deg" else "length"


def _unit_not_told(layout: Layout, field: Field, quantity: Quantity | None) -> tuple[dict[str, Any], Claim]:
    """What is proposed when no part of the line is a unit by itself."""
    words = {text.lower() for one in layout.fields if one.kind == "word" for text in one.texts}
    # "in" and "um" are in many a word.
    if held := [unit for unit in (b"mm", b"inch", b"deg") if any(unit in word for word in words)]:
        inside = ", ".join(repr(unit.decode("latin-1")) for unit in held)
        what = f"{inside} stands in the lines, but not as a word of its own in all of them: {_ASK[quantity]}"
        return {"unit": UNKNOWN}, ("unit", what, "guess")
    has_decimals = any(mark in text for text in field.texts for mark in (b".", b","))
    if has_decimals and quantity == "angle":
        what = (
            "none is sent; an encoder that sends decimals sends degrees as a rule: compare with the display"
        )
        return {"unit": "deg"}, ("unit", what, "guess")
    if has_decimals or quantity == "length":
        scale = "" if has_decimals else ", and set scale for a decimal point that is not sent"
        return {"unit": UNKNOWN}, ("unit", f"none is sent: {_ASK[quantity]}{scale}", "guess")
    counts = (
        "whole numbers without a unit: taken for the counts of an encoder; an indicator with an implied "
        "decimal point (kind 'ascii line' with scale) looks the same"
    )
    return {"unit": "count"}, ("unit", counts, "guess")


def _other(field: Field) -> str:
    """Pattern of a part that is not the value."""
    if not field.varies:
        return escaped(field.texts[0])
    match field.kind:
        case "number":
            return _other_number(field.texts)
        case "word":
            return _words(field)
        case "space":
            return " +"
        case _:
            return f"(?:{'|'.join(escaped(text) for text in sorted(set(field.texts)))})"


def _other_number(texts: Sequence[bytes]) -> str:
    """As strict as what was seen: a loose pattern beside the value would swallow its sign or digits."""
    bare = [text.lstrip(b"+- ") for text in texts]
    blanks = (
        " +"
        if all(text[:1] == b" " for text in texts)
        else " *"
        if any(b" " in text for text in texts)
        else ""
    )
    return _sign(texts) + blanks + _digits(bare, len({len(text) for text in texts}) == 1)


def _sign(texts: Sequence[bytes]) -> str:
    signed = [text[:1] in {b"+", b"-"} for text in texts]
    return "[+-]" if all(signed) else "[+-]?" if any(signed) else ""


def _words(field: Field) -> str:
    texts = sorted(set(field.texts))
    if len(texts) == 1:
        return escaped(texts[0])
    return f"(?:{'|'.join(map(escaped, texts))})" if len(texts) <= _MOST_WORDS else "[A-Za-z]+"


def _quoted(field: Field) -> str:
    return ", ".join(repr(_readable(text)) for text in sorted(set(field.texts))[:_MOST_WORDS])


def _readable(text: bytes) -> str:
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        return text.decode("latin-1")
