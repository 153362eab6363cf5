"""The place where the teeth meet, as vectors: axes, pitch line, tooth trace, flank normals, the tip.

Both axes leave the common apex towards the backs of the members. The pitch line is where the two bodies do
not slide on each other: the direction of z2·a1 + z1·a2. The tooth trace lies in the pitch plane; a face mill
cuts it as a circle in the crown gear's plane, and its tangent is found on that circle. Angles are never
computed from tooth counts or spiral-angle formulas, so that a mistake there cannot hide here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import atan2, cos, hypot, pi, radians, sin, sqrt

from lashmap_daemon.simulated_stand.settings import SimulatedBox, StandError
from lashmap_daemon.simulated_stand.vectors import Vector, across, combine, cross, dot, turned, unit


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
    """

    gear_axis: Vector
    pinion_axis: Vector
    pitch_line: Vector
    tangent: Vector
    towards_pinion: Vector
    outer_point: Vector
    outer_normals: tuple[Vector, Vector]

    def closing_mm_per_rad(self) -> float:
        """Return how fast turning the gear closes the gap along the flank normal at the heel."""
        return dot(cross(self.gear_axis, self.outer_point), self.outer_normals[0])


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
    outer_point = combine((_cone_distance(gear_axis, pitch_line, outer_radius), pitch_line))
    frame = MeshFrame(
        gear_axis=gear_axis,
        pinion_axis=pinion_axis,
        pitch_line=pitch_line,
        tangent=unit(cross(gear_axis, outer_point)),
        towards_pinion=across(pinion_axis, pitch_line),
        outer_point=outer_point,
        outer_normals=(gear_axis, gear_axis),
    )
    normals = _flank_normals(box, frame, sqrt(dot(outer_point, outer_point)))
    return replace(frame, outer_normals=normals)


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

    Raises:
        StandError: When the tip touches no flank.
    """
    distance = _cone_distance(frame.gear_axis, frame.pitch_line, touch_radius_mm)
    moved = cross(frame.gear_axis, combine((distance, frame.pitch_line)))
    if box.on_arm:
        surface = frame.tangent
    else:
        _check_on_tooth(box, frame, distance)
        surface = _flank_normals(box, frame, distance)[0]
    aim = surface if box.direction == "normal" else frame.tangent
    aside = turned(across(frame.towards_pinion, aim), aim, side_rad)
    guided = turned(aim, aside, radians(off_deg))
    guided = turned(guided, cross(guided, aside), radians(lever_deg))
    return dot(moved, surface) / dot(guided, surface)


def _check_on_tooth(box: SimulatedBox, frame: MeshFrame, distance_mm: float) -> None:
    outer = sqrt(dot(frame.outer_point, frame.outer_point))
    # A ball tip may hang over an end of the tooth by a little.
    over = 0.1 * box.face_width_mm
    if not outer - box.face_width_mm - over <= distance_mm <= outer + over:
        expected = "a radius within the face width of the gear, or on_arm"
        raise StandError(what="touch_radius_mm", expected=expected, got=box.touch_radius_mm)


def _cone_distance(gear_axis: Vector, pitch_line: Vector, radius_mm: float) -> float:
    sideways = cross(gear_axis, pitch_line)
    return radius_mm / sqrt(dot(sideways, sideways))


def _flank_normals(box: SimulatedBox, frame: MeshFrame, cone_distance_mm: float) -> tuple[Vector, Vector]:
    outer = sqrt(dot(frame.outer_point, frame.outer_point))
    along, aside = _trace_direction(box, outer - box.face_width_mm / 2.0, cone_distance_mm)
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
