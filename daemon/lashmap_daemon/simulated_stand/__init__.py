"""A test stand that is not there: a gearbox rocked on pseudo-terminals, with a truth to be found.

It is a separate process that speaks as instruments do, and shares no formula with what it tests: its
geometry is done with vectors, its rocks are a mass between two springs.
"""

from lashmap_daemon.simulated_stand.mesh import TrueRunout, Truth
from lashmap_daemon.simulated_stand.passes import PassOrder
from lashmap_daemon.simulated_stand.serve import Served, serve
from lashmap_daemon.simulated_stand.settings import (
    Fault,
    SimulatedBox,
    SimulatedDrive,
    SimulatedInstruments,
    StandError,
)
from lashmap_daemon.simulated_stand.stand import Stand, Wire

__all__ = [
    "Fault",
    "PassOrder",
    "Served",
    "SimulatedBox",
    "SimulatedDrive",
    "SimulatedInstruments",
    "Stand",
    "StandError",
    "TrueRunout",
    "Truth",
    "Wire",
    "serve",
]
