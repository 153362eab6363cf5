"""From a request to a test that may begin: box, start record, the encoder's angle at the marked teeth.

What `lashmap run` asks a person comes with the request here; what it leaves open stays unproven.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import time
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Protocol, TypeAlias

import numpy as np

from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.preconditions import MatchedHow, collect
from lashmap_daemon.sequence.resume import Unfinished, find_unfinished, take_up
from lashmap_daemon.service.boxes import BoxFolder, completed
from lashmap_daemon.service.ports import StandPorts
from lashmap_daemon.service.words import Begin, Resume
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import ENCODER, HandsFreeTable, Stand
from lashmap_daemon.story import events
from lashmap_daemon.testing import arrival
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.hands_free import find_knock, reach_back_s
from lashmap_daemon.testing.live_test import Opening
from lashmap_daemon.testing.opening import start_record
from lashmap_daemon.testing.resume_opening import Reference, open_again, reference_of

_STEADY_S = 4.0  # for the encoder to be heard and the gear to be still
_LOOK_S = 0.05
_FEWEST_SAMPLES = 4


class _HasBox(Protocol):
    @property
    def box(self) -> BoxFile: ...

    @property
    def stand(self) -> Stand: ...


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """A test that wants only its matched teeth.

    Attributes:
        started: Its start record.
        cautions: How they were confirmed.
        stand: As it was read last.
    """

    started: events.TestStarted
    cautions: events.CautionsConfirmed
    stand: Stand

    @property
    def box(self) -> BoxFile:
        """The box with what was said about it."""
        return self.started.box

    def opening(self, ports: StandPorts, how: MatchedHow, encoder_deg: float) -> Opening:
        """All that is known up front."""
        now_s = time.monotonic()
        return Opening(
            started=self.started,
            cautions=self.cautions,
            preconditions=collect(
                self.box,
                self.stand,
                matched=how,
                today=dt.datetime.now().astimezone().date(),
                locked_out=True,
            ),
            matched=events.MatchedTeethSet(
                encoder_deg=encoder_deg, how=how, seen_deg=None if how == "box file" else encoder_deg
            ),
            rates_hz=ports.rates_hz(now_s),
        )


def confirmed(request: Begin | Resume) -> events.CautionsConfirmed:
    """That the cautions were confirmed to whoever asked.

    Raises:
        ConfigurationError: When they were not.
    """
    if request.confirmed is None:
        problem = "the cautions are not confirmed; isolate and lock out the drive, then give --locked-out"
        raise ConfigurationError(request.command, [problem])
    return events.CautionsConfirmed(how=f"{request.confirmed}, told to the service")


def prepare(request: Begin, boxes: BoxFolder, stand: Stand) -> Prepared:
    """Read the box and plan the test.

    Raises:
        ConfigurationError: A wrong box, setting or plan.
    """
    cautions = confirmed(request)
    box = completed(boxes.load(request.box), request.settings)
    if box.matched_teeth.encoder_deg is not None and request.matched != "later":
        raise ConfigurationError(
            "--matched", ["the box file carries matched_teeth.encoder_deg; leave one of them out"]
        )
    started = start_record(
        box,
        stand,
        operator=request.operator or "not recorded",
        now=dt.datetime.now(dt.UTC),
        version=version("lashmap"),
        box_name=str(boxes.path(request.box)),
        sweeps=tuple(dict.fromkeys(request.runout)),
    )
    return Prepared(started=started, cautions=cautions, stand=stand)


def refuse_unheard(ports: StandPorts) -> None:
    """Both instruments must give readings now.

    Raises:
        StandError: Naming each that does not, and what to do.
    """
    states = ports.states(time.monotonic())
    problems = [one.detail for one in states if one.state != "heard"]
    problems += [
        f"{one.instrument} on {one.port}: no reading yet; try again in a moment"
        for one in states
        if one.state == "heard" and one.age_s is None and not ports.ears[one.instrument].monitor.on_button
    ]
    if problems or ports.sources() is None:
        raise StandError(*(problems or ["an instrument is absent"]))


async def still_encoder_deg(ports: StandPorts, prepared: _HasBox) -> float:
    """The encoder's angle while the gear stands still, from a decoder as fresh as the test's own will be.

    Raises:
        StandError: When the gear turns, or no angle comes.
    """
    gear_set = prepared.box.gear_set.gear_set()
    channels = Channels(prepared.stand, gear_set, keep_s=2.0 * _STEADY_S)
    span_deg = arrival.still_limits(gear_set, prepared.box.limits_for_analysis()).gear_span_deg
    start_s = time.monotonic()
    before, ports.tap = ports.tap, channels.feed
    try:
        # Looks, not time: a program that was held up meanwhile has not seen the gear.
        for _ in range(round(_STEADY_S / _LOOK_S)):
            now_s = time.monotonic()
            await asyncio.sleep(_LOOK_S)
            ports.drain()
            heard = channels.gear_deg(start_s)
            window_s = arrival.window_s(len(heard) / max(now_s - start_s, _LOOK_S))
            recent = channels.gear_deg(now_s - window_s)
            if now_s - start_s < window_s or len(recent) < _FEWEST_SAMPLES:
                continue
            angle = channels.latest_encoder_deg
            if float(np.ptp(recent.value)) <= span_deg and angle is not None:
                return angle
    finally:
        ports.tap = before
    if channels.good_frames(ENCODER):
        raise StandError(
            "the gear is turning; hold it still with the marked teeth together, then say: lashmap tell STAND "
            "matched"
        )
    raise StandError(
        f"{ENCODER} on {channels.port(ENCODER)}: no angle within {_STEADY_S:.0f} s; check cable and power"
    )


# From a request to a test that goes on: which one, and its marked teeth found again, as far as they can be.
#
# All that is decided about going on is decided in `resume` and `testing.resume_opening`; here the person that
# they ask is somebody who speaks over the local socket, one word at a time.


@dataclass(kw_only=True)
class PreparedAgain:
    """A test that may go on and wants only its marked teeth again.

    Attributes:
        unfinished: The test.
        reference: What its record says of the matched teeth.
        cautions: How they were confirmed.
        stand: As it was read last.
        operator: Who goes on with it.
        before_deg: The encoder's own angle before anybody turned the gear to the marks.
        contradicted: The person was told that encoder and marks disagree, and may say so again.
    """

    unfinished: Unfinished
    reference: Reference | None
    cautions: events.CautionsConfirmed
    stand: Stand
    operator: str
    before_deg: float = 0.0
    contradicted: bool = field(default=False)

    @property
    def started(self) -> events.TestStarted:
        """Its start record, with what may differ today."""
        return self.unfinished.started

    @property
    def box(self) -> BoxFile:
        """Its box."""
        return self.started.box

    def opening(self, ports: StandPorts, how: MatchedHow, encoder_deg: float) -> Opening:
        """All that is known up front.

        Raises:
            StandError: When the encoder contradicts the marks and the person has not heard of it yet.
        """
        now_s = time.monotonic()
        person = _Told(self, says="matched" if how == "set at the stand" else "")
        angles = [encoder_deg] if self.unfinished.matched is None else [encoder_deg, self.before_deg]
        return open_again(
            self.unfinished,
            self.reference,
            person=person,
            cautions=self.cautions,
            rates_hz=ports.rates_hz(now_s),
            encoder_deg=lambda: angles.pop() if len(angles) > 1 else angles[0],
            followed=False,
            operator=self.operator,
            version=version("lashmap"),
            now=dt.datetime.now(dt.UTC),
        )


class _Told:
    """The person, as far as one word over the socket goes."""

    def __init__(self, prepared: PreparedAgain, says: str) -> None:
        self._prepared, self._says = prepared, says
        self._shown = ""

    def show(self, text: str) -> None:
        self._shown = text

    def ask(self, question: str) -> str:  # noqa: ARG002 - the interface of a person
        if self._shown and not self._prepared.contradicted:
            self._prepared.contradicted = True
            raise StandError(f"{self._shown} Look again, then say it again: lashmap tell STAND matched")
        return self._says


def prepare_again(request: Resume, boxes: BoxFolder, stand: Stand, path: Path) -> PreparedAgain:
    """Find the test and see that box and stand are the same; takes as long as its record is long.

    Args:
        request: What is asked for.
        boxes: What may be tested.
        stand: As it was read last.
        path: Logbook; opened anew, so that this can be done on another thread.

    Raises:
        ConfigurationError: A wrong box file, or cautions that are not confirmed.
        ResumeError: When there is no such test, or it cannot go on, with the reason.
        LogbookError: When it cannot be read.
    """
    cautions = confirmed(request)
    box = boxes.load(request.box)
    with Logbook(path, create=False) as logbook:
        test = find_unfinished(logbook, request.test, box)
        unfinished = take_up(logbook, test, box, stand)
        reference = reference_of(unfinished, logbook)
    return PreparedAgain(
        unfinished=unfinished,
        reference=reference,
        cautions=cautions,
        stand=stand,
        operator=request.operator or "not recorded",
    )


# A prepared test that waits until somebody, or the gear itself, says that the marked teeth are together.


PREPARING_S = 1800.0  # after this a test that nobody brings to its marked teeth is given up
_KEEP_S = 120.0
AnyPrepared: TypeAlias = Prepared | PreparedAgain


class Waiting:
    """Waits for one test.

    Attributes:
        prepared: The test.
        gear: What the gear does meanwhile; to be fed.
        busy: Its marked teeth are being looked at just now.

    Args:
        prepared: The test.
    """

    def __init__(self, prepared: AnyPrepared) -> None:
        self.prepared = prepared
        self.gear = Channels(prepared.stand, prepared.box.gear_set.gear_set(), keep_s=_KEEP_S)
        self.busy = False
        self._begun_s = self._since_s = time.monotonic()
        setting = prepared.stand.file.hands_free
        self._setting = setting if setting is not None and "matched" in setting.gestures else None

    def instructions(self) -> list[str]:
        """What to do now."""
        said = [
            "Bring the marked teeth together, hold the gear still, then say it: lashmap tell STAND matched"
        ]
        return said if self._setting is None else [*said, _knock_sentence(self._setting)]

    def overdue(self, now_s: float) -> bool:
        """True when it was waited for long enough."""
        return now_s - self._begun_s > PREPARING_S

    def spoken(self, now_s: float) -> bool:
        """True when the gear knocked."""
        if self._setting is None or self.busy:
            return False
        trace = self.gear.gear_deg(now_s - reach_back_s(self._setting))
        pitch_deg = 360.0 / self.prepared.box.gear_set.gear_teeth
        if find_knock(trace, self._setting, pitch_deg=pitch_deg, since_s=self._since_s) is None:
            return False
        self._since_s = now_s  # one knock counts once
        return True


def _knock_sentence(setting: HandsFreeTable) -> str:
    return (
        f"or without hands: stand still there, turn {setting.least_teeth} to {setting.most_teeth} teeth away "
        "and back, stand still again"
    )
