"""The gaps between the flanks at every engagement, and with them the truth about the box.

Each gap is measured along its flank's outward normal at the heel. It is half the mean backlash, less the
metal that is too much on the two flanks that face each other there, less the way by which the gear's teeth
have come towards the pinion's along that normal: eccentric, out of round, or set at a wrong mounting
distance. Backlash is the sum of the two gaps of a tooth.
"""

from __future__ import annotations

import json
from cmath import phase, rect
from dataclasses import asdict, dataclass
from math import degrees, lcm, pi, radians, sqrt
from random import Random

from lashmap_daemon.simulated_stand.mesh_frame import MeshFrame, mesh_frame, tip_mm_per_rad
from lashmap_daemon.simulated_stand.pitch_surface import PitchSurface, gear_surface, pinion_surface
from lashmap_daemon.simulated_stand.settings import Shaft, SimulatedBox, StandError
from lashmap_daemon.simulated_stand.vectors import Vector, combine, dot

_Gaps = list[tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class TrueRunout:
    """The first harmonic of what one member does to the normal backlash.

    Attributes:
        amplitude_mm: Half its peak to peak over a turn.
        high_point_deg: Turn of the member past the matched teeth at which it takes most backlash away.
    """

    amplitude_mm: float
    high_point_deg: float


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What a perfect test of the box would find.

    Attributes:
        normal_backlash_mm: At the heel, for every engagement of the mesh cycle, from the matched teeth on.
        tight_spot_engagement: The first engagement with the least backlash.
        tight_spot_normal_backlash_mm: That backlash.
        gear: What the gear adds once per turn, its single tooth errors included.
        pinion: The same of the pinion.
        touch_radius_mm: Where the tip really touches.
        gear_runout_fim_mm: Full indicator movement of the once-per-turn part of the gear's pitch surface,
            perpendicular to the pitch cone at the outer end; single teeth do not count.
        pinion_runout_fim_mm: The same of the pinion.
    """

    normal_backlash_mm: tuple[float, ...]
    tight_spot_engagement: int
    tight_spot_normal_backlash_mm: float
    gear: TrueRunout
    pinion: TrueRunout
    touch_radius_mm: float
    gear_runout_fim_mm: float
    pinion_runout_fim_mm: float

    def to_json(self) -> str:
        """Return a JSON object: `tight_spot`, `runout`, `normal_backlash_mm` (a list) and further truths."""
        document = {
            "simulated": True,
            "mesh_cycle": len(self.normal_backlash_mm),
            "tight_spot": {
                "engagement": self.tight_spot_engagement,
                "normal_backlash_mm": self.tight_spot_normal_backlash_mm,
            },
            "runout": {"gear": asdict(self.gear), "pinion": asdict(self.pinion)},
            "touch_radius_mm": self.touch_radius_mm,
            "gear_runout_fim_mm": self.gear_runout_fim_mm,
            "pinion_runout_fim_mm": self.pinion_runout_fim_mm,
            "normal_backlash_mm": list(self.normal_backlash_mm),
        }
        return json.dumps(document)


class Mesh:
    """The meshing teeth of one box, its errors drawn from a seed."""

    def __init__(self, box: SimulatedBox, *, seed: int) -> None:
        """Draw the errors and resolve them along both flank normals.

        Raises:
            StandError: When the geometry is impossible or some engagement would have no backlash.
        """
        self.box = box
        self.frame = mesh_frame(box)
        chance = Random(f"{seed}/teeth")  # noqa: S311 - a simulation, not a secret
        # Drawn in this order for every seed: a box keeps its truth from one version to the next.
        gear = gear_surface(box, self.frame, chance=chance, seed=seed)
        metal = _flank_errors(box.gear_teeth, box.gear_tooth_error_mm, chance)
        self._gear = _gaps(gear, self.frame, metal, side=1.0, mounting_error_mm=box.gear_mounting_error_mm)
        pinion = pinion_surface(box, self.frame, chance=chance, seed=seed)
        metal = _flank_errors(box.pinion_teeth, box.pinion_tooth_error_mm, chance)
        self._pinion = _gaps(
            pinion, self.frame, metal, side=-1.0, mounting_error_mm=box.pinion_mounting_error_mm
        )
        self._surfaces: dict[Shaft, PitchSurface] = {"gear": gear, "pinion": pinion}
        tip = Random(f"{seed}/tip")  # noqa: S311 - a simulation, not a secret
        self.touch_radius_mm = tip.gauss(box.touch_radius_mm, box.touch_radius_uncertainty_mm)
        self.tip_mm_per_rad = tip_mm_per_rad(
            box,
            self.frame,
            touch_radius_mm=self.touch_radius_mm,
            side_rad=tip.uniform(0.0, 2.0 * pi),
            off_deg=tip.gauss(box.off_normal_deg, box.angle_uncertainty_deg),
            lever_deg=0.0 if box.lever_deg is None else tip.gauss(box.lever_deg, box.angle_uncertainty_deg),
        )
        self.mesh_cycle = lcm(box.pinion_teeth, box.gear_teeth)
        least = min(map(self.normal_backlash_mm, range(self.mesh_cycle)))
        if least <= 0.0:
            expected = "enough for backlash at every engagement"
            raise StandError(
                what="mean_normal_backlash_mm", expected=expected, got=box.mean_normal_backlash_mm
            )

    def gaps_mm(self, engagement: int) -> tuple[float, float]:
        """Return the gaps ahead of and behind a gear tooth, along the flank normals at the heel."""
        gear = self._gear[engagement % self.box.gear_teeth]
        pinion = self._pinion[engagement % self.box.pinion_teeth]
        half = self.box.mean_normal_backlash_mm / 2.0
        return half + gear[0] + pinion[0], half + gear[1] + pinion[1]

    def normal_backlash_mm(self, engagement: int) -> float:
        """Return the true normal backlash at the heel."""
        return sum(self.gaps_mm(engagement))

    def limits_rad(self, engagement: int) -> tuple[float, float]:
        """Return the gear angles, past the nominal one, at which the teeth touch behind and ahead."""
        ahead, behind = self.gaps_mm(engagement)
        rate = self.frame.closing_mm_per_rad()
        return -behind / rate, ahead / rate

    def runout_mm(self, member: Shaft, turn_rad: float) -> float:
        """Return what the sweep's indicator reads on a member that has turned so far past the matched teeth.

        Its zero is a perfect surface; positive is towards the indicator.
        """
        place_rad = radians(self.box.runout_indicator_from_mesh_deg)
        return self._surfaces[member].towards_indicator_mm(turn_rad, place_rad)

    def truth(self) -> Truth:
        """Return what a perfect test would find."""
        backlash = tuple(map(self.normal_backlash_mm, range(self.mesh_cycle)))
        tightest = min(range(self.mesh_cycle), key=backlash.__getitem__)
        return Truth(
            normal_backlash_mm=backlash,
            tight_spot_engagement=tightest,
            tight_spot_normal_backlash_mm=backlash[tightest],
            gear=_first_harmonic(self._gear),
            pinion=_first_harmonic(self._pinion),
            touch_radius_mm=self.touch_radius_mm,
            gear_runout_fim_mm=self._surfaces["gear"].once_per_turn()[0],
            pinion_runout_fim_mm=self._surfaces["pinion"].once_per_turn()[0],
        )


def _gaps(
    surface: PitchSurface, frame: MeshFrame, metal: _Gaps, *, side: float, mounting_error_mm: float
) -> _Gaps:
    """Return what one member adds to both gaps of each of its teeth; its side is 1 for the gear, -1 else."""
    gaps = []
    for tooth, too_much in enumerate(metal):
        moved = combine(
            (1.0, surface.moved(2.0 * pi * tooth / len(metal))), (mounting_error_mm, surface.axis)
        )
        gaps.append(_closed_by(moved, side, too_much, frame))
    return gaps


def _closed_by(
    moved: Vector, side: float, metal: tuple[float, float], frame: MeshFrame
) -> tuple[float, float]:
    """Return by how much both gaps grow when a body moves; its side is 1 for the gear, -1 for the pinion."""
    ahead, behind = frame.outer_normals
    return -side * dot(moved, ahead) - metal[0], -side * dot(moved, behind) - metal[1]


def _flank_errors(teeth: int, thickness_error_mm: float, chance: Random) -> _Gaps:
    """Return the metal too much on both flanks of each tooth, less its mean, so that the mean gap stays."""
    # Two independent flanks make one thickness: variances add.
    one_flank = thickness_error_mm / sqrt(2.0)
    ahead = [chance.gauss(0.0, one_flank) for _ in range(teeth)]
    behind = [chance.gauss(0.0, one_flank) for _ in range(teeth)]
    mean_ahead, mean_behind = sum(ahead) / teeth, sum(behind) / teeth
    return [(a - mean_ahead, b - mean_behind) for a, b in zip(ahead, behind, strict=True)]


def _first_harmonic(gaps: _Gaps) -> TrueRunout:
    teeth = len(gaps)
    wave = sum(
        (ahead + behind) * rect(2.0 / teeth, 2.0 * pi * k / teeth) for k, (ahead, behind) in enumerate(gaps)
    )
    return TrueRunout(amplitude_mm=abs(wave), high_point_deg=(degrees(phase(wave)) + 180.0) % 360.0)
