"""What the analysis was told, so that a result can be judged without the logbook; nothing is concluded."""

from __future__ import annotations

from collections.abc import Iterator

from lashmap_analysis.facts.section import (
    TEST,
    Block,
    Chapter,
    Columns,
    Facts,
    Figure,
    Group,
    Rows,
    Section,
    Table,
    Words,
    facts_of,
    number,
    numbered,
    place,
    text,
    whole,
    yes_no,
)
from lashmap_analysis.facts.verdict import probability_words
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.verdict import DECISION_RULES
from lashmap_analysis.record.lengths import UNIT_NAMES, format_given, format_spread
from lashmap_analysis.record.record import Encoder, TestRecord

NO_SERIAL = "not recorded"
IDENTITY = (
    text("box", "type of the gearbox"),
    text("serial", "serial number of this gearbox"),
    text("set_number", "number etched on the gear set"),
    text("stand", "name of the test stand"),
    text("indicator_serial", "serial number of the indicator; empty when the stand file has none"),
    text(
        "encoder_serial",
        "serial number of the encoder (of both, with their shafts); empty when there is none",
    ),
    text("operator", "who ran the test"),
    text("started_utc", "start, ISO 8601, UTC"),
    text("remark", "what the box file says in words"),
    text("seal", "SHA-256 that the logbook sealed the test with; empty when it is not sealed"),
)
PAPERWORK = text("paperwork", "'mm' or 'in': what the box's paperwork and the report use", "units")
CLOSING = text("closing", "'completed', or why the test ended early", "record.closing")
DAMAGE = text(
    "damage",
    "what shows that the record is not as it was written, one sentence each; in a table one a line",
    "record.damage",
)
LEFT_OUT = text(
    "left_out",
    "positions asked for without a rock, and why, one sentence each; in a table one a line",
    "record.left_out",
)
CAUSES = text(
    "causes",
    "what was found where rocks were refused one after another, one sentence each; in a table one a line",
    "record.causes",
)
GEAR_SET = (
    whole("pinion_teeth", "z1", required=False),
    whole("gear_teeth", "z2", required=False),
    number("outer_module_mm", "outer transverse module", label="outer module"),
    number("face_width_mm", "face width", label="face width"),
    number("normal_pressure_angle_deg", "normal pressure angle", label="normal pressure angle"),
    number("mean_spiral_angle_deg", "mean spiral angle, 0 for straight teeth", label="mean spiral angle"),
    number("shaft_angle_deg", "shaft angle", label="shaft angle"),
    number("cutter_radius_mm", "cutter radius; null when not given", label="cutter radius"),
    number(
        "contact_from_toe",
        "where along the face the teeth touch, 0 at the toe and 1 at the heel; null when nobody saw it",
        label="contact, part of the face from the toe",
    ),
)
INDICATOR = (
    number("resolution_mm", "least step; of a scale that is read by eye, the step it is read to"),
    number("touch_radius_mm", "point of contact to gear axis"),
    number(
        "touch_radius_standard_uncertainty_mm",
        "standard uncertainty of the touch radius",
        "touch_radius_uncertainty_mm",
    ),
    number("height_mm", "point of contact above the pitch cone; null when not given"),
    number(
        "height_standard_uncertainty_mm",
        "standard uncertainty of that height; null for the default",
        "height_uncertainty_mm",
    ),
    text(
        "direction",
        "line of action: 'normal' or 'plane of rotation'; 'gear angle' where the encoder alone was read",
    ),
    number("off_normal_deg", "plunger's angle off that direction"),
    number("lever_deg", "inclination of a lever tip to the flank; null for a plunger"),
    number("angle_standard_uncertainty_deg", "standard uncertainty of these angles", "angle_uncertainty_deg"),
    yes_no("on_arm", "true when the tip bears on an arm clamped to the gear shaft", required=False),
    number(
        "calibration_expanded_uncertainty_mm",
        "from the certificate, k = 2; null when not given",
        "calibration_uncertainty_mm",
    ),
    number("hysteresis_mm", "from the certificate; null when not given"),
    text(
        "correction",
        "the certificate's correction curve in the sense of the readings: reading, correction and expanded "
        "uncertainty in mm, one point a line; empty when not given",
        "correction.as_text",
    ),
    yes_no("by_eye", "true when a person read its scale and typed what it showed", required=False),
)
CONDITIONS = (
    number("housing_c", "temperature of the housing; null when not given", label="housing"),
    number("gears_c", "temperature of pinion and gear; null when not given", label="gears"),
    number(
        "temperature_standard_uncertainty_c",
        "standard uncertainty of either",
        "temperature_uncertainty_c",
        label="standard uncertainty of these",
    ),
    number(
        "housing_expansion_um_per_m_k",
        "coefficient of expansion of the housing; null when not given",
        label="expansion, housing",
    ),
    number("gears_expansion_um_per_m_k", "coefficient of expansion of the gears", label="expansion, gears"),
    number("pinion_distance_mm", "mounting distance; null when not given", label="mounting distance, pinion"),
    number("gear_distance_mm", "mounting distance; null when not given", label="mounting distance, gear"),
    number("pinion_end_play_mm", "null when not given", label="end play, pinion"),
    number("gear_end_play_mm", "null when not given", label="end play, gear"),
    yes_no("has_end_play", "true where the bearings are said to have end play", required=False),
    number("rock_nm", "torque of a rock; null when not given", label="rock torque"),
    number("rock_standard_uncertainty_nm", "null for the default", "rock_uncertainty_nm"),
    number(
        "compliance_um_per_nm",
        "what the reading grows by for each N m; null when not given",
        label="compliance",
    ),
    number(
        "compliance_standard_uncertainty_um_per_nm",
        "null for the default",
        "compliance_uncertainty_um_per_nm",
    ),
    number(
        "roll_variation_mm",
        "variation of backlash within one pitch; null when not given",
        label="variation within a pitch",
    ),
)
ENCODER = (
    text("shaft", "'gear' or 'pinion': the shaft it sits on"),
    number("resolution_deg", "one count, in degrees of that shaft"),
    number("standard_uncertainty_deg", "of a difference of two angles a rock apart, other than resolution"),
)
LIMITS = (
    number("minimum_mm", "smallest allowed; null when the drawing has none"),
    number("maximum_mm", "largest allowed at the tight spot; null when the drawing has none"),
    number("variation_mm", "largest allowed variation; null when the drawing has none"),
    text("kind", "'normal' or 'transverse': what the drawing means"),
    text("source", "drawing or instruction"),
    number("untouched_tooth_mm", "backlash that a tooth which no position touched may take; or null"),
    whole("tooth_accuracy_grade", "ISO 17485 grade of both members; or null", required=False),
    text(
        "decision_rule", "'two-sided': whole 95 % interval inside; 'one-sided': 95 % to the side of a limit"
    ),
)
PRECONDITION = (
    text("name", "what"),
    text("state", "'proven', 'unproven' or 'failed'"),
    text("detail", "what was recorded"),
    text("remedy", "what would settle it; empty when proven"),
)
NOTE = (
    number("time_s", "seconds from the start of the test", "0", required=True),
    text("text", "the note", "1"),
)


def _columns(
    figures: tuple[Figure, ...], of: str, prefix: str = "", *, only: tuple[str, ...] = ()
) -> list[Figure]:
    """Columns of the table of tests; a name that says nothing without its group gets that in front."""
    return [
        one.under(f"record.{of}", name=f"{prefix}{one.name}" if not only or one.name in only else one.name)
        for one in figures
    ]


_NOTES_ON_TERMINAL = 3


def _terminal(assessment: Assessment) -> Iterator[tuple[str, str]]:
    notes = assessment.record.notes
    if earlier := len(notes[:-_NOTES_ON_TERMINAL]):
        yield "notes", f"{earlier} earlier than these; all stand in the report"
    for time_s, said in notes[-_NOTES_ON_TERMINAL:]:
        yield f"note at {time_s:.0f} s", " ".join(said.split())
    yield "seal", assessment.record.identity.seal or "none: the test is not closed"


def _chapters(assessment: Assessment) -> Iterator[Chapter]:
    notes: Block = Words("None.")
    if assessment.record.notes:
        notes = Facts(
            tuple((f"{time_s:.0f} s", said) for time_s, said in assessment.record.notes), "words", 12
        )
    yield Chapter("Operator's notes", "notes", (notes,))
    told = (
        ("Gear set", _gear_set(assessment)),
        ("Indicator", _indicator(assessment)),
        ("Encoder", _encoder(assessment)),
        ("Limits", limit_words(assessment)),
        ("Conditions", _conditions(assessment)),
        ("Analysis", _analysis(assessment)),
    )
    parts = tuple((title, Facts(rows)) for title, rows in told)
    yield Chapter("What the analysis was told", "provenance", (Columns(parts),))


def limit_words(assessment: Assessment) -> Rows:
    """Name the limits of the drawing with their figures, and their source."""
    limits, units = assessment.record.limits, assessment.record.units
    rows = [(name, format_given(value, units)) for name, value in limits.given.items()]
    if not rows:
        return (("limits", "none given"),)
    rows.append(("meant as", f"{limits.kind} backlash"))
    if limits.source:
        rows.append(("from", limits.source))
    rows.append(("decision rule", DECISION_RULES[limits.decision_rule]))
    if words := probability_words(assessment):
        rows.append(("conformance probability", words))
    return tuple(rows)


def limit_line(assessment: Assessment) -> str:
    """Say in one line what the limits are, which backlash they mean and who says so."""
    limits, units = assessment.record.limits, assessment.record.units
    if not limits.given:
        return "The drawing's limits were not given."
    source = f" from {limits.source}" if limits.source else ""
    named = ", ".join(f"{name} {format_given(value, units)}" for name, value in limits.given.items())
    drawn = "; in the pictures as normal backlash" if limits.kind == "transverse" else ""
    return f"Limits of {limits.kind} backlash{source}: {named}{drawn}."


def _gear_set(assessment: Assessment) -> Rows:
    gear_set, units = assessment.record.gear_set, assessment.record.units
    teeth = ("teeth, pinion : gear", f"{gear_set.pinion_teeth} : {gear_set.gear_teeth}")
    return (teeth, *facts_of(GEAR_SET[2:], gear_set, units, absent="not given", given=True))


def _indicator(assessment: Assessment) -> Rows:
    indicator, units = assessment.record.indicator, assessment.record.units
    if indicator.is_encoder:
        return (
            ("readings", "the encoder's angle, as an arc of the outer pitch circle"),
            ("radius of that circle", format_given(indicator.touch_radius_mm, units)),
            ("one count", format_spread(indicator.resolution_mm, units)),
            ("graduation, U (k = 2)", format_given(indicator.calibration_uncertainty_mm, units)),
        )
    radius = format_given(indicator.touch_radius_mm, units)
    u_radius = format_given(indicator.touch_radius_uncertainty_mm, units)
    rows = [
        ("serial number", assessment.record.identity.indicator_serial or NO_SERIAL),
        ("direction", indicator.direction),
        ("angle off it", f"{indicator.off_normal_deg:g}°, u = {indicator.angle_uncertainty_deg:g}°"),
        ("tip", "plunger" if indicator.lever_deg is None else f"lever, inclined {indicator.lever_deg:g}°"),
        ("touches", "arm on the gear shaft" if indicator.on_arm else "tooth"),
        ("touch radius", f"{radius}, u = {u_radius}"),
        ("tip above the pitch cone", _height(assessment)),
        (
            "read by eye to" if indicator.by_eye else "resolution",
            format_given(indicator.resolution_mm, units),
        ),
        ("calibration, U (k = 2)", format_given(indicator.calibration_uncertainty_mm, units)),
        ("hysteresis", format_given(indicator.hysteresis_mm, units)),
    ]
    if indicator.correction is not None:
        ends = (indicator.correction.readings_mm[0], indicator.correction.readings_mm[-1])
        rows.append(("corrected by a curve", " to ".join(format_given(end, units) for end in ends)))
    return tuple(rows)


def _conditions(assessment: Assessment) -> Rows:
    """How the box was, without what nobody recorded."""
    conditions, units = assessment.record.conditions, assessment.record.units
    figures = (one for one in CONDITIONS if one.label and one.value(conditions) is not None)
    return facts_of(figures, conditions, units, given=True)


def _height(assessment: Assessment) -> str:
    indicator, units = assessment.record.indicator, assessment.record.units
    if indicator.height_mm is None:
        return "not given"
    spread_mm = indicator.height_spread_mm(assessment.record.gear_set)
    # One that a person wrote down gets no digit that nobody wrote.
    spread = (format_spread if indicator.height_uncertainty_mm is None else format_given)(spread_mm, units)
    return f"{format_given(indicator.height_mm, units)}, u = {spread}"


def serials(record: TestRecord) -> tuple[tuple[str, str], tuple[str, str]]:
    """Names and serial numbers of indicator and encoder; one that the test did without says so."""
    identity, indicator = record.identity, record.indicator
    gauge = "dial gauge, serial" if indicator.by_eye else "indicator, serial"
    first = "none: encoder alone" if indicator.is_encoder else identity.indicator_serial or NO_SERIAL
    second = "none: teeth counted" if record.encoder is None else identity.encoder_serial or NO_SERIAL
    which = "encoder, serial" if record.pinion_encoder is None else "encoders, serial"
    return (gauge, first), (which, second)


def _encoder(assessment: Assessment) -> Rows:
    encoder = assessment.record.encoder
    if encoder is None:
        return (("sits on", "none: teeth were counted by hand"),)
    second = assessment.record.pinion_encoder
    serial = ("serial number", assessment.record.identity.encoder_serial or NO_SERIAL)
    return (serial, *_figures_of(encoder), *(_figures_of(second) if second is not None else ()))


def _figures_of(encoder: Encoder) -> Rows:
    rows = (
        ("sits on", f"{encoder.shaft} shaft"),
        ("one count", f"{encoder.resolution_deg:.5g}°"),
    )
    if not encoder.standard_uncertainty_deg:
        return rows
    return (*rows, ("u of a difference, counts aside", f"{encoder.standard_uncertainty_deg:.3g}°"))


def _analysis(assessment: Assessment) -> Rows:
    identity, count = assessment.record.identity, len(assessment.positions)
    rows = [
        ("version", assessment.version),
        ("positions", f"{count} recorded, {assessment.usable} usable" + _without_rock(assessment)),
        ("teeth touched", assessment.touched.words),
        ("test ended", assessment.record.closing),
        ("seal of the record (SHA-256)", identity.seal or "none: the test is not sealed"),
        ("lengths", UNIT_NAMES[assessment.record.units]),
    ]
    if identity.remark:
        rows.append(("remark", identity.remark))
    return tuple(rows)


def _without_rock(assessment: Assessment) -> str:
    count = len(assessment.record.left_out)
    return f", {count} left out" if count else ""


SECTION = Section(
    figures=(
        TEST,
        CLOSING,
        Group(
            "units",
            "units of this document and of the paperwork",
            (
                text("lengths", "always 'mm' in this document", lambda _record: "mm"),
                text("angles", "always 'deg' in this document", lambda _record: "deg"),
                text("times", "always 's' in this document", lambda _record: "s"),
                PAPERWORK,
            ),
            "record",
        ),
        Group("identity", "who tested what, where and when", IDENTITY, "record.identity"),
        Group(
            "preconditions",
            "what must be true before a backlash can prove a build",
            PRECONDITION,
            "record.preconditions",
            many=True,
        ),
        Group("limits", "backlash allowed at the tightest point", LIMITS, "record.limits"),
        Group("gear_set", "the gear set under test", GEAR_SET, "record.gear_set"),
        Group("indicator", "the indicator and its set-up on the gear", INDICATOR, "record.indicator"),
        Group(
            "encoder", "the angle encoder; null where teeth were counted by hand", ENCODER, "record.encoder"
        ),
        Group(
            "pinion_encoder",
            "the second encoder, on the pinion's shaft; null on a stand with one",
            ENCODER,
            "record.pinion_encoder",
        ),
        Group("conditions", "how the box was when it was tested", CONDITIONS, "record.conditions"),
        DAMAGE,
        LEFT_OUT,
        CAUSES,
        Group("notes", "operator's notes in order", NOTE, "record.notes", many=True),
    ),
    tables=(
        Table(
            name="tests",
            meaning="one test: who tested what, where, when and with what, nothing of it concluded",
            key=("test",),
            columns=(
                TEST,
                *_columns(IDENTITY, "identity"),
                CLOSING,
                DAMAGE,
                LEFT_OUT,
                CAUSES,
                PAPERWORK.under("record", name="paperwork_units"),
                *_columns(GEAR_SET, "gear_set"),
                *_columns(
                    INDICATOR, "indicator", "indicator_", only=("resolution_mm", "direction", "correction")
                ),
                *_columns(ENCODER, "encoder", "encoder_"),
                *_columns(ENCODER, "pinion_encoder", "pinion_encoder_"),
                *_columns(LIMITS, "limits", "limit_"),
                *_columns(CONDITIONS, "conditions"),
            ),
            rows=lambda assessment: (assessment,),
        ),
        Table(
            name="preconditions",
            meaning="one thing that must be true before a backlash can prove a build",
            key=("test", "name"),
            columns=(TEST, *PRECONDITION),
            rows=lambda assessment: assessment.record.preconditions,
        ),
        Table(
            name="notes",
            meaning="one note of the operator",
            key=("test", "line"),
            columns=(TEST, place("its place among the notes, from 1"), *(one.under("1") for one in NOTE)),
            rows=lambda assessment: numbered(assessment.record.notes),
        ),
    ),
    terminal=_terminal,
    chapters=_chapters,
)
