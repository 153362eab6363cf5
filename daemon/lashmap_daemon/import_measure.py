"""What the rocks and sweeps of a recording read, and the events that say so.

The review reads all of it anew from the raw samples, by the same analysis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from lashmap_analysis.assessment import PositionResult, SweepResult
from lashmap_analysis.position_result import position_result
from lashmap_analysis.record import Floats, Identity, RockTrace, RunoutTrace, TestRecord
from lashmap_analysis.sweep_result import sweep_result

from lashmap_daemon import events
from lashmap_daemon.box_file import BoxFile
from lashmap_daemon.import_stretch import Found, Rock, Signals, Sweep
from lashmap_daemon.stand_file import Stand


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Every rock and sweep with its result, in the order of time."""

    rocks: tuple[tuple[Rock, PositionResult], ...]
    sweeps: tuple[tuple[Sweep, SweepResult], ...]

    @property
    def events(self) -> list[tuple[float, events.Event]]:
        """What happened, each with its time."""
        told: list[tuple[float, events.Event]] = []
        for position, (rock, result) in enumerate(self.rocks, 1):
            begun = events.RockStarted(number=position, engagement=rock.engagement, start_s=rock.start_s)
            told.append((rock.start_s, begun))
            told += [(rock.end_s, event) for event in _rock_events(position, rock, result)]
        told += [(sweep.end_s, _sweep_event(sweep, result)) for sweep, result in self.sweeps]
        return sorted(told, key=lambda one: one[0])


def measure(signals: Signals, found: Found, box: BoxFile, stand: Stand) -> Measured:
    """Measure every rock and sweep that was found."""
    record = TestRecord(
        identity=Identity(test="", box=box.box.type, serial=box.box.serial),
        gear_set=box.gear_set.gear_set(),
        indicator=box.indicator(stand.file),
        encoder=stand.file.encoder_for_analysis(),
        limits=box.limits_for_analysis(),
        preconditions=(),
        traces=(),
        units=box.box.units,
    )
    rocks = []
    for position, rock in enumerate(found.rocks, 1):
        heard, turned = _within(signals, rock), _turned_within(signals, rock, found.matched_deg)
        trace = RockTrace(
            position=position,
            engagement=rock.engagement,
            purpose="planned",
            time_s=heard[0],
            indicator_mm=heard[1],
            encoder_time_s=turned[0],
            encoder_deg=turned[1],
        )
        rocks.append((rock, position_result(trace, record)))
    sweeps = []
    for sweep in found.sweeps:
        heard, turned = _within(signals, sweep), _turned_within(signals, sweep, found.matched_deg)
        swept = RunoutTrace(
            member=sweep.member,
            time_s=heard[0],
            indicator_mm=heard[1],
            encoder_time_s=turned[0],
            encoder_deg=turned[1],
            indicator_from_mesh_deg=None,  # for the comparison with a lash map, which the review makes
        )
        sweeps.append((sweep, sweep_result(swept, record, None)))
    return Measured(rocks=tuple(rocks), sweeps=tuple(sweeps))


def _within(signals: Signals, stretch: Rock | Sweep) -> tuple[Floats, Floats]:
    kept = _slice(signals.time_s, stretch)
    return signals.time_s[kept], signals.indicator_mm[kept]


def _turned_within(signals: Signals, stretch: Rock | Sweep, matched_deg: float) -> tuple[Floats, Floats]:
    kept = _slice(signals.encoder_time_s, stretch)
    return signals.encoder_time_s[kept], signals.encoder_deg[kept] - matched_deg


def _slice(times: Floats, stretch: Rock | Sweep) -> slice:
    """Both ends included."""
    ends = [stretch.start_s, np.nextafter(stretch.end_s, np.inf)]
    return slice(*np.searchsorted(times, ends).tolist())


def _sweep_event(sweep: Sweep, result: SweepResult) -> events.Event:
    if result.sweep is None:
        return events.SweepRefused(member=sweep.member, attempt=1, reasons=(result.refusal,))
    return events.SweepRecorded(
        member=sweep.member,
        start_s=sweep.start_s,
        end_s=sweep.end_s,
        fim_mm=result.sweep.fim_mm,
        fim_uncertainty_mm=result.sweep.fim_uncertainty_mm,
    )


def _rock_events(position: int, rock: Rock, result: PositionResult) -> list[events.Event]:
    flags = tuple(flag.name.value for flag in result.flags)
    if result.normal_backlash_mm is None or result.standard_uncertainty_mm is None:
        reasons = tuple(flag.sentence for flag in result.flags if flag.disabling)
        return [
            events.RockRefused(
                number=position,
                engagement=rock.engagement,
                attempt=1,
                start_s=rock.start_s,
                end_s=rock.end_s,
                reasons=reasons,
            ),
            events.PositionSkipped(
                number=position,
                engagement=rock.engagement,
                reason=" ".join((*reasons, "The recording holds no other try.")),
            ),
        ]
    return [
        events.RockAccepted(
            number=position,
            engagement=rock.engagement,
            purpose="planned",
            attempt=1,
            start_s=rock.start_s,
            end_s=rock.end_s,
            reading_mm=result.rock.reading_mm,
            normal_backlash_mm=result.normal_backlash_mm,
            standard_uncertainty_mm=result.standard_uncertainty_mm,
            reversals=result.rock.reversals,
            flags=flags,
        )
    ]
