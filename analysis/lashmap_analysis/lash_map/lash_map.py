"""The lash map: backlash as a function of engagement over the mesh cycle, and its tight spot.

Decided here: what readings a map may be fitted to, and how the parts come together.  The model and its priors
are in `lash_map/model.py`, the fit in `lash_map/posterior.py`, outliers in `lash_map/outliers.py`, what the
positions can tell apart in `lash_map/once_per_turn.py`, the least backlash in `lash_map/tight_spot.py`; where
to measure next in `lash_map/confirming.py`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashmap_analysis.errors import FieldError
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_analysis.lash_map.model import PatternModel, Priors
from lashmap_analysis.lash_map.once_per_turn import (
    Runout,
    Separability,
    beside_gear_order,
    merged_functional,
    named_terms,
    runout,
    separability,
    wave_functional,
)
from lashmap_analysis.lash_map.outliers import Finding, Outlier, finding, remark, screen, standing
from lashmap_analysis.lash_map.posterior import PatternPosterior, Readings, posterior
from lashmap_analysis.lash_map.repeats import SettingScatter, setting_scatter
from lashmap_analysis.lash_map.tight_spot import (
    UNEXPLAINED,
    Standing,
    TightSpot,
    cause_of,
    extremes,
    predicted,
)

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet


__all__ = [
    "LEAST_POSITIONS",
    "LashMap",
    "LashMapError",
    "Prediction",
    "Priors",
    "Runout",
    "Separability",
    "SettingScatter",
    "TightSpot",
    "fit_lash_map",
]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEAST_POSITIONS = 4
"""Different engagements that a map needs: a constant, a once-per-turn term, and one position to spare."""

LEAST_UNCERTAINTY_UM = 1e-3  # a nanometre: no indicator reads finer, and the arithmetic stays sound

PRIORS = Priors()


class LashMapError(FieldError):
    """Readings to which no honest map can be fitted; see `FieldError` for the attributes."""


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """Backlash predicted at some engagements: arrays of one shape.

    Attributes:
        backlash_mm: Best estimate.
        standard_uncertainty_mm: Of the backlash a measurement without error would find there (tooth-to-tooth
            scatter included).
    """

    backlash_mm: Floats
    standard_uncertainty_mm: Floats


@dataclass(frozen=True, kw_only=True)
class LashMap:
    """A fitted lash map.  Backlash is normal backlash if normal backlash was fitted.

    Attributes:
        gear_set: The gear set.
        engagements: Of the readings, as given, shape (n,).
        backlash_mm: The readings, shape (n,).
        standard_uncertainty_mm: Of the readings, each within its rock, shape (n,).
        terms: Names of the terms that the data call for.
        mean_mm: Mean backlash over the mesh cycle.
        tight_spot: The tightest engagement.
        loosest_mm: Best estimate of the largest backlash over the mesh cycle.
        variation_mm: Best estimate of largest minus least backlash over the mesh cycle.
        variation_uncertainty_mm: Its standard uncertainty.
        gear_runout: None when merged with the pinion's.
        pinion_runout: None when merged with the gear's.
        separable: Which once-per-turn terms stand by themselves.
        tooth_scatter_mm: Standard deviation from tooth to tooth about the once- and twice-per-turn terms,
            both members together.
        outliers: Indices of readings that the others do not explain.
        cause: What makes the tight spot tight; `lash_map.tight_spot.cause_of` has the phrases and the rule.
        merged_runout: In a 1:1 set the sum of both members' once-per-turn parts; else None.
        mean_uncertainty_mm: Standard uncertainty of `mean_mm`.
        tightest_probability: Chance of every engagement to be the tightest, shape (mesh cycle,).
        least_draws_mm: Equally likely values of the least backlash, shape (d,); empty in a map made by hand.
        variation_draws_mm: The same of the variation.
        remarks: Sentences: outliers (counted among these readings), what is merged and how to separate it.
        findings: The outliers with what they are taken for; empty in a map made by hand.
        setting: Repeatability between settings of the tip; None in a map made by hand.
        posterior: The fitted patterns, µm about `middle_mm`; None in a map made by hand.
        middle_mm: The backlash about which `posterior` is given.
    """

    gear_set: GearSet
    engagements: Integers
    backlash_mm: Floats
    standard_uncertainty_mm: Floats
    terms: tuple[str, ...]
    mean_mm: float
    tight_spot: TightSpot
    loosest_mm: float
    variation_mm: float
    variation_uncertainty_mm: float
    gear_runout: Runout | None
    pinion_runout: Runout | None
    separable: Separability
    tooth_scatter_mm: float
    outliers: tuple[int, ...]
    cause: str
    merged_runout: Runout | None = None
    mean_uncertainty_mm: float = float("nan")
    tightest_probability: Floats = field(default_factory=lambda: np.empty(0), repr=False)
    least_draws_mm: Floats = field(default_factory=lambda: np.empty(0), repr=False)
    variation_draws_mm: Floats = field(default_factory=lambda: np.empty(0), repr=False)
    remarks: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    setting: SettingScatter | None = None
    posterior: PatternPosterior | None = field(default=None, repr=False)
    middle_mm: float = 0.0

    @property
    def over_roll(self) -> bool:
        """All positions were rocked at one phase of the roll: the least within a pitch is not in the map."""
        return False

    def reading_uncertainty_mm(self, within_rock_mm: float) -> float:
        """Standard uncertainty of a reading, the setting of the tip included, from that within its rock."""
        return within_rock_mm if self.setting is None else self.setting.with_reading(within_rock_mm)

    def predict(self, engagements: Integers) -> Prediction:
        """Predict the backlash at whole engagements of any size and sign, shape (m,).

        Raises:
            LashMapError: An engagement is not a whole number, or the map was made by hand.
        """
        if self.posterior is None:
            raise LashMapError("posterior", None, "a map made by fit_lash_map")
        asked = _whole(engagements)
        cycle = MeshCycle(pinion_teeth=self.gear_set.pinion_teeth, gear_teeth=self.gear_set.gear_teeth)
        model = PatternModel.of(cycle, PRIORS.constant_um)
        mean, deviation = predicted(model, self.posterior, asked)
        return Prediction(backlash_mm=self.middle_mm + 1e-3 * mean, standard_uncertainty_mm=1e-3 * deviation)


def fit_lash_map(
    gear_set: GearSet,
    engagements: ArrayLike,
    backlash_mm: ArrayLike,
    standard_uncertainty_mm: ArrayLike,
    *,
    priors: Priors = PRIORS,
) -> LashMap:
    """Fit a lash map to readings at whole engagements.

    The same readings give the same map, in whatever order.  An engagement may be measured more than once, the
    tip set anew: such repeats tell how far readings scatter between settings.

    Args:
        gear_set: The gear set.
        engagements: Whole gear teeth past the matched teeth, any sign and size, shape (n,).
        backlash_mm: Backlash there, shape (n,).
        standard_uncertainty_mm: Of each reading, what scatters within its rock only (what differs between
            settings of the tip is found by the fit; a common error shifts the whole map and belongs into the
            budget), shape (n,) or one for all.
        priors: What is believed about runout and tooth deviations before measuring.

    Raises:
        LashMapError: Arrays that do not fit together, values that are not finite, an uncertainty that is not
            above zero, engagements that are not whole, or fewer than four different ones.
    """
    given = _checked(engagements, backlash_mm, standard_uncertainty_mm)
    cycle = MeshCycle(pinion_teeth=gear_set.pinion_teeth, gear_teeth=gear_set.gear_teeth)
    model = PatternModel.of(cycle, priors.constant_um)
    order = np.lexsort((given[2], given[1], given[0] % cycle.length))
    places = len(np.unique(given[0] % cycle.length))
    if places < LEAST_POSITIONS:
        expected = (
            f"at least {LEAST_POSITIONS} different engagements, or a map would be guessed, not measured"
        )
        raise LashMapError("engagements", places, expected)
    readings, middle = _readings(model, given[0][order], given[1][order], given[2][order])
    screened = screen(model, readings, priors.log_scales())
    patterns = posterior(
        model,
        screened.readings,
        screened.special_um2,
        screened.points,
        screened.weight,
        bad_tooth=priors.bad_tooth,
    )
    separable = separability(model, screened.readings, priors)
    found = [(int(order[outlier.index]), outlier) for outlier in screened.outliers]
    return _assemble(
        gear_set,
        given,
        model=model,
        patterns=patterns,
        separable=separable,
        found=sorted(found, key=lambda pair: pair[0]),
        middle=middle,
        stand=standing(model, screened),
    )


def _assemble(
    gear_set: GearSet,
    given: tuple[Integers, Floats, Floats],
    *,
    model: PatternModel,
    patterns: PatternPosterior,
    separable: Separability,
    found: list[tuple[int, Outlier]],
    middle: float,
    stand: tuple[Standing, ...],
) -> LashMap:
    ends = extremes(model, patterns, middle, stand)
    unexplained = any(one.engagement == ends.tight_spot.engagement for one in stand)
    gear, pinion = (runout(patterns, wave_functional(model, member, 1), gear_set) for member in (0, 1))
    one_to_one = gear_set.pinion_teeth == gear_set.gear_teeth
    teeth = model.cycle.gear_teeth
    average = np.repeat([1.0 / teeth, 1.0 / model.cycle.pinion_teeth], [teeth, model.cycle.pinion_teeth])
    findings = tuple(finding(model, int(given[0][index]), index, outlier, stand) for index, outlier in found)
    remarks = [remark(model, int(given[0][one.index]), one) for one in findings]
    remarks += [text for text in (separable.sentence, separable.remedy) if text]
    return LashMap(
        gear_set=gear_set,
        engagements=given[0],
        backlash_mm=given[1],
        standard_uncertainty_mm=given[2],
        terms=named_terms(model, patterns, separable, len(given[0])),
        mean_mm=middle + 1e-3 * float(average @ patterns.mean_um),
        mean_uncertainty_mm=1e-3 * math.sqrt(max(float(average @ patterns.covariance_um2 @ average), 0.0)),
        tight_spot=ends.tight_spot,
        loosest_mm=ends.loosest_mm,
        variation_mm=ends.variation_mm,
        variation_uncertainty_mm=ends.variation_uncertainty_mm,
        gear_runout=gear if separable.gear else None,
        pinion_runout=beside_gear_order(pinion, gear_set) if separable.pinion else None,
        merged_runout=runout(patterns, merged_functional(model), gear_set) if one_to_one else None,
        separable=separable,
        tooth_scatter_mm=1e-3 * float(np.sqrt(np.square(patterns.scales[:, 4:8]).sum(axis=1)).mean()),
        outliers=tuple(index for index, _ in found),
        cause=UNEXPLAINED
        if unexplained
        else cause_of(
            model,
            patterns,
            ends.tight_spot.engagement,
            separable,
            stand_out=gear.stands_out and beside_gear_order(pinion, gear_set).stands_out,
        ),
        tightest_probability=ends.tightest_probability,
        least_draws_mm=ends.least_draws_mm,
        variation_draws_mm=ends.variation_draws_mm,
        remarks=tuple(remarks),
        findings=findings,
        setting=setting_scatter(patterns, given[0] % model.cycle.length, given[1]),
        posterior=patterns,
        middle_mm=middle,
    )


def _readings(
    model: PatternModel, engagements: Integers, backlash_mm: Floats, uncertainty_mm: Floats
) -> tuple[Readings, float]:
    """Readings in µm about their middle, rounded to 1e-7 µm so that a shift of all changes no digit."""
    gear, pinion = model.pick(engagements)
    middle = float(np.median(backlash_mm))
    readings = Readings(
        gear=gear,
        pinion=pinion,
        value_um=np.round((backlash_mm - middle) * 1e3, 7),
        uncertainty_um=np.maximum(uncertainty_mm * 1e3, LEAST_UNCERTAINTY_UM),
        free_um=np.zeros(len(engagements)),
    )
    return readings, middle


def _whole(values: ArrayLike) -> Integers:
    array = np.asarray(values)
    try:
        numbers = array.astype(np.float64)
    except (TypeError, ValueError) as error:
        raise LashMapError("engagements", array.dtype.name, "whole numbers") from error
    if not np.all(np.isfinite(numbers)) or np.any(numbers != np.round(numbers)):
        raise LashMapError(
            "engagements", array.tolist(), "whole numbers of gear teeth past the matched teeth"
        )
    return numbers.astype(np.int64)


def _checked(
    engagements: ArrayLike, backlash: ArrayLike, uncertainty: ArrayLike
) -> tuple[Integers, Floats, Floats]:
    whole = _whole(engagements)
    value, deviation = np.asarray(backlash, dtype=np.float64), np.asarray(uncertainty, dtype=np.float64)
    if whole.ndim != 1 or value.shape != whole.shape:
        raise LashMapError("backlash_mm", value.shape, f"one value for each engagement, shape {whole.shape}")
    if deviation.ndim and deviation.shape != whole.shape:
        expected = f"one value for each reading, shape {whole.shape}, or one for all"
        raise LashMapError("standard_uncertainty_mm", deviation.shape, expected)
    deviation = np.array(np.broadcast_to(deviation, whole.shape))
    if not np.all(np.isfinite(value)):
        raise LashMapError("backlash_mm", value.tolist(), "finite numbers")
    if not np.all(np.isfinite(deviation)) or np.any(deviation <= 0.0):
        expected = "finite numbers above zero (the indicator's resolution alone gives one)"
        raise LashMapError("standard_uncertainty_mm", deviation.tolist(), expected)
    return whole, value, deviation
