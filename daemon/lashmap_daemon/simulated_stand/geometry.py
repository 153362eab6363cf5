"""Where the teeth meet and where the indicator's tip touches one, as vectors.

Both axes leave the common apex towards the backs of the members. The pitch line is where the two bodies
do not slide on each other: the direction of z2·a1 + z1·a2. The tooth trace lies in the pitch plane; a
face mill cuts it as a circle in the crown gear's plane, and its tangent is found on that circle. Angles
are never computed from tooth counts or spiral-angle formulas, so that a mistake there cannot hide here.

Decided here too: the flank under the tip, also off the pitch cone, the lines of action drawn for a box, and
what changes each time the tip is set down anew. How far the gear turns is `motion`, what is shown is `stand`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import atan, atan2, cos, hypot, pi, radians, sin, sqrt
from random import Random

from lashmap_daemon.simulated_stand.settings import SimulatedBox, StandError

Vector = tuple[float, float, float]


def dot(a: Vector, b: Vector) -> float:
    """Return the scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vector, b: Vector) -> Vector:
    """Return the vector product a × b."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def combine(*terms: tuple[float, Vector]) -> Vector:
    """Return the sum of factor times vector over the terms."""
    x = y = z = 0.0
    for factor, v in terms:
        x += factor * v[0]
        y += factor * v[1]
        z += factor * v[2]
    return (x, y, z)


def unit(a: Vector) -> Vector:
    """Return the vector of length 1 in the direction of a."""
    length = sqrt(dot(a, a))
    return (a[0] / length, a[1] / length, a[2] / length)


def across(a: Vector, axis: Vector) -> Vector:
    """Return the unit vector of the part of a that is perpendicular to a unit axis."""
    return unit(combine((1.0, a), (-dot(a, axis), axis)))


def turned(a: Vector, axis: Vector, angle_rad: float) -> Vector:
    """Return a turned about a unit axis, right-handed (Rodrigues' rotation)."""
    c, s = cos(angle_rad), sin(angle_rad)
    return combine((c, a), (s, cross(axis, a)), ((1.0 - c) * dot(axis, a), axis))


@dataclass(frozen=True, kw_only=True)
class MeshFrame:
    """Directions and points of the mesh, lengths in mm.

    Attributes:
        gear_axis: Unit vector from the apex to the back of the gear.
        pinion_axis: The same of the pinion.
        pitch_line: Unit vector from the apex outwards along the line where the pitch cones touch.
        tangent: Unit vector of a point of the pitch line when the gear turns positively.
        towards_pinion: Unit vector square to the pitch plane, out of the gear's body.
        outer_point: Heel end of the pitch line.
        outer_normals: Outward normals of both flanks of a gear tooth at the heel; turning the gear positively
            brings the first towards its mate.
        contact_point: Point of the pitch line where the crowned flanks touch.
        contact_normals: The normals there, as `outer_normals`.
    """

    gear_axis: Vector
    pinion_axis: Vector
    pitch_line: Vector
    tangent: Vector
    towards_pinion: Vector
    outer_point: Vector
    outer_normals: tuple[Vector, Vector]
    contact_point: Vector
    contact_normals: tuple[Vector, Vector]

    def closing_mm_per_rad(self) -> float:
        """Return how fast turning the gear closes the gap along the flank normal at the heel."""
        return dot(cross(self.gear_axis, self.outer_point), self.outer_normals[0])

    def closing_at_contact_mm_per_rad(self) -> float:
        """Return the same where the flanks touch."""
        return dot(cross(self.gear_axis, self.contact_point), self.contact_normals[0])


def mesh_frame(box: SimulatedBox) -> MeshFrame:
    """Set up the frame of a box.

    Raises:
        StandError: When the spiral cannot be cut, the face is wider than the cone is long, or the gear would
            be an internal one.
    """
    shaft_angle = radians(box.shaft_angle_deg)
    gear_axis: Vector = (0.0, 0.0, 1.0)
    pinion_axis: Vector = (sin(shaft_angle), 0.0, cos(shaft_angle))
    pitch_line = unit(combine((box.gear_teeth, pinion_axis), (box.pinion_teeth, gear_axis)))
    if dot(pitch_line, gear_axis) < 0.0:
        expected = "an angle at which the gear's pitch cone does not turn inside out"
        raise StandError(what="shaft_angle_deg", expected=expected, got=box.shaft_angle_deg)
    outer_radius = box.outer_module_mm * box.gear_teeth / 2.0
    outer_mm = cone_distance_mm(gear_axis, pitch_line, outer_radius)
    contact_mm = outer_mm - (1.0 - box.contact_face_fraction) * box.face_width_mm
    outer_point = combine((outer_mm, pitch_line))
    frame = MeshFrame(
        gear_axis=gear_axis,
        pinion_axis=pinion_axis,
        pitch_line=pitch_line,
        tangent=unit(cross(gear_axis, outer_point)),
        towards_pinion=across(pinion_axis, pitch_line),
        outer_point=outer_point,
        outer_normals=(gear_axis, gear_axis),
        contact_point=combine((contact_mm, pitch_line)),
        contact_normals=(gear_axis, gear_axis),
    )
    return replace(
        frame,
        outer_normals=flank_normals(box, frame, sqrt(dot(outer_point, outer_point))),
        contact_normals=flank_normals(box, frame, contact_mm),
    )


def cone_distance_mm(gear_axis: Vector, pitch_line: Vector, radius_mm: float) -> float:
    """Return how far from the apex the pitch line is at a radius from the gear axis."""
    sideways = cross(gear_axis, pitch_line)
    return radius_mm / sqrt(dot(sideways, sideways))


def flank_normals(box: SimulatedBox, frame: MeshFrame, distance_mm: float) -> tuple[Vector, Vector]:
    """Return the outward normals of both flanks of a gear tooth on the pitch line, that far from the apex.

    Raises:
        StandError: When the face is wider than the cone is long, or the cutter does not reach there.
    """
    outer = sqrt(dot(frame.outer_point, frame.outer_point))
    along, aside = _trace_direction(box, outer - box.face_width_mm / 2.0, distance_mm)
    # In the pitch plane and square to the trace; the flank leans over by the pressure angle.
    across_tooth = combine((-aside, frame.pitch_line), (along, frame.tangent))
    pressure = radians(box.normal_pressure_angle_deg)
    return (
        combine((cos(pressure), across_tooth), (sin(pressure), frame.towards_pinion)),
        combine((-cos(pressure), across_tooth), (sin(pressure), frame.towards_pinion)),
    )


def _trace_direction(box: SimulatedBox, mean_mm: float, distance_mm: float) -> tuple[float, float]:
    """Return the trace's direction at a cone distance: parts along the cone and along the circumference."""
    if mean_mm <= box.face_width_mm / 2.0:
        expected = "less than the outer cone distance"
        raise StandError(what="face_width_mm", expected=expected, got=box.face_width_mm)
    spiral = radians(box.mean_spiral_angle_deg)
    if box.cutter_radius_mm is None:
        return cos(spiral), sin(spiral)
    radius = box.cutter_radius_mm
    centre_x, centre_y = mean_mm - radius * sin(spiral), radius * cos(spiral)
    turn = _on_cutter_circle(centre_x, centre_y, radius, distance_mm)
    x, y = centre_x + radius * cos(turn), centre_y + radius * sin(turn)
    radial_x, radial_y = x / hypot(x, y), y / hypot(x, y)
    trace_x, trace_y = -sin(turn), cos(turn)
    return radial_x * trace_x + radial_y * trace_y, radial_x * trace_y - radial_y * trace_x


def _on_cutter_circle(centre_x: float, centre_y: float, radius: float, distance_mm: float) -> float:
    """Return where on the cutter's circle, in radians, a point lies that far from the apex, by halving."""
    high = atan2(centre_y, centre_x)
    low = high - pi

    def excess(turn: float) -> float:
        return hypot(centre_x + radius * cos(turn), centre_y + radius * sin(turn)) - distance_mm

    if not excess(low) < 0.0 < excess(high):
        expected = f"a circle that reaches the cone distance of {distance_mm:.3f} mm"
        raise StandError(what="cutter_radius_mm", expected=expected, got=radius)
    for _ in range(60):
        middle = (low + high) / 2.0
        if excess(middle) < 0.0:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


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
