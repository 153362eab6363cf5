"""The result on a terminal: verdict first, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.lengths import format_length
from lashmap_analysis.result import SECTIONS
from rich.table import Table
from rich.text import Text

from lashmap_daemon.console.lines import say
from lashmap_daemon.wording import uncertainty_text

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from lashmap_analysis.assessment import Assessment
    from lashmap_analysis.facts.figure import Section
    from rich.console import Console

    from lashmap_daemon.hand_over import HandedOver


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
    title = f"Positions (lengths in {units}, u = random part of the standard uncertainty)"
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
            uncertainty_text(one.standard_uncertainty_mm, units).removesuffix(f"\N{NO-BREAK SPACE}{units}"),
            str(one.rock.reversals),
            Text(
                ", ".join([*(flag.name.value for flag in one.flags), *(["outlier"] if one.outlier else [])])
            ),
        )
    return table
