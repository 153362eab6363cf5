"""What becomes of faults of a cycle run: refused, named, right all the same, or a plausible wrong lash.

Pairs are turned by brute force (`analysis/cycle/driven_pair.py`); sets, speeds, counts at once or two
streams, one or two pairs of passes, three to six rocks, and size and place of the fault are drawn anew for
every case. ``PYTHONPATH=tests python tests/benchmarks/bench_cycle_faults.py [cases] [first seed]``, 400 cases
without numbers; the table stands in ``analysis/README.md``.

A lash is *wrong* when the least is off by more than twice its interval says (a 95 % interval misses one in
twenty without any fault) and more than 2 µm; when its place is not where play is least, by as much; or when
more than a twentieth of the engagements are off by more than three times their intervals and 3 µm.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from analysis.cycle.cycle_runs import Runs, gear_set_of, rocks_of
from analysis.cycle.driven_pair import DrivenPair, Turning, ordinary_pair, turn
from analysis.cycle.held_up import FINE, held_up
from lashmap_analysis.cycle.checks import CycleFlagName
from lashmap_analysis.cycle.cycle import CycleFit, fit_cycle
from lashmap_analysis.cycle.passes import CycleError, CyclePass
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator

SETS = ((13, 40), (9, 41), (16, 46), (7, 24), (15, 45), (20, 20), (12, 32))
PRINTED = 550


@dataclass(frozen=True, kw_only=True)
class Case:
    """One run before its fault."""

    pair: DrivenPair
    how: tuple[Turning, ...]

    @classmethod
    def drawn(cls, rng: Rng) -> Case:
        """Any set, speed and way of counting; long cycles are turned fast, so that a case costs little.

        What two streams are late by scatters by 0.2 ms, and so they are turned slower.
        """
        teeth = SETS[int(rng.integers(len(SETS)))]
        pair = ordinary_pair(
            teeth, rng, tooth_um=float(rng.uniform(0.5, 3.0)), runout_um=float(rng.uniform(2.0, 20.0))
        )
        streams = bool(rng.integers(2))
        slowest = (150.0 if streams else 300.0) if pair.length > 150 else 50.0
        speed = float(rng.uniform(slowest, 2 * slowest))
        how = Turning(
            speed_deg_per_s=speed,
            rate_hz=float(rng.choice([500.0, 1000.0])),
            skew_s=float(rng.uniform(0.0, 0.016)) if streams else None,
            stamp_noise_s=0.0002 if streams else 0.0,
            ripple=(0.05, 0.2 if streams else 0.05),
        )
        pairs = 2 if streams else int(rng.integers(1, 3))
        return cls(pair=pair, how=(how, replace(how, speed_deg_per_s=0.6 * speed))[:pairs])

    def turned(self, rng: Rng, how: Callable[[int, Turning], Turning] = lambda _, one: one) -> Runs:
        """Passes on both flanks, each as `how` changes it, by its number in the order of turning."""
        sides: Runs = ([], [])
        start_s = 0.0
        for number in range(2 * len(self.how)):
            one = how(number, self.how[number // 2])
            speed = one.speed_deg_per_s * (-1 if number % 2 else 1)
            made = turn(self.pair, replace(one, speed_deg_per_s=speed), rng, start_s=start_s)
            sides[number % 2].append(made)
            start_s = float(made.pinion_time_s[-1]) + 5.0
        return sides


def _spoilt(runs: Runs, change: Callable[[CyclePass], CyclePass], hit: Callable[[int], bool]) -> Runs:
    """Passes with those changed that were hit, by number in the order of turning."""
    return tuple(  # type: ignore[return-value]
        [change(one) if hit(2 * number + side) else one for number, one in enumerate(passes)]
        for side, passes in enumerate(runs)
    )


def _every(_: int) -> bool:
    return True


def _some(case: Case, rng: Rng) -> Callable[[int], bool]:
    """One of the passes, all from one on, or all of them."""
    count = 2 * len(case.how)
    first = int(rng.integers(count))
    lot = int(rng.integers(3))
    return lambda number: lot == 2 or (number == first if lot == 0 else number >= first)


def _added(one: CyclePass, member: str, by: Floats | float) -> CyclePass:
    if member == "pinion":
        return replace(one, pinion_deg=one.pinion_deg + by)
    return replace(one, gear_deg=one.gear_deg + by)


# Faults ----------------------------------------------------------------------------------------------------


def lost_contact(case: Case, rng: Rng) -> Runs:
    """Now and then, up to the other flank."""
    lost = float(10 ** rng.uniform(0.0, 2.0))
    return case.turned(rng, lambda _, one: replace(one, lost=lost))


def thrown_at_one_angle(case: Case, rng: Rng) -> Runs:
    """A drive that jerks at one of its angles, in every pass: the gear flies as high as its speed squared."""
    at, high = float(rng.uniform(0, case.pair.length)), float(rng.uniform(0.01, 0.14))
    wide, fastest = float(rng.uniform(0.2, 3.0)), case.how[0].speed_deg_per_s

    def thrown(_: int, one: Turning) -> Turning:
        height = high * (one.speed_deg_per_s / fastest) ** 2

        def throw(_t: Floats, place: Floats, advance: Floats) -> Floats:
            onwards = np.sign(place[-1] - place[0])
            away = (place - at + case.pair.length / 2) % case.pair.length - case.pair.length / 2
            flown = advance + height * onwards * np.maximum(0.0, 1.0 - (away / wide) ** 2)
            return np.asarray(np.clip(flown, *case.pair.ends(place)))

        return replace(one, disturb=throw)

    return case.turned(rng, thrown)


def slip_by_teeth(case: Case, rng: Rng) -> Runs:
    """A coupling slips by whole teeth, in a pass or between two."""
    member = str(rng.choice(["pinion", "gear"]))
    teeth = case.pair.pinion_teeth if member == "pinion" else case.pair.gear_teeth
    return _slipped(case, rng, member, float(rng.choice([-2, -1, 1, 2])) * 360.0 / teeth)


def slip(case: Case, rng: Rng) -> Runs:
    """A coupling slips by anything, in a pass or between two."""
    size = float(10 ** rng.uniform(-2.5, 1.3)) * float(rng.choice([-1, 1]))
    return _slipped(case, rng, str(rng.choice(["pinion", "gear"])), size)


def _slipped(case: Case, rng: Rng, member: str, size_deg: float) -> Runs:
    """From a moment on, in one pass and all later ones, all angles of an encoder are off."""
    when, share = int(rng.integers(2 * len(case.how))), float(rng.uniform(0.0, 0.98))
    share = 0.0 if rng.random() < 0.3 else share  # before the pass
    numbers = iter(range(2 * len(case.how)))
    sides: Runs = ([], [])
    drive, coast = case.turned(rng)
    for one in (one for both in zip(drive, coast, strict=True) for one in both):
        number = next(numbers)
        size = one.pinion_deg.size if member == "pinion" else one.gear_deg.size
        begins = 0.0 if number > when else share * size if number == when else float(size)
        sides[number % 2].append(_added(one, member, np.where(np.arange(size) >= begins, size_deg, 0.0)))
    return sides


def wrapped(case: Case, rng: Rng) -> Runs:
    """A count of a few bits that nobody counted on."""
    turns = float(2 ** rng.integers(10, 18)) * 360.0 / 20000
    start, member = float(rng.uniform(0, turns)), str(rng.choice(["pinion", "gear"]))

    def wrap(one: CyclePass) -> CyclePass:
        deg = one.pinion_deg if member == "pinion" else one.gear_deg
        return _added(one, member, (deg + start) % turns - start - deg)

    return _spoilt(case.turned(rng), wrap, _every)


def brake_forgotten(case: Case, rng: Rng) -> Runs:
    """The gear stays on one flank both ways, in all passes or in some."""
    hit, side = _some(case, rng), int(rng.integers(2))

    def stays(number: int, one: Turning) -> Turning:
        if not hit(number):
            return one

        def on_one_flank(_t: Floats, place: Floats, _a: Floats) -> Floats:
            return case.pair.ends(place)[side]

        return replace(one, disturb=on_one_flank)

    return case.turned(rng, stays)


def heavy_side(case: Case, rng: Rng) -> Runs:
    """No brake, and a gear that is heavy on one side: over part of its turn it runs ahead both ways."""
    towards, drag = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0.0, 1.2))

    def swings(_t: Floats, place: Floats, _a: Floats) -> Floats:
        behind, ahead = case.pair.ends(place)
        onwards = np.sign(place[-1] - place[0])
        pulled = np.cos(2 * np.pi * place / case.pair.gear_teeth - towards) - drag * onwards
        return np.where(pulled > 0, ahead, behind)

    return case.turned(rng, lambda _, one: replace(one, disturb=swings))


def wrong_shaft(case: Case, rng: Rng) -> Runs:
    """Encoders exchanged, or both on one shaft."""
    way = int(rng.integers(3))

    def put(one: CyclePass) -> CyclePass:
        pinion = (one.pinion_time_s, one.pinion_deg)
        gear = (one.gear_time_s, one.gear_deg)
        first, second = ((gear, pinion), (pinion, pinion), (gear, gear))[way]
        return replace(
            one, pinion_time_s=first[0], pinion_deg=first[1], gear_time_s=second[0], gear_deg=second[1]
        )

    return _spoilt(case.turned(rng), put, _every)


def counts_wrong(case: Case, rng: Rng) -> Runs:
    """Counts per turn of one encoder, or of both, are not those that are given."""
    factor = float(rng.choice([0.25, 0.5, 0.8, 0.9, 20000 / 20480, 1.024, 1.25, 2.0, 2.5, 4.0]))
    who = int(rng.integers(3))

    def scaled(one: CyclePass) -> CyclePass:
        return replace(
            one,
            pinion_deg=one.pinion_deg * (factor if who != 0 else 1.0),
            gear_deg=one.gear_deg * (factor if who != 1 else 1.0),
        )

    return _spoilt(case.turned(rng), scaled, _every)


def backwards(case: Case, rng: Rng) -> Runs:
    """One encoder, or both, count the other way."""
    who = int(rng.integers(3))

    def turned_round(one: CyclePass) -> CyclePass:
        return replace(
            one,
            pinion_deg=one.pinion_deg * (-1 if who != 0 else 1),
            gear_deg=one.gear_deg * (-1 if who != 1 else 1),
        )

    return _spoilt(case.turned(rng), turned_round, _every)


def stalled(case: Case, rng: Rng) -> Runs:
    """Two streams whose reads are held up now and then; the drivers' clock stamps them."""
    late = case.how[0].skew_s or float(rng.uniform(0.0, 0.016))
    steady = tuple(replace(case.how[0], skew_s=late, stamp_noise_s=0.0, counts=FINE) for _ in (0, 1))
    slower = replace(steady[1], speed_deg_per_s=0.6 * steady[1].speed_deg_per_s)
    runs = replace(case, how=(steady[0], slower)).turned(rng)
    share, every_s = float(10 ** rng.uniform(-3, -1)), float(rng.choice([0.005, 0.016, 0.03]))
    return held_up(runs, rng, share=share, every_s=every_s, uneven_s=float(rng.choice([0.0, 0.0002])))


def nothing(case: Case, rng: Rng) -> Runs:
    """A run as it should be, to see what is refused without need."""
    return case.turned(rng)


CONTROL = "no fault, for comparison"
FAULTS: dict[str, Callable[[Case, Rng], Runs]] = {
    "contact lost, 1 to 100 times a pass": lost_contact,
    "contact lost at one angle in every pass": thrown_at_one_angle,
    "slip by one or two whole teeth": slip_by_teeth,
    "slip by 0.003 to 20°": slip,
    "count wrapped at 10 to 17 bits": wrapped,
    "brake forgotten, one flank both ways": brake_forgotten,
    "no brake, gear heavy on one side": heavy_side,
    "encoders exchanged or on one shaft": wrong_shaft,
    "counts per turn wrong, of one or both": counts_wrong,
    "sense reversed, of one or both": backwards,
    "two streams whose reads stall": stalled,
    CONTROL: nothing,
}
NAMES_IT = {
    "contact lost, 1 to 100 times a pass": {CycleFlagName.CONTACT_LOST},
    "contact lost at one angle in every pass": {CycleFlagName.CONTACT_LOST},
    "no brake, gear heavy on one side": {CycleFlagName.CONTACT_LOST},
}


def _wrong(pair: DrivenPair, fit: CycleFit) -> str:
    """What of a lash is wrong, or nothing."""
    spot, per = fit.tight_spot, fit.gear_set.normal_per_transverse
    if spot is None:
        return ""
    truth_mm, _ = pair.least_mm
    allowed = max(spot.high_mm - spot.low_mm, 2 * 0.001 * per)  # twice the half-width
    if abs(spot.backlash_mm - per * truth_mm) > allowed:
        return f"least {1e3 * (spot.backlash_mm / per - truth_mm):+.1f} µm"
    there = float(pair.lash(np.array([spot.place]))[0])
    if per * (there - truth_mm) > allowed:
        return f"place {1e3 * (there - truth_mm):+.1f} µm"
    off = np.abs(fit.normal_mm - per * pair.rocked_mm)
    far = off > np.maximum(3 * 1.96 * fit.normal_uncertainty_mm, 0.003 * per)
    share = float(far.mean())
    return f"{100 * share:.0f} % of engagements" if share > 0.05 else ""


def outcome(name: str, seed: int) -> tuple[str, str]:
    """What became of one case, in a word and in detail."""
    rng = np.random.default_rng([seed, 17])
    case = Case.drawn(rng)
    drive, coast = FAULTS[name](case, rng)
    rocks = rocks_of(case.pair, int(rng.integers(3, 7)), rng)
    try:
        fit = fit_cycle(gear_set_of(case.pair), drive, coast, rocks=rocks)
    except CycleError as error:
        return "refused", f"arrays: {error.field}"
    told = {flag.name for flag in fit.flags}
    words = ", ".join(sorted(flag.value for flag in told))
    if fit.tight_spot is None:
        return "refused", next(flag.name.value for flag in fit.flags if flag.disabling)
    wrong = _wrong(case.pair, fit)
    if not wrong:
        return "right", words
    if told & ({CycleFlagName.ROCKS_DISAGREE, CycleFlagName.SUDDEN} | NAMES_IT.get(name, set())):
        return "wrong, named", words
    streams = "streams" if case.how[0].skew_s is not None else "latched"
    teeth = f"{case.pair.pinion_teeth}:{case.pair.gear_teeth}"
    return "wrong", f"{wrong}; {teeth}, {streams}, pairs {len(case.how)}, rocks {len(rocks)}; {words}"


def table(counts: dict[str, Counter[str]]) -> str:
    """The table so far."""
    lines = [
        "| fault | cases | refused | right | wrong, named | plausible and wrong |",
        "|---|---|---|---|---|---|",
    ]
    total: Counter[str] = Counter()
    for name, seen in counts.items():
        total.update(seen if name != CONTROL else {})
    for name, seen in {**counts, "all faults": total}.items():
        lines.append(
            f"| {name} | {seen.total()} | {seen['refused']} | {seen['right']} | {seen['wrong, named']} | "
            f"{seen['wrong']} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Print each plausible wrong lash, and the table now and then."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    counts: dict[str, Counter[str]] = {name: Counter() for name in FAULTS}
    for seed in range(first, first + cases):
        name = list(FAULTS)[seed % len(FAULTS)]
        word, detail = outcome(name, seed)
        counts[name][word] += 1
        if word == "wrong":
            print(f"{seed} {name}: {detail}", flush=True)
        if (seed - first + 1) % PRINTED == 0:
            print(table(counts), flush=True)
    print(table(counts))


if __name__ == "__main__":
    main()
