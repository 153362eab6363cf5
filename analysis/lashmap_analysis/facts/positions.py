"""The positions: what every rock read, and its flags.

What a refused rock would have read is no reading, and stays with its flags alone.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from lashmap_analysis.facts.figure import (
    TEST,
    Group,
    Of,
    Section,
    Table,
    number,
    taken,
    text,
    whole,
    yes_no,
)

if TYPE_CHECKING:
    from lashmap_analysis.assessment import PositionResult


def _usable(position: PositionResult) -> bool:
    return position.normal_backlash_mm is not None


def _read(of: str) -> Of:
    return lambda position: taken(of, position) if _usable(position) else None


POSITION = (
    whole("position", "number in the order of recording, from 1"),
    whole("engagement", "gear teeth past the matched teeth"),
    text("purpose", "'planned' or 'confirming'"),
    whole("attempt", "which try this is, from 1"),
    number("gear_angle_deg", "middle of the two dwells, past the matched teeth, not wrapped"),
    yes_no("usable", "false when a flag forbids taking a backlash from this rock", _usable),
    number(
        "reading_mm",
        "mean step between dwells on the indicator's line of action; null if refused",
        _read("rock.reading_mm"),
    ),
    number(
        "reading_standard_uncertainty_mm",
        "of the reading: repeatability and resolution; or null",
        _read("rock.standard_uncertainty_mm"),
    ),
    number(
        "degrees_of_freedom",
        "of that uncertainty; null when infinite or not usable",
        _read("rock.degrees_of_freedom"),
    ),
    number("normal_backlash_mm", "normal backlash at the outer pitch radius; null when not usable"),
    number("standard_uncertainty_mm", "of the normal backlash, random part only; null when not usable"),
    whole("reversals", "number of steps in the mean", "rock.reversals"),
    number("spread_mm", "largest minus smallest step; null when not usable", _read("rock.spread_mm")),
    number(
        "peak_to_peak_mm",
        "the trade's reading: mean over rocks of extreme to extreme; or null",
        _read("rock.peak_to_peak_mm"),
    ),
    number("drift_mm_per_s", "slope removed from the trace", "rock.drift_mm_per_s"),
    number(
        "encoder_backlash_mm",
        "the rock as a gear-side encoder saw it, as normal backlash; or null",
        _read("encoder_backlash_mm"),
    ),
    yes_no("outlier", "true when the lash map named this position an outlier"),
    text(
        "flags",
        "names of refusals and warnings",
        lambda position: [flag.name.value for flag in position.flags],
        joined="; ",
    ),
)
NAME = text("name", "name of the flag", "name.value")
DISABLING = yes_no("disabling", "true when the reading must not be used")
SENTENCE = text("sentence", "what happened and what to do next")
NUMBERS = Group(
    "numbers",
    "the figures behind it, units in the keys",
    (number("*", "one figure; its key names it and its unit"),),
    lambda flag: {key: float(value) for key, value in flag.numbers.items()},
)
SECTION = Section(
    figures=(
        Group(
            "positions",
            "one for each rock, in the order of recording",
            (
                *POSITION,
                Group(
                    "flag_details",
                    "the same flags with their sentences and numbers",
                    (NAME, DISABLING, SENTENCE, NUMBERS),
                    "flags",
                    many=True,
                ),
            ),
            many=True,
        ),
    ),
    tables=(
        Table(
            name="positions",
            meaning="one measured position",
            key=("test", "position"),
            columns=(
                TEST,
                *(one.under("0") for one in POSITION),
                number(
                    "times_apart_standard_uncertainty_s",
                    "of the indicator's times against the encoder's; missing when nobody stated it",
                    "1.times_apart_uncertainty_s",
                ),
            ),
            rows=lambda assessment: zip(assessment.positions, assessment.record.traces, strict=True),
        ),
        Table(
            name="flags",
            meaning="one refusal or warning about a position",
            key=("test", "position", "flag"),
            columns=(
                TEST,
                POSITION[0].under("0"),
                NAME.under("1", name="flag"),
                DISABLING.under("1"),
                SENTENCE.under("1"),
                text(
                    "numbers",
                    "the figures behind it as JSON; their units stand in the keys",
                    lambda row: json.dumps(NUMBERS.value(row[1])),
                ),
            ),
            rows=lambda assessment: (
                (position, flag) for position in assessment.positions for flag in position.flags
            ),
        ),
    ),
)
