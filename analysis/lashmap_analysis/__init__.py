"""Arrays become lash, map, verdict and report; nothing here knows ports, event loops or clocks.

The public names are fetched when they are first used, so that importing the package alone costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lashmap_analysis.cycle.cycle import CycleFit, fit_cycle
    from lashmap_analysis.cycle.passes import CycleError, CyclePass
    from lashmap_analysis.cycle.transmission import transmission_error
    from lashmap_analysis.gears.gear_set import GearSet, GearSetError
    from lashmap_analysis.gears.indicator import Indicator, IndicatorError
    from lashmap_analysis.judge.assess import assess
    from lashmap_analysis.judge.shim_stock import ShimStock
    from lashmap_analysis.judge.shims import shim_advice
    from lashmap_analysis.judge.verdict import Doubt, Evidence, reach_verdict
    from lashmap_analysis.lash_map.lash_map import LashMapError, fit_lash_map
    from lashmap_analysis.lash_map.positions import plan_positions
    from lashmap_analysis.record.record import Encoder, Identity, Limits, Precondition, RockTrace, TestRecord
    from lashmap_analysis.rock.rock import measure_rock, measure_rocks
    from lashmap_analysis.runout.match import match_runout
    from lashmap_analysis.runout.sweep import RunoutError, measure_runout
    from lashmap_analysis.tables import Export, LoadError, load
    from lashmap_analysis.uncertainty.backlash import budget

__all__ = [
    "CycleError",
    "CycleFit",
    "CyclePass",
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
    "TiedRock",
    "assess",
    "budget",
    "fit_cycle",
    "fit_lash_map",
    "load",
    "match_runout",
    "measure_rock",
    "measure_rocks",
    "measure_runout",
    "plan_positions",
    "reach_verdict",
    "shim_advice",
    "transmission_error",
]

_HOME: dict[str, str] = {
    "CycleError": "cycle.passes",
    "CycleFit": "cycle.cycle",
    "CyclePass": "cycle.passes",
    "Doubt": "judge.verdict",
    "Encoder": "record.record",
    "Evidence": "judge.verdict",
    "Export": "tables",
    "GearSet": "gears.gear_set",
    "GearSetError": "gears.gear_set",
    "Identity": "record.record",
    "Indicator": "gears.indicator",
    "IndicatorError": "gears.indicator",
    "LashMapError": "lash_map.lash_map",
    "Limits": "record.record",
    "LoadError": "tables",
    "Precondition": "record.record",
    "RockTrace": "record.record",
    "RunoutError": "runout.sweep",
    "ShimStock": "judge.shim_stock",
    "TestRecord": "record.record",
    "TiedRock": "cycle.ties",
    "assess": "judge.assess",
    "budget": "uncertainty.backlash",
    "fit_cycle": "cycle.cycle",
    "fit_lash_map": "lash_map.lash_map",
    "reach_verdict": "judge.verdict",
    "load": "tables",
    "match_runout": "runout.match",
    "measure_rock": "rock.rock",
    "measure_rocks": "rock.rock",
    "measure_runout": "runout.sweep",
    "plan_positions": "lash_map.positions",
    "shim_advice": "judge.shims",
    "transmission_error": "cycle.transmission",
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
