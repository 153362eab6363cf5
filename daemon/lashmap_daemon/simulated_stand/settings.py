"""What a simulated stand is made of: the box, its instruments, its drive, and what may go wrong.

Decided here: the fields, their units and what is refused as impossible. Not decided here: what follows from
them (`mesh`, `rocking`, `wire`). Every default belongs to an invented light powered stand.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Literal

Direction = Literal["normal", "plane of rotation"]
Shaft = Literal["gear", "pinion"]
Unit = Literal["mm", "in"]


class StandError(ValueError):
    """A simulated stand cannot be built, or cannot be served, as asked.

    Attributes:
        what: Field or thing that is at fault.
        expected: What would have done.
        got: What was given.
    """

    def __init__(self, *, what: str, expected: str, got: object) -> None:
        """Keep the facts and build the message from them."""
        super().__init__(f"simulated stand: {what}: expected {expected}, got {got!r}")
        self.what = what
        self.expected = expected
        self.got = got


class Fault(StrEnum):
    """What is wrong with the stand; the value is the word a person types."""

    NONE = "none"
    GARBAGE = "garbage"
    """The indicator sends bytes that are no lines."""
    SILENT = "silent"
    """The indicator sends nothing."""
    FROZEN_ENCODER = "frozen encoder"
    """The encoder repeats one count, whatever the shaft does."""
    FROZEN_INDICATOR = "frozen indicator"
    """The indicator repeats one value."""
    SLIP = "slip"
    """The pinion is not held: it gives way now and then while the gear rests on a flank."""
    GAP = "gap"
    """The indicator leaves out 0.3 s of every second."""
    LOST_INDICATOR = "lost indicator"
    """The indicator's port closes for good."""
    HEAVY = "heavy"
    """The gear is leaned on at each flank, so that the teeth and shafts wind up."""
    JUMPING_ENCODER = "jumping encoder"
    """The encoder jumps on by nine gear teeth at once, and stays there."""
    SLIPPING_COUPLING = "slipping coupling"
    """The encoder's coupling lets it run ahead by three gear teeth, in the course of a single turn."""
    ONE_FLANK = "one flank"
    """The gear is pushed one way only and never leaves its flank."""


@dataclass(frozen=True, kw_only=True)
class SimulatedBox:
    """The gearbox on the stand, how the tip is set on it, and the truth about its errors.

    Attributes:
        pinion_teeth: z1.
        gear_teeth: z2, not fewer than z1.
        outer_module_mm: Outer transverse module.
        face_width_mm: Face width b.
        normal_pressure_angle_deg: α_n.
        mean_spiral_angle_deg: β_m; 0 is straight.
        shaft_angle_deg: Σ.
        cutter_radius_mm: r_c0 of a face-milled set; None makes the spiral angle the same along the tooth.
        touch_radius_mm: Where the tip is said to touch, from the gear axis.
        direction: Line of action of the indicator: along the flank normal, or along the circumference.
        off_normal_deg: Angle of the line of action off that direction; to which side is drawn from the seed.
        lever_deg: Inclination of a lever tip to the surface it touches; None for a plunger.
        on_arm: True when the tip bears on an arm on the gear shaft, whose face is square to the plane of
            rotation, and not on a flank.
        touch_radius_uncertainty_mm: Standard deviation from which the tip's true radius is drawn.
        angle_uncertainty_deg: Standard deviation from which the true line of action is drawn.
        pinion_mounting_error_mm: Set minus marked mounting distance of the pinion; out is positive.
        gear_mounting_error_mm: The same of the gear.
        matched_teeth_encoder_deg: What the encoder shows at engagement 0.
        mean_normal_backlash_mm: Mean over the mesh cycle, at the outer end, when both members sit at their
            marked mounting distances.
        gear_eccentricity_mm: Distance of the axis of the gear's teeth from the axis it turns about.
        pinion_eccentricity_mm: The same of the pinion.
        gear_high_point_deg: Turn of the gear past the matched teeth at which its eccentricity points at the
            mesh and takes most backlash away; None draws it from the seed.
        pinion_high_point_deg: The same of the pinion.
        gear_tooth_error_mm: Standard deviation of the thickness of single gear teeth, along the flank normal.
        pinion_tooth_error_mm: Standard deviation of the width of single pinion spaces.
        gear_face_wobble_mm: Axial to and fro of the teeth at the heel, once per turn, as amplitude (half
            of what an indicator on its back face would move); it has the eccentricity's high point.
        pinion_face_wobble_mm: The same of the pinion.
        out_of_round_mm: Amplitude of the radius of either pitch surface, twice per turn.
        surface_roughness_mm: Standard deviation, over a turn, of the roughness that an indicator meets on
            either pitch surface in a runout sweep; the mesh does not feel it.
        runout_indicator_from_mesh_deg: Where that indicator sits: angle of the swept member from the mesh to
            it, in the direction of positive turning.
    """

    pinion_teeth: int
    gear_teeth: int
    outer_module_mm: float
    face_width_mm: float
    normal_pressure_angle_deg: float = 20.0
    mean_spiral_angle_deg: float = 0.0
    shaft_angle_deg: float = 90.0
    cutter_radius_mm: float | None = None
    touch_radius_mm: float
    direction: Direction = "normal"
    off_normal_deg: float = 0.0
    lever_deg: float | None = None
    on_arm: bool = False
    touch_radius_uncertainty_mm: float = 0.0
    angle_uncertainty_deg: float = 0.0
    pinion_mounting_error_mm: float = 0.0
    gear_mounting_error_mm: float = 0.0
    matched_teeth_encoder_deg: float = 0.0
    mean_normal_backlash_mm: float
    gear_eccentricity_mm: float = 0.0
    pinion_eccentricity_mm: float = 0.0
    gear_high_point_deg: float | None = None
    pinion_high_point_deg: float | None = None
    gear_tooth_error_mm: float = 0.0
    pinion_tooth_error_mm: float = 0.0
    gear_face_wobble_mm: float = 0.0
    pinion_face_wobble_mm: float = 0.0
    out_of_round_mm: float = 0.0
    surface_roughness_mm: float = 0.0002
    runout_indicator_from_mesh_deg: float = 90.0

    def __post_init__(self) -> None:
        """Refuse what no gearbox can be.

        Raises:
            StandError: Naming the field.
        """
        _least("pinion_teeth", self.pinion_teeth, 3)
        _least("gear_teeth", self.gear_teeth, self.pinion_teeth)
        for name in ("outer_module_mm", "face_width_mm", "touch_radius_mm", "mean_normal_backlash_mm"):
            _positive(name, getattr(self, name))
        if self.cutter_radius_mm is not None:
            _positive("cutter_radius_mm", self.cutter_radius_mm)
        _inside("normal_pressure_angle_deg", self.normal_pressure_angle_deg, 0.0, 45.0)
        _inside("mean_spiral_angle_deg", self.mean_spiral_angle_deg, -60.0, 60.0)
        _inside("shaft_angle_deg", self.shaft_angle_deg, 0.0, 180.0)
        _inside("off_normal_deg", self.off_normal_deg, -60.0, 60.0)
        _inside("lever_deg", self.lever_deg or 0.0, -60.0, 60.0)
        _inside("runout_indicator_from_mesh_deg", self.runout_indicator_from_mesh_deg, -360.1, 360.1)
        if self.on_arm and self.direction != "plane of rotation":
            raise StandError(what="direction", expected="'plane of rotation' on an arm", got=self.direction)
        for name in (
            "touch_radius_uncertainty_mm",
            "angle_uncertainty_deg",
            "gear_eccentricity_mm",
            "pinion_eccentricity_mm",
            "gear_tooth_error_mm",
            "pinion_tooth_error_mm",
            "gear_face_wobble_mm",
            "pinion_face_wobble_mm",
            "out_of_round_mm",
            "surface_roughness_mm",
        ):
            _least(name, getattr(self, name), 0.0)


@dataclass(frozen=True, kw_only=True)
class SimulatedInstruments:
    """The indicator and the encoder.

    Attributes:
        indicator_rate_hz: Lines per second.
        indicator_resolution_mm: Step of the value sent, in mm also when it is sent in inches.
        indicator_noise_mm: Standard deviation of white noise before rounding.
        indicator_unit: Unit of the value sent.
        encoder_rate_hz: Lines per second.
        encoder_counts_per_turn: Counts in one turn of its shaft.
        encoder_shaft: Shaft that carries it.
        drift_mm_per_s: Greatest rate of the indicator's slow drift.
    """

    indicator_rate_hz: float = 1000.0
    indicator_resolution_mm: float = 0.0001
    indicator_noise_mm: float = 0.00015
    indicator_unit: Unit = "mm"
    encoder_rate_hz: float = 500.0
    encoder_counts_per_turn: int = 360_000
    encoder_shaft: Shaft = "gear"
    drift_mm_per_s: float = 1e-5

    def __post_init__(self) -> None:
        """Refuse what no instrument can be.

        Raises:
            StandError: Naming the field.
        """
        for name in ("indicator_rate_hz", "encoder_rate_hz"):
            _inside(name, getattr(self, name), 0.0, 20_000.0)
        _positive("indicator_resolution_mm", self.indicator_resolution_mm)
        _least("indicator_noise_mm", self.indicator_noise_mm, 0.0)
        _least("encoder_counts_per_turn", self.encoder_counts_per_turn, 1)


@dataclass(frozen=True, kw_only=True)
class SimulatedDrive:
    """What rocks the gear and turns it to the next position.

    Attributes:
        rocks_per_s: Full rocks, there and back, in a second; a heavy gear is rocked more slowly.
        rhythm_jitter: Relative standard deviation of the length of a half rock.
        flank_time_s: Shortest time in which the light torque carries the gear across the mean gap.
        index_teeth_per_s: Mean speed of turning to the next position, in gear teeth.
        position_error_deg: Standard deviation of where the locked pinion leaves the gear, as gear angle.
        sweep_turns_per_s: Mean speed of the swept member in a runout sweep, in its own turns.
    """

    rocks_per_s: float = 4.0
    rhythm_jitter: float = 0.08
    flank_time_s: float = 0.022
    index_teeth_per_s: float = 80.0
    position_error_deg: float = 0.02
    sweep_turns_per_s: float = 0.6

    def __post_init__(self) -> None:
        """Refuse a drive that cannot rock.

        Raises:
            StandError: Naming the field.
        """
        _positive("flank_time_s", self.flank_time_s)
        _inside("rocks_per_s", self.rocks_per_s, 0.0, 0.25 / self.flank_time_s)
        _inside("rhythm_jitter", self.rhythm_jitter, -1e-12, 0.3)
        _positive("index_teeth_per_s", self.index_teeth_per_s)
        _least("position_error_deg", self.position_error_deg, 0.0)
        _inside("sweep_turns_per_s", self.sweep_turns_per_s, 0.0, 5.0)


def _positive(what: str, got: float) -> None:
    if not (isfinite(got) and got > 0.0):
        raise StandError(what=what, expected="a number above 0", got=got)


def _least(what: str, got: float, least: float) -> None:
    if not (isfinite(got) and got >= least):
        raise StandError(what=what, expected=f"at least {least}", got=got)


def _inside(what: str, got: float, low: float, high: float) -> None:
    if not low < got < high:
        raise StandError(what=what, expected=f"a number between {low:g} and {high:g}", got=got)
