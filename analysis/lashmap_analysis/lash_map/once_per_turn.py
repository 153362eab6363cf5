"""Once-per-turn parts of the backlash, as runout: amplitude, high point, and the FIM that explains it.

Decided here: what a member's once-per-turn part is (the first Fourier component of its pattern over one turn,
own tooth deviations included: that is what the mate sees) and which terms are worth naming.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.lash_map.model import PatternModel, Priors, at_engagements, turn_waves
from lashmap_analysis.lash_map.posterior import data_covariance

if TYPE_CHECKING:
    from lashmap_analysis.gears.gear_set import GearSet
    from lashmap_analysis.lash_map.posterior import PatternPosterior, Readings


Floats = NDArray[np.float64]
# Standard uncertainty of either component of a gear's own order z2 / z1, which a map cannot tell from the
# pinion's runout: a gear out of round by as many lobes (from memory: what is believed of ovality before
# measuring).
GEAR_ORDER_MM = 0.0015
STANDS_OUT = math.sqrt(5.991)  # chi-squared, two degrees of freedom, 95 %: amplitude and angle are free
ANY_ANGLE_DEG = 360.0 / math.sqrt(12.0)  # standard deviation of an angle about which nothing is known


@dataclass(frozen=True, kw_only=True)
class Runout:
    """The once-per-turn part of the backlash that one member causes.

    Attributes:
        amplitude_mm: Of normal backlash (half its peak to peak over a turn).
        standard_uncertainty_mm: Of the amplitude.
        high_point_deg: Angle of that member past the matched teeth at which its runout takes most backlash
            away, 0 … 360.
        fim_mm: Full indicator movement F perpendicular to the pitch cone that explains it: the lash varies by
            2 F sin α_n K_c, K_c from where along the face the teeth touch.
        high_point_uncertainty_deg: Standard uncertainty of the high point; 104° means that it is unknown.
    """

    amplitude_mm: float
    standard_uncertainty_mm: float
    high_point_deg: float
    fim_mm: float
    high_point_uncertainty_deg: float = ANY_ANGLE_DEG

    @property
    def stands_out(self) -> bool:
        """Whether it is known well enough that nothing at all would not explain it, at 95 %."""
        return self.amplitude_mm > STANDS_OUT * self.standard_uncertainty_mm


def runout(posterior: PatternPosterior, weights: Floats, gear_set: GearSet) -> Runout:
    """Runout from functionals of shape (m, 2) that give its cosine and sine amplitude.

    Peak to peak 2 A of normal backlash equals 2 F sin α_n K_c for a FIM F perpendicular to the pitch cone.
    """
    cosine, sine = weights.T @ posterior.mean_um
    covariance = weights.T @ posterior.covariance_um2 @ weights
    amplitude = math.hypot(cosine, sine)
    along = np.array([cosine, sine]) / amplitude if amplitude > 0.0 else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    sideways = math.sqrt(max(float(across @ covariance @ across), 0.0))
    angle = math.degrees(math.atan2(sideways, amplitude)) if amplitude > 0.0 else ANY_ANGLE_DEG
    return Runout(
        amplitude_mm=1e-3 * amplitude,
        standard_uncertainty_mm=1e-3 * math.sqrt(max(float(along @ covariance @ along), 0.0)),
        high_point_deg=(math.degrees(math.atan2(sine, cosine)) + 180.0) % 360.0,
        fim_mm=1e-3 * 2 * amplitude / gear_set.lash_per_runout,
        high_point_uncertainty_deg=min(angle, ANY_ANGLE_DEG),
    )


def beside_gear_order(found: Runout, gear_set: GearSet) -> Runout:
    """The pinion's runout of a set whose ratio is whole: the gear's order z2 / z1 may be part of it.

    The gear's second order stands in the model, so that on a 2:1 set the uncertainty has it already.
    """
    if gear_order(gear_set.gear_teeth, gear_set.pinion_teeth) < 3:
        return found
    amplitude = found.amplitude_mm
    sideways = math.hypot(GEAR_ORDER_MM, amplitude * math.radians(found.high_point_uncertainty_deg))
    angle = math.degrees(math.atan2(sideways, amplitude)) if amplitude > 0.0 else ANY_ANGLE_DEG
    return replace(
        found,
        standard_uncertainty_mm=math.hypot(found.standard_uncertainty_mm, GEAR_ORDER_MM),
        high_point_uncertainty_deg=min(angle, ANY_ANGLE_DEG),
    )


def gear_order(gear_teeth: int, pinion_teeth: int) -> int:
    """Order of the gear whose period is the pinion's turn: z2 / z1 where it is whole and not 1, else 0."""
    whole, rest = divmod(gear_teeth, pinion_teeth)
    return whole if rest == 0 and whole > 1 else 0


def merged_functional(model: PatternModel) -> Floats:
    """Functional of the sum of both once-per-turn terms of a 1:1 set, shape (m, 2)."""
    return wave_functional(model, 0, 1) + wave_functional(model, 1, 1)


def named_terms(
    model: PatternModel, posterior: PatternPosterior, separable: Separability, positions: int
) -> tuple[str, ...]:
    """Terms that the data call for.

    Twice-per-turn terms are always in the model with a prior that shrinks them to what the data support; one
    is named when its squared amplitude, in units of its uncertainty, exceeds 2 ln n: the Bayesian information
    criterion for two more coefficients, in its quadratic approximation (Schwarz 1978; *from memory*).
    """
    names = ["constant"]
    if separable.gear and separable.pinion:
        names += ["gear once per turn", "pinion once per turn"]
    elif separable.gear or separable.pinion:
        names.append("gear once per turn" if separable.gear else "pinion once per turn")
    else:
        names.append("merged once per turn")
    for member, name in enumerate(("gear twice per turn", "pinion twice per turn")):
        weights = wave_functional(model, member, 2)
        mean = weights.T @ posterior.mean_um
        covariance = weights.T @ posterior.covariance_um2 @ weights + 1e-12 * np.eye(2)
        if mean @ np.linalg.solve(covariance, mean) > 2.0 * math.log(positions):
            names.append(name)
    return (*names, "tooth-to-tooth")


# Which once-per-turn terms the positions can tell apart, and what would separate the others.
#
# Decided here: when a term stands by itself, the sentence for the technician and the remedy.  Two positions
# alias two terms when both go through the same phases at them: on a 3:1 set four equally spaced positions
# see 3 ≡ −1 (mod 4).  A 1:1 set aliases everywhere: both terms have one period.  Where z2 / z1 is whole the
# pinion's term has the period of the gear's order z2 / z1: a gear with three lobes on a 3:1 set looks like a
# pinion that runs out, at every engagement.


Integers = NDArray[np.int64]

# A term stands when the positions leave, in its worst direction, less than half of the standard deviation
# that was believed before measuring. Aliased terms keep 70 % (only their sum is known), separated ones a few
# per cent, so that the choice of one half decides only near cases.
STANDS_BELOW = 0.5
MOST_ADDED = 8


@dataclass(frozen=True, kw_only=True)
class Separability:
    """Which once-per-turn terms the positions can tell apart.

    Attributes:
        gear: The gear's term stands by itself.
        pinion: The pinion's term stands by itself.
        sentence: What cannot be told from what, and why; empty when both stand. Where z2 / z1 is whole both
        may
            stand, and it names the order of the gear that the pinion's term cannot be told from.
        remedy: The measurement that would tell them apart; empty without a sentence.
        add_engagements: Positions that would separate them, when positions can; else empty.
    """

    gear: bool
    pinion: bool
    sentence: str = ""
    remedy: str = ""
    add_engagements: tuple[int, ...] = ()


def wave_functional(model: PatternModel, member: int, order: int) -> Floats:
    """Weights that take a stacked pattern to a member's cosine and sine amplitudes: shape (m, 2).

    The discrete Fourier coefficients over one turn of the member; gear is member 0, pinion 1.
    """
    teeth = (model.cycle.gear_teeth, model.cycle.pinion_teeth)
    weights = np.zeros((sum(teeth), 2))
    first = member * teeth[0]
    weights[first : first + teeth[member]] = turn_waves(teeth[member], order) * 2.0 / teeth[member]
    return weights


def separability(model: PatternModel, readings: Readings, priors: Priors) -> Separability:
    """Judge the positions alone; the backlash read there plays no part."""
    left = _left_at(model, readings, priors)
    gear, pinion = (_remaining(left, model, member) < STANDS_BELOW * priors.once_um[0] for member in (0, 1))
    teeth = model.cycle
    if teeth.gear_teeth == teeth.pinion_teeth or (gear and pinion):
        return separable_by_teeth(teeth.gear_teeth, teeth.pinion_teeth)
    added = _separating(left, model, priors, float(np.median(readings.uncertainty_um)))
    return Separability(
        gear=gear,
        pinion=pinion,
        sentence=_sentence(gear=gear, pinion=pinion, model=model, readings=readings),
        remedy=_remedy(added),
        add_engagements=added,
    )


def separable_by_teeth(gear_teeth: int, pinion_teeth: int) -> Separability:
    """What can be told apart where every engagement is known: the numbers of teeth alone decide."""
    if gear_teeth == pinion_teeth:
        return Separability(
            gear=False,
            pinion=False,
            sentence="Gear and pinion runout have the same period in a 1:1 set: only their sum is known, "
            "and no choice of positions can tell them apart.",
            remedy="Sweep the runout of one shaft over a full turn (indicator against encoder); or, only "
            "where the drawing allows leaving the matched teeth, re-time the set by a quarter turn, measure "
            "again and compare the two maps.",
        )
    order = gear_order(gear_teeth, pinion_teeth)
    if not order:
        return Separability(gear=True, pinion=True)
    return Separability(
        gear=True,
        pinion=True,
        sentence=f"The pinion makes {order} turns to one of the gear: a gear out of round with {order} lobes "
        "makes the same lash as a pinion that runs out, and no choice of positions can tell them apart: what "
        "is named pinion runout may be the gear's.",
        remedy="Sweep the runout of the pinion over a full turn (indicator against encoder).",
    )


def _left_at(model: PatternModel, readings: Readings, priors: Priors) -> Floats:
    """Covariance of the pattern that the positions leave, all scales at their medians: shape (m, m)."""
    scales = priors.typical()
    none = np.zeros(len(model.features))
    across = model.covariance_with(readings.gear, readings.pinion, scales, none)[0]
    data = data_covariance(model, readings, scales, none)[0]
    return np.asarray(model.covariance(scales, none) - across @ np.linalg.solve(data, across.T))


def _remaining(left: Floats, model: PatternModel, member: int) -> float:
    """Largest standard deviation that is left in a member's once-per-turn term, µm."""
    weights = wave_functional(model, member, 1)
    return float(np.sqrt(max(np.linalg.eigvalsh(weights.T @ left @ weights)[-1], 0.0)))


def _separating(left: Floats, model: PatternModel, priors: Priors, uncertainty_um: float) -> tuple[int, ...]:
    """Add engagements one by one, each taking most from the worst direction, until both terms stand."""
    gear, pinion = model.pick(model.cycle.engagements)
    added: list[int] = []
    while len(added) < MOST_ADDED:
        worst = max((0, 1), key=lambda member: _remaining(left, model, member))
        if _remaining(left, model, worst) < STANDS_BELOW * priors.once_um[0]:
            return tuple(sorted(added))
        weights = wave_functional(model, worst, 1)
        direction = weights @ np.linalg.eigh(weights.T @ left @ weights)[1][:, -1]
        shared = at_engagements(left @ direction, gear, pinion)
        variance = left[gear, gear] + left[pinion, pinion] + 2.0 * left[gear, pinion] + uncertainty_um**2
        best = int(np.argmax(np.square(shared) / variance))
        column = left[:, gear[best]] + left[:, pinion[best]]
        left = left - np.outer(column, column) / variance[best]
        added.append(best)
    return ()


def _sentence(*, gear: bool, pinion: bool, model: PatternModel, readings: Readings) -> str:
    gear_teeth, pinion_teeth = model.cycle.gear_teeth, model.cycle.pinion_teeth
    places = len(set(zip(readings.gear.tolist(), readings.pinion.tolist(), strict=True)))
    if not gear and not pinion:
        if places < 5:
            return (
                f"{places} different engagements are too few to tell gear runout from pinion runout: the "
                "constant and the two terms have five unknowns."
            )
        return (
            f"At these {places} engagements gear runout ({gear_teeth} teeth a turn) and pinion runout "
            f"({pinion_teeth} teeth a turn) go through the same phases: only their sum is known."
        )
    name = "pinion" if gear else "gear"
    seen = len(set((readings.pinion if gear else readings.gear).tolist()))
    return (
        f"These engagements touch {seen} different {name} teeth, too few or too unevenly spread to tell the "
        f"{name}'s runout from the constant and from twice-per-turn terms."
    )


def _remedy(added: tuple[int, ...]) -> str:
    if not added:
        return "Sweep the runout of one shaft over a full turn (indicator against encoder)."
    listed = ", ".join(str(engagement) for engagement in added)
    noun = "engagement" if len(added) == 1 else "engagements"
    return f"Add positions at {noun} {listed} (gear teeth past the matched teeth)."
