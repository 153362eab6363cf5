"""Stops short of a flank that a thin trace does not show, and what the uncertainty allows for them.

Decided here: how much the places where the gear stops could scatter without being seen, whether the trace
shows instead how the gear came to its flanks, and the half-width that is allowed where it shows neither. Not
decided: stops that are seen (`rock.checks`, `rock.at_rest`).

Who stops short of a flank does not stop twice at the same place, unless something hard is in the way. What
noise, rounding or few levels could hide of that scatter says whether such stops can be excluded. Where they
cannot, the reading may be too small by whatever a hand aims short, and that does not go with its scatter: so
the half-width is a fixed share of the lash (rectangular, GUM 4.3.7).
"""

from __future__ import annotations

from math import inf, sqrt
from typing import TYPE_CHECKING

from lashmap_analysis.rock.at_rest import braking, is_arrival_clear
from lashmap_analysis.rock.flags import Flag, FlagName
from lashmap_analysis.rock.shape import PLENTY

if TYPE_CHECKING:
    from lashmap_analysis.rock.flags import Evidence
    from lashmap_analysis.rock.steps import Lash


SCATTER = (0.01, 0.016)
"""Scatter of stops that could hide, as a share of the step, from which on something is allowed for, and from
which on all: a hand that aims repeats to 2 % of the lash (practice), and a few stops may show less of it.
"""

FARTHEST = 0.25
"""Half-width of that, as a share of the step: a fifth of the true lash is a quarter of what is then read."""

HIDDEN = 1.645
"""Normal deviate of the limit to that scatter: 95 %, one-sided."""

ENOUGH_ARRIVING = 20.0
"""Samples from halfway to a fifth of the way, of all arrivals on a flank, that show how the gear comes to it
(`rock.at_rest`).
"""


def allow_for_unseen(evidence: Evidence) -> Lash:
    """The lash with what stops that the trace cannot show add to its uncertainty."""
    lash = evidence.lash
    if not lash.standard_uncertainty_mm > 0 or evidence.typical_samples >= PLENTY:
        return lash
    begins, ends = SCATTER
    hides = could_hide(lash) / lash.mean_mm
    if hides <= begins or _is_arrival_seen(evidence):
        return lash
    width = FARTHEST * lash.mean_mm * min((hides - begins) / (ends - begins), 1.0)
    more2 = (width**2 - lash.unreached_mm**2) / 3
    if more2 <= 0:
        return lash
    variance = lash.standard_uncertainty_mm**2
    return lash._replace(
        standard_uncertainty_mm=sqrt(variance + more2),
        # Welch-Satterthwaite (GUM G.4.1): the type B part has infinite degrees of freedom
        degrees_of_freedom=lash.degrees_of_freedom * (1 + more2 / variance) ** 2,
        unseen_mm=width,
    )


def could_hide(lash: Lash) -> float:
    """Largest standard deviation of the stops on a flank that chance may show as small as it was seen.

    The 5 % quantile of χ² by Wilson and Hilferty (Abramowitz & Stegun 26.4.17), low by 3 % with four degrees
    of freedom.
    """
    if lash.unlike is None:
        return inf
    part = 2 / (9 * lash.unlike.freedom)
    least: float = 1 - part - HIDDEN * sqrt(part)
    return max(lash.unlike.own_mm, lash.level_mm) / (least * sqrt(least))


def _is_arrival_seen(evidence: Evidence) -> bool:
    return is_arrival_clear(evidence) and min(one.samples for one in braking(evidence)) > ENOUGH_ARRIVING


def unseen(evidence: Evidence) -> Flag:
    """The warning that something was allowed for."""
    return Flag(
        name=FlagName.FLANK_NOT_REACHED,
        disabling=False,
        sentence="Too few samples, or too coarse ones, to tell a gear that stops a little short of a flank "
        "from one that reaches it; the uncertainty allows for it. Rock more slowly and longer, or use a "
        "finer indicator.",
        numbers={"unseen_mm": evidence.lash.unseen_mm, "samples_per_dwell": evidence.typical_samples},
    )
