"""The engine: ports, clock and logbook of a stand, and the way of a test through them.

A test is prepared, brought to its matched teeth, led and closed. Front ends (a terminal, a local socket)
only ask and show: what is decided between them and a test is decided here, once for both.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import Any

from lashmap_analysis.record.record import PassTrace, Precondition, Shaft
from lashmap_drivers.errors import InstrumentWaits
from lashmap_drivers.readings import Samples

from lashmap_daemon.errors import GearTurns, StandError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.preconditions import check_standard, collect
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.sequence.resume import Unfinished, find_unfinished, take_up
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import ENCODER, PINION_ENCODER, Stand
from lashmap_daemon.story import events
from lashmap_daemon.story.method import Method
from lashmap_daemon.story.recorded import Box, Setup
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.hands_free import with_gestures
from lashmap_daemon.testing.live_test import LiveTest, Opening, Screen
from lashmap_daemon.testing.monitor import SILENT_S, StandInstrument, StandPorts
from lashmap_daemon.testing.opening import (
    Person,
    Reference,
    matched_by_count,
    matched_teeth,
    open_again,
    read_at_rest,
    reference_of,
    start_record,
    unused_name,
)
from lashmap_daemon.testing.relay import Relay
from lashmap_daemon.testing.watches import rests, still_limits, window_s

_STEADY_S = 4.0  # for a reading of the encoder and a still gear
_ROUND_S = 0.05
_LEAST_WAIT_S = 1.0
_SAMPLES_TO_BELIEVE = 5  # good lines before an instrument counts as there


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """A test that wants only its matched teeth.

    Attributes:
        started: Its start record; of a test that goes on, with what may differ today.
        stand: As it was read last.
        cautions: How they were confirmed.
        operator: Who leads it from here on.
        unfinished: The test that goes on; None for a new one.
        reference: What its record says of the matched teeth.
        build: The build that the box came from; None when none was named.
        passes: As of `Conductor`, like `recorded` and `ready_before`.
        ready_before: How it was confirmed.
    """

    started: events.TestStarted
    stand: Stand
    cautions: events.CautionsConfirmed
    operator: str
    unfinished: Unfinished | None = None
    reference: Reference | None = None
    build: events.BuildNamed | None = None
    passes: tuple[events.PlannedPass, ...] = ()
    recorded: tuple[PassTrace, ...] = ()
    ready_before: str = ""

    @property
    def box(self) -> Box:
        """The box with the answers of the person."""
        return self.started.box


@dataclass(frozen=True, kw_only=True)
class _Stood:
    """Where both encoders stood at one time, each from its own zero."""

    gear_deg: float
    pinion_deg: float


class Engine:
    """Leads the tests of one stand.

    ``say_again`` ends the sentence that asks for the matched teeth again.
    """

    def __init__(self, ports: StandPorts, logbook: Logbook, *, say_again: str = "") -> None:
        self.ports, self.logbook = ports, logbook
        self._say_again = say_again
        self._stood: _Stood | None = None  # at the last reading of a gear that stands still

    # Prepared ---------------------------------------------------------------------------------------------

    def prepare(
        self,
        box: BoxFile,
        stand: Stand,
        *,
        box_name: str,
        operator: str,
        cautions: events.CautionsConfirmed,
        sweeps: tuple[Shaft, ...],
        build: events.BuildNamed | None = None,
        method: Method = "rock",
        passes: tuple[events.PlannedPass, ...] = (),
        ready_before: str = "",
    ) -> Prepared:
        """Plan a new test; its name is used by no other.

        Raises:
            ConfigurationError: As `check_plan`.
        """
        started = start_record(
            box,
            stand,
            operator=operator,
            now=dt.datetime.now().astimezone(),
            version=version("lashmap"),
            box_name=box_name,
            sweeps=sweeps,
            method=method,
        )
        started = replace(started, test=unused_name(self.logbook, started.test))
        return Prepared(
            started=started,
            stand=stand,
            cautions=cautions,
            operator=operator,
            build=build,
            passes=passes,
            ready_before=ready_before,
        )

    def problems(self, now_s: float) -> list[str]:
        """Why a test cannot begin: a sentence for each instrument that gives no readings now.

        One that sends on its button needs no reading before it was pressed.
        """
        problems: list[str] = []
        for instrument in self.ports.instruments.values():
            found = _problem(instrument, now_s)
            if not found and instrument.monitor.latest is None and not instrument.monitor.on_button:
                found = f"{instrument.name} on {instrument.port_name}: no reading yet; try again in a moment"
            problems += [found] if found else []
        return list(dict.fromkeys(problems))  # two encoders at one board may have one sentence

    def refuse_without_readings(self) -> None:
        """Every instrument must give readings now.

        Raises:
            StandError: Naming each that does not, and what to do.
        """
        if problems := self.problems(time.monotonic()):
            raise StandError(*problems)

    async def wait_for_readings(self) -> None:
        """Wait until the instruments send readings.

        Raises:
            StandError: Naming every instrument that is away, silent or not understood.
        """
        start_s = time.monotonic()
        while True:
            await asyncio.sleep(_ROUND_S)
            self.ports.drain()
            now_s = time.monotonic()
            instruments = self.ports.instruments.values()
            if now_s - start_s < _LEAST_WAIT_S:
                continue
            problems = [
                found
                for instrument in instruments
                if not _may_come_back(instrument, now_s) and (found := _problem(instrument, now_s, start_s))
            ]
            if problems:
                raise StandError(*dict.fromkeys(problems))
            good = (one.monitor.parser.good_frames for one in instruments if not one.monitor.on_button)
            if min(good, default=_SAMPLES_TO_BELIEVE) >= _SAMPLES_TO_BELIEVE and not any(
                _may_come_back(instrument, now_s) for instrument in instruments
            ):
                return

    # Matched ----------------------------------------------------------------------------------------------

    async def still_encoder_deg(self, prepared: Prepared, channels: Channels | None = None) -> float:
        """The encoder's angle while the gear stands still; where there are two encoders, that of the gear.

        ``channels`` followed the encoder until now; None is a decoder as fresh as the test's own.

        Raises:
            GearTurns: When the gear turns.
            StandError: When no angle comes.
        """
        gear_set = prepared.box.gear_set.gear_set()
        stand = prepared.stand.recorded()
        channels = channels or Channels(stand, gear_set, keep_s=2.0 * _STEADY_S)
        awaited = ENCODER
        limits = still_limits(gear_set, prepared.box.limits_for_analysis())
        start_s, recent = time.monotonic(), Samples.joined([])
        with self.tapped(channels):
            # Count rounds, not seconds: a program that was stopped meanwhile has read nothing.
            for _ in range(round(_STEADY_S / _ROUND_S)):
                now_s = time.monotonic()
                await asyncio.sleep(_ROUND_S)
                self.ports.drain()
                gear = channels.gear_deg(start_s)
                back_s = window_s(len(gear) / max(now_s - start_s, _ROUND_S))
                recent = channels.gear_deg(now_s - back_s)
                angle = channels.latest_encoder_deg
                if not (now_s - start_s >= back_s and rests(recent, limits) and angle is not None):
                    continue
                pinion = channels.latest_pinion_deg
                if stand.pinion_encoder is None:
                    return angle
                if pinion is not None and pinion[0] >= start_s:
                    own_deg = channels.latest_own_deg(PINION_ENCODER) or 0.0
                    self._stood = _Stood(gear_deg=angle, pinion_deg=own_deg)
                    return angle
                awaited = PINION_ENCODER
        if len(recent) and awaited == ENCODER:
            raise GearTurns(
                f"the gear is turning; hold it still with the marked teeth together{self._say_again}"
            )
        found = channels.failure(awaited, time.monotonic(), start_s)
        where = f"{awaited} on {channels.port(awaited)}"
        raise StandError(str(found or f"{where}: no angle within {_STEADY_S:.0f} s; check cable and power"))

    @contextmanager
    def tapped(self, channels: Channels) -> Iterator[None]:
        """What comes in meanwhile goes to ``channels`` as well."""
        before, self.ports.tap = self.ports.tap, channels.feed
        try:
            yield
        finally:
            self.ports.tap = before

    def opening(
        self, prepared: Prepared, person: Person, *, encoder_deg: Callable[[], float], followed: bool
    ) -> Opening:
        """Have the marked teeth brought together, and put together all that a test begins with.

        ``encoder_deg`` reads the encoder now, from a gear that stands still; ``followed``: it follows a count
        that wraps from one call to the next.
        """
        now = dt.datetime.now(dt.UTC)
        rates_hz = self.ports.rates_hz(time.monotonic())
        if prepared.unfinished is not None:
            opening = open_again(
                prepared.unfinished,
                prepared.reference,
                person=person,
                cautions=prepared.cautions,
                rates_hz=rates_hz,
                encoder_deg=encoder_deg,
                followed=followed,
                operator=prepared.operator,
                version=version("lashmap"),
                now=now,
            )
            matched = self._with_pinion(prepared, opening.matched, person, encoder_deg)
            return replace(
                opening, matched=matched, recorded=prepared.recorded, ready_before=prepared.ready_before
            )
        if prepared.started.is_counted:
            how, matched = matched_by_count(person)
        else:
            how, matched = matched_teeth(prepared.started.setup, person, encoder_deg=encoder_deg)
        today = now.astimezone().date()
        proven = collect(
            prepared.box,
            prepared.stand.recorded(),
            matched=how,
            today=today,
            locked_out=True,
            build=prepared.build,
        )
        return Opening(
            started=prepared.started,
            cautions=prepared.cautions,
            preconditions=(*proven, *self._check_standard(prepared, now)),
            matched=self._with_pinion(prepared, matched, person, encoder_deg),
            rates_hz=rates_hz,
            build=prepared.build,
            passes=prepared.passes,
            ready_before=prepared.ready_before,
        )

    def _with_pinion(
        self,
        prepared: Prepared,
        matched: events.MatchedTeethSet,
        person: Person,
        encoder_deg: Callable[[], float],
    ) -> events.MatchedTeethSet:
        """The matched teeth with the angle of the pinion's encoder there, where the stand has one.

        It follows from where both encoders stood when the gear's was read last, by the ratio of the teeth: to
        within the play, which shifts the place of a tooth by a hundredth of a pitch or so.
        """
        if prepared.stand.file.pinion_encoder is None:
            return matched
        if self._stood is None:  # the box file said where the marked teeth are, and nobody looked
            read_at_rest(person, encoder_deg)
        stood, self._stood = self._stood, None
        if stood is None:
            raise RuntimeError("the gear's encoder was read without the pinion's")
        gear_set = prepared.box.gear_set.gear_set()
        gear_deg = stood.gear_deg if matched.seen_deg is None else matched.seen_deg
        turned_deg = (gear_deg - matched.encoder_deg) * gear_set.gear_teeth / gear_set.pinion_teeth
        return replace(
            matched, pinion_encoder_deg=stood.pinion_deg - turned_deg, pinion_seen_deg=stood.pinion_deg
        )

    def _check_standard(self, prepared: Prepared, now: dt.datetime) -> tuple[Precondition, ...]:
        """Whether the stand has measured its check standard; nothing where its file names none."""
        table = prepared.stand.file.check_standard
        if table is None:
            return ()
        return check_standard(
            self.logbook,
            table.serial,
            stand=prepared.stand.recorded().stand.name,
            within_hours=table.within_hours,
            box_serial=prepared.box.box.serial,
            now=now,
        )

    # Led --------------------------------------------------------------------------------------------------

    def live_test(
        self,
        opening: Opening,
        stand: Stand,
        screen: Screen,
        listeners: tuple[events.Listener, ...] = (),
        *,
        go_on: str,
        handle_signals: bool,
        slow: tuple[Relay[Any], ...] = (),
        beside: tuple[Relay[Any], ...] = (),
    ) -> LiveTest:
        """The test itself, to be run now.

        Raises:
            StandError: When an instrument went away before the test began.
        """
        sources = self.ports.sources()
        if sources is None:
            raise StandError("an instrument went away before the test began")
        for source in sources.values():
            source.take()  # what came before belongs to no test
        return LiveTest(
            opening,
            sources,
            self.logbook,
            with_gestures(screen, stand.file, opening.started.box.gear_set.gear_teeth),
            listeners,
            handle_signals=handle_signals,
            slow=slow,
            beside=beside,
            go_on=go_on,
        )


def prepare_again(
    logbook: Logbook,
    test: str | None,
    box: BoxFile,
    stand: Stand,
    *,
    operator: str,
    cautions: Callable[[Unfinished], events.CautionsConfirmed],
) -> Prepared:
    """Find the test that goes on; see that box and stand are the same. Takes as long as its record is long.

    ``test`` None is the newest of this box that was not completed. ``cautions`` has them confirmed, once it
    is known what goes on.

    Raises:
        ResumeError: When there is no such test, or it cannot go on, with the reason.
        LogbookError: When it cannot be read.
    """
    setup = Setup.of(box.recorded(), stand.recorded())
    unfinished = take_up(logbook, find_unfinished(logbook, test, box.box.serial), setup)
    return Prepared(
        started=unfinished.started,
        stand=stand,
        cautions=cautions(unfinished),
        operator=operator,
        unfinished=unfinished,
        reference=reference_of(unfinished, logbook),
        recorded=recorded_passes(unfinished, logbook),
    )


def recorded_passes(unfinished: Unfinished, logbook: Logbook) -> tuple[PassTrace, ...]:
    """The passes of a cycle run that a test recorded before it goes on.

    Raises:
        LogbookError: When they cannot be read.
    """
    if not unfinished.resumption.story.passed:
        return ()
    with Replay(logbook, unfinished.test) as replay:
        return replay.record().passes


def _problem(instrument: StandInstrument, now_s: float, since_s: float | None = None) -> str:
    """What is wrong with an instrument; empty when nothing is."""
    if instrument.source is None:
        return instrument.problem
    found = instrument.monitor.problem(now_s, since_s=since_s, lost=instrument.source.lost)
    return "" if found is None or isinstance(found, InstrumentWaits) else str(found)


def _may_come_back(instrument: StandInstrument, now_s: float) -> bool:
    lost = instrument.source.lost if instrument.source is not None else None
    return lost is not None and now_s - lost.since_s < SILENT_S
