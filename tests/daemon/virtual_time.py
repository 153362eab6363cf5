"""A whole test in virtual time: the simulated stand's bytes go straight to the conductor, without waiting.

Everything between is what a live test uses: chunks, decoders, arrival, sequence, logbook.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypedDict

from daemon.simulated_boxes import COARSE
from lashmap_analysis.record.record import Shaft
from lashmap_daemon.commands import simulate as simulate_command
from lashmap_daemon.commands.options import STAND_FILE
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.preconditions import collect
from lashmap_daemon.sequence import sequence
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile, SimulatedTable
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, Stand, load_stand
from lashmap_daemon.simulated_stand import Fault, SimulatedDrive, SimulatedInstruments, Truth, Wire
from lashmap_daemon.simulated_stand.passes import PassOrder
from lashmap_daemon.story import events
from lashmap_daemon.story.method import Method
from lashmap_daemon.story.recorded import PINION_ENCODER, Setup
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.conductor import Conductor
from lashmap_daemon.testing.hands_free import HandsFree
from lashmap_daemon.testing.live_test import Opening
from lashmap_daemon.testing.opening import start_record
from lashmap_daemon.testing.passes import planned_passes
from lashmap_drivers.kinds import AnyProfile
from lashmap_drivers.readings import Chunk

CONFIGS = Path(__file__).parents[2] / "configs"
DEMO_BOX = CONFIGS / "boxes" / "spiral-13x40.toml"
TICK_S = 0.04
TODAY = dt.date(2026, 11, 25)


# What is wrong with a simulated gearbox itself; all else of its table is the stand's or the measurement's.
_OF_THE_BOX = (
    "mean_normal_backlash_mm",
    "gear_eccentricity_mm",
    "pinion_eccentricity_mm",
    "gear_high_point_deg",
    "pinion_high_point_deg",
    "gear_tooth_error_mm",
    "pinion_tooth_error_mm",
    "gear_face_wobble_mm",
    "pinion_face_wobble_mm",
    "out_of_round_mm",
)


def load_box(path: Path = DEMO_BOX, **plan: float) -> BoxFile:
    """A shipped box, with another plan where one is given, on a stand that measures it without errors.

    It runs the whole plan, and another plan has no repeats, unless told otherwise.

    Tests of the program are about the program; how well it copes with a stand's errors is asked by
    `bench_tight_spot`, which loads the box as shipped.
    """
    box = toml_file.load(path, BoxFile)
    simulated = SimulatedTable(**{name: getattr(box.simulated, name) for name in _OF_THE_BOX})
    update = {"stop_when_settled": False, **({"repeats": 0} if plan else {}), **plan}
    return box.model_copy(update={"plan": box.plan.model_copy(update=update), "simulated": simulated})


def demo_text() -> str:
    """The file of the demonstration box, on a stand that measures it without errors, as `load_box`."""
    box, from_here, _errors = DEMO_BOX.read_text("utf-8").partition("# How well the simulated stand measures")
    assert from_here
    return box


def set_up(box: BoxFile, stand: Stand) -> Setup:
    """Box and stand as a record keeps them."""
    return Setup.of(box.recorded(), stand.recorded())


def simulated_stand_file(
    folder: Path, instruments: SimulatedInstruments, *, counted: bool = False, by_angle: bool = False
) -> Stand:
    """The stand file that the simulate command would leave.

    Without an encoder where teeth are counted, without an indicator where the encoder alone is read.
    """
    folder.mkdir(parents=True, exist_ok=True)
    indicator = None if by_angle else folder / "indicator"
    encoder = None if counted else folder / "encoder"
    simulate_command.write_stand(folder, indicator, encoder, instruments)
    return load_stand(folder / STAND_FILE)


def matched_of(box: BoxFile) -> events.MatchedTeethSet:
    """The reference that a box file carries."""
    return events.MatchedTeethSet(encoder_deg=box.matched_teeth.encoder_deg or 0.0, how="box file")


class Pace(TypedDict):
    """How quick the instruments are and how often they are read, as words of `VirtualTest`."""

    instruments: SimulatedInstruments
    tick_s: float


AS_SHIPPED: Pace = {"instruments": SimulatedInstruments(), "tick_s": 0.02}
"""The rates of the shipped stand, read as often as a live test reads them: three times the work."""


@dataclass
class VirtualTest:
    """One test that can be ticked on by hand.

    Its instruments are slower than those of the shipped stand, and read less often, unless told otherwise:
    the same rocks, and the same numbers within what is said of them, from a fifth of the samples.

    Attributes:
        tick_s: How long a tick is.
        stream: Every event so far, stamped with virtual time.
        wraps_at: Number of different counts of the encoder; None for a count without end.
        counted: There is no encoder: a person counts the teeth, and says so.
        by_angle: There is no indicator: the encoder alone is read.
        method: Rocks, a cycle run, or both.
        ready_before: How it was confirmed beforehand that the box may turn; empty where the test is to ask.
        sees_mark: What that person says of the mark where the count has it.
        truth: Of the simulated gearbox.
    """

    folder: Path
    box: BoxFile
    seed: int = 1
    fault: Fault = Fault.NONE
    instruments: SimulatedInstruments = COARSE
    tick_s: float = TICK_S
    follow: bool = True
    sweeps: tuple[Shaft, ...] = ()
    wraps_at: int | None = None
    drive: SimulatedDrive = field(default_factory=SimulatedDrive)
    goes_on: str = ""
    fault_from_s: float | None = None
    indicator_profile: AnyProfile | None = None
    operator: str = "virtual"
    build: events.BuildNamed | None = None
    counted: bool = False
    by_angle: bool = False
    sees_mark: bool = True
    method: Method = "rock"
    ready_before: str = "in virtual time"
    stream: list[events.Stamped] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._simulated = simulate_command.simulated_stand(
            self.box,
            self.instruments,
            self.drive,
            seed=self.seed,
            fault=self.fault,
            fault_from_s=self.fault_from_s,
        )
        stand = simulated_stand_file(
            self.folder / "stand", self.instruments, counted=self.counted, by_angle=self.by_angle
        )
        other = {} if self.indicator_profile is None else {"indicator_profile": self.indicator_profile}
        if stand.encoder_profile is not None:
            other["encoder_profile"] = stand.encoder_profile.model_copy(update={"wraps_at": self.wraps_at})
        self.stand = stand = stand.model_copy(update=other)
        hands_free = stand.file.hands_free
        pitch_deg = 360.0 / self.box.gear_set.gear_teeth
        self._knocks = None if hands_free is None else HandsFree(hands_free, pitch_deg)
        self._turning = self._was_lifted = self._looks = False  # of a person who counts
        self.logbook = Logbook(self.folder / "virtual.logbook", create=True)
        # No power is cut in a test; waiting for the disk would be a third of its time.
        self.logbook._base.execute("PRAGMA synchronous=OFF")
        self.started = start_record(
            self.box,
            stand,
            operator=self.operator,
            now=dt.datetime(2026, 11, 25, 8, 0, self.seed % 60, tzinfo=dt.UTC),
            version="0",
            box_name="box",
            sweeps=self.sweeps,
            method=self.method,
        )
        self.channels = Channels(self.started.stand, self.box.gear_set.gear_set())
        matched = matched_of(self.box)
        if self.instruments.encoders != "one":
            pinion_deg = simulate_command.simulated_box(self.box).matched_teeth_pinion_deg
            matched = replace(matched, pinion_encoder_deg=pinion_deg)
        if self.counted:
            matched = events.MatchedTeethSet(encoder_deg=0.0, how="counted by hand")
        self.channels.count_from(matched)
        self.now_s = 0.0
        # One board that carries both counts has one port.
        latched = self.started.stand.is_latched
        names = self.started.stand.channels
        self.ports = tuple(name for name in names if not (latched and name == PINION_ENCODER))
        self.conductor = Conductor(
            self.started,
            self.channels,
            emit=self._emit,
            keep=lambda name, chunks: self.logbook.keep(self.started.test, name, chunks),
            go_on=self.goes_on,
            passes=planned_passes(self.method),
            ready_before=self.ready_before,
        )
        for event in self._opening(matched).records():
            self.conductor.emit(event)

    def _opening(self, matched: events.MatchedTeethSet) -> Opening:
        return Opening(
            started=self.started,
            cautions=events.CautionsConfirmed(how="in virtual time"),
            preconditions=collect(
                self.started.box,
                self.started.stand,
                matched="counted by hand" if self.counted else "box file",
                today=TODAY,
                locked_out=True,
                build=self.build,
            ),
            matched=matched,
            rates_hz={},
            build=self.build,
            passes=planned_passes(self.method),
        )

    @property
    def truth(self) -> Truth:
        return self._simulated.truth

    def tick(self, count: int = 1) -> None:
        """Let a little time pass."""
        for _ in range(count):
            wire = self._simulated.advance(self.tick_s)
            self.now_s += self.tick_s
            chunks = {
                name: [Chunk(self.now_s, data)] if data else []
                for name, data in (
                    (INDICATOR, self.sent_by_indicator(wire)),
                    (ENCODER, wire.encoder),
                    (PINION_ENCODER, wire.pinion),
                )
                if name in self.ports
            }
            self.conductor.tick(self.now_s, chunks)
            self.obey_knocks()
            self.count()

    def tick_for(self, seconds: float) -> None:
        """Let so much time pass."""
        self.tick(round(seconds / self.tick_s))

    def sent_by_indicator(self, wire: Wire) -> bytes:
        """What came of the indicator in this tick."""
        return wire.indicator

    def count(self) -> None:
        """What a person does who counts: turn, set the tip down, and say so."""
        if self._looks:
            self._looks = False
            self.conductor.matched() if self.sees_mark else self.conductor.unmatched()
        if not (self.counted and self._turning):
            return
        self._was_lifted = self._was_lifted or not self._simulated.tip_is_down
        if self._was_lifted and self._simulated.tip_is_down:
            self._turning = False
            self.conductor.arrived()

    def obey_knocks(self) -> None:
        """What a live test does with the commands of the gear."""
        if self._knocks is None:
            return
        for command in self._knocks.commands_of(self.conductor):
            assert command == "matched by a knock"
            self.conductor.matched(command)

    def run(self, most_s: float = 600.0) -> None:
        """Go on until the test is closed, or fail after ``most_s`` of virtual time."""
        while not self.conductor.closed:
            self.tick()
            assert self.now_s < most_s, f"not closed; waiting: {self.conductor.state}"

    def run_until(self, kind: type[events.Event], most_s: float = 60.0) -> events.Stamped:
        """Go on until an event of this kind; returns it."""
        start = len(self.stream)
        end_s = self.now_s + most_s
        while self.now_s < end_s:
            self.tick()
            for stamped in self.stream[start:]:
                if isinstance(stamped.event, kind):
                    return stamped
        raise AssertionError(f"no {kind.__name__} within {most_s} s; the last was {self.stream[-1]}")

    def stop(self) -> None:
        """What Ctrl-C does."""
        self.conductor.happen(sequence.Stop("stopped", "by the operator"))

    def of(self, kind: type[events.Event]) -> list[events.Event]:
        """Events of one kind so far."""
        return [stamped.event for stamped in self.stream if isinstance(stamped.event, kind)]

    def _emit(self, event: events.Event) -> events.Stamped:
        stamped = events.Stamped(time_s=self.now_s, utc="2026-11-25T08:00:00Z", event=event)
        self.logbook.append(self.started.test, stamped)
        self.stream.append(stamped)
        if self.follow and isinstance(event, events.PositionAsked):
            rolled = self._simulated.rolled(event.engagement, event.gear_angle_deg)
            self._simulated.ask(event.engagement, rolled=rolled, by_eye=self.counted)
            self._turning, self._was_lifted = True, not event.turn_deg
        if self.follow and isinstance(event, events.CountAsked):
            self._simulated.ask(event.turns * self.box.gear_set.gear_teeth, by_eye=True)
            self._looks = True
        if self.follow and isinstance(event, events.SweepAsked):
            self._simulated.sweep(event.member)
        if self.follow and isinstance(event, events.PassAsked):
            number, way = event.number, event.direction
            self._simulated.make_pass(
                PassOrder(
                    number=number,
                    direction=way,
                    engagements=event.engagements,
                    attempt=event.attempt,
                    most_deg_per_s=event.most_deg_per_s,
                )
            )
        if self.follow and isinstance(event, events.MarksAsked):
            self._simulated.see_mark(event.member)
        return stamped
