"""Which stretch of a recording is which rock, and which are runout sweeps.

Decided here: the windows and their engagements. What was labelled by nobody is found in `import_at_rest.py`,
what cannot be meant is refused in `import_checks.py`; what a rock reads is decided by the analysis, as in a
test at the stand.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
from lashmap_analysis.rock import measure_rock

from lashmap_daemon.box_file import BoxFile
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.import_at_rest import rocks_at_rest
from lashmap_daemon.import_checks import Case, check_angles, check_span, check_turning, check_within
from lashmap_daemon.import_mapping import Mapping
from lashmap_daemon.import_stretch import Found, Rock, Signals, Sweep, stretches
from lashmap_daemon.import_table import Recording


def find(path: Path, mapping: Mapping, box: BoxFile, recording: Recording, signals: Signals) -> Found:
    """Find the rocks and the sweeps of a recording.

    Raises:
        ConfigurationError: No rock is found, stretches overlap, or labels, encoder and indicator cannot be
            meant together.
    """
    gear_set = box.gear_set.gear_set()
    sweeps = _sweeps(mapping, recording)
    zero = mapping.encoder.matched_deg if mapping.encoder else None
    zero = box.matched_teeth.encoder_deg if zero is None else zero
    check_turning(path, signals)
    if mapping.positions.find_by == "encoder":
        if zero is None:
            problem = "is missing; to find rocks by the encoder, its angle at the matched teeth is needed"
            raise ConfigurationError(str(path), [f"encoder.matched_deg: {problem}"])
        found = rocks_at_rest(mapping, box, signals, zero)
        rocks = tuple(rock for rock in found if not any(_overlap(rock, sweep) for sweep in sweeps))
        swallowed = tuple(rock for rock in found if rock not in rocks and _usable(rock, mapping, signals))
        _check_apart(path, (*swallowed, *sweeps))
        if not rocks:
            problem = (
                "no rock was found: nowhere does the gear rest at a whole engagement for "
                f"{mapping.positions.least_seconds:g} s with the tip on its tooth. Check indicator.unit, "
                "encoder.unit, encoder.counts_per_turn, encoder.shaft, encoder.matched_deg and the teeth "
                "in the box file"
            )
            raise ConfigurationError(str(path), [problem])
    else:
        rocks = _labelled(mapping, recording)
    if not rocks:
        raise ConfigurationError(str(path), ["positions: no row belongs to a position; check the mapping"])
    _check_apart(path, (*rocks, *sweeps))
    check_within(path, (*rocks, *sweeps), recording)
    case = Case(path=path, mapping=mapping, gear_set=gear_set, signals=signals)
    check_span(case, rocks)
    zero = check_angles(case, rocks, zero)
    return Found(rocks=rocks, sweeps=sweeps, matched_deg=zero)


def _labelled(mapping: Mapping, recording: Recording) -> tuple[Rock, ...]:
    if mapping.positions.rock is not None:
        first = _first_s(recording)
        listed = sorted(mapping.positions.rock, key=lambda one: one.from_s)
        return tuple(
            Rock(engagement=one.engagement, start_s=one.from_s - first, end_s=one.to_s - first)
            for one in listed
        )
    labels = recording.engagements
    if labels is None:
        return ()
    shown = np.where(np.isnan(labels), np.inf, labels)
    return tuple(
        Rock(
            engagement=int(shown[first]),
            start_s=float(recording.time_s[first]),
            end_s=float(recording.time_s[last]),
        )
        for first, last in stretches(shown)
        if np.isfinite(shown[first])
    )


def _sweeps(mapping: Mapping, recording: Recording) -> tuple[Sweep, ...]:
    first = _first_s(recording)
    listed = sorted(mapping.sweep, key=lambda one: one.from_s)
    return tuple(
        Sweep(member=one.member, start_s=one.from_s - first, end_s=one.to_s - first) for one in listed
    )


def _first_s(recording: Recording) -> float:
    """Where the file's own axis of time begins; rows with dates count from the first."""
    return 0.0 if np.isnan(recording.first_s) else recording.first_s


def _overlap(one: Rock | Sweep, other: Rock | Sweep) -> bool:
    return one.start_s <= other.end_s and other.start_s <= one.end_s


def _usable(rock: Rock, mapping: Mapping, signals: Signals) -> bool:
    """Whether a stretch gives a reading: nobody rocks the gear while a member is turned for its runout."""
    inside = (signals.time_s >= rock.start_s) & (signals.time_s <= rock.end_s)
    time_s, value = signals.time_s[inside], signals.indicator_mm[inside]
    return measure_rock(time_s, value, resolution_mm=mapping.indicator.resolution_mm).usable


def _check_apart(path: Path, found: tuple[Rock | Sweep, ...]) -> None:
    """A sample belongs to one rock or sweep: in two of them it would count twice."""
    for one, other in pairwise(sorted(found, key=lambda one: one.start_s)):
        if _overlap(one, other):
            problem = (
                f"{_name(one)} ends {one.end_s:.6g} s after the first row, but {_name(other)} begins at "
                f"{other.start_s:.6g} s; correct positions or sweep so that they do not overlap"
            )
            raise ConfigurationError(str(path), [problem])


def _name(one: Rock | Sweep) -> str:
    return f"the rock at engagement {one.engagement}" if isinstance(one, Rock) else f"the {one.member} sweep"
