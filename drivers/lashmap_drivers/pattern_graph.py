"""A pattern as a graph: which characters may stand at each of its places, and which place may follow which.

This is the position automaton (V. M. Glushkov, "The abstract theory of automata", 1961; *(memory)*). What it
tells about a pattern is decided in `lashmap_drivers.pattern_risks`. It is a little larger than the pattern:
a repeat with a limit counts as one without, what looks around or back counts as anything or nothing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import import_module
from typing import Any

ANYTHING = frozenset(range(256))
_LINE_END = frozenset(b"\n")
_MOST_COPIES = 32
_MOST_PLACES = 400


@dataclass(frozen=True, kw_only=True)
class Place:
    """One character of the pattern.

    Attributes:
        signs: Bytes that may stand here.
        groups: Names of the groups that it lies in.
        lazy: It is repeated as seldom as possible.
    """

    signs: frozenset[int]
    groups: frozenset[str]
    lazy: bool


@dataclass(frozen=True)
class Part:
    """A part of the pattern.

    Attributes:
        first: Places at which it may begin; named twice where that can come about in two ways.
        last: Places at which it may end, likewise.
        empty: In how many ways it may be empty; 2 stands for more as well.
    """

    first: tuple[int, ...] = ()
    last: tuple[int, ...] = ()
    empty: int = 1


@dataclass
class Graph:
    """A whole pattern.

    Attributes:
        places: In reading order.
        after: For each place those that may follow; named twice where that can come about in two ways.
        whole: The pattern as one part.
    """

    places: list[Place] = field(default_factory=list)
    after: list[list[int]] = field(default_factory=list)
    whole: Part = field(default_factory=Part)

    def before(self, place: int) -> list[int]:
        """Places that may stand directly before one."""
        return [other for other, following in enumerate(self.after) if place in following]


def graph_of(pattern: str) -> Graph:
    """The graph of a pattern that has already been compiled without error."""
    tree = import_module("re._parser").parse(pattern.encode("ascii"))
    return _Builder(tree.state.groupdict, tree.state.flags).build(tree)


class _Builder:
    def __init__(self, groups: dict[str, int], flags: int) -> None:
        self._names = {number: name for name, number in groups.items()}
        self._inside: tuple[str, ...] = ()
        self._lazy = False
        self._flags = flags
        self._graph = Graph()

    def build(self, tree: Any) -> Graph:  # noqa: ANN401 - the library's own tree has no types
        self._graph.whole = self._sequence(tree)
        return self._graph

    def _sequence(self, items: Any) -> Part:  # noqa: ANN401
        whole = Part()
        for item in items:
            whole = self._joined(whole, self._part(str(item[0]), item[1]))
        return whole

    def _part(self, kind: str, content: Any) -> Part:  # noqa: ANN401, PLR0911 - one for each thing of a pattern
        match kind:
            case "LITERAL" | "NOT_LITERAL" | "IN" | "ANY":
                return self._place(self._signs(kind, content))
            case "BRANCH":
                return self._either([self._sequence(one) for one in content[1]])
            case "SUBPATTERN":
                return self._group(content[0], content[-1])
            case "MAX_REPEAT" | "MIN_REPEAT" | "POSSESSIVE_REPEAT":
                return self._repeat(kind, *content)
            case "ATOMIC_GROUP":
                return self._sequence(content)
            case "GROUPREF":
                return self._loop(self._place(ANYTHING))
            case "GROUPREF_EXISTS":
                return self._either([self._sequence(one or ()) for one in content[1:]])
            case "ASSERT" | "ASSERT_NOT":
                self._sequence(content[1])  # costs as a part of its own, stands between no others
                return Part()
        return Part()  # an anchor

    def _place(self, signs: frozenset[int]) -> Part:
        at = len(self._graph.places)
        self._graph.places.append(Place(signs=signs, groups=frozenset(self._inside), lazy=self._lazy))
        self._graph.after.append([])
        return Part((at,), (at,), empty=0)

    def _signs(self, kind: str, content: Any) -> frozenset[int]:  # noqa: ANN401
        if kind == "ANY":
            return ANYTHING if self._flags & re.DOTALL else ANYTHING - _LINE_END
        if kind == "IN":
            signs = frozenset[int]().union(*(_class(str(one), what) for one, what in content))
            signs = self._cased(signs)
            return ANYTHING - signs if str(content[0][0]) == "NEGATE" else signs
        signs = self._cased(frozenset({content}))
        return ANYTHING - signs if kind == "NOT_LITERAL" else signs

    def _cased(self, signs: frozenset[int]) -> frozenset[int]:
        if not self._flags & re.IGNORECASE:
            return signs
        return signs | frozenset(bytes(signs).lower()) | frozenset(bytes(signs).upper())

    def _group(self, number: int | None, content: Any) -> Part:  # noqa: ANN401
        before = self._inside
        name = self._names.get(number) if number is not None else None
        self._inside = (*before, name) if name is not None else before
        part = self._sequence(content)
        self._inside = before
        return part

    def _repeat(self, kind: str, least: int, most: int, content: Any) -> Part:  # noqa: ANN401
        before, self._lazy = self._lazy, self._lazy or kind == "MIN_REPEAT"
        one = self._sequence(content)
        if most > 1:
            copies = int(least) - 1
            room = min(_MOST_COPIES, _MOST_PLACES - len(self._graph.places))
            if least == most and len(content) == 1 and copies < room and len(one.first) == 1:
                for _ in range(copies):
                    one = self._joined(one, self._sequence(content))
            else:
                one = self._loop(one)
        self._lazy = before
        return Part(one.first, one.last, empty=min(one.empty + (not least), 2))

    def _loop(self, part: Part) -> Part:
        self._lead(part.last, part.first)
        return part

    def _joined(self, left: Part, right: Part) -> Part:
        self._lead(left.last, right.first)
        return Part(
            _at_most_twice(left.first + right.first * left.empty),
            _at_most_twice(right.last + left.last * right.empty),
            empty=min(left.empty * right.empty, 2),
        )

    def _lead(self, sources: Sequence[int], targets: Sequence[int]) -> None:
        for source in sources:
            self._graph.after[source].extend(targets)

    @staticmethod
    def _either(parts: Sequence[Part]) -> Part:
        return Part(
            tuple(at for part in parts for at in part.first),
            tuple(at for part in parts for at in part.last),
            empty=min(sum(part.empty for part in parts), 2),
        )


def _at_most_twice(places: tuple[int, ...]) -> tuple[int, ...]:
    return tuple(at for where, at in enumerate(places) if places[:where].count(at) < 2)


def _class(kind: str, content: Any) -> frozenset[int]:  # noqa: ANN401
    match kind:
        case "LITERAL":
            return frozenset({content})
        case "RANGE":
            return frozenset(range(content[0], content[1] + 1))
        case "CATEGORY":
            return _category(str(content))
    return frozenset()  # the mark of a class turned around


def _category(name: str) -> frozenset[int]:
    letter = {"DIGIT": "d", "SPACE": "s", "WORD": "w"}[name.rsplit("_", maxsplit=1)[-1]]
    mark = letter.upper() if "_NOT_" in name else letter
    return frozenset(byte for byte in ANYTHING if re.match(rf"\{mark}".encode(), bytes([byte])))
