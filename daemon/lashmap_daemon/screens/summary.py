"""The result on a terminal: verdict first, then its grounds; and the review: stored, recomputed, reviewed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.facts.result import SECTIONS
from lashmap_analysis.facts.review import review_columns
from lashmap_analysis.record.lengths import UNIT_NAMES, format_length
from rich.table import Table
from rich.text import Text

from lashmap_daemon.screens.terminal import say
from lashmap_daemon.story.wording import uncertainty_text

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from lashmap_analysis.facts.section import Section
    from lashmap_analysis.judge.assessment import Assessment
    from rich.console import Console

    from lashmap_daemon.replay.conclude import HandedOver


def print_files(logbook: Path, done: HandedOver, console: Console) -> None:
    """Print where the record and its reports are."""
    console.print()
    say(console, f"logbook  {logbook}")
    say(console, f"result   {done.json}")
    say(console, f"report   {done.html}")
    say(console, f"         {done.pdf}")


def print_summary(
    assessment: Assessment, console: Console, *, positions: bool, sections: Iterable[Section] = SECTIONS
) -> None:
    """Print what was concluded.

    Args:
        assessment: What to print.
        console: Where to.
        positions: Also print the table of positions.
        sections: What it is handed over in.
    """
    verdict = assessment.verdict
    identity = assessment.record.identity
    say(console, f"{identity.box}, serial {identity.serial}, test {identity.test}")
    if identity.remark:
        say(console, " ".join(identity.remark.split("\n")), "dim")
    console.print()
    say(console, f"VERDICT: {verdict.outcome.upper()}", "bold")
    for reason in verdict.reasons:
        say(console, f"  - {reason}")
    for text in verdict.would_settle:
        say(console, f"  would settle it: {text}")
    for text in verdict.cautions:
        say(console, f"  note: {text}", "dim")
    console.print()
    for section in sections:
        for name, words in section.terminal(assessment):
            say(console, f"{name:<23} {words}")
    if positions:
        console.print()
        console.print(_positions(assessment))


def _positions(assessment: Assessment) -> Table:
    units = assessment.record.units
    title = (
        f"Positions (lengths in {UNIT_NAMES[units]}, u = standard uncertainty, setting of the tip included)"
    )
    table = Table(title=title, title_justify="left")
    for heading in ("no.", "engage-\nment", "gear °", "reading", "normal", "u", "rever-\nsals"):
        table.add_column(heading, justify="right")
    table.add_column("flags")
    for one in assessment.positions:
        table.add_row(
            f"{one.position}{'c' if one.purpose == 'confirming' else ''}",
            str(one.engagement),
            f"{one.gear_angle_deg:.2f}",
            format_length(one.rock.reading_mm, units, with_unit=False),
            format_length(one.normal_backlash_mm, units, with_unit=False),
            uncertainty_text(one.with_setting_mm, units).removesuffix(f"\N{NO-BREAK SPACE}{units}"),
            str(one.rock.reversals),
            Text(
                ", ".join([*(flag.name.value for flag in one.flags), *(["outlier"] if one.outlier else [])])
            ),
        )
    return table


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
