"""Once-per-turn parts of the backlash, as runout: amplitude, high point, and the FIM that explains it.

Decided here: what a member's once-per-turn part is (the first Fourier component of its pattern over one turn,
own tooth deviations included: that is what the mate sees) and which terms are worth naming.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.separability import wave_functional

if TYPE_CHECKING:
    from lashmap_analysis.lash_model import PatternModel
    from lashmap_analysis.lash_posterior import PatternPosterior
    from lashmap_analysis.separability import Separability

Floats = NDArray[np.float64]
ANY_ANGLE_DEG = 360.0 / math.sqrt(12.0)  # standard deviation of an angle about which nothing is known


@dataclass(frozen=True, kw_only=True)
class Runout:
    """The once-per-turn part of the backlash that one member causes.

    Attributes:
        amplitude_mm: Of normal backlash (half its peak to peak over a turn).
        standard_uncertainty_mm: Of the amplitude.
        high_point_deg: Angle of that member past the matched teeth at which its runout takes most backlash
            away, 0 … 360.
        fim_mm: Full indicator movement perpendicular to the pitch cone that explains it, 2 F sin α_n.
        high_point_uncertainty_deg: Standard uncertainty of the high point; 104° means that it is unknown.
    """

    amplitude_mm: float
    standard_uncertainty_mm: float
    high_point_deg: float
    fim_mm: float
    high_point_uncertainty_deg: float = ANY_ANGLE_DEG


def runout(posterior: PatternPosterior, weights: Floats, alpha_n_deg: float) -> Runout:
    """Runout from functionals of shape (m, 2) that give its cosine and sine amplitude.

    Peak to peak 2 A of normal backlash equals 2 F sin α_n for a FIM F perpendicular to the pitch cone.
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
        fim_mm=1e-3 * amplitude / math.sin(math.radians(alpha_n_deg)),
        high_point_uncertainty_deg=min(angle, ANY_ANGLE_DEG),
    )


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
