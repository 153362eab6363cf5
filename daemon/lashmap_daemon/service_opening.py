"""From a request to a test that may begin: box, start record, the encoder's angle at the marked teeth.

What `lashmap run` asks a person comes with the request here; what it leaves open stays unproven.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import time
from dataclasses import dataclass
from importlib.metadata import version
from typing import Protocol

import numpy as np

from lashmap_daemon import arrival, events
from lashmap_daemon.box_file import BoxFile
from lashmap_daemon.channels import Channels
from lashmap_daemon.control_words import Begin, Resume
from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.live_test import Opening
from lashmap_daemon.opening import start_record
from lashmap_daemon.preconditions import MatchedHow, collect
from lashmap_daemon.service_boxes import BoxFolder, completed
from lashmap_daemon.service_ports import StandPorts
from lashmap_daemon.stand_file import ENCODER, Stand

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
            rates_hz={name: ear.rate_hz(now_s) for name, ear in ports.ears.items()},
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
        if one.state == "heard" and one.age_s is None
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
