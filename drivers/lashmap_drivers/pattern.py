r"""Patterns of lines: compiled by RE2, an engine whose time grows with the length of the line and no faster.

Python's own engine goes back and tries again, so that a line of rubbish can keep it busy for hours
(R. Cox, "Regular expression matching can be simple and fast", 2007; *(memory)*). RE2 never goes back. What it
cannot compute (looking ahead or behind, referring back) is refused here with what to write instead, and so
is the little that it reads in another way than Python does. So a pattern means what Python's documentation
says, with one exception: ``\s`` does not take the vertical tab.

A pattern that could tear a number apart is refused by `lashmap_drivers.pattern_signs`.
"""

from __future__ import annotations

import re
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
