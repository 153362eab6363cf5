"""The tests of the golden set: always the same boxes, seeds and happenings, in virtual time.

Together they hold every kind of event that a test can have (a test says so).
"""

from __future__ import annotations

import gc
import hashlib
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from daemon.broken_off import BrokenOff, killed_after, with_mean_backlash
from daemon.made_build import png
from daemon.simulated_boxes import COARSE
from daemon.virtual_time import CONFIGS, VirtualTest, load_box
from golden import program
from golden.program import ENCODER, Chunk, Fault, Found, Full, Repeat, Shaft, Skip, Space, events

LOGBOOK = Path("virtual.logbook")
TICK_S = 0.02
Seen = list[dict[str, Any]]


@dataclass
class Watched(VirtualTest):
    """A test in virtual time that somebody at the bus looks at.

    Attributes:
        idle_tries: So many times nobody turns the member of a sweep when asked.
    """

    idle_tries: int = 0
    onlooker: program.Onlooker | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        self.onlooker = program.Onlooker(self.started)
        name = self.started.stand.channels[0]
        port = self.started.stand.port(name)
        self._emit(events.InstrumentHeard(instrument=name, port=port, rate_hz=COARSE.indicator_rate_hz))

    @property
    def seen(self) -> Seen:
        """What was seen of it on the bus."""
        return self.onlooker.seen if self.onlooker else []

    def tick(self, count: int = 1) -> None:
        """Let a little time pass, and look."""
        for _ in range(count):
            super().tick()
            self._look()

    def without_indicator(self, seconds: float) -> None:
        """The indicator says nothing for so long."""
        for _ in range(round(seconds / TICK_S)):
            wire = self._simulated.advance(TICK_S)
            self.now_s += TICK_S
            self.conductor.tick(self.now_s, {ENCODER: [Chunk(self.now_s, wire.encoder)]})
            self._look()

    def senseless_at_first(self, fault: Fault, until_s: float) -> None:
        """Before the first tick: something is wrong with the stand for so long."""
        self._simulated = program.faulty_stand(self.box, COARSE, fault, seed=self.seed, until_s=until_s)

    def _look(self) -> None:
        if self.onlooker is not None:
            self.onlooker.look(self.conductor, self.now_s)

    def _emit(self, event: events.Event) -> events.Stamped:
        self.follow = not (isinstance(event, events.SweepAsked) and event.attempt <= self.idle_tries)
        stamped = super()._emit(event)
        if self.onlooker is not None:
            self.onlooker.hear(self.stream[-1])
        return stamped


def spiral() -> Seen:
    """The hunting set, settled before the whole plan is measured, with two positions that confirm it."""
    plan = {"positions": 15, "gear_turns": 6.0, "confirming_positions": 2, "stop_when_settled": True}
    test = _watched("spiral-13x40", plan, seed=3)
    _to_its_end(test)
    return test.seen


def mitre() -> Seen:
    """The 1:1 set, the tip on an arm."""
    plan = {"positions": 5, "gear_turns": 1.0, "confirming_positions": 1}
    _to_its_end(_watched("mitre-20x20", plan, seed=5))
    return []


def inch() -> Seen:
    """The box in inches, and so is its indicator."""
    instruments = replace(COARSE, indicator_unit="in", indicator_resolution_mm=0.000254)
    plan = {"positions": 6, "gear_turns": 2.0, "confirming_positions": 1}
    box = load_box(CONFIGS / "boxes" / "spiral-15x45-inch.toml", **plan)
    _to_its_end(VirtualTest(Path(), box, seed=6, instruments=instruments, tick_s=TICK_S))
    return []


def straight() -> Seen:
    """The set whose pinion distance nobody wrote down, reviewed: left out, taken back, left out, signed."""
    plan = {"positions": 6, "gear_turns": 2.0, "confirming_positions": 1}
    _to_its_end(_watched("straight-18x36", plan, seed=7))
    review = ("review", "--logbook", LOGBOOK, "--by", "R. Nobody")
    program.lashmap(*review, "--exclude", "3", "--reason", "the bar slipped, it seemed")
    program.lashmap(*review, "--undo", "1", "--reason", "it had not")
    program.lashmap(*review, "--exclude", "4", "--reversal", "2", "--reason", "somebody leaned on the bench")
    program.lashmap(*review, "--sign-off", "S. Nobody", "--reason", "seen with the drawing")
    return []


def sweeps() -> Seen:
    """Runout sweeps of both members, which nobody turns at the first try."""
    plan = {"positions": 6, "gear_turns": 6.0, "confirming_positions": 1, "turn_seconds": 6.0}
    test = _watched("spiral-13x40", plan, seed=8, sweeps=("gear", "pinion"), idle_tries=1)
    _to_its_end(test)
    return []


def resumed() -> Seen:
    """Too tight a box; killed in a rock, gone on with by another, the marked teeth brought together again."""
    box = load_box(positions=5, gear_turns=1.0, confirming_positions=1)
    test = BrokenOff(Path(), with_mean_backlash(box, 0.092), seed=4, instruments=COARSE, tick_s=TICK_S)
    killed_after(test, 2)
    test.switch_encoder_off_and_on()
    test.go_on(offset=None)
    _to_its_end(test)
    return []


def faults() -> Seen:
    """Nothing goes well: refused rocks, a silent indicator, a full disk, an early stop; note, photograph."""
    plan = {"positions": 7, "gear_turns": 3.0, "tries": 2, "rock_seconds": 4.0}
    test = _watched("spiral-13x40", plan, seed=9)
    test.senseless_at_first(Fault.ONE_FLANK, until_s=14.0)
    test.run_until(events.PositionSkipped)
    test.conductor.note("The bar was held on one side only. =1+1")
    picture = png(8)
    test.conductor.keep_photo(
        events.PhotoTaken(
            number=1,
            words="heel side, invented",
            size=len(picture),
            sha256=hashlib.sha256(picture).hexdigest(),
            channel="photo 1",
        ),
        picture,
    )
    test.run_until(events.RockAccepted)
    test.conductor.happen(Repeat())
    test.run_until(events.RockStarted)
    test.tick(20)
    test.without_indicator(4.0)
    test.run_until(events.InstrumentBack)
    test.run_until(events.RockStarted)
    test.conductor.happen(Full("no space left on the disk (invented)"))
    test.tick(40)
    test.conductor.given_up_s = 0.25
    test.conductor.happen(Space())
    test.run_until(events.RockAccepted)
    test.conductor.happen(Skip())
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.tick(10)
    test.stop()
    _to_its_end(test)
    return test.seen


def stuck() -> Seen:
    """The pinion is not locked: four rocks in a row are refused, somebody says why, and it goes on."""
    plan = {"positions": 5, "gear_turns": 1.0, "confirming_positions": 1, "rock_seconds": 4.0}
    test = _watched("spiral-13x40", plan, seed=11)
    test.senseless_at_first(Fault.SLIP, until_s=30.0)
    test.run_until(events.CauseAsked)
    test.tick(round((31.0 - test.now_s) / TICK_S))
    test.conductor.told_cause(Found(cause="pinion"))
    _to_its_end(test)
    return test.seen


def imported() -> Seen:
    """The shipped recording of another program."""
    program.lashmap("import", CONFIGS / "imports" / "bench-recording.toml", "--logbook", LOGBOOK)
    return []


def built() -> Seen:
    """A build comes before it: the pinion's distance cannot be measured, its pattern was accepted by name."""
    plan = {"positions": 5, "gear_turns": 1.0, "confirming_positions": 1}
    box = load_box(CONFIGS / "boxes" / "mitre-20x20.toml", **plan)
    taken, named = program.taken_from_a_build(LOGBOOK, box)
    _to_its_end(VirtualTest(Path(), taken, seed=10, instruments=COARSE, tick_s=TICK_S, build=named))
    return []


def by_hand() -> Seen:
    """No cable at all: readings of a dial gauge are typed, one of them twice."""
    box = load_box(
        CONFIGS / "boxes" / "mitre-20x20.toml", positions=5, gear_turns=1.0, confirming_positions=1
    )
    program.typed(LOGBOOK, box)
    program.keep_result(LOGBOOK)
    return []


def sheet() -> Seen:
    """No cable and no computer at the bench: a filled sheet is typed in the day after."""
    box = load_box(
        CONFIGS / "boxes" / "mitre-20x20.toml", positions=6, gear_turns=1.0, confirming_positions=1
    )
    program.typed(LOGBOOK, box, from_sheet=True)
    program.keep_result(LOGBOOK)
    return []


def counted() -> Seen:
    """No encoder: a person counts the teeth and says where the gear is; the indicator has its wire."""
    plan = {"positions": 6, "gear_turns": 3.0, "confirming_positions": 1}
    test = _watched("spiral-13x40", plan, seed=11, counted=True)
    _to_its_end(test)
    return test.seen


def by_angle() -> Seen:
    """No indicator: the encoder on the gear's shaft is all that sees the rock."""
    plan = {"positions": 6, "gear_turns": 3.0, "confirming_positions": 1}
    test = _watched("spiral-13x40", plan, seed=12, by_angle=True)
    _to_its_end(test)
    return test.seen


def cycle() -> Seen:
    """An encoder on each shaft: a cycle run, its first pass made again, tied by four rocks."""
    test = Watched(
        Path(),
        load_box(CONFIGS / "boxes" / "spiral-15x45-inch.toml", confirming_positions=1),
        seed=13,
        instruments=replace(
            COARSE, encoders="latched", encoder_rate_hz=500.0, encoder_counts_per_turn=20_000
        ),
        drive=program.SimulatedDrive(pass_deg_per_s=180.0, second_pass_deg_per_s=270.0),
        tick_s=TICK_S,
        method="cycle",
    )
    test.run_until(events.PassAsked)
    test.tick(50)
    test.conductor.happen(Repeat())
    _to_its_end(test)
    return test.seen


def _watched(
    box: str,
    plan: dict[str, float],
    *,
    seed: int,
    sweeps: tuple[Shaft, ...] = (),
    idle_tries: int = 0,
    counted: bool = False,
    by_angle: bool = False,
) -> Watched:
    """A test of a shipped box in the working folder."""
    loaded = load_box(CONFIGS / "boxes" / f"{box}.toml", **plan)
    return Watched(
        Path(),
        loaded,
        seed=seed,
        instruments=COARSE,
        tick_s=TICK_S,
        sweeps=sweeps,
        idle_tries=idle_tries,
        counted=counted,
        by_angle=by_angle,
    )


def _to_its_end(test: VirtualTest) -> None:
    """Go on until it is closed, and keep the result as a live test does."""
    test.run()
    test.logbook.close()
    program.keep_result(LOGBOOK)


SCENARIOS: dict[str, Callable[[], Seen]] = {
    one.__name__: one
    for one in (
        spiral,
        mitre,
        inch,
        straight,
        sweeps,
        resumed,
        faults,
        stuck,
        imported,
        built,
        by_hand,
        sheet,
        counted,
        by_angle,
        cycle,
    )
}


def make(name: str) -> tuple[Path, Seen]:
    """Make the logbook of a scenario in the working folder, and what was seen on the bus meanwhile."""
    seen = SCENARIOS[name]()
    gc.collect()  # a killed test never closed its logbook
    with closing(sqlite3.connect(LOGBOOK)) as base:
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert not LOGBOOK.with_name(f"{LOGBOOK}-wal").exists()
    return LOGBOOK, seen
