"""The review on a terminal: what was stored, what is recomputed, what is reviewed, side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.review_table import review_columns
from rich.table import Table
from rich.text import Text

from lashmap_daemon.console.lines import say

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment
    from rich.console import Console


def print_review(assessment: Assessment, console: Console) -> None:
    """Print the review of an assessment; nothing when it has none."""
    review = assessment.review
    if review is None:
        return
    console.print()
    table = Table(title="Review", title_justify="left")
    names, columns = review_columns(assessment)
    table.add_column("")
    for column in columns:
        table.add_column(column.heading, overflow="fold")
    for number, name in enumerate(names):
        table.add_row(Text(name), *(Text(column.cells[number]) for column in columns))
    console.print(table)
    for line in review.changes:
        say(console, line)
    for one in review.exclusions:
        say(console, f"exclusion {one.number}: {one.what}, by {one.by}, {one.utc}: {one.reason}")
        if one.undone is not None:
            by, utc, reason = one.undone
            say(console, f"  taken back by {by}, {utc}: {reason}")
    if review.signed:
        say(console, review.signed, "bold")
