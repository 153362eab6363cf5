"""Seeded faults on the wire of every shipped instrument, through decoder and rock measurement, offline.

A trace is a known truth (a rock, a turning gear, presses of a button) as frames, damaged by a bad cable, cut
into reads of random length. A value is *wrong* when none of the frames whose bytes came with its read said
so. Claims: no exception; a bounded buffer; back in step after the damage; no wrong value where the check of a
frame guarantees to find the damage, and elsewhere behind a CRC no more than chance lets through (one in
65,536); no accepted rock further from the truth than 5 u and a step of the indicator. How many wrong values
plain lines let through is counted: a digit turned into another digit is a good line.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_left, bisect_right
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import NamedTuple

import numpy as np
from analysis.rock_traces import Rock, make
from attack.figures import Figures
from attack.wire_damage import BITS, Damaged, damage, reads
from attack.wire_frames import Wire, wires
from lashmap_analysis.rock.rock import measure_rock
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.errors import LOST_COUNT
from lashmap_drivers.readings import Chunk, Chunks, Floats, Integers
from numpy.typing import NDArray
from scipy import stats

Flags = NDArray[np.bool_]

KIND = "wire faults, offline"
LONGEST_UNFINISHED = 1100
FAR_U = 5.0
_PACES = {
    1000.0: (0.12, 0.03),
    500.0: (0.12, 0.03),
    100.0: (0.15, 0.04),
    60.0: (0.3, 0.05),
    50.0: (0.3, 0.05),
}
_HAND_PACE = (0.9, 0.1)  # of a rock that is polled ten times a second
_TAIL = 40  # clean frames behind the damage
_CHECKED = 10  # of them, that must come to the last one
_RARE = 0.001
_PORTION = 200
_HEAD = (
    "instrument | damage | traces | frames | damaged | wrong values | of damaged | "
    "rocks accepted | on a good cable | too far"
)


@dataclass(frozen=True, kw_only=True)
class Sent:
    """What an instrument sent.

    Attributes:
        steps: Value of each frame, in steps of its last digit, shape (n,).
        lead: Frames before the damage.
        rock: Behind the values; None when there is no rock.
    """

    steps: Integers
    lead: int
    rock: Rock | None = None


@dataclass(frozen=True, kw_only=True)
class Decoded:
    """What the product made of a stream.

    Attributes:
        time_s: Of every value, shape (m,).
        value: In mm or degrees, shape (m,).
        wrong: Of them, those that no frame near them had, shape (m,).
        marks: What the parser noted.
        overflow: Longest unfinished buffer.
        bad_frames: Frames it refused.
    """

    time_s: Floats
    value: Floats
    wrong: Flags
    marks: dict[str, int]
    overflow: int
    bad_frames: int


def attack(count: int, seed: int, *, processes: int = 1) -> Figures:
    """Run so many traces, as many of each instrument."""
    figures = Figures(KIND)
    portions = [(first, min(first + _PORTION, count), seed) for first in range(0, count, _PORTION)]
    if processes == 1:
        for portion in portions:
            figures.merge(_portion(*portion))
    else:
        with ProcessPoolExecutor(processes) as pool:
            for found in pool.map(_portion, *zip(*portions, strict=True)):
                figures.merge(found)
    _summarise(figures)
    return figures


def _portion(first: int, last: int, seed: int) -> Figures:
    figures, every = Figures(KIND), wires()
    for number in range(first, last):
        wire = every[number % len(every)]
        name = f"{wire.name}, seed {seed}, trace {number}"
        try:
            _trace(figures, wire, name, seed * 1_000_003 + number, only_flips=(number // len(every)) % 2 == 0)
        except Exception as error:  # noqa: BLE001 - that is what is looked for
            figures.wrong(f"{name}: {type(error).__name__}: {error}")
    return figures


def _trace(figures: Figures, wire: Wire, name: str, seed: int, *, only_flips: bool) -> None:
    chance, rng = random.Random(seed), np.random.default_rng(seed)  # noqa: S311 - must repeat
    sent = _sent(wire, rng)
    flips = BITS[wire.guarantee] if only_flips else 0
    frames = [wire.frame(step) for step in sent.steps.tolist()]
    middle = frames[sent.lead : len(frames) - _TAIL]
    hurt = damage(middle, chance, 10.0 ** chance.uniform(-3.5, -1.3), flips_only=flips)
    whole = replace(hurt, frames=[*frames[: sent.lead], *hurt.frames, *frames[len(frames) - _TAIL :]])
    found = _decode(wire, sent, whole, chance)
    way = f"{wire.name} | {'flips' if only_flips else 'any'} |"
    wrong = int(found.wrong.sum())
    for what, number in (
        ("traces", 1),
        ("frames", len(frames)),
        ("damaged", len(hurt.hit)),
        ("refused frames", found.bad_frames),
        ("values", len(found.value)),
        ("wrong", wrong),
    ):
        figures.add(f"{way} {what}", number)
    if wrong and only_flips and wire.guarantee != "none":
        figures.wrong(f"{name}: {wrong} wrong values passed a check that finds such damage")
    if found.overflow > LONGEST_UNFINISHED:
        figures.wrong(f"{name}: {found.overflow} bytes kept of an unfinished frame")
    if not found.marks.get(LOST_COUNT) and not _in_step(wire, sent, found):
        figures.wrong(f"{name}: not back in step {_TAIL} frames after the damage")
    if sent.rock is not None:
        clean = _decode(wire, sent, Damaged(frames=frames, hit=[]), chance)
        _measure(figures, wire, name, way, _Rocks(sent, sent.rock, clean, found))


def _sent(wire: Wire, rng: np.random.Generator) -> Sent:
    if wire.is_encoder:
        return Sent(steps=_turning(wire, rng), lead=_lead(wire))
    if wire.rate_hz < 5.0:
        return Sent(steps=rng.integers(-50_000, 50_000, 100), lead=10)
    dwell, travel = _PACES.get(wire.rate_hz, _HAND_PACE)
    rock = Rock(
        lash_mm=rng.uniform(0.05, 0.3),
        resolution_mm=0.0,
        noise_mm=rng.uniform(0.0, 0.4) * wire.step,
        rate_hz=wire.rate_hz,
        dwell_s=dwell,
        travel_s=travel,
        reversals=int(rng.integers(10, 18)),
    )
    trace = make(rock, rng).indicator_mm
    trace = np.concatenate((np.full(_lead(wire), trace[0]), trace, np.full(_TAIL, trace[-1])))
    return Sent(steps=np.round(trace / wire.step).astype(np.int64), lead=_lead(wire), rock=rock)


def _lead(wire: Wire) -> int:
    return max(20, round(wire.rate_hz))


def _turning(wire: Wire, rng: np.random.Generator) -> Integers:
    """Angles of a gear that is turned on now and then, forth and back, at up to 200 degrees a second."""
    rate = wire.rate_hz
    speed = np.concatenate(
        [np.zeros(_lead(wire))]
        + [
            np.full(round(rng.uniform(0.1, 0.6) * rate), 200.0 * rng.uniform(-1.0, 1.0) * rng.integers(0, 2))
            for _ in range(6)
        ]
        + [np.zeros(_TAIL)]
    )
    angle = rng.uniform(0.0, 3600.0) + np.cumsum(speed) / rate
    return np.round(angle / wire.step).astype(np.int64)


def _decoder(wire: Wire) -> Decoder:
    if wire.is_encoder:
        return Decoder.for_encoder(wire.profile, counts_per_turn=36_000)
    return Decoder.for_indicator(wire.profile)


def _decode(wire: Wire, sent: Sent, hurt: Damaged, chance: random.Random) -> Decoded:
    """Feed a damaged stream in reads of random length, and hold each value to the frames around it."""
    decoder = _decoder(wire)
    lengths = [len(frame) for frame in hurt.frames]
    ends = list(accumulate(lengths))
    stream, begun = b"".join(hurt.frames), [0, *ends[:-1]]
    times, values, near, longest, arrival_s = [], [], [], 0, 0.0
    within_s = 0.004 if wire.whole else math.nan
    for start, end in reads(lengths, chance, whole=wire.whole):
        first = bisect_right(ends, start - len(decoder.parser.unfinished))
        last = bisect_left(begun, end)
        arrival_s = max(arrival_s, last / wire.rate_hz + 0.0005 + 0.001 * chance.random())
        batch = decoder.feed(Chunks.of(Chunk(arrival_s, stream[start:end], within_s)))
        longest = max(longest, len(decoder.parser.unfinished))
        if len(batch):
            times.append(batch.time_s)
            values.append(batch.value)
            near += [(first, last)] * len(batch)
    none = np.empty(0)
    value = np.concatenate([none, *values])
    return Decoded(
        time_s=np.concatenate([none, *times]),
        value=value,
        wrong=_strangers(wire, value, sent.steps, np.array(near, dtype=np.int64).reshape(-1, 2)),
        marks=dict(decoder.parser.marks),
        overflow=longest,
        bad_frames=decoder.parser.bad_frames,
    )


def _strangers(wire: Wire, value: Floats, sent: Integers, near: Integers) -> Flags:
    """Values that no frame nearby had; of a range that wraps, what is left of it."""
    steps = value / wire.step
    whole = np.round(steps).astype(np.int64)
    if wire.range_steps is not None:
        whole, sent = whole % wire.range_steps, sent % wire.range_steps
    known = np.zeros(value.shape, dtype=np.bool_)
    if len(value):
        for further in range(int((near[:, 1] - near[:, 0]).max())):
            known |= sent[np.minimum(near[:, 0] + further, near[:, 1] - 1)] == whole
    strange: Flags = ~known | (np.abs(steps - np.round(steps)) > 1e-3)
    return strange


def _in_step(wire: Wire, sent: Sent, found: Decoded) -> bool:
    """Whether the last clean frames came as sent; of a range, wherever in the turns."""
    if len(found.value) < _CHECKED:
        return False
    got = np.round(found.value[-_CHECKED:] / wire.step).astype(np.int64)
    off = got - sent.steps[-_CHECKED:]
    if wire.range_steps is not None:
        off = off % wire.range_steps
    return bool((off == 0).all())


class _Rocks(NamedTuple):
    """One rock, as it came over a good cable and over a bad one."""

    sent: Sent
    rock: Rock
    clean: Decoded
    found: Decoded


def _measure(figures: Figures, wire: Wire, name: str, way: str, rocks: _Rocks) -> None:
    """The rock as the program would measure it, beside the same rock on a good cable."""
    begin_s = rocks.sent.lead / wire.rate_hz
    end_s = (len(rocks.sent.steps) - _TAIL) / wire.rate_hz
    far = []
    for one in (rocks.clean, rocks.found):
        inside = (one.time_s >= begin_s) & (one.time_s <= end_s)
        rock = measure_rock(one.time_s[inside], one.value[inside], resolution_mm=wire.step)
        bound_mm = FAR_U * rock.standard_uncertainty_mm + wire.step
        off_mm = rock.reading_mm - rocks.rock.lash_mm
        far.append((rock.usable, rock.usable and not abs(off_mm) <= bound_mm, off_mm, bound_mm))
    (usable_clean, far_clean, *_), (usable, is_far, off_mm, bound_mm) = far
    figures.add(f"{way} rocks", 1)
    figures.add(f"{way} rocks accepted on a good cable", int(usable_clean))
    figures.add(f"{way} rocks accepted", int(usable))
    figures.add(f"{way} rocks too far on a good cable", int(far_clean))
    figures.add(f"{way} rocks too far", int(is_far))
    if is_far or far_clean:
        where = "on a bad cable" if is_far else "on a good cable"
        figures.wrong(
            f"{name}: accepted rock off by {1000 * off_mm:+.2f} µm {where}, allowed {1000 * bound_mm:.2f}; "
            f"{int(rocks.found.wrong.sum())} wrong values among {len(rocks.found.value)}"
        )


def _summarise(figures: Figures) -> None:
    """Turn the tallies into a row for each instrument and kind of damage."""
    figures.notes = [_HEAD]
    tallies = figures.counts.copy()
    figures.counts.clear()
    for what in (
        "traces",
        "frames",
        "damaged",
        "values",
        "wrong",
        "rocks",
        "rocks accepted",
        "rocks too far",
    ):
        figures.add(what, sum(n for key, n in tallies.items() if key.endswith(f"| {what}")))
    for wire, way in ((wire, way) for wire in wires() for way in ("flips", "any")):

        def got(what: str, row: str = f"{wire.name} | {way} |") -> int:
            return tallies[f"{row} {what}"]

        if not got("traces"):
            continue
        figures.notes.append(
            f"{wire.name} | {way} | {got('traces')} | {got('frames')} | {got('damaged')} | {got('wrong')} | "
            f"{100.0 * got('wrong') / got('damaged'):.3f} % | {got('rocks accepted')} | "
            f"{got('rocks accepted on a good cable')} | {got('rocks too far')}"
        )
        if wire.guarantee == "three bits" and way == "any":
            by_chance = got("refused frames") / 65_536.0
            if got("wrong") and float(stats.poisson.sf(got("wrong") - 1, by_chance)) < _RARE:
                figures.wrong(
                    f"{wire.name}: {got('wrong')} wrong values passed its CRC, by chance {by_chance:.2f}"
                )
