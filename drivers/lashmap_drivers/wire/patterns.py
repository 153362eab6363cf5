r"""Patterns of lines: compiled by RE2, an engine whose time grows with the length of the line and no faster.

Python's own engine goes back and tries again, so that a line of rubbish can keep it busy for hours
(R. Cox, "Regular expression matching can be simple and fast", 2007; *(memory)*). RE2 never goes back. What it
cannot compute (looking ahead or behind, referring back) is refused here with what to write instead, and so
is the little that it reads in another way than Python does. So a pattern means what Python's documentation
says, with one exception: ``\\s`` does not take the vertical tab.

A pattern that could tear a number apart is refused as well.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Protocol

import re2

# A line of 256 bytes takes 4 ms at most with so many steps (measured); instruments need 20 to 200.
MOST_STEPS = 1000
MOST_GROUPS = 100  # nested, they would otherwise go deeper than Python's stack
_OTHERWISE = (  # what Python reads in one way and RE2 in another
    (re.compile(r"(?<!\\)\{,"), "{,n}", "write {0,n} for a repeat, \\{ for a brace"),
    (re.compile(r"\[\[:"), "[[:", "write \\[ for a bracket inside a class"),
)
_INSTEAD = (  # what RE2 cannot compute; the first that its complaint contains
    (r"\(\?P$|\\[1-9]$", "refers back to a group", "write that part of the pattern once more"),
    (r"\(\?<?[=!]", "looks ahead or behind", "write what stands there as a part of the pattern"),
    (r"\(\?>|[*+?}]\+$", "keeps a repeat from giving back", "leave that mark out; no pattern can hang"),
    (r"\(\?\(", "has a part that depends on another group", "write both forms with | between them"),
    (r"\(\?#", "has a comment", "leave it out, and write it as a comment of the TOML file"),
    (r"\(\?[a-zA-Z]", "has a flag other than i, m or s", "leave it out"),
    (r"\\Z", "has \\Z", "leave it out; a pattern always matches the whole line"),
    (r"repetition size", "repeats a part more than 1000 times", "write a smaller number, or * or +"),
)


class Match(Protocol):
    """One match; groups by number, the whole is 0."""

    def __getitem__(self, group: int) -> bytes | None:
        """The text of a group; None where it took no part."""

    def start(self, group: int) -> int:
        """Offset of its first byte."""


class Engine(Protocol):
    """A compiled pattern."""

    @property
    def groups(self) -> int:
        """How many groups it has."""

    @property
    def groupindex(self) -> dict[bytes, int]:
        """Number of each named group."""

    @property
    def programsize(self) -> int:
        """How many steps it is; the time of a match grows with it."""

    def fullmatch(self, text: bytes) -> Match | None:
        """Match the whole text."""

    def findall(self, text: bytes) -> list[bytes]:
        """Every match."""


def engine(pattern: bytes, *, captures: bool = True) -> Engine:
    """Compile a pattern of bytes.

    Args:
        pattern: Each byte is one character.
        captures: Tell the groups apart; without them a match is many times as quick.

    Raises:
        re2.error: When it cannot be compiled.
    """
    options = re2.Options()
    options.encoding = re2.Options.Encoding.LATIN1
    options.log_errors = False
    options.never_capture = not captures
    compiled: Engine = re2.compile(pattern, options)
    return compiled


def groups_of(pattern: Engine) -> dict[str, int]:
    """Number of each named group."""
    return {name.decode("ascii"): number for name, number in pattern.groupindex.items()}


@lru_cache(maxsize=64)
def checked_groups(pattern: str) -> frozenset[str]:
    """Names of the groups of a pattern from a file.

    Raises:
        ValueError: When it cannot be used, with what to write instead.
    """
    if pattern.count("(") > MOST_GROUPS:
        raise ValueError(f"pattern: has more than {MOST_GROUPS} groups; leave out those that nobody needs")
    for found, what, instead in _OTHERWISE:
        if found.search(pattern):
            raise ValueError(f"pattern: {what} can be understood in two ways; {instead}")
    try:
        re.compile(pattern.encode("ascii"))  # only for its grammar; it matches nothing
    except (re.error, UnicodeEncodeError, OverflowError, RecursionError) as error:
        raise ValueError(f"pattern is not a usable regular expression: {error}") from error
    try:
        compiled = engine(pattern.encode("ascii"))
    except re2.error as error:
        raise ValueError(f"pattern: {_refusal(error)}") from error
    if compiled.programsize > MOST_STEPS:
        raise ValueError(
            f"pattern: takes {compiled.programsize} steps with its repeats written out, and may take "
            f"{MOST_STEPS}, so that a line costs milliseconds; repeat less, or write * or + for a long repeat"
        )
    return frozenset(groups_of(compiled))


def _refusal(error: re2.error) -> str:
    said = error.args[0]
    text = said.decode("latin-1") if isinstance(said, bytes) else str(said)
    for found, what, instead in _INSTEAD:
        if re.search(found, text):
            return f"{what}, which cannot be done in a time that is known ({text}); {instead}"
    return f"cannot be used ({text}); write it in another way"


# Patterns that would leave a part of a number out: a minus sign, or the first digits.
#
# A pattern that lets a minus sign, or the first digits, stand outside of the number reads another number
# than was sent. It is refused when the profile is read, with what to write instead. To tell, the pattern is
# laid out as places and what may follow each (V. M. Glushkov, "The abstract theory of automata", 1961;
# *(memory)*): a little more than what it can match, since every repeat counts as one without a limit. Which
# bytes may stand at a place the engine itself says.


_MINUS = ord("-")
_DIGITS = frozenset(b"0123456789")
_BLANK = frozenset(b" \t")
_SIGNS = frozenset(b"+- ")
_TOLD = frozenset({"sign", "unit", "status"})  # groups whose every text is named in the profile
_TOKEN = re.compile(
    r"""(?P<open>\((?:\?P<(?P<name>\w+)>|\?(?P<flags>[ims-]*):)?) | (?P<set>\(\?[ims-]+\)) | (?P<close>\))
      | (?P<bar>\|) | (?P<anchor>[\^$]|\\[AbBz])
      | (?P<repeat>\?|\*|\+|\{(?P<least>\d+)(?P<most>,\d*)?\})(?P<lazy>\??)
      | (?P<atom>\\x[0-9A-Fa-f]{2} | \\[0-7]{1,3} | \\. | \[\^?\]?(?:\\.|[^\]\\])*\] | .)""",
    re.VERBOSE | re.DOTALL,
)


def refuse_torn_numbers(pattern: str, number: str) -> None:
    """Refuse a pattern that could leave out a sign or digits of the number.

    Args:
        pattern: Has been checked by `checked_groups`.
        number: Name of the group that holds the number.

    Raises:
        ValueError: With the reason and what to write instead.
    """
    complaint = _complaint(pattern, number)
    if complaint is not None:
        raise ValueError(f"pattern: {complaint}")


@dataclass
class _Place:
    """One character of the pattern.

    Attributes:
        signs: Bytes that may stand here.
        groups: Names of the groups that it lies in.
        varies: It is part of a repeat that takes what it can get.
        lazy: It is part of a repeat that takes as little as it can.
        after: Places that may follow.
        before: Places that it may follow.
    """

    signs: frozenset[int]
    groups: frozenset[str]
    varies: bool = False
    lazy: bool = False
    after: set[int] = field(default_factory=set)
    before: set[int] = field(default_factory=set)


@dataclass(frozen=True)
class _Part:
    """A part of the pattern: places at which it may begin and end, and whether it may be empty."""

    first: frozenset[int] = frozenset()
    last: frozenset[int] = frozenset()
    empty: bool = True


class _Layout:
    """The places of a whole pattern, in reading order."""

    def __init__(self, pattern: str) -> None:
        self.places: list[_Place] = []
        self._tokens = list(_TOKEN.finditer(pattern))
        self._at = 0
        self._flags = ""
        self.whole = self._alternatives(frozenset())

    def _take(self, kind: str) -> re.Match[str] | None:
        """The next token when it is of this kind."""
        token = self._tokens[self._at] if self._at < len(self._tokens) else None
        if token is None or token[kind] is None:
            return None
        self._at += 1
        return token

    def _alternatives(self, groups: frozenset[str]) -> _Part:
        parts = [self._sequence(groups)]
        while self._take("bar"):
            parts.append(self._sequence(groups))
        return _Part(
            frozenset[int]().union(*(part.first for part in parts)),
            frozenset[int]().union(*(part.last for part in parts)),
            empty=any(part.empty for part in parts),
        )

    def _sequence(self, groups: frozenset[str]) -> _Part:
        whole = _Part()
        while (part := self._element(groups)) is not None:
            self._lead(whole.last, part.first)
            whole = _Part(
                whole.first | part.first if whole.empty else whole.first,
                whole.last | part.last if part.empty else part.last,
                empty=whole.empty and part.empty,
            )
        return whole

    def _element(self, groups: frozenset[str]) -> _Part | None:
        start = len(self.places)
        if self._take("anchor"):
            part = _Part()
        elif token := self._take("set"):
            self._flags += token[0]
            part = _Part()
        elif token := self._take("open"):
            before = self._flags
            self._flags += f"(?{token['flags']})" if token["flags"] else ""
            part = self._alternatives(groups | {token["name"]} if token["name"] else groups)
            self._take("close")
            self._flags = before
        elif token := self._take("atom"):
            self.places.append(_Place(_signs(self._flags + token[0]), groups))
            part = _Part(frozenset({start}), frozenset({start}), empty=False)
        else:
            return None
        return self._repeated(part, start)

    def _repeated(self, part: _Part, start: int) -> _Part:
        token = self._take("repeat")
        if token is None:
            return part
        kind, least, most = token["repeat"], token["least"], token["most"]
        if kind != "?":
            self._lead(part.last, part.first)
        if least is None or (most is not None and most != f",{least}"):
            for place in self.places[start:]:
                place.lazy |= bool(token["lazy"])
                place.varies |= not token["lazy"]
        return _Part(part.first, part.last, empty=part.empty or kind in {"?", "*"} or least == "0")

    def _lead(self, sources: Iterable[int], targets: Iterable[int]) -> None:
        for source in sources:
            for target in targets:
                self.places[source].after.add(target)
                self.places[target].before.add(source)


@lru_cache(maxsize=256)
def _signs(atom: str) -> frozenset[int]:
    """Bytes that an atom of a pattern takes."""
    return frozenset(b"".join(engine(atom.encode("ascii")).findall(bytes(range(256)))))


@lru_cache(maxsize=64)
def _complaint(pattern: str, number: str) -> str | None:
    layout = _Layout(pattern)
    places, whole = layout.places, layout.whole
    inside = {at for at, place in enumerate(places) if number in place.groups}
    first = {at for at in inside if at in whole.first or places[at].before - inside}
    last = {at for at in inside if at in whole.last or places[at].after - inside}
    ahead = {before for at in first for before in places[at].before} - inside
    starts = frozenset[int]().union(*(places[at].signs for at in first))
    group = f"the group (?P<{number}>…)"
    if any(_may_lose_minus(layout, at, first, starts) for at in _near(places, first, lambda p: p.before)):
        return (
            f"a minus sign before the number can stand outside of {group} and would be lost; put it inside, "
            "or into a group (?P<sign>…)"
        )
    if any(places[at].varies and _DIGITS & places[at].signs and _DIGITS & starts for at in ahead):
        return f"what stands before {group} can swallow its first digits; say exactly what stands there"
    if any(_is_sign_behind(layout, at, number) for at in _near(places, last, lambda p: p.after)):
        return (
            f"a sign behind the number can stand outside of {group} and would be lost; put it into a group "
            "(?P<sign>…)"
        )
    return None


def _may_lose_minus(layout: _Layout, at: int, first: set[int], starts: frozenset[int]) -> bool:
    place = layout.places[at]
    if place.groups & _TOLD or _MINUS not in place.signs:
        return False
    if place.lazy and not place.varies and _MINUS in starts:
        return False  # it leaves the sign to the number
    return place.signs != {_MINUS} or not _is_needed(layout, at, first)


def _is_sign_behind(layout: _Layout, at: int, number: str) -> bool:
    place = layout.places[at]
    if place.groups & (_TOLD | {number}) or _MINUS not in place.signs or not place.signs <= _SIGNS:
        return False
    following = [
        layout.places[after].signs for after in _near(layout.places, {at}, lambda place: place.after)
    ]
    # Before digits it is the sign of the next number.
    return at in layout.whole.last or any(not _DIGITS & signs for signs in following if not signs <= _BLANK)


def _near(places: list[_Place], ends: set[int], step: Callable[[_Place], set[int]]) -> set[int]:
    """Places beside the number, also across blanks."""
    near: set[int] = set()
    waiting = list(ends)
    while waiting:
        for at in step(places[waiting.pop()]) - ends - near:
            near.add(at)
            if places[at].signs <= _BLANK:
                waiting.append(at)
    return near


def _is_needed(layout: _Layout, at: int, first: set[int]) -> bool:
    """Every way to the number leads through this place."""
    found = set(layout.whole.first) - {at}
    waiting = list(found)
    while waiting:
        following = layout.places[waiting.pop()].after - found - {at}
        found |= following
        waiting.extend(following)
    return not found & first
