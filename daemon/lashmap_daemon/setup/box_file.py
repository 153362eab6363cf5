"""The box file: which gearbox, what was recorded while it was built, how the tip is set, what is allowed.

Lengths may be given in inches by ending the key in ``_in`` instead of ``_mm``. Geometry is checked by the
analysis when `BoxFile.gear_set_values` is made into a gear set, so that one set of rules serves both.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from lashmap_analysis.builds.mounting_chain import MOST_PARTS, ChainError, Part
from lashmap_analysis.gears.gear_set import GearSet, GearSetError
from lashmap_analysis.judge.shim_stock import ShimError
from lashmap_analysis.record.conditions import Material
from lashmap_analysis.record.lengths import MM_PER_INCH
from lashmap_analysis.record.record import DecisionRule
from pydantic import Field, model_validator

from lashmap_daemon.setup.plausible import implausible
from lashmap_daemon.setup.toml_file import Finite, Label, Line, NotNegative, Positive, Remark, Table
from lashmap_daemon.story import recorded as story


class BoxTable(Table):
    """Which gearbox this is."""

    type: Annotated[Label, Field(min_length=1)]
    serial: Annotated[Label, Field(min_length=1)]
    set_number: Label = ""
    units: Literal["mm", "in"] = "mm"
    remark: Remark = ""


class GearSetTable(Table):
    """The gear set as its drawing gives it; angles that nobody wrote are not guessed (straight teeth: 0)."""

    pinion_teeth: int
    gear_teeth: int
    outer_module_mm: Finite | None = None
    outer_diametral_pitch_per_inch: Positive | None = None
    face_width_mm: Finite
    normal_pressure_angle_deg: Finite
    mean_spiral_angle_deg: Annotated[Finite, Field(description="0 for straight teeth")]
    shaft_angle_deg: Finite = 90.0
    cutter_radius_mm: Finite | None = None

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if (self.outer_module_mm is None) == (self.outer_diametral_pitch_per_inch is None):
            raise ValueError("give either outer_module_mm or outer_diametral_pitch_per_inch")
        try:
            self.gear_set()
        except GearSetError as error:
            raise ValueError(str(error)) from error
        return self

    def gear_set(self) -> GearSet:
        """The gear set for the analysis.

        Raises:
            GearSetError: When the figures do not describe a gear set.
        """
        return self.to_record(story.GearSet).gear_set()


class MountingTable(Table):
    """What was recorded while the box was built; leave out what was not."""

    pinion_marked_mm: Positive | None = None
    pinion_set_mm: Positive | None = None
    gear_marked_mm: Positive | None = None
    gear_set_mm: Positive | None = None
    tolerance_mm: NotNegative | None = None
    bearings: Line = ""
    bearings_within_drawing: bool | None = None
    pinion_end_play_mm: NotNegative | None = None
    gear_end_play_mm: NotNegative | None = None


class MatchedTeethTable(Table):
    """The encoder's angle with the marked teeth together; left out, it is taken at the stand."""

    encoder_deg: Finite | None = None


class TipTable(Table):
    """Where the tip touches the gear and which way the indicator looks."""

    touch_radius_mm: Finite
    direction: Literal["normal", "plane of rotation"]
    off_normal_deg: Finite = 0.0
    lever_deg: Finite | None = None
    on_arm: bool = False
    touch_radius_uncertainty_mm: NotNegative = 0.2
    angle_uncertainty_deg: NotNegative = 2.0
    height_mm: Finite | None = None
    height_uncertainty_mm: NotNegative | None = None


class ContactTable(Table):
    """Where along the face the teeth touch, from the contact pattern, and the play within one pitch.

    Attributes:
        place: ``toe``, ``mean`` or ``heel``, or a part of the face width from the toe.
        roll_variation_mm: Largest less smallest normal backlash while the pair is rolled through one pitch.
    """

    place: story.ContactPlace = None
    roll_variation_mm: NotNegative | None = None


class TemperatureTable(Table):
    """How warm housing and gears are, and what they are made of: a name, or µm per metre and kelvin."""

    housing_c: Finite | None = None
    gears_c: Finite | None = None
    uncertainty_c: NotNegative = 1.0
    housing_material: Material | Finite | None = None
    gears_material: Material | Finite = "steel"


class TorqueTable(Table):
    """How hard the gear is rocked, about its own axis, and what more torque adds to a reading.

    Attributes:
        rock_nm: The torque of the rocks.
        compliance_um_per_nm: What the reading grows by for each N m more; or, instead of it:
        second_nm: A second torque, with which one position was rocked too.
        second_adds_mm: What the reading was larger by with it.
    """

    rock_nm: NotNegative | None = None
    rock_uncertainty_nm: NotNegative | None = None
    compliance_um_per_nm: NotNegative | None = None
    compliance_uncertainty_um_per_nm: NotNegative | None = None
    second_nm: NotNegative | None = None
    second_adds_mm: NotNegative | None = None

    @model_validator(mode="after")
    def _goes_together(self) -> Self:
        pair = (self.second_nm, self.second_adds_mm)
        if pair == (None, None):
            return self
        if None in pair:
            raise ValueError("give second_nm and second_adds_mm together")
        if self.compliance_um_per_nm is not None:
            raise ValueError("give either compliance_um_per_nm or second_nm with second_adds_mm")
        if self.rock_nm is None or self.second_nm is None or self.second_nm <= self.rock_nm:
            raise ValueError("second_nm must be more than rock_nm, and rock_nm be given")
        return self


def _in_both(length_mm: float) -> str:
    return f"{length_mm:.6g} mm ({length_mm / MM_PER_INCH:.6g} in)"


class LimitsTable(Table):
    """Backlash allowed at the tightest point."""

    minimum_mm: NotNegative | None = None
    maximum_mm: Positive | None = None
    variation_mm: Positive | None = None
    kind: Literal["normal", "transverse"] = "normal"
    source: Line = ""
    untouched_tooth_mm: NotNegative | None = None
    tooth_accuracy_grade: Annotated[int, Field(ge=2, le=11)] | None = None
    decision_rule: DecisionRule = "two-sided"

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.untouched_tooth_mm is not None and self.tooth_accuracy_grade is not None:
            raise ValueError(
                "give either untouched_tooth_mm (or _in) or tooth_accuracy_grade: one of them counts"
            )
        if self.minimum_mm is not None and self.maximum_mm is not None and self.minimum_mm >= self.maximum_mm:
            # In both units: which of them the file has is not known here.
            low, high = _in_both(self.minimum_mm), _in_both(self.maximum_mm)
            raise ValueError(f"minimum {low} is not below maximum {high}")
        return self


class PlanTable(Table):
    """How the test is run.

    `teeth` "every" touches every tooth of both members, whatever `positions` says; otherwise `positions` asks
    for a sample of that many. Without it "sample" takes 24, "auto" every tooth where a bad one could decide.
    `roll_phases` 3 has the tight spot rocked a third of a pitch back and forward too.
    """

    positions: Annotated[int, Field(ge=4, le=500)] | None = None
    teeth: Literal["every", "sample", "auto"] = "auto"
    repeats: Annotated[int, Field(ge=0, le=50)] = 3
    gear_turns: Positive = 6.0
    reversals: Annotated[int, Field(ge=4, le=200)] = 8
    confirming_positions: Annotated[int, Field(ge=1, le=20)] = 3
    rock_seconds: Positive = 20.0
    turn_seconds: Positive = 300.0
    tries: Annotated[int, Field(ge=1, le=20)] = 3
    stop_when_settled: bool = True
    roll_phases: Literal[3] | None = None

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if self.positions is not None and self.teeth == "every":
            raise ValueError('positions asks for a sample, teeth = "every" for every tooth; give one of them')
        return self


class RunoutTable(Table):
    """How a runout sweep is taken.

    The angles say where the indicator sits: of that member, from the mesh to the indicator, in the direction
    of positive turning. Left out, high points of sweep and lash map are not compared.
    """

    turns: Annotated[int, Field(ge=1, le=20)] = 2
    gear_indicator_from_mesh_deg: Finite | None = None
    pinion_indicator_from_mesh_deg: Finite | None = None


class ShimTable(Table):
    """Shims at hand for one member, and which way a thicker pack moves it."""

    thicknesses_mm: Annotated[list[Positive], Field(min_length=1)]
    thicker_moves: Literal["out", "in"]
    fitted_mm: NotNegative | None = None
    most_pieces: Annotated[int, Field(ge=1, le=3)] = 2
    thickness_uncertainty_mm: NotNegative = 0.002

    @model_validator(mode="after")
    def _possible(self) -> Self:
        try:
            self.to_record(story.Shim).stock()
        except ShimError as error:
            raise ValueError(str(error)) from error
        return self


class ShimsTable(Table):
    """Shims of the members that may be moved."""

    gear: ShimTable | None = None
    pinion: ShimTable | None = None


class PartTable(Table):
    """One measured step between the axis of the mate and a member's locating face."""

    length_mm: Positive
    uncertainty_mm: NotNegative
    runs: Literal["out", "in"]
    source: Line = ""


class PartsTable(Table):
    """Measured parts, from which `lashmap build` works out the shim packs; a table for each part, by name."""

    pinion: dict[Label, PartTable] = Field(default_factory=dict)
    gear: dict[Label, PartTable] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _possible(self) -> Self:
        for member in ("pinion", "gear"):
            parts = getattr(self, member)
            if len(parts) > MOST_PARTS:
                raise ValueError(f"{member} has {len(parts)} parts; a chain has at most {MOST_PARTS}")
            for name, part in parts.items():
                try:
                    Part(name=name, **part.model_dump())
                except ChainError as error:
                    raise ValueError(f"{member}.{error}") from error
        return self


class SimulatedTable(Table):
    """Invented truth for the simulated stand, and what makes it as imperfect as a real one.

    A real test ignores it. Each key is a field of the same name of the simulated box, its instruments or its
    drive, and means what is said there; each of the imperfections is off unless it is given.
    """

    mean_normal_backlash_mm: Positive = 0.15
    gear_eccentricity_mm: NotNegative = 0.015
    pinion_eccentricity_mm: NotNegative = 0.008
    gear_high_point_deg: Finite | None = None
    pinion_high_point_deg: Finite | None = None
    gear_tooth_error_mm: NotNegative = 0.0004
    pinion_tooth_error_mm: NotNegative = 0.0004
    gear_face_wobble_mm: NotNegative = 0.0
    pinion_face_wobble_mm: NotNegative = 0.0
    out_of_round_mm: NotNegative = 0.0
    bad_tooth_mm: Finite = 0.0
    bad_tooth_member: Literal["gear", "pinion"] = "gear"
    bad_tooth: int | None = None
    bad_tooth_flank: Literal["both", "drive", "coast"] = "both"
    contact_face_fraction: Finite = 1.0
    roll_crowning_mm: NotNegative = 0.0
    roll_phase_at_marks: Finite | None = None
    coast_roll_phase: Finite = 0.0
    contact_ratio: Positive = 2.0
    profile_ripple_mm: NotNegative = 0.0
    profile_ripple_waves: int = 2
    tip_height_error_mm: Finite = 0.0
    setting_radius_mm: NotNegative = 0.0
    setting_angle_deg: NotNegative = 0.0
    gear_seating_mm: NotNegative = 0.0
    housing_temperature_c: Finite = 20.0
    gears_temperature_c: Finite = 20.0
    temperature_drift_k_per_h: Finite = 0.0
    housing_expansion_um_per_m_k: NotNegative = 11.5
    gears_expansion_um_per_m_k: NotNegative = 11.5
    flank_compliance_mm_per_nm: NotNegative = 0.0
    oil_film_mm: NotNegative = 0.0
    oil_film_s: Positive = 0.05
    hysteresis_mm: NotNegative | None = None
    linear_error: Finite | None = None
    periodic_error_mm: NotNegative | None = None
    periodic_error_every_mm: Positive | None = None
    drift_mm_per_s: NotNegative | None = None
    encoder_eccentric_deg: NotNegative | None = None
    pinion_eccentric_deg: NotNegative | None = None
    encoder_drift_deg_per_h: Finite | None = None
    encoder_late_s: Finite | None = None
    adapter_s: NotNegative | None = None
    rocks_per_s: Positive | None = None
    position_error_deg: NotNegative | None = None
    press_torque_nm: NotNegative | None = None
    forward_dwell_share: Positive | None = None
    slow_departure: NotNegative | None = None
    slow_departure_gap_share: Positive | None = None
    pass_deg_per_s: Positive | None = None
    second_pass_deg_per_s: Positive | None = None
    pass_speed_spread: NotNegative | None = None
    pass_run_up_s: Positive | None = None
    pass_wander: NotNegative | None = None
    pass_turn_ripple: NotNegative | None = None
    pass_mesh_ripple: NotNegative | None = None
    stick_slip: NotNegative | None = None
    stick_slip_teeth: Positive | None = None
    brake_nm: Positive | None = None
    second_brake_nm: Positive | None = None
    brake_variation: NotNegative | None = None
    contact_losses: NotNegative | None = None


# Keys of a box file that the analysis has under other names.
_KEYS = {
    "temperature.uncertainty_c": "temperature_uncertainty_c",
    "temperature.housing_material": "housing_expansion_um_per_m_k",
    "temperature.gears_material": "gears_expansion_um_per_m_k",
}


class BoxFile(Table):
    """A whole box file."""

    box: BoxTable
    gear_set: GearSetTable
    mounting: MountingTable = MountingTable()
    matched_teeth: MatchedTeethTable = MatchedTeethTable()
    tip: TipTable
    contact: ContactTable = ContactTable()
    temperature: TemperatureTable = TemperatureTable()
    torque: TorqueTable = TorqueTable()
    limits: LimitsTable = LimitsTable()
    plan: PlanTable = PlanTable()
    runout: RunoutTable = RunoutTable()
    shims: ShimsTable = ShimsTable()
    parts: PartsTable = PartsTable()
    simulated: SimulatedTable = SimulatedTable()

    @model_validator(mode="after")
    def _can_be_meant(self) -> Self:
        try:
            box = self.recorded()
        except ValueError as error:
            said = str(error).removeprefix("conditions of the box: ")
            for ours, theirs in _KEYS.items():
                said = re.sub(rf"^{theirs}\b", ours, said)
            raise ValueError(said) from error
        if found := tuple(implausible(box)):
            raise ValueError("\n".join(found))
        return self

    def recorded(self) -> story.Box:
        """As the record of a test keeps it.

        Raises:
            ValueError: When gear set and tip cannot be.
        """
        return self.to_record(story.Box)
