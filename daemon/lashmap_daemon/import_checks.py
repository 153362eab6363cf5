"""Whether labels, encoder and indicator of a recording can be meant together; what cannot be is refused.

Decided here: what is implausible enough to refuse. A wrong unit or zero would give confident nonsense.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from lashmap_analysis.gear_set import GearSet

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.import_mapping import Mapping
from lashmap_daemon.import_stretch import Rock, Signals, Sweep
from lashmap_daemon.import_table import Recording

MOST_OFF = 0.1  # of a tooth, that all positions may lie off whole engagements (common practice, no source)

SPARE_S = 1.0  # by which a stretch may reach beyond the rows: people round


@dataclass(frozen=True, kw_only=True)
class Case:
    """What the checks look at."""

    path: Path
    mapping: Mapping
    gear_set: GearSet
    signals: Signals


def check_turning(path: Path, signals: Signals) -> None:
    """An angle that starts again after a turn has lost which turn it is in, and so the pinion's tooth."""
    jumps = np.abs(np.diff(signals.encoder_deg))
    if jumps.size and float(jumps.max()) > 180.0:
        at = float(signals.encoder_time_s[1:][int(jumps.argmax())])
        problem = (
            f"the encoder jumps by {float(jumps.max()):.4g}° between two samples, {at:.6g} s after the "
            "first row: it starts again after a turn, or its unit is wrong. If it starts again each turn, "
            "write encoder.wraps_at_deg = 360"
        )
        raise ConfigurationError(str(path), [problem])


def check_within(path: Path, found: tuple[Rock | Sweep, ...], recording: Recording) -> None:
    """A stretch that reaches beyond the rows was mistyped, or the rest of the file is missing."""
    last_s = float(recording.time_s[-1])  # of the rows: the indicator may have been taken away before
    for one in found:
        if one.start_s < -SPARE_S or one.end_s > last_s + SPARE_S:
            what = f"{one.member} sweep" if isinstance(one, Sweep) else f"rock at engagement {one.engagement}"
            problem = (
                f"the {what} is said to last from {one.start_s:.6g} to {one.end_s:.6g} s after the first "
                f"row, but the rows end {last_s:.6g} s after it; check its from_s and to_s, which count as "
                "the file's own times do"
            )
            raise ConfigurationError(str(path), [problem])


def check_span(case: Case, rocks: tuple[Rock, ...]) -> None:
    """A rock that spans more than a tooth's size is no rock: the unit or the rows are wrong."""
    path, mapping, signals = case.path, case.mapping, case.signals
    spans = []
    for rock in rocks:
        inside = (signals.time_s >= rock.start_s) & (signals.time_s <= rock.end_s)
        if not inside.any():
            problem = (
                f"the rock at engagement {rock.engagement}, {rock.start_s:.6g} to {rock.end_s:.6g} s "
                "after the first row, holds no sample of the indicator; check positions"
            )
            raise ConfigurationError(str(path), [problem])
        spans.append(float(np.ptp(signals.indicator_mm[inside])))
    typical = float(np.median(spans))
    module = case.gear_set.outer_module_mm
    if typical > module:
        problem = (
            f"indicator.unit: a typical rock would span {typical:.4g} mm, more than a module of {module:g} "
            f"mm; the unit is {mapping.indicator.unit!r} now, or the positions take in the way between rocks"
        )
        raise ConfigurationError(str(path), [problem])
    if typical < mapping.indicator.resolution_mm:
        problem = (
            f"indicator.unit: a typical rock would span {typical:.4g} mm, less than the resolution of "
            f"{mapping.indicator.resolution_mm:g} mm; the unit is {mapping.indicator.unit!r} now"
        )
        raise ConfigurationError(str(path), [problem])


def check_angles(case: Case, rocks: tuple[Rock, ...], zero: float | None) -> float:
    """The encoder's zero; labels and encoder must agree to a quarter of a tooth."""
    signals, encoder = case.signals, case.mapping.encoder
    if encoder is None or not len(signals.encoder_deg):
        return 0.0
    teeth = case.gear_set.gear_teeth if encoder.shaft == "gear" else case.gear_set.pinion_teeth
    pitch = 360.0 / teeth
    apart = []
    for rock in rocks:
        inside = (signals.encoder_time_s >= rock.start_s) & (signals.encoder_time_s <= rock.end_s)
        seen = signals.encoder_deg[inside]
        middle = (float(seen.min()) + float(seen.max())) / 2.0 if len(seen) else np.nan
        apart.append(middle - rock.engagement * pitch)
    from_labels = float(np.nanmedian(apart)) if np.isfinite(apart).any() else 0.0
    matched = from_labels if zero is None else zero
    _check_zero(case, from_labels - matched, pitch)
    for rock, angle in zip(rocks, apart, strict=True):
        if abs(angle - matched) > pitch / 4.0:
            seen_at = rock.engagement + (angle - matched) / pitch
            problem = (
                f"the rock {rock.start_s:.6g} s after the first row is said to be at engagement "
                f"{rock.engagement}, but the encoder stands at {seen_at:.2f}; check encoder.unit, "
                "encoder.counts_per_turn, encoder.sense, encoder.matched_deg and the engagements"
            )
            raise ConfigurationError(str(case.path), [problem])
    return matched


def _check_zero(case: Case, off_deg: float, pitch: float) -> None:
    """A tip that does not move touches every flank at the same angle, within the backlash of engagement 0."""
    if abs(off_deg) > MOST_OFF * pitch:
        problem = (
            f"encoder.matched_deg: the gear rests {off_deg:+.3g}° off whole engagements all along, where "
            f"{MOST_OFF * pitch:.2g}° could be explained; engagements would be counted from the wrong "
            "tooth. Correct it here or in the box file (matched_teeth.encoder_deg), or encoder.sense"
        )
        raise ConfigurationError(str(case.path), [problem])
