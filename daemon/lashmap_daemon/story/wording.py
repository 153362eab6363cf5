"""Events as sentences, the same on the screen, in plain output and in the prompts file."""

from __future__ import annotations

from dataclasses import replace
from typing import assert_never

from lashmap_analysis.gears.tooth_names import COUNTING, ToothCounts, teeth_met
from lashmap_analysis.record.lengths import DECIMALS, format_angle, format_length, format_spread
from lashmap_analysis.record.record import ROLLED, Units, moment
from lashmap_drivers.errors import BEYOND, LOW_BATTERY
from lashmap_drivers.timing.angles import INDEX_SLIP

from lashmap_daemon.story import events
from lashmap_daemon.story.marks import REMEDY, disagreement
from lashmap_daemon.story.story import Awaited, cause_note, photo_name

CAUTIONS = (
    "Isolate and lock out the drive before hands go near the mesh.",
    "Release stored energy: springs, weights, pressure, charged capacitors.",
    "Keep clear of pinch points; rock lightly, by hand or with a bar.",
    "On a powered stand stay outside the guards while it rocks and indexes.",
    "Refit the guards before power returns.",
    "lashmap is not a safety device: it starts and stops nothing.",
    "Limits, torques and acceptance come from the drawing and from those licensed to sign.",
    "Local codes and the maker's instructions come first.",
)


TURNING_CAUTIONS = (
    "For the cycle run the box turns: guards on, nobody within reach of shafts, belts or couplings.",
    "No loose hair, sleeves, gloves or rags near anything that turns; tools, wedges and the tip are out.",
    "The pinion is free; the brake on the gear is light, and its reaction cannot swing or fly off.",
    "Turn slowly, by hand or with your own drive, whose stop is within reach; lashmap commands no drive.",
    "Local codes and the maker's instructions come first.",
)
ROCKING_CAUTIONS = (
    "Stop the drive, isolate it and lock it out again before hands go near the mesh.",
    "Take the brake off the gear, hold the pinion fast, and set the indicator on its tooth.",
)
READY = "ready"


FORWARD, BACK = "FORWARD →", "BACK ←"


def place_text(engagement: int, gear_deg: float, teeth: ToothCounts | None) -> str:
    """Where an engagement is: the teeth that meet, where their numbers are known, then number and angle."""
    text = f"engagement {engagement}, {angle_text(gear_deg, decimals=1)}"
    return text if teeth is None else f"{teeth_met(teeth, engagement)} ({text})"


def asked_sentence(asked: events.PositionAsked, teeth: ToothCounts | None) -> str:
    """What to do now: how far to turn, where that is, and to rock."""
    what = {
        "confirming": "Confirm the tight spot: ",
        "third back": "Roll phase a third of a pitch BACK: ",
        "third forward": "Roll phase a third of a pitch FORWARD: ",
    }.get(asked.purpose, "")
    place = place_text(asked.engagement, asked.gear_angle_deg, teeth)
    count, way = abs(asked.turn_teeth), FORWARD if asked.turn_deg > 0 else BACK
    if asked.turn_deg and not count:
        move = (
            f"turn the pinion so that the gear goes {way} by {thirds_text(asked.turn_deg, teeth)} to {place}"
        )
    elif count:
        by = f"{count} {'tooth' if count == 1 else 'teeth'} ({abs(asked.turn_deg):.1f}°)"
        move = f"turn the gear {way} {by} to {place}"
    else:
        move = f"stay at {place}"
    if asked.purpose in ROLLED:
        move += "; set the tip on its tooth again"
    again = f" (try {asked.attempt}: {asked.reason})" if asked.attempt > 1 else ""
    text = f"{what}{move}; hold the pinion and rock the gear lightly{again}"
    return text[:1].upper() + text[1:]


def thirds_text(gear_deg: float, teeth: ToothCounts | None) -> str:
    """How far to turn where that is a part of a tooth: on the gear, in teeth and on the pinion."""
    if teeth is None:
        return f"{abs(gear_deg):.1f}°"
    whole, third, pinion_deg = thirds_of(gear_deg, teeth)
    part = ("no part", "a third", "two thirds")[third]
    counted = f"{whole} {'tooth' if whole == 1 else 'teeth'} and {part}" if whole else f"{part} of a tooth"
    return f"{abs(gear_deg):.1f}° ({counted}; pinion {pinion_deg:.1f}°)"


def thirds_of(gear_deg: float, teeth: ToothCounts) -> tuple[int, int, float]:
    """The same in whole teeth, thirds of one beside them, and degrees on the pinion."""
    whole, third = divmod(round(3.0 * abs(gear_deg) / 360.0 * teeth.gear_teeth), 3)
    return whole, third, abs(gear_deg) * teeth.gear_teeth / teeth.pinion_teeth


def sweep_sentence(asked: events.SweepAsked) -> str:
    """What to do for a runout sweep."""
    again = f" (try {asked.attempt}: {asked.reason})" if asked.attempt > 1 else ""
    turns = "one turn" if asked.turns == 1 else f"{asked.turns} turns"
    return (
        f"Runout of the {asked.member}: set the indicator square to its pitch cone at the outer end, then "
        f"turn the {asked.member} steadily one way, a little more than {turns}{again}"
    )


def ready_sentence(asked: events.ReadyAsked, *, between: str = " ") -> str:
    """What must be true before the box turns, or is rocked, and how to say so."""
    lines = TURNING_CAUTIONS if asked.what == "turn" else ROCKING_CAUTIONS
    then = "the box may turn" if asked.what == "turn" else "the drive is locked out and the box can be rocked"
    or_else = '"skip" leaves the cycle run out' if asked.what == "turn" else '"repeat" makes its passes anew'
    return between.join((*lines, f'When {then}, enter "{READY}" (key y) ({or_else})'))


def pass_sentence(asked: events.PassAsked) -> str:
    """What to do for a pass of a cycle run."""
    again = f" (try {asked.attempt}: {asked.reason})" if asked.attempt > 1 else ""
    way = FORWARD if asked.direction == "forward" else BACK
    other = ", at another speed than before" if asked.other_speed else ""
    if asked.most_deg_per_s is not None:
        other = (
            f", at {asked.most_deg_per_s:.0f} °/s of the pinion at most, so that the gear stays on its flank"
        )
    return (
        f"Pass {asked.number}: turn the pinion steadily so that the gear goes {way} {asked.engagements} "
        f"teeth against its brake{other}; do not stop on the way{again}"
    )


def marks_sentence(asked: events.MarksAsked) -> str:
    """What to do to see the marks again; no number, so that nobody goes by the display."""
    again = "The encoder does not agree with that mark: check it once more. " if asked.attempt > 1 else ""
    return (
        f"{again}Check of the encoder: turn until the marked tooth of the {asked.member} stands in the mesh "
        "again, as it did at the start; any of its turns will do. Go by the mark, not by a display. Hold "
        'still, then enter "matched" (key m)'
    )


def cause_sentence(asked: events.CauseAsked, *, between: str = "   ") -> str:
    """The question after the cause of refused rocks, with its answers."""
    question = (
        f"{asked.refused} rocks in a row were refused, the last at position {asked.number}. Lock out the "
        "drive, look for the cause, and say what it was; nothing is measured before"
    )
    return between.join((f"{question}:", *asked.choices))


def count_sentence(asked: events.CountAsked) -> str:
    """What to do to see whether the count still fits, without an encoder."""
    again = "Count once more. " if asked.attempt > 1 else ""
    count = abs(asked.turn_teeth)
    way = FORWARD if asked.turn_teeth > 0 else BACK
    go = (
        f"turn the gear {way} {count} {'tooth' if count == 1 else 'teeth'}, counting"
        if count
        else "stay here"
    )
    return (
        f'{again}Check of the count: {go}. The mark of the gear must stand in the mesh now. Enter "yes" '
        '(key m) where it does, "no" (key x) where it does not'
    )


def angle_text(gear_deg: float, *, decimals: int) -> str:
    """A gear angle past the matched teeth as a dial shows it that is 0 there, with the turn it belongs to.

    Turns are counted from 1 on either side of the matched teeth.
    """
    turn, angle_deg = turn_and_angle(gear_deg, decimals=decimals)
    shown = f"{angle_deg:.{decimals}f}° of turn {abs(turn)}"
    return f"{shown} before the matched teeth" if turn < 0 else shown


def turn_and_angle(gear_deg: float, *, decimals: int) -> tuple[int, float]:
    """Which turn that is, below zero before the matched teeth, and the angle in it."""
    turn, angle_deg = divmod(round(gear_deg, decimals), 360.0)
    return int(turn) if turn < 0 else int(turn) + 1, angle_deg


def _span_text(seconds: float) -> str:
    if seconds < 0.0:
        return "a time that is not known (the clock was set back)"
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


def mark_sentence(instrument: str, port: str, mark: str) -> str:
    """A mark that an instrument sent for the first time beside its numbers, and what that means."""
    text = f"The {instrument} on {port} sent for the first time: {mark}."
    todo = {
        INDEX_SLIP: "Its index pulse did not come at the count where it belongs, so its angles may be wrong: "
        "see to coupling and cable, and bring the marked teeth together again.",
        LOW_BATTERY: "Change its battery before the next test.",
        BEYOND: "Its angle goes further than wraps_at_deg in its profile: correct that key, or leave it out.",
    }.get(mark)
    return f"{text} {todo}" if todo else text


def sentence(  # noqa: PLR0911 - a line for each group
    event: events.Event, units: Units, teeth: ToothCounts | None
) -> str | None:
    """One line for an event; None for those that people need not read.

    ``teeth`` are those of the set, None where nobody knows them: places are then named without teeth.
    """
    if isinstance(event, events.CourseEvent):
        return _of_course(event, units)
    if isinstance(event, events.StandEvent):
        return _of_stand(event)
    if isinstance(event, events.RockEvent):
        return _of_rock(event, units, teeth)
    if isinstance(event, events.CauseEvent):
        return _of_cause(event)
    if isinstance(event, events.SweepEvent):
        return _of_sweep(event, units)
    if isinstance(event, events.PassEvent):
        return _of_pass(event)
    if isinstance(event, events.RemarkEvent):
        return _of_remark(event)
    assert_never(event)


def _of_remark(event: events.RemarkEvent) -> str | None:
    match event:
        case events.NoteTaken():
            return f"Note: {event.text}"
        case events.PhotoTaken():
            return f"Kept: {photo_name(event)}"
        case _:
            return None


def in_sentences(reasons: str) -> str:
    """Reasons joined by semicolons, those that are sentences set apart as sentences."""
    return reasons.replace(".; ", ". ")


def told(  # noqa: PLR0911 - a line for each event
    event: events.Event, units: Units, teeth: ToothCounts
) -> str | None:
    """One line for an event on a screen that shows in larger letters what is to be done; None for no line.

    Shorter than `sentence` where a figure serves nobody at the stand; what went wrong is said in full.
    """
    match event:
        case (
            events.PositionAsked()
            | events.SweepAsked()
            | events.ReadyAsked()
            | events.PassAsked()
            | events.MarksAsked()
            | events.CountAsked()
            | events.CauseAsked()
        ):
            return None
        case events.TestStarted():
            return f"{len(event.planned)} positions planned. {COUNTING}"
        case events.RockAccepted():
            flags = f"; {', '.join(event.flags)}" if event.flags else ""
            lash = format_length(event.normal_backlash_mm, units)
            return f"Position {event.number} good: {lash} at {teeth_met(teeth, event.engagement)}{flags}"
        case events.RockRefused():
            return f"Position {event.number} again: {in_sentences('; '.join(event.reasons))}"
        case events.PositionSkipped():
            return f"Position {event.number} left out: {event.reason}"
        case events.TightSpotPredicted():
            lash = format_length(event.normal_backlash_mm, units)
            asks = ", ".join(str(teeth_met(teeth, engagement)) for engagement in event.ask) or "nothing more"
            return f"Tight spot expected at {teeth_met(teeth, event.engagement)}: {lash}; to measure: {asks}"
        case _:
            return sentence(event, units, teeth)


def instruction(awaited: Awaited, units: Units, teeth: ToothCounts) -> str:
    """What is to be done now, without the number of the position."""
    if isinstance(awaited, events.PositionAsked):
        return asked_sentence(awaited, teeth)
    return sentence(awaited, units, teeth) or ""


def _of_course(event: events.CourseEvent, units: Units) -> str:
    match event:
        case events.TestStarted():
            return (
                f"Test {event.test}: {len(event.planned)} positions planned. {FORWARD} is the way in which "
                f"the gear angle on the screen rises, {BACK} the other way. {COUNTING}"
            )
        case events.TestResumed():
            check = f"; position {event.check_of} is measured again first, as a check" if event.check else ""
            changed = f"; changed: {', '.join(event.changed)}" if event.changed else ""
            return f"The test goes on after {_span_text(event.gap_s)}{check}{changed}"
        case events.TestClosed():
            return f"Test {event.outcome}: {event.reason}"
        case events.CheckedAgain():
            return _checked(event, units)
        case _:
            assert_never(event)


def _of_stand(  # noqa: C901, PLR0911, PLR0912 - a line for each event
    event: events.StandEvent,
) -> str | None:
    match event:
        case events.SheetRead():
            when = moment(event.measured_utc)
            return f"Readings of sheet {event.sheet}: measured {when} by {event.measured_by}, typed in later"
        case events.InstrumentHeard():
            return f"{event.instrument} on {event.port}: {event.rate_hz:.0f} samples a second"
        case events.InstrumentLost():
            return (
                f"The {event.instrument} on {event.port} was lost ({event.reason}). {event.remedy} Leave the "
                f"gear where it is. Waiting up to {event.patience_s:.0f} s"
            )
        case events.InstrumentBack():
            return f"The {event.instrument} on {event.port} is back after {event.away_s:.1f} s"
        case events.RecordingPaused():
            return f"PAUSED: {event.reason}. The test goes on by itself then; leave the gear where it is"
        case events.RecordingGoesOn():
            lost = f"; {event.given_up_s:.0f} s of samples had to be given up" if event.given_up_s else ""
            return f"There is room again; recording goes on after {event.paused_s:.0f} s{lost}"
        case events.MatchedTeethSet():
            if event.how == "counted by hand":
                return "Marked teeth together; teeth are counted by hand from here"
            if event.how == "assumed" and event.moved_deg is None:
                return "Marked teeth not known: teeth are counted from where the gear stood then"
            moved = "" if event.moved_deg is None else f", {event.moved_deg:+.3f}° from before"
            return f"Matched teeth at encoder {event.encoder_deg:.3f}° ({event.how}{moved})"
        case events.MarksAsked():
            return marks_sentence(event)
        case events.CountAsked():
            return count_sentence(event)
        case events.MarksCompared():
            return _compared(event)
        case events.BuildNamed():
            return f"Build {event.build} ({event.how}); {'; '.join(event.taken) or 'no figure taken from it'}"
        case events.CautionsConfirmed() | events.PreconditionsRecorded():
            return None
        case _:
            assert_never(event)


def _of_rock(event: events.RockEvent, units: Units, teeth: ToothCounts | None) -> str | None:
    match event:
        case events.PositionAsked():
            return f"{event.number:>3}  {asked_sentence(event, teeth)}"
        case events.RockAccepted():
            return _accepted(event, units)
        case events.RockRefused():
            return f"{event.number:>3}  not accepted: {'; '.join(event.reasons)}"
        case events.PositionSkipped():
            return f"{event.number:>3}  left out: {event.reason}"
        case events.TightSpotPredicted():
            return _predicted(event, units, teeth)
        case events.RockStarted() | events.RockTyped() | events.PositionsSpared():  # a note says it
            return None
        case _:
            assert_never(event)


def _of_cause(event: events.CauseEvent) -> str:
    match event:
        case events.CauseAsked():
            return cause_sentence(event)
        case events.CauseAnswered():
            return cause_note(event)
        case _:
            assert_never(event)


def _of_sweep(event: events.SweepEvent, units: Units) -> str:
    match event:
        case events.SweepAsked():
            return sweep_sentence(event)
        case events.SweepRecorded():
            return (
                f"Runout of the {event.member}: {format_length(event.fim_mm, units)} full indicator "
                "movement, repeatability within the sweep "
                f"{format_spread(event.fim_uncertainty_mm, units)}"
            )
        case events.SweepRefused():
            return f"Runout of the {event.member} not measured: {'; '.join(event.reasons)}"
        case _:
            assert_never(event)


def _of_pass(event: events.PassEvent) -> str:
    match event:
        case events.PassesPlanned(passes=passes):
            return f"A cycle run of {len(passes)} passes comes before the first position, in one go"
        case events.ReadyAsked():
            return ready_sentence(event)
        case events.ReadyConfirmed(what=what, how=how):
            state = "The box may turn" if what == "turn" else "The drive is locked out; the box can be rocked"
            return f"{state}: confirmed {how}"
        case events.PassAsked():
            return pass_sentence(event)
        case events.PassRecorded():
            return (
                f"Pass {event.number} recorded: {event.engagements} teeth of the gear {event.direction}, the "
                f"pinion at {abs(event.pinion_deg_per_s):.0f} °/s"
            )
        case events.PassRefused():
            return f"Pass {event.number} not recorded: {'; '.join(event.reasons)}"
        case _:
            assert_never(event)


def _checked(event: events.CheckedAgain, units: Units) -> str:
    shown = format_length(event.difference_mm, units, decimals=DECIMALS[units] + 1, signed=True)
    allowed = format_length(event.allowed_mm, units, decimals=DECIMALS[units] + 1)
    angle = "" if event.difference_deg is None else f", {event.difference_deg:+.2f}° apart"
    if event.agrees:
        return f"Check against position {event.of}: agrees ({shown}{angle})"
    return (
        f"Check against position {event.of}: DISAGREES ({shown}, {allowed} can be explained{angle}): teeth, "
        "tip or matched-teeth reference may have moved. What follows may not fit what was before"
    )


def _compared(event: events.MarksCompared) -> str:
    if event.agrees is None:
        return f"Nobody saw the marks again ({event.answer}): the matched teeth are not proven"
    if event.how == "counted by hand":
        seen = "stood in the mesh" if event.agrees else "did NOT stand in the mesh"
        return f"The mark of the {event.member} {seen} where the count said"
    if event.how == "index pulse":
        return f"The encoder still fits the matched teeth: its index pulse {event.answer}"
    if event.agrees:
        off = format_angle(event.off_deg, signed=True)
        return f"The encoder still fits the mark of the {event.member}: {off} from it"
    if not event.last:
        return f"The encoder does NOT fit the mark of the {event.member}"  # how far would be a way to go
    text = disagreement(event)
    return f"{text[:1].upper()}{text[1:]}. {REMEDY}"


class FlagsOnce:
    """What a screen says of the warnings on accepted rocks: each name the first time alone in a test.

    A warning that most rocks share would hide the one that is new; record, result and report have them all.
    """

    def __init__(self) -> None:
        self._said: set[str] = set()

    def __call__(self, event: events.Event) -> events.Event:
        """The event as it is to be said."""
        if not isinstance(event, events.RockAccepted):
            return event
        new = [name for name in event.flags if name not in self._said]
        self._said.update(new)
        return replace(event, flags=tuple(f"{name} (said once a test)" for name in new))


def _accepted(event: events.RockAccepted, units: Units) -> str:
    flags = f"; {', '.join(event.flags)}" if event.flags else ""
    return (
        f"{event.number:>3}  accepted: normal backlash {format_length(event.normal_backlash_mm, units)}, "
        f"repeatability within the rock {format_spread(event.standard_uncertainty_mm, units)}, "
        f"{event.reversals} reversals{flags}"
    )


def _from_marks(engagement: int, teeth: ToothCounts | None) -> str:
    """Where an engagement is, never with a minus, which is easily overlooked."""
    if teeth is not None:
        return str(teeth_met(teeth, engagement))
    if engagement >= 0:
        return str(engagement)
    return f"{-engagement} {'tooth' if engagement == -1 else 'teeth'} {BACK} from the matched teeth"


def _predicted(event: events.TightSpotPredicted, units: Units, teeth: ToothCounts | None) -> str:
    asks = ", ".join(_from_marks(one, teeth) for one in event.ask) or "nothing more"
    # With nothing left to ask it is no prediction: the result calls the figure of all positions "stated".
    found = "predicted" if event.ask else "from all positions"
    return (
        f"Tight spot {found} at {place_text(event.engagement, event.gear_angle_deg, teeth)}: normal backlash "
        f"{format_length(event.normal_backlash_mm, units)}, 95 % from the readings alone "
        f"{format_length(event.low_mm, units)} to {format_length(event.high_mm, units)}; to measure: {asks}"
    )
