"""One trace becomes one position result: reading, normal backlash, what the encoder adds, flags.

Decided here: the order of these steps and what is left empty when a rock is not usable.
"""

from __future__ import annotations

from dataclasses import replace
from math import hypot, sqrt
from typing import TYPE_CHECKING

from lashmap_analysis.assessment import PositionResult
from lashmap_analysis.cross_check import disagreement, encoder_view, pinion_effect_mm, pinion_slip
from lashmap_analysis.rock import measure_rock

if TYPE_CHECKING:
    from lashmap_analysis.cross_check import EncoderView
    from lashmap_analysis.record import RockTrace, TestRecord


def position_result(trace: RockTrace, record: TestRecord) -> PositionResult:
    """Measure one position.

    Args:
        trace: The samples of its rock.
        record: The test it belongs to, for gear set, indicator and encoder.

    Returns:
        The result; with a disabling flag, backlash and its uncertainty are None.

    Raises:
        IndicatorError: The tip touches no tooth of this gear set.
    """
    rock = measure_rock(
        trace.time_s,
        trace.indicator_mm,
        resolution_mm=record.indicator.resolution_mm,
        left_out_s=trace.left_out_s,
    )
    view = encoder_view(trace, rock, record.encoder, record.gear_set)
    nominal = record.gear_set.gear_angle_deg(trace.engagement)
    blank = PositionResult(
        position=trace.position,
        engagement=trace.engagement,
        purpose=trace.purpose,
        attempt=trace.attempt,
        gear_angle_deg=nominal if view.gear_angle_deg is None else view.gear_angle_deg,
        rock=rock,
        normal_backlash_mm=None,
        standard_uncertainty_mm=None,
        encoder_backlash_mm=view.backlash_mm,
        flags=rock.flags,
    )
    return _measured(blank, view, record) if rock.usable else blank


def _measured(blank: PositionResult, view: EncoderView, record: TestRecord) -> PositionResult:
    """Add the backlash, unless the encoder shows that it is not the mesh's."""
    factor = record.indicator.normal_per_reading(record.gear_set)
    backlash = factor * blank.rock.reading_mm
    scatter = factor * blank.rock.standard_uncertainty_mm
    slip = pinion_slip(
        view,
        record.encoder,
        backlash_mm=backlash,
        standard_uncertainty_mm=scatter,
        gear_set=record.gear_set,
    )
    if slip is not None:
        flagged = replace(blank, flags=(*blank.flags, slip))
        if slip.disabling:
            return flagged
        blank = flagged
        # Up to that much too large: rectangular, its whole half-width on one side (GUM 4.3.7).
        scatter = hypot(scatter, pinion_effect_mm(view, record.gear_set) / sqrt(3))
    differs = disagreement(
        view,
        backlash_mm=backlash,
        standard_uncertainty_mm=scatter,
        gear_set=record.gear_set,
        indicator=record.indicator,
    )
    return replace(
        blank,
        normal_backlash_mm=backlash,
        standard_uncertainty_mm=scatter,
        flags=blank.flags if differs is None else (*blank.flags, differs),
    )
