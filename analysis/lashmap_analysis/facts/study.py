"""A gauge study and a drift chart as plain values, ready for JSON; their keys are decided here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lashmap_analysis.facts.section import Figure, Group, document, keys, number, text, whole, yes_no
from lashmap_analysis.study import DriftChart, GaugeStudy

SCHEMA = 1

_PART = (
    number("deviation_mm", "standard deviation"),
    number("interval_low_mm", "lower end of its 95 % interval", "interval_mm.0"),
    number("interval_high_mm", "upper end of its 95 % interval", "interval_mm.1"),
)
_STUDY: tuple[Figure | Group, ...] = (
    whole("schema", f"version of this document's shape, {SCHEMA}", lambda _: SCHEMA),
    whole("parts", "number of parts"),
    whole("operators", "number of operators"),
    whole("repeats", "tests of each part by each operator"),
    number("mean_mm", "of all stated tight spots, normal backlash"),
    Group(
        "sources",
        "the analysis of variance",
        (
            text("name", "what varies"),
            number("sum_of_squares_mm2", "sum of squares", "sum_of_squares"),
            whole("degrees_of_freedom", "of that"),
            number("mean_square_mm2", "sum of squares over degrees of freedom", "mean_square"),
            number("f", "mean square over the one that it is tested against; null in the last line"),
        ),
        many=True,
    ),
    yes_no("pooled", "true when no interaction of part and operator was seen and it counts with the repeats"),
    Group("repeatability", "the same part and operator again", _PART),
    Group("reproducibility", "from operator to operator, interaction included", _PART),
    Group("gauge", "repeatability and reproducibility together", _PART),
    Group("part", "from part to part", _PART),
    number("tolerance_share", "six standard deviations of the gauge over the tolerance; null without one"),
    number("categories", "classes of parts that the gauge tells apart, √2 times part over gauge"),
)
_DRIFT: tuple[Figure | Group, ...] = (
    whole("schema", f"version of this document's shape, {SCHEMA}", lambda _: SCHEMA),
    number("values_mm", "stated tight spots of the check standard, oldest first"),
    whole("baseline", "how many of the first values made the limits"),
    number("centre_mm", "mean of those"),
    number("deviation_mm", "standard deviation from one value to the next"),
    number("low_mm", "lower limit of a single value", "limits_mm.0"),
    number("high_mm", "upper limit of a single value", "limits_mm.1"),
    number("moving_mm", "exponentially weighted mean after each value"),
    number("moving_low_mm", "lower limit of that mean", "moving_limits_mm.0"),
    number("moving_high_mm", "upper limit of that mean", "moving_limits_mm.1"),
    yes_no("steady", "true when the newest value gives no signal"),
    Group(
        "signals",
        "values at which the stand has changed",
        (
            whole("index", "of the value, from 0"),
            text("kind", "'jump' of a single value or 'drift' of the mean"),
            number("away_mm", "how far it lies from the centre"),
        ),
        many=True,
    ),
)
STUDY_KEYS: Mapping[str, str] = dict(keys(_STUDY))
DRIFT_KEYS: Mapping[str, str] = dict(keys(_DRIFT))


def study_document(study: GaugeStudy) -> dict[str, Any]:
    """The study, described key by key in `STUDY_KEYS`, in mm; None for what is not finite."""
    return document(_STUDY, study)


def drift_document(chart: DriftChart) -> dict[str, Any]:
    """The chart, described key by key in `DRIFT_KEYS`, in mm."""
    return document(_DRIFT, chart)
