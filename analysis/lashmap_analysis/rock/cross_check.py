"""What a rock's reading is worth on its gear set, and what the encoder says about the same rock.

Decided here: in which order the corrections of a reading come (the certificate's curve belongs to the
reading, the geometry to its conversion, what separates the rocked mesh from the stated one is added last);
what the encoder says about a rock whose dwells are known, whether it agrees with the indicator, and the gear
angle of a position. On the gear shaft the encoder sees the rock itself; on the pinion shaft it sees whether
the pinion, which should be locked, moved. Not decided here: what a disagreement means for the verdict
(`judge/assess.py`).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, nan, radians, sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.gears.indicator import MOST_HEIGHT_MODULES
from lashmap_analysis.record.lengths import MM_PER_INCH, format_length
from lashmap_analysis.record.record import Units
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.uncertainty.mesh_state import SHIFTS, correction_mm
from lashmap_analysis.uncertainty.set_up import against_angle_mm, height_sensitivity_per_mm

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.gears.indicator import Indicator
    from lashmap_analysis.record.conditions import Conditions
    from lashmap_analysis.record.record import Encoder, RockTrace
    from lashmap_analysis.rock.rock import RockReading


Floats = NDArray[np.float64]

# A test compares dozens of positions, so that 1.96 would cry wolf once or twice in each; 3 is one in 370.
AGREEMENT_FACTOR = 3.0
# A count that flickers between two neighbours while the shaft stands still moves by one, with noise by two.
STILL_COUNTS = 3.0
_EXACT = 1 + 1e-6  # sums of decimal counts are not exact
# Part of the backlash that a pinion's movement may add with a warning; beyond, the lash is not the mesh's.
SLIP_SHARE = 0.02
# Logarithm of how near to 25.4 a ratio must be for mistaken inches to be named: a twentieth.
_NEAR_INCH = 0.05


@dataclass(frozen=True, kw_only=True)
class EncoderView:
    """What the encoder saw during one rock.

    Attributes:
        gear_angle_deg: Middle of the two flanks, of the gear past the matched teeth; None without samples in
            the dwells of both flanks.
        backlash_mm: Normal backlash at the outer pitch radius from the gear's angle; None unless the encoder
            sits on the gear and has samples in two dwells of each flank.
        standard_uncertainty_mm: Of `backlash_mm`, by itself; NaN without one.
        pinion_movement_deg: How far the pinion moved; None unless an encoder sits on it and has samples.
        pinion_still_deg: What a pinion that stands still may show.
    """

    gear_angle_deg: float | None = None
    backlash_mm: float | None = None
    standard_uncertainty_mm: float = nan
    pinion_movement_deg: float | None = None
    pinion_still_deg: float = 0.0


_STUCK = "The encoder repeated one count for longer than a dwell: check its coupling and cable."


def of_encoder(rock: RockReading) -> RockReading:
    """A rock that was read from an encoder: its flags speak of that, and no angle has an end of its range."""
    flags = (
        replace(flag, sentence=_STUCK if flag.name is FlagName.STUCK else _said_of_encoder(flag.sentence))
        for flag in rock.flags
        if flag.name is not FlagName.OUT_OF_RANGE
    )
    return replace(rock, flags=tuple(flags))


def _said_of_encoder(sentence: str) -> str:
    return sentence.replace("indicator", "encoder").replace("Indicator", "Encoder")


def seen_by_encoders(
    trace: RockTrace,
    rock: RockReading,
    *,
    gear_set: GearSet,
    indicator: Indicator,
    encoder: Encoder | None,
    pinion_encoder: Encoder | None,
) -> EncoderView:
    """Read what encoders there are over the dwells of a rock.

    Args:
        trace: The samples of one rock.
        rock: Its reading, for the dwells.
        gear_set: The gear set under test.
        indicator: What the rock was read from; an encoder in that place is no check of itself.
        encoder: The encoder of the trace; None where teeth were counted.
        pinion_encoder: The second one, on the pinion; None on a stand with one.
    """
    if encoder is None or trace.typed is not None:
        return EncoderView()
    view = encoder_view(trace, rock, encoder, gear_set)
    if pinion_encoder is not None:
        view = _with_pinion(view, _Angles(trace.pinion_time_s, trace.pinion_deg), trace, rock, pinion_encoder)
    if indicator.is_encoder:
        view = replace(view, backlash_mm=None, standard_uncertainty_mm=nan)
    return view


def encoder_view(trace: RockTrace, rock: RockReading, encoder: Encoder, gear_set: GearSet) -> EncoderView:
    """Read the encoder over the dwells that the indicator gave.

    The mean angle of each dwell is fitted by a constant, a linear drift and the flank; the flank's
    coefficient is Δθ, and j_et = Δθ r_e2 (DESIGN §3).

    Args:
        trace: The samples of one rock.
        rock: Its reading, for the dwells.
        encoder: Where the encoder sits and how fine it is.
        gear_set: The gear set under test.

    Returns:
        What could be seen; everything None when the encoder has no samples there.
    """
    seen = _Angles(trace.encoder_time_s, trace.encoder_deg)
    middle, angle, high = _dwell_angles(seen, trace, rock)
    if not (high.any() and (~high).any()):
        return EncoderView()
    if encoder.shaft == "pinion":
        view = EncoderView(gear_angle_deg=_centre(angle, high) / gear_set.ratio)
        return _with_pinion(view, seen, trace, rock, encoder)
    centre = _centre(angle, high)
    if min(np.count_nonzero(high), np.count_nonzero(~high)) < 2:
        return EncoderView(gear_angle_deg=centre)
    lash_deg, uncertainty = _step(middle, angle, high, encoder)
    arm = gear_set.normal_from_transverse(gear_set.outer_gear_pitch_radius_mm)
    return EncoderView(
        gear_angle_deg=centre,
        backlash_mm=radians(abs(lash_deg)) * arm,
        standard_uncertainty_mm=radians(uncertainty) * arm,
    )


def _with_pinion(
    view: EncoderView, seen: _Angles, trace: RockTrace, rock: RockReading, encoder: Encoder
) -> EncoderView:
    """Add whether the pinion moved: its range over the rock, or what it gives from flank to flank.

    A range within some counts may be the count's own flicker. A lock with play gives way at every reversal,
    and the mean of each dwell shows that from less: by it the reading is too large just the same.
    """
    middle, angle, high = _dwell_angles(seen, trace, rock)
    if not (high.any() and (~high).any()):
        return view
    inside = (seen.time_s >= rock.dwells[0].start_s) & (seen.time_s <= rock.dwells[-1].end_s)
    moved = float(np.ptp(seen.deg[inside]))
    still = STILL_COUNTS * encoder.resolution_deg + AGREEMENT_FACTOR * encoder.standard_uncertainty_deg
    if moved <= still * _EXACT:
        step, uncertainty = _step(middle, angle, high, encoder)
        moved, still = abs(step), AGREEMENT_FACTOR * uncertainty
    return replace(view, pinion_movement_deg=moved, pinion_still_deg=still)


@dataclass(frozen=True, kw_only=True)
class Beside:
    """A usable rock once the encoders were asked.

    Attributes:
        standard_uncertainty_mm: Of its normal backlash, random part; with what the pinion may have added.
        flags: What the encoders say against it.
    """

    standard_uncertainty_mm: float
    flags: tuple[Flag, ...]


def beside_encoders(
    view: EncoderView, rock: RockReading, *, gear_set: GearSet, indicator: Indicator, units: Units = "mm"
) -> Beside:
    """Hold a usable rock beside what the encoders saw, live and in the result alike.

    Raises:
        IndicatorError: The tip touches no tooth of this gear set.
    """
    backlash = as_rocked_mm(rock, gear_set, indicator)
    scatter = indicator.normal_per_reading(gear_set) * rock.standard_uncertainty_mm
    slip = pinion_slip(view, backlash_mm=backlash, standard_uncertainty_mm=scatter, gear_set=gear_set)
    if slip is not None and slip.disabling:
        return Beside(standard_uncertainty_mm=scatter, flags=(slip,))
    if slip is not None:
        # Up to that much too large: rectangular, its whole half-width on one side (GUM 4.3.7).
        scatter = hypot(scatter, pinion_effect_mm(view, gear_set) / sqrt(3))
    differs = disagreement(
        view,
        backlash_mm=backlash,
        standard_uncertainty_mm=scatter,
        gear_set=gear_set,
        indicator=indicator,
        units=units,
    )
    return Beside(
        standard_uncertainty_mm=scatter, flags=tuple(one for one in (slip, differs) if one is not None)
    )


def disagreement(
    view: EncoderView,
    *,
    backlash_mm: float,
    standard_uncertainty_mm: float,
    gear_set: GearSet,
    indicator: Indicator,
    units: Units = "mm",
) -> Flag | None:
    """Compare the two instruments' normal backlash.

    Args:
        view: What the encoder saw.
        backlash_mm: Normal backlash from the indicator.
        standard_uncertainty_mm: Of that, random part.
        gear_set: The gear set under test.
        indicator: The indicator and its set-up.
        units: Unit of the lengths in the sentence.

    Returns:
        A warning that names the likely causes, or None when they agree within 3 combined standard
        uncertainties or there is nothing to compare.
    """
    if view.backlash_mm is None:
        return None
    set_up = against_angle_mm(gear_set, indicator, backlash_mm)
    combined = hypot(standard_uncertainty_mm, set_up, view.standard_uncertainty_mm)
    difference = backlash_mm - view.backlash_mm
    if abs(difference) <= AGREEMENT_FACTOR * combined:
        return None
    return Flag(
        name=FlagName.INSTRUMENTS_DISAGREE,
        disabling=False,
        sentence=(
            f"The indicator gives {_ratio_text(backlash_mm, view.backlash_mm)} the backlash of the encoder. "
            + likely_causes(
                backlash_mm, view.backlash_mm, gear_set=gear_set, indicator=indicator, units=units
            )
        ),
        numbers={
            "indicator_mm": backlash_mm,
            "encoder_mm": view.backlash_mm,
            "difference_mm": difference,
            "allowed_mm": AGREEMENT_FACTOR * combined,
        },
    )


def likely_causes(
    indicator_mm: float, encoder_mm: float, *, gear_set: GearSet, indicator: Indicator, units: Units = "mm"
) -> str:
    """Name what would explain a disagreement, the best fitting first.

    The wrong direction changes the reading by cos α_n cos β(R_i), a wrong touch radius in proportion; along
    the normal a tip off the pitch cone does it too.
    """
    if encoder_mm <= 0:
        return "The encoder saw no rock: check that it turns with the gear shaft."
    ratio = indicator_mm / encoder_mm
    factor = gear_set.normal_per_transverse
    other = 1 / factor if indicator.direction == "normal" else factor
    given = indicator.touch_radius_mm
    causes = [
        f"a touch radius of {coarse(given * ratio, units)} instead of {coarse(given, units)}",
        "the tip slipping on the flank",
        "the pinion not held",
        "slack in the encoder's coupling",
    ]
    look = "in the plane of rotation" if indicator.direction == "normal" else "along the flank normal"
    direction = f"an indicator that looks {look}"
    nearer = abs(np.log(ratio / other)) < abs(np.log(ratio)) / 4
    causes.insert(0 if nearer and not indicator.on_arm else 1, direction)
    height = tip_height_mm(ratio, gear_set=gear_set, indicator=indicator)
    if height is not None:
        causes.insert(2, f"a tip that touches {above(height, units)} the pitch cone")
    if abs(np.log(ratio * MM_PER_INCH)) < _NEAR_INCH:
        causes.insert(0, "an indicator that gives inches, read as mm")
    elif abs(np.log(ratio / MM_PER_INCH)) < _NEAR_INCH:
        causes.insert(0, "an indicator that gives mm, read as inches")
    return "Likely causes: " + "; ".join(causes) + "."


def tip_height_mm(ratio: float, *, gear_set: GearSet, indicator: Indicator) -> float | None:
    """Height of the tip above the pitch cone at which indicator and encoder would agree.

    The backlash from the indicator goes as one over the moment arm of its line of action, the one from the
    gear's angle knows no arm: so their ratio is that of the true arm to the one that was reckoned with.

    Args:
        ratio: Normal backlash from the indicator over that from the gear-side encoder.
        gear_set: The gear set under test.
        indicator: The indicator and its set-up.

    Returns:
        In mm, at the touch radius as given; None when the indicator does not look along the normal, or when
        no height of a tooth's flank explains the ratio.
    """
    if indicator.direction != "normal":
        return None
    slope = height_sensitivity_per_mm(gear_set, indicator)
    # d ln(j_en) / dh at the height reckoned with; a true height h' makes ln(ratio) = slope (h − h').
    height = (indicator.height_mm or 0.0) - float(np.log(ratio)) / slope
    return height if abs(height) <= MOST_HEIGHT_MODULES * gear_set.outer_module_mm else None


def above(height_mm: float, units: Units) -> str:
    """Say a height above or below something."""
    return f"{coarse(abs(height_mm), units)} {'above' if height_mm >= 0 else 'below'}"


def coarse(length_mm: float, units: Units) -> str:
    """Write a length that is only roughly known: to a tenth of a millimetre, or a thousandth of an inch."""
    return format_length(length_mm, units, decimals=1 if units == "mm" else 3)


def pinion_slip(
    view: EncoderView, *, backlash_mm: float, standard_uncertainty_mm: float, gear_set: GearSet
) -> Flag | None:
    """Flag a pinion that moved while it should have been held.

    A pinion that gives by Δφ lets the gear move on by the same arc, so that the reading is too large by up to
    Δφ r_e1 cos α_n cos β_e.

    Returns:
        None when the pinion stood still as far as its encoder can tell; a warning while the reading is
        spoiled by no more than its own uncertainty or 2 %; otherwise a disabling flag.
    """
    if view.pinion_movement_deg is None or view.pinion_movement_deg <= view.pinion_still_deg * _EXACT:
        return None
    spoiled = pinion_effect_mm(view, gear_set)
    allowed = max(SLIP_SHARE * backlash_mm, AGREEMENT_FACTOR * standard_uncertainty_mm)
    disabling = spoiled > allowed
    return Flag(
        name=FlagName.PINION_MOVED,
        disabling=disabling,
        sentence=(
            f"The pinion turned by {view.pinion_movement_deg:.4f}° during the rock"
            + (": lock it and rock again." if disabling else "; the reading may be too large by that.")
        ),
        numbers={
            "pinion_movement_deg": view.pinion_movement_deg,
            "allowed_deg": view.pinion_still_deg,
            "backlash_effect_mm": spoiled,
        },
    )


def pinion_effect_mm(view: EncoderView, gear_set: GearSet) -> float:
    """Normal backlash that the pinion's movement may have added, in mm; 0 when it is not known."""
    arc = radians(view.pinion_movement_deg or 0.0) * gear_set.outer_pinion_pitch_radius_mm
    return gear_set.normal_from_transverse(arc)


@dataclass(frozen=True)
class _Angles:
    """What one encoder said: times and angles, shape (n,)."""

    time_s: Floats
    deg: Floats


def _dwell_angles(
    seen: _Angles, trace: RockTrace, rock: RockReading
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Middle time, mean angle and flank of each dwell that holds encoder samples.

    The indicator says when a dwell begins and ends. By as much as the two instruments' times may be apart
    (twice their standard uncertainty), the encoder's samples at both edges may be from the ramps beside it:
    those are left out where the dwell is long enough to do without.
    """
    dwells = rock.dwells
    begin = np.array([one.start_s for one in dwells], dtype=np.float64)
    end = np.array([one.end_s for one in dwells], dtype=np.float64)
    start, stop = _inside(seen, begin, end)
    if isfinite(trace.times_apart_uncertainty_s):
        edge = 2.0 * trace.times_apart_uncertainty_s
        late, early = _inside(seen, begin + edge, end - edge)
        start, stop = np.where(early > late, (late, early), (start, stop))
    kept = stop > start
    first = float(seen.deg[0]) if seen.deg.size else 0.0
    sums = np.concatenate([[0.0], np.cumsum(seen.deg - first)])
    count = np.where(kept, stop - start, 1)
    angle = (sums[stop] - sums[start]) / count + first
    middle = np.array([(one.start_s + one.end_s) / 2 for one in dwells], dtype=np.float64)
    high = np.array([one.high for one in dwells], dtype=np.bool_)
    return middle[kept], angle[kept], high[kept]


def _inside(seen: _Angles, begin: Floats, end: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First encoder sample of each span and the one behind its last."""
    return (
        np.searchsorted(seen.time_s, begin, side="left"),
        np.searchsorted(seen.time_s, end, side="right"),
    )


def _centre(angle: Floats, high: NDArray[np.bool_]) -> float:
    return float(angle[high].mean() + angle[~high].mean()) / 2


def _step(middle: Floats, angle: Floats, high: NDArray[np.bool_], encoder: Encoder) -> tuple[float, float]:
    """Step from flank to flank and its standard uncertainty, by least squares with a linear drift."""
    time = middle - middle.mean()
    columns = np.column_stack([np.ones_like(time), time, np.where(high, 0.5, -0.5)])
    solution, _, rank, _ = np.linalg.lstsq(columns, angle - angle.mean(), rcond=None)
    spare = len(angle) - 3
    if rank < 3 or spare < 1:
        return float(solution[2]), inf
    variance = float(np.sum((angle - angle.mean() - columns @ solution) ** 2)) / spare
    scatter = sqrt(variance * float(np.linalg.inv(columns.T @ columns)[2, 2]))
    # A level that stands still between two counts is off by up to half a count however long it is watched,
    # and so is the other: rectangular, twice (GUM F.2.2.1).
    counts = encoder.resolution_deg / sqrt(6)
    return float(solution[2]), hypot(scatter, counts, encoder.standard_uncertainty_deg)


def _ratio_text(indicator_mm: float, encoder_mm: float) -> str:
    return f"{indicator_mm / encoder_mm:.3f} times" if encoder_mm > 0 else "a rock, but nothing of"


def as_rocked_mm(rock: RockReading, gear_set: GearSet, indicator: Indicator) -> float:
    """Normal backlash at the outer end as the box was rocked, in mm.

    Raises:
        IndicatorError: The tip touches no tooth of this gear set.
    """
    reading = rock.reading_mm
    if indicator.correction is not None and rock.dwells:
        # The curve is looked up at the levels of both flanks.
        levels = ([one.level_mm for one in rock.dwells if one.high is high] for high in (True, False))
        high, low = (sum(one) / len(one) for one in levels)
        reading += indicator.correction.between_mm(high, low)
    return indicator.normal_per_reading(gear_set) * reading


def stated_mm(
    rock: RockReading,
    gear_set: GearSet,
    indicator: Indicator,
    conditions: Conditions,
    *,
    of: Collection[str] = SHIFTS,
) -> float:
    """The same at 20 °C, at no torque and at the least roll phase, as far as `of` names these corrections.

    Raises:
        IndicatorError: The tip touches no tooth of this gear set.
    """
    return as_rocked_mm(rock, gear_set, indicator) + correction_mm(gear_set, indicator, conditions, of=of)
