"""Arrays become lash, map, verdict and report; nothing here knows ports, event loops or clocks.

The public names are fetched when they are first used, so that importing the package alone costs nothing.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lashmap_analysis.assess import assess
    from lashmap_analysis.backlash_budget import budget
    from lashmap_analysis.gear_set import GearSet, GearSetError
    from lashmap_analysis.indicator import Indicator, IndicatorError
    from lashmap_analysis.lash_map import LashMapError, fit_lash_map
    from lashmap_analysis.load import Export, LoadError, load
    from lashmap_analysis.positions import plan_positions
    from lashmap_analysis.record import Encoder, Identity, Limits, Precondition, RockTrace, TestRecord
    from lashmap_analysis.rock import measure_rock, measure_rocks
    from lashmap_analysis.runout import RunoutError, measure_runout
    from lashmap_analysis.runout_match import match_runout
    from lashmap_analysis.shim_stock import ShimStock
    from lashmap_analysis.shims import shim_advice
    from lashmap_analysis.verdict import Doubt, Evidence, judge

__all__ = [
    "Doubt",
    "Encoder",
    "Evidence",
    "Export",
    "GearSet",
    "GearSetError",
    "Identity",
    "Indicator",
    "IndicatorError",
    "LashMapError",
    "Limits",
    "LoadError",
    "Precondition",
    "RockTrace",
    "RunoutError",
    "ShimStock",
    "TestRecord",
    "assess",
    "budget",
    "fit_lash_map",
    "judge",
    "load",
    "match_runout",
    "measure_rock",
    "measure_rocks",
    "measure_runout",
    "plan_positions",
    "shim_advice",
]

_HOME: dict[str, str] = {
    "Doubt": "verdict",
    "Encoder": "record",
    "Evidence": "verdict",
    "Export": "load",
    "GearSet": "gear_set",
    "GearSetError": "gear_set",
    "Identity": "record",
    "Indicator": "indicator",
    "IndicatorError": "indicator",
    "LashMapError": "lash_map",
    "Limits": "record",
    "LoadError": "load",
    "Precondition": "record",
    "RockTrace": "record",
    "RunoutError": "runout",
    "ShimStock": "shim_stock",
    "TestRecord": "record",
    "assess": "assess",
    "budget": "backlash_budget",
    "fit_lash_map": "lash_map",
    "judge": "verdict",
    "load": "load",
    "match_runout": "runout_match",
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


class _Package(ModuleType):
    """This package, whose public functions are not hidden by the modules they live in."""

    def __setattr__(self, name: str, value: object) -> None:
        # Importing assess.py makes the import system bind that module as `assess`, over the function.
        if not (name in _HOME and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
