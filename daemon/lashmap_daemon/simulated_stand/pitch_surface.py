"""How the pitch surface of one member runs: off the axis it turns about, wobbling, out of round, rough.

Decided here: by which vector the surface at any place around a turning member has moved, seen from the place
where a perfect one would be, and what an indicator square to the pitch cone makes of that. The mesh asks the
same surface at its own place. Not decided here: what that does to backlash (`mesh`).

Angles of a member count in its positive sense of turning. A point at body angle β is at place φ when the
member has turned by θ = φ - β; the mesh is at place 0.
"""

from __future__ import annotations

from cmath import phase, rect
from dataclasses import dataclass
from math import cos, pi, radians, sqrt
from random import Random
from typing import TYPE_CHECKING

from lashmap_daemon.simulated_stand.vectors import Vector, across, combine, dot, turned

if TYPE_CHECKING:
    from lashmap_daemon.simulated_stand.mesh_frame import MeshFrame
    from lashmap_daemon.simulated_stand.settings import SimulatedBox

# Waves in a turn that roughness is made of: finer than anything a wrong setting makes, none of it in step
# with once or twice per turn, so that it blurs the runout without shifting its truth.
_FEWEST_WAVES, _MOST_WAVES, _ROUGH_PARTS = 5, 120, 16
_PLACES = 72


@dataclass(frozen=True, kw_only=True)
class PitchSurface:
    """The pitch surface of one member.

    Attributes:
        axis: Unit vector from the apex to the member's back.
        radial: Unit vector square to the axis, towards the mesh.
        normal: Unit vector square to the pitch cone at the mesh, out of the member's body.
        sense: 1.0 when positive turning is right-handed about the axis, -1.0 when it is left-handed.
        eccentricity_mm: Of the teeth's axis from the axis of turning.
        face_wobble_mm: Amplitude of the axial to and fro.
        out_of_round_mm: Amplitude of the radius, twice per turn.
        high_rad: Turn at which eccentricity and wobble have their high point at the mesh.
        oval_rad: Twice the turn at which the radius at the mesh is largest.
        rough: Waves per turn, amplitude in mm and phase of each part of the roughness.
    """

    axis: Vector
    radial: Vector
    normal: Vector
    sense: float
    eccentricity_mm: float
    face_wobble_mm: float
    out_of_round_mm: float
    high_rad: float
    oval_rad: float
    rough: tuple[tuple[int, float, float], ...]

    def moved(self, turn_rad: float, place_rad: float = 0.0) -> Vector:
        """Return by how much the surface at a place is off a perfect one there, in mm, roughness left out."""
        passed = turn_rad - place_rad
        return combine(
            # The whole body is carried along; where one looks makes no difference to that.
            (self.eccentricity_mm, turned(self.radial, self.axis, self.sense * (turn_rad - self.high_rad))),
            (self.out_of_round_mm * cos(2.0 * passed - self.oval_rad), self._to(self.radial, place_rad)),
            (-self.face_wobble_mm * cos(passed - self.high_rad), self.axis),
        )

    def towards_indicator_mm(self, turn_rad: float, place_rad: float) -> float:
        """Return how far the surface has come towards an indicator square to the pitch cone at a place."""
        rough = sum(
            size * cos(waves * (turn_rad - place_rad) + shift) for waves, size, shift in self.rough if size
        )
        return dot(self.moved(turn_rad, place_rad), self._to(self.normal, place_rad)) + rough

    def once_per_turn(self, place_rad: float = 0.0) -> tuple[float, float]:
        """Return full indicator movement, in mm, and high point, in radians, of the once-per-turn part."""
        turns = [2.0 * pi * number / _PLACES for number in range(_PLACES)]
        aim = self._to(self.normal, place_rad)
        wave = sum(rect(2.0 / _PLACES, turn) * dot(self.moved(turn, place_rad), aim) for turn in turns)
        return 2.0 * abs(wave), phase(wave) % (2.0 * pi)

    def _to(self, at_mesh: Vector, place_rad: float) -> Vector:
        return turned(at_mesh, self.axis, self.sense * place_rad)


def gear_surface(box: SimulatedBox, frame: MeshFrame, *, chance: Random, seed: int) -> PitchSurface:
    """Draw the gear's surface; what a box leaves open comes from `chance`, roughness from the seed."""
    return PitchSurface(
        axis=frame.gear_axis,
        radial=across(frame.pitch_line, frame.gear_axis),
        normal=frame.towards_pinion,
        sense=1.0,
        eccentricity_mm=box.gear_eccentricity_mm,
        face_wobble_mm=box.gear_face_wobble_mm,
        out_of_round_mm=box.out_of_round_mm,
        high_rad=_high_point(box.gear_high_point_deg, chance),
        oval_rad=chance.uniform(0.0, 2.0 * pi),
        rough=_rough(box.surface_roughness_mm, f"{seed}/gear surface"),
    )


def pinion_surface(box: SimulatedBox, frame: MeshFrame, *, chance: Random, seed: int) -> PitchSurface:
    """Draw the pinion's surface, as `gear_surface` does."""
    return PitchSurface(
        axis=frame.pinion_axis,
        radial=across(frame.pitch_line, frame.pinion_axis),
        normal=combine((-1.0, frame.towards_pinion)),
        # Meshing bodies turn against each other about axes that both point outwards.
        sense=-1.0,
        eccentricity_mm=box.pinion_eccentricity_mm,
        face_wobble_mm=box.pinion_face_wobble_mm,
        out_of_round_mm=box.out_of_round_mm,
        high_rad=_high_point(box.pinion_high_point_deg, chance),
        oval_rad=chance.uniform(0.0, 2.0 * pi),
        rough=_rough(box.surface_roughness_mm, f"{seed}/pinion surface"),
    )


def _high_point(given_deg: float | None, chance: Random) -> float:
    drawn = chance.uniform(0.0, 2.0 * pi)
    return drawn if given_deg is None else radians(given_deg)


def _rough(deviation_mm: float, seed: str) -> tuple[tuple[int, float, float], ...]:
    chance = Random(seed)  # noqa: S311 - a simulation, not a secret
    # A cosine's standard deviation is its amplitude over √2; parts of different orders add as squares.
    size = deviation_mm * sqrt(2.0 / _ROUGH_PARTS)
    orders = chance.sample(range(_FEWEST_WAVES, _MOST_WAVES), _ROUGH_PARTS)
    return tuple((waves, size, chance.uniform(0.0, 2.0 * pi)) for waves in orders)
