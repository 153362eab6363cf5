"""The gauge file of a test by hand: a dial gauge without a cable. Without a file its figures are asked."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Self

from pydantic import Field, model_validator

from lashmap_daemon.setup.plausible import implausible_certificate, implausible_division
from lashmap_daemon.setup.toml_file import Label, NotNegative, Positive, Remark, Table
from lashmap_daemon.story import recorded as story

READ_TO = 0.5  # of a division, by eye (common practice, no source)
FEWEST_ROCKS, DEFAULT_ROCKS, MOST_ROCKS = 2, 3, 5


class GaugeTable(Table):
    """The dial gauge.

    Attributes:
        division_mm: One division of its scale; it is read to half of that.
        name: Of the bench, for the report.
        rocks: How many rocks are asked for at each position.
        calibration_uncertainty_mm: Expanded (k = 2), of a difference of two readings; without it the
            calibration is unproven.
        hysteresis_mm: Largest difference of two readings of one length, approached from either side.
    """

    division_mm: Positive
    name: Label = "by hand"
    remark: Remark = ""
    rocks: Annotated[int, Field(ge=FEWEST_ROCKS, le=MOST_ROCKS)] = DEFAULT_ROCKS
    serial: Label = ""
    calibration_due: dt.date | None = None
    calibration_uncertainty_mm: NotNegative | None = None
    hysteresis_mm: NotNegative | None = None

    def recorded(self) -> story.Gauge:
        """As the record of a test keeps it."""
        return story.Gauge(**self.model_dump(), read_to_mm=READ_TO * self.division_mm)


class GaugeFile(Table):
    """A whole gauge file."""

    gauge: GaugeTable

    @model_validator(mode="after")
    def _can_be_meant(self) -> Self:
        gauge = self.gauge
        certificate = {
            "gauge.calibration_uncertainty": gauge.calibration_uncertainty_mm,
            "gauge.hysteresis": gauge.hysteresis_mm,
        }
        found = [*implausible_division(gauge.division_mm), *implausible_certificate(certificate)]
        if found:
            raise ValueError("\n".join(found))
        return self
