"""Where the indicator's tip touches a gear tooth, and what it reads when the gear turns.

Decided here: the flank under the tip, also off the pitch cone, the lines of action drawn for a box, and what
changes each time the tip is set down anew. How far the gear turns is `motion`, what is then shown is `stand`.
"""

from __future__ import annotations

from math import atan, cos, pi, radians, sin, sqrt
from random import Random

from lashmap_daemon.simulated_stand.frame import (
    MeshFrame,
    Vector,
    across,
    combine,
    cone_distance_mm,
    cross,
    dot,
    flank_normals,
    turned,
    unit,
)
from lashmap_daemon.simulated_stand.settings import SimulatedBox, StandError

_CLOSE_ENOUGH_MM = 1e-10
_MOST_ROUNDS = 200


class Tip:
    """The tip of one box, its true place drawn from a seed.

    Attributes:
        touch_radius_mm: Where it really touches, from the gear axis, on the mean of all settings.
        mm_per_rad: What the indicator reads when the gear turns, with the tip there.
    """

    def __init__(self, box: SimulatedBox, frame: MeshFrame, *, seed: int) -> None:
        """Draw where the tip really touches and which way the indicator really looks.

        Raises:
            StandError: When the tip touches no flank.
        """
        self._box, self._frame = box, frame
        if not box.on_arm:
            _check_on_tooth(box, frame)
        chance = Random(f"{seed}/tip")  # noqa: S311 - a simulation, not a secret
        self.touch_radius_mm = chance.gauss(box.touch_radius_mm, box.touch_radius_uncertainty_mm)
        self._side_rad = chance.uniform(0.0, 2.0 * pi)
        self._off_deg = chance.gauss(box.off_normal_deg, box.angle_uncertainty_deg)
        self._lever_deg = (
            0.0 if box.lever_deg is None else chance.gauss(box.lever_deg, box.angle_uncertainty_deg)
        )
        self._settings = Random(f"{seed}/settings")  # noqa: S311 - a simulation, not a secret
        self.mm_per_rad = self._reads(self.touch_radius_mm, self._off_deg)

    def set_down(self) -> float:
        """Set the tip down anew, a little off its mean place; return what it reads in mm per radian."""
        box = self._box
        radius_mm = self._settings.gauss(self.touch_radius_mm, box.setting_radius_mm)
        off_deg = self._settings.gauss(self._off_deg, box.setting_angle_deg)
        if box.setting_radius_mm == box.setting_angle_deg == 0.0:
            return self.mm_per_rad
        return self._reads(radius_mm, off_deg)

    def _reads(self, radius_mm: float, off_deg: float) -> float:
        return tip_mm_per_rad(
            self._box,
            self._frame,
            touch_radius_mm=radius_mm,
            side_rad=self._side_rad,
            off_deg=off_deg,
            lever_deg=self._lever_deg,
        )


def tip_mm_per_rad(
    box: SimulatedBox,
    frame: MeshFrame,
    *,
    touch_radius_mm: float,
    side_rad: float,
    off_deg: float,
    lever_deg: float,
) -> float:
    """Return how much the indicator reads when the gear turns, in mm per radian.

    The surface under the tip is taken as a plane with normal n that moves by d = axis × r. A tip that is
    guided along u stays on that plane when it travels by (d·n) / (u·n). A plunger tilted by γ to any side of
    n, and a lever whose tip moves on its own circle, tilted ε, both have u off n: they read too large.
    """
    if box.on_arm:
        distance = cone_distance_mm(frame.gear_axis, frame.pitch_line, touch_radius_mm)
        point, surface = combine((distance, frame.pitch_line)), frame.tangent
    else:
        height = box.tip_height_mm + box.tip_height_error_mm
        point, surface = flank_under_tip(box, frame, touch_radius_mm, height)
    moved = cross(frame.gear_axis, point)
    aim = surface if box.direction == "normal" else unit(moved)
    aside = turned(across(frame.towards_pinion, aim), aim, side_rad)
    guided = turned(aim, aside, radians(off_deg))
    guided = turned(guided, cross(guided, aside), radians(lever_deg))
    return dot(moved, surface) / dot(guided, surface)


def flank_under_tip(
    box: SimulatedBox, frame: MeshFrame, radius_mm: float, height_mm: float
) -> tuple[Vector, Vector]:
    """Return point and normal of the gear's flank at a radius from its axis and a height off its pitch cone.

    The point stands where it would touch the crown gear that generates the tooth, near the pitch line.
    """
    distance = cone_distance_mm(frame.gear_axis, frame.pitch_line, radius_mm)
    if height_mm == 0.0:
        return combine((distance, frame.pitch_line)), flank_normals(box, frame, distance)[0]
    cone_cos = dot(frame.pitch_line, frame.gear_axis)
    cone_sin = sqrt(1.0 - cone_cos**2)
    lean = cos(radians(box.normal_pressure_angle_deg))
    up = height_mm / lean
    for _ in range(_MOST_ROUNDS):
        point, normal, _roll = generated(box, frame, distance, up)
        sideways = cross(frame.gear_axis, point)
        radius = sqrt(dot(sideways, sideways))
        too_low = height_mm - (radius * cone_cos - dot(point, frame.gear_axis) * cone_sin)
        too_near = radius_mm - radius
        if max(abs(too_low), abs(too_near)) < _CLOSE_ENOUGH_MM:
            return point, normal
        up += too_low / lean
        distance += (too_near - too_low * cone_cos) / cone_sin
    raise StandError(what="tip_height_mm", expected="a height that the flank has there", got=height_mm)


def generated(
    box: SimulatedBox, frame: MeshFrame, distance_mm: float, up_mm: float
) -> tuple[Vector, Vector, float]:
    """Return a point of the flank that the crown gear generates, its normal, and the crown gear's roll.

    The crown gear's tooth is cut straight-sided: from the trace at a cone distance a straight line leads up
    the flank, with one normal all along. Turned about its own axis, square to the pitch plane, each of its
    points makes a point of the gear when its normal meets the pitch line, about which both bodies roll (law
    of gearing): the moment of the normal about the apex then has no part along that line.
    """
    normal = flank_normals(box, frame, distance_mm)[0]
    crown_axis = frame.towards_pinion
    level = across(normal, crown_axis)
    pressure = radians(box.normal_pressure_angle_deg)
    point = combine(
        (distance_mm, frame.pitch_line),
        (up_mm * cos(pressure), crown_axis),
        (-up_mm * sin(pressure), level),
    )
    moment = cross(point, normal)
    roll = atan(dot(moment, frame.pitch_line) / dot(moment, cross(crown_axis, frame.pitch_line)))
    return turned(point, crown_axis, roll), turned(normal, crown_axis, roll), roll


def _check_on_tooth(box: SimulatedBox, frame: MeshFrame) -> None:
    outside = box.tip_height_mm * dot(frame.pitch_line, frame.gear_axis)
    distance = cone_distance_mm(frame.gear_axis, frame.pitch_line, box.touch_radius_mm - outside)
    outer = sqrt(dot(frame.outer_point, frame.outer_point))
    # A ball tip may hang over an end of the tooth by a little.
    over = 0.1 * box.face_width_mm
    if not outer - box.face_width_mm - over <= distance <= outer + over:
        expected = "a radius within the face width of the gear, or on_arm"
        raise StandError(what="touch_radius_mm", expected=expected, got=box.touch_radius_mm)
