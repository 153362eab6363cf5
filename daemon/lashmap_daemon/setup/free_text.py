"""Free texts of files (a serial number, a name, a remark): how long they may be, and that they can be seen.

They are bounded when a file is read, so that a person can mend the file. A record is read as it is, since an
older one may hold more and must stay readable.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from pydantic import AfterValidator, ValidationInfo

from lashmap_daemon.clean_text import visible, visible_lines

FROM_FILE = {"from a file": True}  # the context in which the texts are bounded

MOST_IN_NAME = 40  # of a serial number in the name of a test, and so of its files (255 bytes on any disk)
MOST_IN_LABEL = 100  # stands on one line of the report
MOST_IN_LINE = 300  # stands in a table of the report
MOST_IN_PATH = 1000  # stands in messages; no path of ours comes near
MOST_IN_REMARK = 1000  # stands on page one of the report, which holds what one page holds


def complaint(text: str, most: int, *, lines: bool = False) -> str | None:
    """What speaks against a text, or None.

    Args:
        text: As it was given.
        most: Characters it may have.
        lines: It may have line breaks.
    """
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
