"""A whole test in virtual time: the simulated stand's bytes go straight to the conductor, without waiting.

Everything between is what a live test uses: chunks, decoders, arrival, sequence, logbook.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
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
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import Setup
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.conductor import Conductor
from lashmap_daemon.testing.hands_free import HandsFree
from lashmap_daemon.testing.live_test import Opening
from lashmap_daemon.testing.opening import start_record
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
    return Setup(box=box.recorded(), stand=stand.recorded())


def simulated_stand_file(folder: Path, instruments: SimulatedInstruments) -> Stand:
    """The stand file that the simulate command would leave."""
    folder.mkdir(parents=True, exist_ok=True)
    simulate_command.write_stand(folder, folder / "indicator", folder / "encoder", instruments)
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
        stand = simulated_stand_file(self.folder / "stand", self.instruments)
        profile = stand.encoder_profile.model_copy(update={"wraps_at": self.wraps_at})
        other = {} if self.indicator_profile is None else {"indicator_profile": self.indicator_profile}
        self.stand = stand = stand.model_copy(update={"encoder_profile": profile, **other})
        assert stand.file.hands_free is not None
        self._knocks = HandsFree(stand.file.hands_free, 360.0 / self.box.gear_set.gear_teeth)
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
        )
        self.channels = Channels(self.started.stand, self.box.gear_set.gear_set())
        self.channels.count_from(matched_of(self.box))
        self.now_s = 0.0
        self.conductor = Conductor(
            self.started,
            self.channels,
            emit=self._emit,
            keep=lambda name, chunks: self.logbook.keep(self.started.test, name, chunks),
            go_on=self.goes_on,
        )
        opening = Opening(
            started=self.started,
            cautions=events.CautionsConfirmed(how="in virtual time"),
            preconditions=collect(
                self.started.box,
                self.started.stand,
                matched="box file",
                today=TODAY,
                locked_out=True,
                build=self.build,
            ),
            matched=matched_of(self.box),
            rates_hz={},
            build=self.build,
        )
        for event in opening.records():
            self.conductor.emit(event)

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
                for name, data in ((INDICATOR, self.sent_by_indicator(wire)), (ENCODER, wire.encoder))
            }
            self.conductor.tick(self.now_s, chunks)
            self.obey_knocks()

    def tick_for(self, seconds: float) -> None:
        """Let so much time pass."""
        self.tick(round(seconds / self.tick_s))

    def sent_by_indicator(self, wire: Wire) -> bytes:
        """What came of the indicator in this tick."""
        return wire.indicator

    def obey_knocks(self) -> None:
        """What a live test does with the commands of the gear."""
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
            self._simulated.ask(event.engagement)
        if self.follow and isinstance(event, events.SweepAsked):
            self._simulated.sweep(event.member)
        if self.follow and isinstance(event, events.MarksAsked):
            self._simulated.see_mark(event.member)
        return stamped
