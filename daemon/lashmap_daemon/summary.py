"""The result on a terminal: verdict first, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.lengths import format_length
from rich.table import Table
from rich.text import Text

from lashmap_daemon.console.lines import say
from lashmap_daemon.wording import angle_text, uncertainty_text

if TYPE_CHECKING:
    from pathlib import Path

    from lashmap_analysis.assessment import Assessment, TightSpotResult
    from lashmap_analysis.lash_map import Runout
    from lashmap_analysis.record import Units
    from rich.console import Console

    from lashmap_daemon.hand_over import HandedOver


def print_files(logbook: Path, done: HandedOver, console: Console) -> None:
    """Print where the record and its reports are."""
    console.print()
    say(console, f"logbook  {logbook}")
    say(console, f"result   {done.json}")
    say(console, f"report   {done.html}")
    say(console, f"         {done.pdf}")


def print_summary(assessment: Assessment, console: Console, *, positions: bool) -> None:
    """Print what was concluded.

    Args:
        assessment: What to print.
        console: Where to.
        positions: Also print the table of positions.
    """
    units = assessment.record.units
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
    for name, spot in (
        ("stated", assessment.stated),
        ("predicted", assessment.predicted),
        ("measured", assessment.measured),
    ):
        say(console, f"tight spot, {name:<9}   {_spot(spot, units)}")
    confirmed = "yes" if assessment.confirmed else "no"
    say(console, f"confirmed               {confirmed}")
    if assessment.cause:
        say(console, f"cause                   {assessment.cause}")
    if assessment.lash_map is not None:
        say(console, f"gear runout             {_runout(assessment.lash_map.gear_runout, units)}")
        say(console, f"pinion runout           {_runout(assessment.lash_map.pinion_runout, units)}")
        for result in assessment.sweeps:
            say(console, f"{result.member + ' sweep':<23} {result.sentence}")
        separable = assessment.lash_map.separable
        for text in (separable.sentence, separable.remedy):
            if text:
                say(console, f"                        {text}")
    say(console, f"seal                    {identity.seal or 'none: the test is not closed'}")
    if positions:
        console.print()
        console.print(_positions(assessment))


def _spot(spot: TightSpotResult | None, units: Units) -> str:
    if spot is None:
        return "none"
    low, high = spot.interval_mm
    return (
        f"engagement {spot.engagement}, {angle_text(spot.gear_angle_deg, decimals=1)}: normal backlash "
        f"{format_length(spot.normal_backlash_mm, units)}, 95 % {format_length(low, units)} to "
        f"{format_length(high, units)}"
    )


def _runout(runout: Runout | None, units: Units) -> str:
    if runout is None:
        return "not told apart"
    return (
        f"amplitude {format_length(runout.amplitude_mm, units)} in normal backlash (standard uncertainty "
        f"{uncertainty_text(runout.standard_uncertainty_mm, units)}), high point {runout.high_point_deg:.0f}°"
    )


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
