"""Patterns that must not read an instrument: those that could hang the reader, or leave part of a number out.

A regular expression can take longer than the age of the machine for one line of rubbish. It does when a
repeated part matches the same text in two ways, and it takes long when several repeats share one text
(A. Weber, H. Seidl, "On the degree of ambiguity of finite automata", 1991; *(memory)*). And a pattern that
lets a minus sign, or the first digits, stand outside of the number reads another number than was sent. Both
are refused when the profile is read, with what to write instead.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import TypeVar

from lashmap_drivers.pattern_graph import Graph, graph_of

State = TypeVar("State", bound=tuple[int, ...])

# Repeats that may share one text: three cost 0.1 s for the longest line (measured), four cost some seconds.
_MOST_SHARED = 3
_MOST_WAYS_LOG2 = 24.0  # ways through the parts that are not repeated, far above what can really match
_MOST_PAIRS = 40_000
_MOST_PLACES = 1500
_MINUS = ord("-")
_DIGITS = frozenset(b"0123456789")
_BLANK = frozenset(b" \t")
_SIGNS = frozenset(b"+- ")
_TOLD = frozenset({"sign", "unit", "status"})  # groups whose every text is named in the profile


def refuse_risks(pattern: str, number: str) -> None:
    """Refuse a pattern that could hang, or tear a number apart.

    Args:
        pattern: Compiles without error.
        number: Name of the group that holds the number.

    Raises:
        ValueError: With the reason and what to write instead.
    """
    complaint = _complaint(pattern, number)
    if complaint is not None:
        raise ValueError(f"pattern: {complaint}")


@lru_cache(maxsize=64)
def _complaint(pattern: str, number: str) -> str | None:
    graph = graph_of(pattern)
    if len(graph.places) > _MOST_PLACES:
        return "is too long to be judged; write it shorter"
    return _may_hang(graph) or _tears_the_number(graph, number)


# Time ------------------------------------------------------------------------------------------------------


def _may_hang(graph: Graph) -> str | None:
    reach = _reach(graph)
    knots: dict[int, list[int]] = {}  # places that lead back to themselves, by what else they lead to
    for at in range(len(graph.places)):
        if reach[at] >> at & 1:
            knots.setdefault(reach[at], []).append(at)
    parts = [part for same in knots.values() for part in _split(same, reach)]
    if any(_is_ambiguous(graph, frozenset(part)) for part in parts):
        return (
            "a repeated part can match the same text in two ways, so a line of rubbish could take forever; "
            "leave out the inner or the outer repeat, as in (\\d+)+"
        )
    if _longest_chain(graph, parts, reach) > _MOST_SHARED:
        return (
            f"more than {_MOST_SHARED} repeats can share one text, so a line of rubbish could take seconds; "
            "say more exactly what stands where"
        )
    if _ways_log2(graph, reach) > _MOST_WAYS_LOG2:
        return "can match one line in millions of ways; say more exactly what stands where"
    return None


def _reach(graph: Graph) -> list[int]:
    """For each place, as bits, those that can come after it, at once or later."""
    reach = [sum(1 << at for at in set(after)) for after in graph.after]
    for middle in range(len(reach)):
        through = reach[middle]
        reach = [bits | through if bits >> middle & 1 else bits for bits in reach]
    return reach


def _split(same: list[int], reach: list[int]) -> list[list[int]]:
    """Places with equal reach that lead back to themselves are one knot, if they lead to each other."""
    parts: list[list[int]] = []
    for at in same:
        home = next((part for part in parts if reach[part[0]] >> at & 1), None)
        if home is None:
            parts.append([at])
        else:
            home.append(at)
    return parts


def _is_ambiguous(graph: Graph, part: frozenset[int]) -> bool:
    """The same text leads from a place of this knot back to it in two ways."""
    if len(part) ** 2 > _MOST_PAIRS:
        return True  # cannot be judged, and is no pattern of an instrument
    inside = {at: [after for after in graph.after[at] if after in part] for at in part}
    if any(len(set(after)) < len(after) for after in inside.values()):
        return True
    steps = {
        (one, two): [
            (left, right)
            for left in inside[one]
            for right in inside[two]
            if graph.places[left].signs & graph.places[right].signs
        ]
        for one in part
        for two in part
    }
    apart = _reached([(at, at) for at in part], steps.__getitem__)
    return any(
        one != two and any(left == right for left, right in _reached([(one, two)], steps.__getitem__))
        for one, two in apart
    )


def _longest_chain(graph: Graph, parts: list[list[int]], reach: list[int]) -> int:
    """How many repeats, one behind the other, can share one text."""
    order = sorted(range(len(parts)), key=lambda one: -reach[parts[one][0]].bit_count())
    length = dict.fromkeys(order, 1)
    for place, one in enumerate(order):
        for two in order[place + 1 :]:
            if length[two] <= length[one] and _share(graph, parts[one], parts[two], reach):
                length[two] = length[one] + 1
    return max(length.values(), default=0)


def _share(graph: Graph, one: list[int], two: list[int], reach: list[int]) -> bool:
    """A text goes round in one, round in two, and from one to two."""
    if not reach[one[0]] >> two[0] & 1:
        return False
    way = [at for at in range(len(reach)) if at in two or reach[at] >> two[0] & 1]
    allowed = (frozenset(one), frozenset(way), frozenset(two))

    def steps(state: tuple[int, int, int]) -> list[tuple[int, int, int]]:
        first, middle, last = (
            [after for after in graph.after[at] if after in inside]
            for at, inside in zip(state, allowed, strict=True)
        )
        return [
            (left, between, right)
            for left in first
            for right in last
            if (signs := graph.places[left].signs & graph.places[right].signs)
            for between in middle
            if signs & graph.places[between].signs
        ]

    return any(
        (left, right, right) in _reached([(left, left, right)], steps) for left in one for right in two
    )


def _ways_log2(graph: Graph, reach: list[int]) -> float:
    """At most so many ways, as a power of two, lead through the parts that are not repeated."""
    most: dict[int, float] = {}

    def beyond(targets: list[int]) -> float:
        counts = Counter(sign for at in targets for sign in graph.places[at].signs)
        choice = math.log2(max(counts.values(), default=1))
        return choice + max((most[at] for at in targets), default=0.0)

    # What comes after stands first: it reaches less, or as much and itself too.
    for at in sorted(range(len(reach)), key=lambda one: (reach[one].bit_count(), not reach[one] >> one & 1)):
        most[at] = beyond([after for after in graph.after[at] if not reach[after] >> at & 1])
    return beyond(list(graph.whole.first))


def _reached(starts: Iterable[State], steps: Callable[[State], list[State]]) -> set[State]:
    found: set[State] = set()
    waiting = list(starts)
    while waiting:
        for state in steps(waiting.pop()):
            if state not in found:
                found.add(state)
                waiting.append(state)
    return found


# The number ------------------------------------------------------------------------------------------------


def _tears_the_number(graph: Graph, number: str) -> str | None:
    inside = [at for at, place in enumerate(graph.places) if number in place.groups]
    first = [at for at in inside if at in graph.whole.first or not set(graph.before(at)) <= set(inside)]
    last = [at for at in inside if at in graph.whole.last or not set(graph.after[at]) <= set(inside)]
    group = f"the group (?P<{number}>…)"
    if any(_may_lose_minus(graph, at, first) for at in _near(graph, first, graph.before)):
        return (
            f"a minus sign before the number can stand outside of {group} and would be lost; put it inside, "
            "or into a group (?P<sign>…)"
        )
    if any(
        _may_swallow_digits(graph, at, first) for one in first for at in set(graph.before(one)) - set(inside)
    ):
        return f"what stands before {group} can swallow its first digits; say exactly what stands there"
    if any(_is_sign_behind(graph, at, number) for at in _near(graph, last, graph.after.__getitem__)):
        return (
            f"a sign behind the number can stand outside of {group} and would be lost; put it into a group "
            "(?P<sign>…)"
        )
    return None


def _may_lose_minus(graph: Graph, at: int, first: list[int]) -> bool:
    place = graph.places[at]
    if place.groups & _TOLD or _MINUS not in place.signs:
        return False
    if place.lazy and any(_MINUS in graph.places[one].signs for one in first):
        return False  # it leaves the sign to the number
    return place.signs != {_MINUS} or not _is_needed(graph, at, first)


def _may_swallow_digits(graph: Graph, at: int, first: list[int]) -> bool:
    place = graph.places[at]
    greedy = at in graph.after[at] and not place.lazy and bool(_DIGITS & place.signs)
    return greedy and any(_DIGITS & graph.places[one].signs for one in first)


def _is_sign_behind(graph: Graph, at: int, number: str) -> bool:
    place = graph.places[at]
    if place.groups & (_TOLD | {number}) or _MINUS not in place.signs or not place.signs <= _SIGNS:
        return False
    following = [graph.places[after].signs for after in _near(graph, [at], graph.after.__getitem__)]
    # Before digits it is the sign of the next number.
    return at in graph.whole.last or any(not _DIGITS & signs for signs in following if not signs <= _BLANK)


def _near(graph: Graph, ends: list[int], step: Callable[[int], list[int]]) -> set[int]:
    """Places beside the number, also across blanks."""
    near: set[int] = set()
    waiting = list(ends)
    while waiting:
        for at in step(waiting.pop()):
            if at not in near and at not in ends:
                near.add(at)
                if graph.places[at].signs <= _BLANK:
                    waiting.append(at)
    return near


def _is_needed(graph: Graph, at: int, first: list[int]) -> bool:
    """Every way to the number leads through this place."""
    starts = [one for one in graph.whole.first if one != at]
    found = set(starts) | {
        one
        for (one,) in _reached(
            [(one,) for one in starts],
            lambda state: [(after,) for after in graph.after[state[0]] if after != at],
        )
    }
    return not found & set(first)
