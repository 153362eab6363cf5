"""Flags in the report: each sentence once, figures in the unit of the paperwork."""

from __future__ import annotations

from dataclasses import replace

from analysis.made_assessment import made_assessment
from lashmap_analysis.facts.positions import flag_rows
from lashmap_analysis.facts.section import FlagRow
from lashmap_analysis.record.record import Units
from lashmap_analysis.rock.flags import Flag, FlagName


def rows(flags: dict[int, Flag], units: Units = "mm") -> tuple[FlagRow, ...]:
    assessment = made_assessment(units=units, count=9)
    positions = tuple(
        replace(p, flags=(flags[p.position],) if p.position in flags else ()) for p in assessment.positions
    )
    return flag_rows(replace(assessment, positions=positions))


def slip(drift_mm: float) -> Flag:
    return Flag(
        name=FlagName.SLIP,
        disabling=True,
        sentence="The base moved.",
        numbers={
            "drift_mm": drift_mm,
            "after_s": 1.5,
            "turn_deg": 0.25,
            "rate_mm_per_s": 0.0254,
            "share": 0.5,
        },
    )


def test_equal_sentences_stand_once_with_all_their_positions() -> None:
    (row,) = rows({n: slip(0.01 * n) for n in (1, 2, 3, 5, 6, 9)})
    assert row.positions == "1 to 3, 5, 6, 9"
    assert row.disabling
    assert row.numbers.startswith("drift 0.0100\N{NO-BREAK SPACE}mm to 0.0900\N{NO-BREAK SPACE}mm; ")


def test_figures_are_in_the_unit_of_the_paperwork() -> None:
    (row,) = rows({4: slip(0.254)}, "in")
    # NIST SP 811: 1 in = 25.4 mm exactly.
    assert row.numbers.replace("\N{NO-BREAK SPACE}", " ") == (
        "drift 0.01000 in; after 1.5 s; turn 0.25°; rate 0.00100 in/s; share 0.5"
    )


def test_refusals_come_before_warnings() -> None:
    warning = Flag(name=FlagName.HEAVY_ROCKING, disabling=False, sentence="Rock lightly.")
    assert [row.disabling for row in rows({1: warning, 7: slip(0.1)})] == [True, False]
    assert rows({1: warning})[0].numbers == ""
