"""Rocks, runout sweeps and passes of a recording: which stretch is which.

Labelled stretches are taken as labelled. Without labels a rock is where gear and tip rest as the limits of
the live test allow. Labels, encoder and indicator that cannot fit together are refused: a wrong unit or zero
would give confident nonsense. What a rock reads is decided by the analysis, as in a test at the stand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import TypeAlias

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.record import Direction, Shaft
from lashmap_analysis.rock.rock import measure_rock
from lashmap_drivers.readings import Floats
from numpy.typing import NDArray

from lashmap_daemon.exchange.source import Recording, Signals, Source, refusal
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.mapping_file import Mapping
from lashmap_daemon.setup.stand_file import ENCODER, PINION_TABLE
from lashmap_daemon.testing.watches import StillLimits, rest_after, rest_before, still_limits, window_s

FARTHEST_MM = 200.0  # the longest way of a dial indicator (common practice, no source)


@dataclass(frozen=True, kw_only=True)
class _Stretch:
    start_s: float
    end_s: float

    def of(self, times: Floats) -> slice:
        """The samples in it, both ends included."""
        return slice(*np.searchsorted(times, [self.start_s, np.nextafter(self.end_s, np.inf)]).tolist())


@dataclass(frozen=True, kw_only=True)
class Rock(_Stretch):
    """A stretch of the recording, in seconds since it began, at one engagement past the matched teeth."""

    engagement: int


@dataclass(frozen=True, kw_only=True)
class Sweep(_Stretch):
    """A stretch of the recording in which a member was turned with the indicator on it."""

    member: Shaft


@dataclass(frozen=True, kw_only=True)
class Pass(_Stretch):
    """A stretch of the recording in which the pinion was turned one way against a brake on the gear."""

    number: int
    direction: Direction
    brake_nm: float | None


_Any: TypeAlias = Rock | Sweep | Pass


@dataclass(frozen=True, kw_only=True)
class Found:
    """What a recording holds, and the angles with the matched teeth together.

    Attributes:
        matched_deg: As the encoder shows it.
        pinion_matched_deg: As a second encoder, on the pinion, shows it; None without one.
    """

    rocks: tuple[Rock, ...]
    sweeps: tuple[Sweep, ...]
    passes: tuple[Pass, ...]
    matched_deg: float
    pinion_matched_deg: float | None


def stretches(values: Floats) -> list[tuple[int, int]]:
    """First and last index of every stretch of equal values."""
    if not len(values):
        return []
    edges = np.flatnonzero(values[1:] != values[:-1]) + 1  # infinite ones are equal
    firsts, lasts = np.r_[0, edges], np.r_[edges, len(values)] - 1
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


def rocks_at_rest(mapping: Mapping, box: BoxFile, signals: Signals, zero: float) -> tuple[Rock, ...]:
    """Stretches in which the gear stays at one engagement, moves no more than a rock, and so does the tip.

    The recording is cut into half windows of the length that the live test watches; two neighbouring halves
    together must be still, by the live test's own limits, and the rock begins after them, as it does there:
    before, the tip comes down on its tooth.
    """
    gear_set = box.gear_set.gear_set()
    limits = still_limits(gear_set, box.recorded().limits_for_analysis())
    gear_deg = _gear_deg(mapping, gear_set, signals.encoder_deg - zero)
    rate = min(
        len(t) / (t[-1] - t[0]) if len(t) > 1 else 0.0 for t in (signals.time_s, signals.encoder_time_s)
    )
    half_s = window_s(rate) / 2.0
    pieces = int(max(signals.time_s[-1], signals.encoder_time_s[-1]) / half_s) + 1
    gear, tip = (
        _extremes(times, values, half_s, pieces)
        for times, values in ((signals.encoder_time_s, gear_deg), (signals.time_s, signals.indicator_mm))
    )
    place = _place(gear, gear_set, limits)
    still = np.where(
        _together(gear, limits.gear_span_deg) & _together(tip, limits.tip_span_mm), place, np.inf
    )
    rocks = []
    for first, last in stretches(still):
        start, end = (first + 2) * half_s, (last + 2) * half_s - 1e-6  # the next piece begins there
        if np.isfinite(still[first]) and end - start >= mapping.positions.least_seconds:
            found = Rock(engagement=int(still[first]), start_s=start, end_s=end)
            found = _trimmed(found, signals.time_s, signals.indicator_mm)
            found = _trimmed(found, signals.encoder_time_s, gear_deg)
            rocks.append(_from_flank_to_flank(found, signals))
    return tuple(rocks)


def _trimmed(rock: Rock, times: Floats, values: Floats) -> Rock:
    """Without the beginning and end in which one instrument is still on its way.

    What a rock spans is seen in the middle three fifths of the stretch; the first and last fifths are cut
    after and before their last and first sample outside of that span, with a third of it as a margin.
    """
    first, last = np.searchsorted(times, [rock.start_s, rock.end_s]).tolist()
    inside, since = values[first:last], times[first:last]
    share = (since - rock.start_s) / (rock.end_s - rock.start_s)
    middle = inside[(share > 0.2) & (share < 0.8)]
    if not len(middle):
        return rock
    low, high = float(middle.min()), float(middle.max())
    margin = (high - low) / 3.0
    outside = (inside < low - margin) | (inside > high + margin)
    before, after = np.flatnonzero(outside & (share <= 0.2)), np.flatnonzero(outside & (share >= 0.8))
    return replace(
        rock,
        start_s=float(since[before[-1] + 1]) if before.size else rock.start_s,
        end_s=float(since[after[0] - 1]) if after.size else rock.end_s,
    )


def _from_flank_to_flank(rock: Rock, signals: Signals) -> Rock:
    """Without a rest between the flanks at either end."""
    inside = rock.of(signals.time_s)
    times, values = signals.time_s[inside], signals.indicator_mm[inside]
    before, after = rest_before(times, values), rest_after(times, values)
    return replace(
        rock,
        start_s=float(times[before]) if before else rock.start_s,
        end_s=float(times[-1 - after]) if after else rock.end_s,
    )


def _extremes(times: Floats, values: Floats, step_s: float, pieces: int) -> tuple[Floats, Floats]:
    """Least and largest value in every piece of the recording; nan where it holds none."""
    piece = np.minimum((times / step_s).astype(np.int64), pieces - 1)
    low, high = np.full(pieces, np.inf), np.full(pieces, -np.inf)
    np.minimum.at(low, piece, values)
    np.maximum.at(high, piece, values)
    return np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan)


def _together(ends: tuple[Floats, Floats], span: float) -> NDArray[np.bool_]:
    """Whether a piece and the next stay within a span together; shape one less than the pieces."""
    low, high = np.minimum(ends[0][:-1], ends[0][1:]), np.maximum(ends[1][:-1], ends[1][1:])
    return np.asarray(high - low <= span)  # false where one is nan


def _place(gear: tuple[Floats, Floats], gear_set: GearSet, limits: StillLimits) -> Floats:
    """Engagement that a piece and the next rest at; infinite where they rest at none."""
    pitch = 360.0 / gear_set.gear_teeth
    low, high = np.minimum(gear[0][:-1], gear[0][1:]), np.maximum(gear[1][:-1], gear[1][1:])
    middle = (low + high) / 2.0
    whole = np.round(middle / pitch)
    return np.where(np.abs(middle - whole * pitch) <= limits.near_deg, whole, np.inf)


def _gear_deg(mapping: Mapping, gear_set: GearSet, shaft_deg: Floats) -> Floats:
    on_pinion = mapping.encoder is not None and mapping.encoder.shaft == "pinion"
    return np.asarray(shaft_deg / gear_set.ratio if on_pinion else shaft_deg)


_MOST_OFF = 0.1  # of a tooth, that all positions may lie off whole engagements (common practice, no source)

_SPARE_S = 1.0  # by which a stretch may reach beyond the rows: people round


def _check_turning(path: Path, name: str, time_s: Floats, angle_deg: Floats) -> None:
    """An angle that starts again after a turn has lost which turn it is in, and so the pinion's tooth."""
    jumps = np.abs(np.diff(angle_deg))
    if jumps.size and float(jumps.max()) > 180.0:
        at = float(time_s[1:][int(jumps.argmax())])
        raise refusal(
            path,
            f"the encoder jumps by {float(jumps.max()):.4g}° between two samples, {at:.6g} s after the "
            "first row: it starts again after a turn, or its unit is wrong. If it starts again each turn, "
            f"write {name}.wraps_at_deg = 360",
        )


def _check_within(path: Path, found: tuple[_Any, ...], recording: Recording) -> None:
    """A stretch that reaches beyond the rows was mistyped, or the rest of the file is missing."""
    last_s = float(recording.time_s[-1])  # of the rows: the indicator may have been taken away before
    for one in found:
        if one.start_s < -_SPARE_S or one.end_s > last_s + _SPARE_S:
            raise refusal(
                path,
                f"{_name(one)} lasts, by its label, from {one.start_s:.6g} to {one.end_s:.6g} s after the "
                f"first row, but the rows end {last_s:.6g} s after it; check its from_s and to_s, which "
                "count as the file's own times do",
            )


def _check_way(source: Source, signals: Signals) -> None:
    """An indicator that goes further than any does over a whole recording has another unit."""
    way_mm, indicator = float(np.ptp(signals.indicator_mm)), source.mapping.indicator
    if way_mm > FARTHEST_MM:
        raise refusal(
            source.mapping_path,
            f"indicator.unit: the indicator would go {way_mm:.4g} mm in this recording, and none goes "
            f"further than {FARTHEST_MM:g} mm; the unit is {indicator.unit!r} now",
        )


def _check_span(source: Source, signals: Signals, rocks: tuple[Rock, ...]) -> None:
    """A rock that spans more than a tooth's size is no rock: the unit or the rows are wrong."""
    path, indicator = source.path, source.mapping.indicator
    spans = []
    for rock in rocks:
        inside = signals.indicator_mm[rock.of(signals.time_s)]
        if not len(inside):
            raise refusal(
                path,
                f"the rock at engagement {rock.engagement}, {rock.start_s:.6g} to {rock.end_s:.6g} s "
                "after the first row, holds no sample of the indicator; check positions",
            )
        spans.append(float(np.ptp(inside)))
    typical = float(np.median(spans))
    module = source.box.gear_set.gear_set().outer_module_mm
    if typical > module:
        raise refusal(
            path,
            f"indicator.unit: a typical rock would span {typical:.4g} mm, more than a module of {module:g} "
            f"mm; the unit is {indicator.unit!r} now, or the positions take in the way between rocks",
        )
    if typical < indicator.resolution_mm:
        raise refusal(
            path,
            f"indicator.unit: a typical rock would span {typical:.4g} mm, less than the resolution of "
            f"{indicator.resolution_mm:g} mm; the unit is {indicator.unit!r} now",
        )


def _check_angles(
    source: Source,
    name: str,
    sent: tuple[Floats, Floats],
    rocks: tuple[Rock, ...],
    zero: float | None,
) -> float:
    """The zero of an encoder, by its table; labels and encoder must agree to a quarter of a tooth."""
    encoder, gear_set = source.mapping.encoders.get(name), source.box.gear_set
    time_s, angle_deg = sent
    if encoder is None or not len(angle_deg):
        return 0.0
    teeth = gear_set.gear_teeth if encoder.shaft == "gear" else gear_set.pinion_teeth
    pitch = 360.0 / teeth
    apart = []
    for rock in rocks:
        seen = angle_deg[rock.of(time_s)]
        middle = (float(seen.min()) + float(seen.max())) / 2.0 if len(seen) else np.nan
        apart.append(middle - rock.engagement * pitch)
    from_labels = float(np.nanmedian(apart)) if np.isfinite(apart).any() else 0.0
    matched = from_labels if zero is None else zero
    _check_zero(source.path, name, from_labels - matched, pitch)
    for rock, angle in zip(rocks, apart, strict=True):
        if abs(angle - matched) > pitch / 4.0:
            seen_at = rock.engagement + (angle - matched) / pitch
            raise refusal(
                source.path,
                f"the rock {rock.start_s:.6g} s after the first row is, by its label, at engagement "
                f"{rock.engagement}, but the encoder stands at {seen_at:.2f}; check {name}.unit, "
                f"{name}.counts_per_turn, {name}.sense, {name}.matched_deg and the engagements",
            )
    return matched


def _check_zero(path: Path, name: str, off_deg: float, pitch: float) -> None:
    """A tip that does not move touches every flank at the same angle, within the backlash of engagement 0."""
    if abs(off_deg) > _MOST_OFF * pitch:
        raise refusal(
            path,
            f"{name}.matched_deg: the {'pinion' if name == PINION_TABLE else 'gear'} rests {off_deg:+.3g}° "
            f"off whole engagements all along, where {_MOST_OFF * pitch:.2g}° could be explained; "
            "engagements would be counted from the wrong tooth. "
            f"Correct it here or in the box file (matched_teeth.encoder_deg), or {name}.sense",
        )


def find(source: Source, recording: Recording, signals: Signals) -> Found:
    """Find the rocks and the sweeps of a recording.

    Raises:
        ConfigurationError: No rock is found, stretches overlap, or labels, encoder and indicator cannot be
            meant together.
    """
    path, mapping, box = source.path, source.mapping, source.box
    _check_way(source, signals)
    sweeps, passes = _sweeps(mapping, recording), _passes(mapping, recording)
    _refuse_counts_apart(source, recording)
    turned: tuple[_Any, ...] = (*sweeps, *passes)
    encoder, by_encoder = mapping.encoder, mapping.positions.find_by == "encoder"
    zero = encoder.matched_deg if encoder else None
    # Without labels there is no other zero; whether it is believed is a precondition's (`book.py`).
    if zero is None and encoder and (encoder.absolute or by_encoder):
        zero = box.matched_teeth.encoder_deg
    of_gear, of_pinion = next(iter(mapping.encoders), ENCODER), PINION_TABLE
    gear, pinion = (signals.encoder_time_s, signals.encoder_deg), (signals.pinion_time_s, signals.pinion_deg)
    _check_turning(path, of_gear, *gear)
    _check_turning(path, of_pinion, *pinion)
    if by_encoder:
        if zero is None:
            problem = "is missing; to find rocks by the encoder, its angle at the matched teeth is needed"
            raise refusal(path, f"encoder.matched_deg: {problem}")
        found = rocks_at_rest(mapping, box, signals, zero)
        rocks = tuple(rock for rock in found if not any(_overlap(rock, one) for one in turned))
        swallowed = tuple(rock for rock in found if rock not in rocks and _usable(rock, mapping, signals))
        _check_apart(path, (*swallowed, *turned))
        if not rocks:
            raise refusal(
                path,
                "no rock was found: nowhere does the gear rest at a whole engagement for "
                f"{mapping.positions.least_seconds:g} s with the tip on its tooth. Check indicator.unit, "
                "encoder.unit, encoder.counts_per_turn, encoder.shaft, encoder.matched_deg and the teeth "
                "in the box file",
            )
    else:
        rocks = _labelled(mapping, recording)
    if not rocks:
        raise refusal(path, "positions: no row belongs to a position; check the mapping")
    _check_apart(path, (*rocks, *turned))
    _check_within(path, (*rocks, *turned), recording)
    _check_span(source, signals, rocks)
    on_pinion = mapping.pinion_encoder
    return Found(
        rocks=rocks,
        sweeps=sweeps,
        passes=passes,
        matched_deg=_check_angles(source, of_gear, gear, rocks, zero),
        pinion_matched_deg=None
        if on_pinion is None
        else _check_angles(source, of_pinion, pinion, rocks, on_pinion.matched_deg),
    )


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


def _passes(mapping: Mapping, recording: Recording) -> tuple[Pass, ...]:
    first = _first_s(recording)
    listed = sorted(mapping.passes, key=lambda one: one.from_s)
    return tuple(
        Pass(
            number=number,
            direction=one.direction,
            brake_nm=one.brake_nm,
            start_s=one.from_s - first,
            end_s=one.to_s - first,
        )
        for number, one in enumerate(listed, 1)
    )


def _refuse_counts_apart(source: Source, recording: Recording) -> None:
    """Times that a row gives to both counts are only true of both where they were read together."""
    if not source.mapping.passes or recording.encoder is None or recording.pinion is None:
        return
    shared = np.intersect1d(recording.encoder.time_s, recording.pinion.time_s)
    if source.mapping.time.counts_together is False and shared.size:
        raise refusal(
            source.mapping_path,
            f"time.counts_together: is false, and {shared.size} rows hold both counts under one time: how "
            "much later one was read than the other is not known, and a pass would take it for lash. Record "
            "each count in rows with its own times, or both together; without the table [[pass]] the rocks "
            "can be imported",
        )


def _first_s(recording: Recording) -> float:
    """Where the file's own axis of time begins; rows with dates count from the first."""
    return 0.0 if np.isnan(recording.first_s) else recording.first_s


def _overlap(one: _Any, other: _Any) -> bool:
    return one.start_s <= other.end_s and other.start_s <= one.end_s


def _usable(rock: Rock, mapping: Mapping, signals: Signals) -> bool:
    """Whether a stretch gives a reading: nobody rocks the gear while a member is turned for its runout."""
    inside = rock.of(signals.time_s)
    time_s, value = signals.time_s[inside], signals.indicator_mm[inside]
    return measure_rock(time_s, value, resolution_mm=mapping.indicator.resolution_mm).usable


def _check_apart(path: Path, found: tuple[_Any, ...]) -> None:
    """A sample belongs to one rock, sweep or pass: in two of them it would count twice."""
    for one, other in pairwise(sorted(found, key=lambda one: one.start_s)):
        if _overlap(one, other):
            raise refusal(
                path,
                f"{_name(one)} ends {one.end_s:.6g} s after the first row, but {_name(other)} begins at "
                f"{other.start_s:.6g} s; correct positions, sweep or pass so that they do not overlap",
            )


def _name(one: _Any) -> str:
    if isinstance(one, Pass):
        return f"pass {one.number}"
    return f"the rock at engagement {one.engagement}" if isinstance(one, Rock) else f"the {one.member} sweep"
