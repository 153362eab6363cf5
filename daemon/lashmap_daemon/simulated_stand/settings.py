"""What a simulated stand is made of: the box, its instruments, its drive, and what may go wrong.

Decided here: the fields, their units and what is refused as impossible. Not decided here: what follows from
them (`geometry`, `mesh`, `rocking`, `stand`). Every default belongs to an invented light powered stand.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Literal

Direction = Literal["normal", "plane of rotation"]
Shaft = Literal["gear", "pinion"]
Unit = Literal["mm", "in"]
Encoders = Literal["one", "apart", "latched"]
Flank = Literal["both", "drive", "coast"]


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
    LOOSE_LOCK = "loose lock"
    """The pinion is locked with play, and gives way at every reversal of the rock."""
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
    NO_BRAKE = "no brake"
    """In a pass the brake is forgotten: a weight that hangs on the gear keeps it on one flank both ways."""
    SLIPPED_TOOTH = "slipped tooth"
    """Half way through a pass the gear's encoder gets ahead by a tooth at once, and stays there."""


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
        matched_teeth_pinion_deg: What the pinion's encoder shows there, on a stand with two.
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
        tip_height_mm: How far outside the pitch cone the tip is said to touch, square to the cone; positive
            towards the tip of the tooth. On an arm it does not matter.
        tip_height_error_mm: By how much farther outside it really touches.
        setting_radius_mm: Standard deviation of the tip's radius from one setting of the tip to the next.
        setting_angle_deg: The same of its line of action.
        gear_seating_mm: Standard deviation of the gear's axial place from one position to the next, as end
            play and bearings let it seat.
        contact_face_fraction: Where on the face the crowned flanks touch: 0 is the toe, 1 the heel. There the
            gaps close, and errors of both members act; backlash is quoted at the heel all the same. It stays
            there, however the members sit.
        roll_crowning_mm: Backlash at the change from one pair of teeth to the next, less that where a pair
            touches on its crests; it grows with the square of the roll. 0: the same backlash through a whole
            pitch.
        roll_phase_at_marks: How far, in pitches, the roll is past the crests when the encoder shows the
            matched teeth, and so at each whole engagement; None draws it from the seed.
        coast_roll_phase: How far, in pitches, the crests of the coast flanks come before those of the drive
            flanks.
        contact_ratio: Pitches over which a pair can touch; beyond, not even a tooth too thick does.
        profile_ripple_mm: Amplitude, along the normal at the heel, of the undulation that a cutter leaves on
            all flanks of a side alike.
        profile_ripple_waves: Of it, whole ones in a pitch.
        bad_tooth_mm: Metal too much on one tooth, both flanks together, along the normal; a chipped or worn
            one has too little.
        bad_tooth_member: Whose tooth.
        bad_tooth_flank: Where the metal is: half of it on either flank, or all of it on one.
        bad_tooth: Which, from the marked one on; None draws it from the seed.
        pinion_mounting_distance_mm: Length of housing and of pinion that grow with temperature; None takes
            the distance from the apex to the heel along the axis.
        gear_mounting_distance_mm: The same of the gear.
        housing_temperature_c: Of the housing when the test begins.
        gears_temperature_c: Of both members.
        temperature_drift_k_per_h: How fast all of it gets warmer.
        housing_expansion_um_per_m_k: Expansion of the housing's material; cast iron some 10, aluminium 23
            (from memory).
        gears_expansion_um_per_m_k: The same of the members; steel 11.5 (from memory).
        flank_compliance_mm_per_nm: By how much shafts and bearings give way at either flank, along its normal
            at the heel, for each N·m on the gear.
        oil_film_mm: Thickness of the oil between the flanks when they come together, along the normal at
            the heel.
        oil_film_s: Time constant with which it is squeezed out on the dwell.
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
    matched_teeth_pinion_deg: float = 0.0
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
    tip_height_mm: float = 0.0
    tip_height_error_mm: float = 0.0
    setting_radius_mm: float = 0.0
    setting_angle_deg: float = 0.0
    gear_seating_mm: float = 0.0
    contact_face_fraction: float = 1.0
    roll_crowning_mm: float = 0.0
    roll_phase_at_marks: float | None = None
    coast_roll_phase: float = 0.0
    contact_ratio: float = 2.0
    profile_ripple_mm: float = 0.0
    profile_ripple_waves: int = 2
    bad_tooth_mm: float = 0.0
    bad_tooth_member: Shaft = "gear"
    bad_tooth_flank: Flank = "both"
    bad_tooth: int | None = None
    pinion_mounting_distance_mm: float | None = None
    gear_mounting_distance_mm: float | None = None
    housing_temperature_c: float = 20.0
    gears_temperature_c: float = 20.0
    temperature_drift_k_per_h: float = 0.0
    housing_expansion_um_per_m_k: float = 11.5
    gears_expansion_um_per_m_k: float = 11.5
    flank_compliance_mm_per_nm: float = 0.0
    oil_film_mm: float = 0.0
    oil_film_s: float = 0.05

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
            "setting_radius_mm",
            "setting_angle_deg",
            "gear_seating_mm",
            "roll_crowning_mm",
            "profile_ripple_mm",
            "housing_expansion_um_per_m_k",
            "gears_expansion_um_per_m_k",
            "flank_compliance_mm_per_nm",
            "oil_film_mm",
        ):
            _least(name, getattr(self, name), 0.0)
        self._check_contact_and_temperature()

    def _check_contact_and_temperature(self) -> None:
        _from_to("contact_face_fraction", self.contact_face_fraction, 0.0, 1.0)
        _from_to("roll_phase_at_marks", self.roll_phase_at_marks or 0.0, -0.5, 0.5)
        _from_to("coast_roll_phase", self.coast_roll_phase, -0.5, 0.5)
        _from_to("contact_ratio", self.contact_ratio, 1.0, 4.0)
        _from_to("profile_ripple_waves", self.profile_ripple_waves, 1, 8)
        # Beyond its working depth there is no flank (addendum and dedendum of usual teeth; common practice).
        deepest = 1.25 * self.outer_module_mm
        _inside("tip_height_mm", self.tip_height_mm + self.tip_height_error_mm, -deepest, deepest)
        _inside("bad_tooth_mm", self.bad_tooth_mm, -self.outer_module_mm, self.outer_module_mm)
        if self.bad_tooth is not None:
            teeth = self.gear_teeth if self.bad_tooth_member == "gear" else self.pinion_teeth
            _from_to("bad_tooth", self.bad_tooth, 0, teeth - 1)
        for name in ("housing_temperature_c", "gears_temperature_c"):
            _inside(name, getattr(self, name), -40.0, 150.0)
        _inside("temperature_drift_k_per_h", self.temperature_drift_k_per_h, -100.0, 100.0)
        for name in ("pinion_mounting_distance_mm", "gear_mounting_distance_mm"):
            if getattr(self, name) is not None:
                _positive(name, getattr(self, name))
        _positive("oil_film_s", self.oil_film_s)


@dataclass(frozen=True, kw_only=True)
class SimulatedInstruments:
    """The indicator and the encoder, or two encoders.

    Two encoders have the gear's first: all that is said of the encoder is then said of that one.

    Attributes:
        indicator_rate_hz: Lines per second.
        indicator_resolution_mm: Step of the value sent, in mm also when it is sent in inches.
        indicator_noise_mm: Standard deviation of white noise before rounding.
        indicator_unit: Unit of the value sent.
        encoder_rate_hz: Lines per second.
        encoder_counts_per_turn: Counts in one turn of its shaft.
        encoder_shaft: Shaft that carries it.
        encoders: One; one on either shaft, each on a port of its own and at its own instants; or both counts
            latched together and sent in one line, the gear's first.
        pinion_rate_hz: Lines per second of the pinion's encoder on a port of its own.
        pinion_counts_per_turn: Counts in one turn of the pinion.
        encoder_eccentric_deg: Amplitude of the encoder's error, once in a turn of its shaft.
        pinion_eccentric_deg: The same of the pinion's.
        encoder_drift_deg_per_h: How fast the encoder's mount turns, as all gets warmer.
        encoder_wraps_at: Counts after which both encoders start again at 0; None for counts without end.
        encoder_late_s: By how much later than the pinion's, negative for earlier, the encoder's lines are
            sent after the instant that they speak of.
        adapter_s: Time between two deliveries of an encoder's USB adapter, which hands on all that came since
            the last, and now and then misses one to three of them; 0: each line comes when it is sent.
        drift_mm_per_s: Greatest rate of the indicator's slow drift.
        hysteresis_mm: By how much the indicator shows less going up than coming down, at the same place.
        linear_error: What it shows too much, as a share of the plunger's way.
        periodic_error_mm: Amplitude of an error that comes again along the plunger's way.
        periodic_error_every_mm: The way after which it does.
    """

    indicator_rate_hz: float = 1000.0
    indicator_resolution_mm: float = 0.0001
    indicator_noise_mm: float = 0.00015
    indicator_unit: Unit = "mm"
    encoder_rate_hz: float = 500.0
    encoder_counts_per_turn: int = 360_000
    encoder_shaft: Shaft = "gear"
    encoders: Encoders = "one"
    pinion_rate_hz: float = 1000.0
    pinion_counts_per_turn: int = 20_000
    encoder_eccentric_deg: float = 0.0
    pinion_eccentric_deg: float = 0.0
    encoder_drift_deg_per_h: float = 0.0
    encoder_wraps_at: int | None = None
    encoder_late_s: float = 0.0
    adapter_s: float = 0.0
    drift_mm_per_s: float = 1e-5
    hysteresis_mm: float = 0.0
    linear_error: float = 0.0
    periodic_error_mm: float = 0.0
    periodic_error_every_mm: float = 1.0

    def __post_init__(self) -> None:
        """Refuse what no instrument can be.

        Raises:
            StandError: Naming the field.
        """
        if self.encoders != "one" and self.encoder_shaft != "gear":
            raise StandError(
                what="encoder_shaft", expected="'gear' with two encoders", got=self.encoder_shaft
            )
        for name in ("indicator_rate_hz", "encoder_rate_hz", "pinion_rate_hz"):
            _inside(name, getattr(self, name), 0.0, 20_000.0)
        _positive("indicator_resolution_mm", self.indicator_resolution_mm)
        _least("indicator_noise_mm", self.indicator_noise_mm, 0.0)
        _least("encoder_counts_per_turn", self.encoder_counts_per_turn, 1)
        _least("pinion_counts_per_turn", self.pinion_counts_per_turn, 1)
        for name in ("encoder_eccentric_deg", "pinion_eccentric_deg"):
            _from_to(name, getattr(self, name), 0.0, 1.0)
        _inside("encoder_drift_deg_per_h", self.encoder_drift_deg_per_h, -10.0, 10.0)
        if self.encoder_wraps_at is not None:
            _least("encoder_wraps_at", self.encoder_wraps_at, 16)
        _inside("encoder_late_s", self.encoder_late_s, -0.1, 0.1)
        _from_to("adapter_s", self.adapter_s, 0.0, 0.1)
        _least("hysteresis_mm", self.hysteresis_mm, 0.0)
        _inside("linear_error", self.linear_error, -0.1, 0.1)
        _least("periodic_error_mm", self.periodic_error_mm, 0.0)
        _positive("periodic_error_every_mm", self.periodic_error_every_mm)


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
        press_torque_nm: Torque with which the gear is held on each flank once it is there; 0 leaves it at the
            light one that carries it across.
        forward_dwell_share: Share of a whole rock that the forward half takes; 0.5 is alike on both flanks.
        slow_departure: Share of each half rock in which a steadying hand eases the gear off its flank, before
            it is let go across.
        slow_departure_gap_share: How far that is, as a share of the mean gap.
        pass_deg_per_s: Mean speed of the pinion in the first pair of passes, and every other one from there.
        second_pass_deg_per_s: The same of the second pair; None for the first one's.
        pass_speed_spread: Relative standard deviation of that from pass to pass.
        pass_run_up_s: Time in which it gathers speed, and loses it.
        pass_wander: Share of the speed by which it slowly swings.
        pass_turn_ripple: Share of it by which it swings once in a turn of the pinion, at its same angles.
        pass_mesh_ripple: Share of it by which it swings once in each engagement.
        stick_slip: Share of the time for which the pinion stands between jerks; 0 turns it smoothly.
        stick_slip_teeth: From jerk to jerk, in engagements.
        brake_nm: Torque of the brake on the gear in the first pair of passes; None for five times the light
            torque that rocks it.
        second_brake_nm: The same of the second pair; None for the first one's.
        brake_variation: Share of the brake's torque by which it swings in a turn of the gear.
        contact_losses: Mean number of times in a pass at which the gear is thrown off its flank.
    """

    rocks_per_s: float = 4.0
    rhythm_jitter: float = 0.08
    flank_time_s: float = 0.022
    index_teeth_per_s: float = 80.0
    position_error_deg: float = 0.02
    sweep_turns_per_s: float = 0.6
    press_torque_nm: float = 0.0
    forward_dwell_share: float = 0.5
    slow_departure: float = 0.0
    slow_departure_gap_share: float = 0.25
    pass_deg_per_s: float = 60.0
    second_pass_deg_per_s: float | None = 40.0
    pass_speed_spread: float = 0.03
    pass_run_up_s: float = 0.5
    pass_wander: float = 0.05
    pass_turn_ripple: float = 0.05
    pass_mesh_ripple: float = 0.01
    stick_slip: float = 0.0
    stick_slip_teeth: float = 0.2
    brake_nm: float | None = None
    second_brake_nm: float | None = None
    brake_variation: float = 0.1
    contact_losses: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a drive that cannot rock.

        Raises:
            StandError: Naming the field.
        """
        _positive("flank_time_s", self.flank_time_s)
        _inside("rocks_per_s", self.rocks_per_s, 0.0, 0.25 / self.flank_time_s)
        _from_to("rhythm_jitter", self.rhythm_jitter, 0.0, 0.3)
        _positive("index_teeth_per_s", self.index_teeth_per_s)
        _least("position_error_deg", self.position_error_deg, 0.0)
        _inside("sweep_turns_per_s", self.sweep_turns_per_s, 0.0, 5.0)
        _least("press_torque_nm", self.press_torque_nm, 0.0)
        _from_to("forward_dwell_share", self.forward_dwell_share, 0.2, 0.8)
        _from_to("slow_departure", self.slow_departure, 0.0, 0.6)
        _inside("slow_departure_gap_share", self.slow_departure_gap_share, 0.0, 0.9)
        self._check_passes()

    def _check_passes(self) -> None:
        for name in ("pass_deg_per_s", "second_pass_deg_per_s"):
            if (speed := getattr(self, name)) is not None:
                _inside(name, speed, 0.0, 2000.0)
        _from_to("pass_speed_spread", self.pass_speed_spread, 0.0, 0.2)
        _positive("pass_run_up_s", self.pass_run_up_s)
        # Together they may not turn the pinion back.
        for name in ("pass_wander", "pass_turn_ripple", "pass_mesh_ripple"):
            _from_to(name, getattr(self, name), 0.0, 0.4)
        _from_to("stick_slip", self.stick_slip, 0.0, 0.8)
        _positive("stick_slip_teeth", self.stick_slip_teeth)
        for name in ("brake_nm", "second_brake_nm"):
            if (torque := getattr(self, name)) is not None:
                _positive(name, torque)
        _from_to("brake_variation", self.brake_variation, 0.0, 0.9)
        _from_to("contact_losses", self.contact_losses, 0.0, 1000.0)


def _positive(what: str, got: float) -> None:
    if not (isfinite(got) and got > 0.0):
        raise StandError(what=what, expected="a number above 0", got=got)


def _least(what: str, got: float, least: float) -> None:
    if not (isfinite(got) and got >= least):
        raise StandError(what=what, expected=f"at least {least}", got=got)


def _inside(what: str, got: float, low: float, high: float) -> None:
    if not low < got < high:
        raise StandError(what=what, expected=f"a number between {low:g} and {high:g}", got=got)


def _from_to(what: str, got: float, low: float, high: float) -> None:
    if not low <= got <= high:
        raise StandError(what=what, expected=f"a number from {low:g} to {high:g}", got=got)
