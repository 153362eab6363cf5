"""How far below the whole engagement the least within a pitch lies, from rocks at three phases of the roll.

All positions of a lash map are whole engagements, so that the pair of teeth is at one phase of its roll, and
nobody knows at which. Two more rocks, a third of a pitch back and forward, see it. Decided here: what three
readings leave open, from setting to setting of the tip and between the phases. Not decided here: what stands
in the budget where nobody rocked them (`uncertainty/mesh_state.py`).

**Why not the least of the three, or a sine through them.** A sine of amplitude A is known from three phases
exactly, its least is their mean less A. Flanks crowned along the profile fall off with the square of the way
from the crest until the next pair takes over, which is a parabola with a cusp: its least lies up to 19 % of
the variation above that of the sine, and up to 11 % below the least of the three. And both take scatter for
roll: the least of three readings that differ by chance alone lies 0.85 standard deviations too low. So the
correction is the mean, and its uncertainty the standard deviation, of

    δ = V (least of s over a pitch − s(0))

over curves s of one period and variation 1, each as likely as it explains the readings: d_i = V (s(φ_i) −
s(0)) + e_i. Believed beforehand: the variation V (log-normal; median 2 µm, or what was recorded; two thirds
from 0.55 to 1.8 times that: from memory, no source); the phase of the crest at the whole engagement,
anything; the form, each as likely as the others, of a sine and of two parabolas, one a flank, whose crests
lie 0, 1/8, 1/4, 3/8 or 1/2 of a pitch apart. Errors e_i: scatter of either reading; the doubt of the lash map
at the whole engagement, which both share; and 0.2 µm each, by which no real curve is one of these forms (from
memory, no source). Where readings scatter by much more than V the result is what was believed beforehand;
where they scatter by nothing, what lies between the phases is left: some 0.2 µm.
"""

from __future__ import annotations

from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from lashmap_analysis.record.conditions import RollSeen

Floats = NDArray[np.float64]

VARIATION_MM, VARIATION_SPREAD = 0.002, 0.6  # median, standard deviation of the logarithm (from memory)
FORM_MM = 0.0002
_SIZES = 41  # variations, equally likely
_PHASES = 96  # places of the crest, and of the search for the least
_CRESTS_APART = (0.0, 1 / 8, 1 / 4, 3 / 8, 1 / 2)


def roll_seen(
    phases: tuple[float, float],
    apart_mm: tuple[float, float],
    uncertainty_mm: tuple[float, float],
    level_uncertainty_mm: float,
    *,
    variation_mm: float = VARIATION_MM,
) -> RollSeen:
    """The correction to the least within a pitch, from rocks behind and before a whole engagement.

    Args:
        phases: Where the rocks were made, in pitches from the whole engagement: back, forward.
        apart_mm: Their normal backlash less that of the whole engagement.
        uncertainty_mm: Standard uncertainty of either reading, setting of the tip included.
        level_uncertainty_mm: Of the backlash at the whole engagement.
        variation_mm: Largest less smallest backlash within a pitch, as it is believed to be beforehand.
    """
    sizes, shapes = variation_mm * _sizes(), _shapes()
    covariance = np.diag(np.square(uncertainty_mm) + FORM_MM**2) + level_uncertainty_mm**2
    # (shape, size, phase): what either rock would read about the whole engagement.
    expected = sizes[np.newaxis, :, np.newaxis] * _about_whole(shapes, phases)[:, np.newaxis, :]
    whitened = (np.asarray(apart_mm) - expected) @ np.linalg.inv(np.linalg.cholesky(covariance)).T
    log_weight = -0.5 * np.square(whitened).sum(axis=-1)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    least = shapes.min(axis=1) - shapes[:, 0]
    below = least[:, np.newaxis] * sizes
    mean = float(np.sum(weight * below))
    return RollSeen(
        back_mm=apart_mm[0],
        forward_mm=apart_mm[1],
        correction_mm=mean,
        standard_uncertainty_mm=float(np.sqrt(np.sum(weight * np.square(below - mean)))),
    )


def _sizes() -> Floats:
    """Equally likely factors: the middles of equal parts of a log-normal distribution, shape (_SIZES,)."""
    normal = NormalDist(sigma=VARIATION_SPREAD)
    tails = [(number + 0.5) / _SIZES for number in range(_SIZES)]
    return np.exp([normal.inv_cdf(one) for one in tails])


@lru_cache(maxsize=1)
def _shapes() -> Floats:
    """Curves of variation 1 over one pitch from a whole engagement on, shape (forms · _PHASES, _PHASES)."""
    place = np.arange(_PHASES) / _PHASES
    forms = [0.5 - 0.5 * np.cos(2.0 * np.pi * place)]
    for apart in _CRESTS_APART:
        flanks = [np.square((one + 0.5) % 1.0 - 0.5) for one in (place, place + apart)]
        forms.append(flanks[0] + flanks[1])
    rolled = [np.roll(form / np.ptp(form), shift) for form in forms for shift in range(_PHASES)]
    return np.array(rolled)


def _about_whole(shapes: Floats, phases: tuple[float, float]) -> Floats:
    """What the curves are at two phases about that at the whole engagement, shape (shapes, 2)."""
    place = np.mod(phases, 1.0) * _PHASES
    before, share = np.floor(place).astype(np.int64), place % 1.0
    at = (1.0 - share) * shapes[:, before % _PHASES] + share * shapes[:, (before + 1) % _PHASES]
    return np.asarray(at - shapes[:, :1])
