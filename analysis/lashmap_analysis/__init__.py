"""Arrays become lash, map, verdict and report; nothing here knows ports, event loops or clocks.

The public names are fetched when they are first used, so that importing the package alone costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lashmap_analysis.assess import assess
    from lashmap_analysis.gear_set import GearSet, GearSetError
    from lashmap_analysis.indicator import Indicator, IndicatorError
    from lashmap_analysis.lash_map import fit_lash_map
    from lashmap_analysis.positions import plan_positions
    from lashmap_analysis.rock import measure_rock, measure_rocks
    from lashmap_analysis.runout import RunoutError, measure_runout
    from lashmap_analysis.shims import shim_advice
    from lashmap_analysis.uncertainty import budget
    from lashmap_analysis.verdict import judge

__all__ = [
    "GearSet",
    "GearSetError",
    "Indicator",
    "IndicatorError",
    "RunoutError",
    "assess",
    "budget",
    "fit_lash_map",
    "judge",
    "measure_rock",
    "measure_rocks",
    "measure_runout",
    "plan_positions",
    "shim_advice",
]

_HOME: dict[str, str] = {
    "GearSet": "gear_set",
    "GearSetError": "gear_set",
    "Indicator": "indicator",
    "IndicatorError": "indicator",
    "RunoutError": "runout",
    "assess": "assess",
    "budget": "uncertainty",
    "fit_lash_map": "lash_map",
    "judge": "verdict",
    "measure_rock": "rock",
    "measure_rocks": "rock",
    "measure_runout": "runout",
    "plan_positions": "positions",
    "shim_advice": "shims",
}


def __getattr__(name: str) -> object:
    """Import the module a public name lives in, once (PEP 562)."""
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value: object = getattr(import_module(f"{__name__}.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Name what can be had."""
    return sorted(__all__)
