"""A test in virtual time that is killed and goes on, as a new process would, from the logbook alone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from daemon.virtual_time import VirtualTest, set_up
from lashmap_analysis.record.record import Precondition
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.sequence.resume import take_up
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, Stand
from lashmap_daemon.story import events
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.conductor import Conductor
from lashmap_daemon.testing.opening import open_again, reference_of
from lashmap_drivers.readings import Chunk

LATER = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)
TO_THE_MARKS_S = 9.0  # the simulated drive turns 80 teeth a second, a mesh cycle is 520


@dataclass
class BrokenOff(VirtualTest):
    """A test that can be broken off.

    Attributes:
        count_offset: Added to what the encoder counts: it was switched off and began anew.
        shown: What the person was shown while the test was taken up.
    """

    count_offset: int = 0
    shown: list[str] = field(default_factory=list)
    _listening: Channels | None = None
    _heard_s: float = 0.0

    def go_on(
        self,
        *,
        marks: int | None = 0,
        offset: int | None = 0,
        box: BoxFile | None = None,
        stand: Stand | None = None,
        now: dt.datetime = LATER,
    ) -> None:
        """Take the test up again.

        Args:
            marks: Engagement that the person brings together and calls matched; None when nobody does.
            offset: What the encoder's count is off by from now on; None leaves it as it is.
            box: Of the new process.
            stand: Of the new process.
            now: Its wall clock.
        """
        self.count_offset = self.count_offset if offset is None else offset
        self.logbook = Logbook(self.folder / "virtual.logbook", create=False)  # the other never closed
        unfinished = take_up(self.logbook, self.started.test, set_up(box or self.box, stand or self.stand))
        opening = open_again(
            unfinished,
            reference_of(unfinished, self.logbook),
            person=_AtTheStand(self, marks),
            cautions=events.CautionsConfirmed(how="again"),
            rates_hz={},
            encoder_deg=self._encoder_deg(),
            followed=True,
            operator="Grace",
            version="1",
            now=now,
        )
        assert opening.resumption is not None
        assert opening.resumed is not None
        self.now_s = opening.resumption.first_s
        self.channels = Channels(opening.started.stand, self.box.gear_set.gear_set())
        self.channels.count_from(opening.matched)
        self._listening = None
        self.conductor = Conductor(
            opening.started,
            self.channels,
            emit=self._emit,
            keep=lambda name, chunks: self.logbook.keep(self.started.test, name, chunks),
            resumption=opening.resumption,
        )
        for event in opening.records():
            self.conductor.emit(event)

    def tick(self, count: int = 1) -> None:
        """Let a little time pass."""
        for _ in range(count):
            said = self._said()
            self.now_s += self.tick_s
            heard = self.channels.monitors
            chunks = {
                name: [Chunk(self.now_s, data)] for name, data in said.items() if data and name in heard
            }
            self.conductor.tick(self.now_s, chunks)
            self.obey_knocks()
            self.count()

    def let_pass(self, seconds: float) -> None:
        """Let time pass that nobody records; a program that listens goes on with that."""
        for _ in range(round(seconds / self.tick_s)):
            said, self._heard_s = self._said(), self._heard_s + self.tick_s
            if self._listening is not None and ENCODER in self._listening.monitors:
                self._listening.feed(ENCODER, [Chunk(self._heard_s, said[ENCODER])])

    def switch_encoder_off_and_on(self) -> None:
        """It counts from its own zero."""
        self.count_offset = 0
        lines = self._said()[ENCODER].splitlines()
        self.count_offset = -int(lines[-1])

    def _said(self) -> dict[str, bytes]:
        wire = self._simulated.advance(self.tick_s)
        counts = (int(line) + self.count_offset for line in wire.encoder_lines)
        wrapped = counts if self.wraps_at is None else (count % self.wraps_at for count in counts)
        return {INDICATOR: wire.indicator, ENCODER: b"".join(b"%+011d\r\n" % count for count in wrapped)}

    def _encoder_deg(self) -> Callable[[], float]:
        channels = Channels(self.stand.recorded(), self.box.gear_set.gear_set())
        self._listening = channels

        def read() -> float:
            self.let_pass(5 * self.tick_s)
            assert channels.latest_encoder_deg is not None
            return channels.latest_encoder_deg

        return read


@dataclass
class _AtTheStand:
    """Someone who brings teeth together when asked to."""

    test: BrokenOff
    marks: int | None

    def show(self, text: str) -> None:
        self.test.shown.append(text)

    def ask(self, question: str) -> str:
        assert "marked teeth" in question
        if self.marks is None:
            return ""
        self.test._simulated.ask(self.marks, by_eye=True)
        self.test.let_pass(TO_THE_MARKS_S)
        return "matched"


def with_mean_backlash(box: BoxFile, mean_mm: float) -> BoxFile:
    """The same box with other simulated teeth."""
    return box.model_copy(
        update={"simulated": box.simulated.model_copy(update={"mean_normal_backlash_mm": mean_mm})}
    )


def accepted(test: VirtualTest) -> dict[int, events.RockAccepted]:
    """The last accepted rock of each position."""
    return {one.number: one for one in test.of(events.RockAccepted) if isinstance(one, events.RockAccepted)}


def asked(test: VirtualTest, since: int = 0) -> list[tuple[int, int]]:
    """Number and engagement of every position asked for since an event of the stream."""
    return [
        (stamped.event.number, stamped.event.engagement)
        for stamped in test.stream[since:]
        if isinstance(stamped.event, events.PositionAsked)
    ]


def at_another_port(stand: Stand) -> Stand:
    """The same stand, its indicator plugged in elsewhere."""
    assert stand.file.indicator is not None
    indicator = stand.file.indicator.model_copy(update={"port": "/dev/elsewhere"})
    return stand.model_copy(update={"file": stand.file.model_copy(update={"indicator": indicator})})


def changed(box: BoxFile, table: str, **keys: object) -> BoxFile:
    """The box with other values in one table."""
    return box.model_copy(update={table: getattr(box, table).model_copy(update=keys)})


def killed_after(test: BrokenOff, positions: int) -> int:
    """Broken off in the middle of the next rock; returns where the new events begin."""
    for _ in range(positions):
        test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.tick_for(0.4)
    return len(test.stream)


def precondition(test: BrokenOff, name: str) -> Precondition:
    """As the record gives it now."""
    record = Replay(test.logbook, test.started.test).record()
    return next(one for one in record.preconditions if one.name == name)


def numbers_agree(test: BrokenOff) -> None:
    """What was shown is what the raw bytes give, to the last digit, and what the stand has."""
    shown = accepted(test)
    concluded = conclude(test.logbook, test.started.test)
    assert {one.position for one in concluded.positions} == set(shown)
    for one in concluded.positions:
        assert one.normal_backlash_mm == shown[one.position].normal_backlash_mm
        true = test.truth.normal_backlash_mm[one.engagement % 520]
        # The tip's true radius is not the nominal one, within 4 standard uncertainties of 0.15 mm on 76 mm.
        assert one.normal_backlash_mm == pytest.approx(true, rel=4.0 * 0.15 / 76.0, abs=0.0005)
