"""What the tests of passes share: a box, a stand with two encoders, and its passes read from the bytes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from daemon.simulated_boxes import PLAIN_BOX
from lashmap_daemon.simulated_stand import PassOrder, SimulatedDrive, SimulatedInstruments, Stand

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    AnyFloats = NDArray[np.floating]

# A small mesh cycle, 140 engagements, with all that makes flanks differ from tooth to tooth.
BOX = replace(
    PLAIN_BOX,
    pinion_teeth=7,
    gear_teeth=20,
    outer_module_mm=8.0,
    gear_eccentricity_mm=0.012,
    pinion_eccentricity_mm=0.006,
    gear_tooth_error_mm=0.001,
    pinion_tooth_error_mm=0.001,
    roll_crowning_mm=0.004,
    roll_phase_at_marks=0.1,
    coast_roll_phase=0.2,
    contact_ratio=1.6,
    matched_teeth_pinion_deg=-7.5,
)
# Steps of a count of some 0.02 µm at the pitch circle, so that what is left is the stand's.
FINE = SimulatedInstruments(
    encoders="latched",
    indicator_rate_hz=10.0,
    encoder_rate_hz=500.0,
    encoder_counts_per_turn=30_000_000,
    pinion_counts_per_turn=10_000_000,
)
QUICK = SimulatedDrive(pass_deg_per_s=720.0, second_pass_deg_per_s=500.0)
Both = Literal["forward", "back"]


@dataclass(frozen=True)
class Sent:
    """What the encoders said in a stretch of time: times of delivery, and angles past the matched teeth."""

    pinion_s: Floats
    pinion_deg: Floats
    gear_s: Floats
    gear_deg: Floats


def sent(stand: Stand, seconds: float, instruments: SimulatedInstruments) -> Sent:
    """Let time pass, and read the lines of both encoders."""
    wire = stand.advance(seconds)
    if instruments.encoders == "latched":
        both = np.array([[float(count) for count in line.split(b",")] for line in wire.encoder_lines])
        gear, pinion = both.reshape(-1, 2).T
        pinion_s = wire.encoder_times_s
    else:
        gear = np.array([float(line) for line in wire.encoder_lines])
        pinion, pinion_s = np.array([float(line) for line in wire.pinion_lines]), wire.pinion_times_s
    return Sent(
        np.array(pinion_s),
        pinion * 360.0 / instruments.pinion_counts_per_turn - BOX.matched_teeth_pinion_deg,
        np.array(wire.encoder_times_s),
        gear * 360.0 / instruments.encoder_counts_per_turn - BOX.matched_teeth_encoder_deg,
    )


def made(
    stand: Stand,
    number: int,
    *,
    engagements: int = 142,
    instruments: SimulatedInstruments = FINE,
    direction: Both | None = None,
) -> Sent:
    """Have a pass made, odd numbers forward, and read it from its order to its end."""
    way: Both = direction or ("forward" if number % 2 else "back")
    stand.make_pass(PassOrder(number=number, direction=way, engagements=engagements))
    parts: list[Sent] = []
    while not stand.pass_is_over:
        parts.append(sent(stand, 1.0, instruments))
    return Sent(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in Sent.__dataclass_fields__)
    )


def gear_at(one: Sent, pinion_deg: AnyFloats) -> Floats:
    """Angle of the gear where the pinion passed, from latched counts."""
    order = np.argsort(one.pinion_deg, kind="stable")
    return np.interp(pinion_deg, one.pinion_deg[order], one.gear_deg[order])
