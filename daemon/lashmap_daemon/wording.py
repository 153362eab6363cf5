"""Events as sentences, the same on the screen, in plain output and in the prompts file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_analysis.lengths import DECIMALS, format_length

from lashmap_daemon import events

if TYPE_CHECKING:
    from lashmap_analysis.record import Units

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


def asked_sentence(asked: events.PositionAsked) -> str:
    """What to do now: how far to turn, where that is, and to rock."""
    what = "Confirm the tight spot: " if asked.purpose == "confirming" else ""
    place = f"engagement {asked.engagement}, {angle_text(asked.gear_angle_deg, decimals=1)}"
    teeth = abs(asked.turn_teeth)
    if teeth:
        way = "on" if asked.turn_teeth > 0 else "back"
        by = f"{teeth} {'tooth' if teeth == 1 else 'teeth'} ({abs(asked.turn_deg):.1f}°)"
        move = f"turn the gear {way} by {by} to {place}"
    else:
        move = f"stay at {place}"
    again = f" (try {asked.attempt}: {asked.reason})" if asked.attempt > 1 else ""
    text = f"{what}{move}; hold the pinion and rock the gear lightly{again}"
    return text[:1].upper() + text[1:]


def angle_text(gear_deg: float, *, decimals: int) -> str:
    """A gear angle past the matched teeth as the dial shows it, with the turn it belongs to, from 1."""
    turn, angle_deg = divmod(round(gear_deg, decimals), 360.0)
    return f"{angle_deg:.{decimals}f}° of turn {int(turn) + 1}"


def uncertainty_text(length_mm: float | None, units: Units) -> str:
    """A standard uncertainty with one digit more than the length it belongs to."""
    return format_length(length_mm, units, decimals=DECIMALS[units] + 1)


def sentence(event: events.Event, units: Units) -> str | None:  # noqa: PLR0911 - one return a kind of event
    """One line for an event; None for those that people need not read."""
    match event:
        case events.TestStarted():
            return f"Test {event.test}: {len(event.planned)} positions planned"
        case events.InstrumentHeard():
            return f"{event.instrument} on {event.port}: {event.rate_hz:.0f} samples a second"
        case events.MatchedTeethSet():
            return f"Matched teeth at encoder {event.encoder_deg:.3f}° ({event.how})"
        case events.PositionAsked():
            return f"{event.number:>3}  {asked_sentence(event)}"
        case events.RockAccepted():
            flags = f"; {', '.join(event.flags)}" if event.flags else ""
            return (
                f"{event.number:>3}  accepted: normal backlash "
                f"{format_length(event.normal_backlash_mm, units)}, standard uncertainty "
                f"{uncertainty_text(event.standard_uncertainty_mm, units)}, {event.reversals} reversals"
                f"{flags}"
            )
        case events.RockRefused():
            return f"{event.number:>3}  not accepted: {'; '.join(event.reasons)}"
        case events.PositionSkipped():
            return f"{event.number:>3}  left out: {event.reason}"
        case events.NoteTaken():
            return f"Note: {event.text}"
        case events.TightSpotPredicted():
            asks = ", ".join(str(engagement) for engagement in event.ask) or "nothing more"
            return (
                f"Tight spot predicted at engagement {event.engagement}, "
                f"{angle_text(event.gear_angle_deg, decimals=1)}: "
                f"normal backlash {format_length(event.normal_backlash_mm, units)}, 95 % "
                f"{format_length(event.low_mm, units)} to {format_length(event.high_mm, units)}; "
                f"to measure: {asks}"
            )
        case events.TestClosed():
            return f"Test {event.outcome}: {event.reason}"
    return None
