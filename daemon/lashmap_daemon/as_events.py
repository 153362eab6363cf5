"""What the sequence wants done, as the events that say so."""

from __future__ import annotations

from lashmap_analysis.gear_set import GearSet

from lashmap_daemon import events
from lashmap_daemon.finding import Found
from lashmap_daemon.rock_watch import RockWatch
from lashmap_daemon.sequence_words import Sweep, Target
from lashmap_daemon.sweep_watch import Swept


def position_asked(target: Target, gear_set: GearSet, stands_at: int) -> events.PositionAsked:
    """A position is asked for while the gear stands at engagement ``stands_at``."""
    turn_teeth = target.engagement - stands_at
    return events.PositionAsked(
        number=target.number,
        engagement=target.engagement,
        gear_angle_deg=gear_set.gear_angle_deg(target.engagement),
        turn_teeth=turn_teeth,
        turn_deg=gear_set.gear_angle_deg(turn_teeth),
        purpose=target.purpose,
        attempt=target.attempt,
        reason=target.reason,
    )


def rock_accepted(target: Target, rock: RockWatch | None, normal_per_reading: float) -> events.RockAccepted:
    """A rock is kept; ``normal_per_reading`` turns its reading into normal backlash."""
    if rock is None or rock.reading is None:
        raise RuntimeError("a rock was accepted that was not measured")
    reading = rock.reading
    flags = (*reading.flags, *([rock.disagreement] if rock.disagreement else []))
    return events.RockAccepted(
        number=target.number,
        engagement=target.engagement,
        purpose=target.purpose,
        attempt=target.attempt,
        start_s=rock.begins_s,
        end_s=rock.end_s,
        reading_mm=reading.reading_mm,
        normal_backlash_mm=reading.reading_mm * normal_per_reading,
        standard_uncertainty_mm=reading.standard_uncertainty_mm * normal_per_reading,
        reversals=reading.reversals,
        flags=tuple(flag.name.value for flag in flags),
        gear_deg=rock.gear_deg,
    )


def rock_refused(
    target: Target, rock: RockWatch | None, reasons: tuple[str, ...], now_s: float
) -> events.RockRefused:
    """A rock is given up."""
    return events.RockRefused(
        number=target.number,
        engagement=target.engagement,
        attempt=target.attempt,
        start_s=rock.started_s if rock else now_s,
        end_s=now_s,
        reasons=reasons,
    )


def tight_spot_predicted(found: Found, gear_set: GearSet) -> events.TightSpotPredicted:
    """The lash map says where the tight spot is, and what to measure."""
    spot = found.tight_spot
    return events.TightSpotPredicted(
        engagement=spot.engagement,
        gear_angle_deg=gear_set.gear_angle_deg(spot.engagement),
        normal_backlash_mm=spot.backlash_mm,
        low_mm=spot.band_mm[0],
        high_mm=spot.band_mm[1],
        ask=found.ask,
    )


def sweep_recorded(sweep: Sweep, swept: Swept | None) -> events.SweepRecorded:
    """A sweep is kept."""
    if swept is None or swept.sweep is None:
        raise RuntimeError("a sweep was kept that was not measured")
    return events.SweepRecorded(
        member=sweep.member,
        start_s=swept.start_s,
        end_s=swept.end_s,
        fim_mm=swept.sweep.fim_mm,
        fim_uncertainty_mm=swept.sweep.fim_uncertainty_mm,
    )
