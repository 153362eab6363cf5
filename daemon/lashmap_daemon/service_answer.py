"""Requests of the local socket become deeds of the service, and their answers."""

from __future__ import annotations

import time
from dataclasses import dataclass

from lashmap_analysis.lengths import format_length

from lashmap_daemon import control_words as words
from lashmap_daemon.channels import SILENT_S
from lashmap_daemon.sequence_words import Phase
from lashmap_daemon.service_bus import ServiceBus
from lashmap_daemon.service_lead import Lead
from lashmap_daemon.service_ports import StandPorts
from lashmap_daemon.service_screen import ServiceScreen
from lashmap_daemon.stand_file import INDICATOR
from lashmap_daemon.wording import angle_text

_RATE_S = 2.0


@dataclass(frozen=True, kw_only=True)
class Answers:
    """Answers for one service.

    Attributes:
        lead: Leads its tests.
        ports: Its instruments.
        logbook: Its logbook, for people.
        started_s: Monotonic time at which it started.
        bus: Where its tests are published.
    """

    lead: Lead
    ports: StandPorts
    logbook: str
    started_s: float
    bus: ServiceBus

    async def __call__(self, request: words.Request) -> words.Answer:
        """Do what is asked.

        Raises:
            LashmapError: Why it is not done.
        """
        match request:
            case words.Status():
                report = self.report()
                return words.Answer(say=lines(report), status=report)
            case words.Begin():
                said = await self.lead.begin(request)
            case words.Matched():
                said = await self.lead.matched(known=request.known)
            case words.Note():
                said = await self.lead.obey(f"note {' '.join(request.text.split())}")
            case words.Resume():
                said = await self.lead.resume(request)
            case _:
                said = await self.lead.obey(request.command)
        return words.Answer(say=said)

    def report(self) -> words.StatusReport:
        """How the service is now."""
        lead, now_s = self.lead, time.monotonic()
        instruments = self.ports.states(now_s)
        awaits, done, total, refusal = "a test: lashmap tell STAND begin BOX", 0, 0, ""
        started = lead.prepared.started if lead.prepared else None
        screen = lead.screen
        if lead.state == "preparing":
            awaits = "the marked teeth together, then: lashmap tell STAND matched"
        elif lead.state == "concluding":
            awaits = "nothing: the result is being made"
        elif screen is not None:
            awaits, refusal, started = screen.awaits, screen.last_refusal, screen.started
            if screen.conductor is not None:
                done = len(screen.conductor.accepted)
                total = max(screen.conductor.state.asked, done)
                instruments = [_in_test(one, screen, now_s) for one in instruments]
        return words.StatusReport(
            state=lead.state,
            stand=lead.stand.file.stand.name,
            logbook=self.logbook,
            awaits=awaits,
            instruments=instruments,
            test=lead.test,
            box=f"{started.box.box.type}, serial {started.box.box.serial}" if started else "",
            done=done,
            total=total,
            last_refusal=refusal,
            last_test=lead.last_test,
            boxes=lead.boxes.names(),
            uptime_s=now_s - self.started_s,
            bus=self.bus.line,
        )


def _in_test(one: words.InstrumentState, screen: ServiceScreen, now_s: float) -> words.InstrumentState:
    """An instrument while a test takes its samples."""
    conductor = screen.conductor
    if conductor is None or one.state in {"absent", "away"}:
        return one
    channels, test_s = conductor.channels, screen.test_s(now_s)
    since_s = test_s - _RATE_S
    if one.instrument == INDICATOR:
        latest, count = channels.latest_indicator, len(channels.indicator(since_s))
        reading = format_length(latest[1], "mm", signed=True) if latest else ""
    else:
        latest, count = channels.latest_gear_deg, len(channels.gear_deg(since_s))
        hidden = conductor.state.phase is Phase.CHECKING  # nobody is to go by what the marks are to check
        reading = f"gear at {angle_text(latest[1], decimals=3)}" if latest and not hidden else ""
    age_s = max(test_s - latest[0], 0.0) if latest else None
    return one.model_copy(
        update={
            "state": "silent" if age_s is None or age_s >= SILENT_S else "heard",
            "detail": "",
            "reading": reading,
            "age_s": age_s,
            "rate_hz": count / _RATE_S,
            "bad_frames": channels.bad_frames(one.instrument),
        }
    )


def lines(report: words.StatusReport) -> list[str]:
    """A status for a person."""
    said = [f"{report.stand}: {report.state}" + (f", test {report.test}" if report.test else "")]
    if report.box:
        said.append(f"  box        {report.box}")
    said.append(f"  awaits     {report.awaits}")
    if report.total:
        said.append(f"  positions  {report.done} of {report.total} accepted")
    if report.last_refusal:
        said.append(f"  refused    {report.last_refusal}")
    for one in report.instruments:
        age = "no reading" if one.age_s is None else f"{one.reading}, {one.age_s:.2f} s old"
        counts = f", {one.bad_frames} bad frames" if one.bad_frames else ""
        counts += f", {one.dropped_chunks} reads dropped" if one.dropped_chunks else ""
        counts += f", came back {one.reconnects} times" if one.reconnects else ""
        rate = f"{one.rate_hz:.0f} samples a second"
        said.append(f"  {one.instrument:<10} {one.state}: {age}, {rate}{counts} ({one.port})")
        if one.detail:
            said.append(f"             {one.detail}")
    if report.last_test:
        said.append(f"  last       {report.last_test}")
    if report.bus:
        said.append(f"  bus        {report.bus}")
    said.append(f"  boxes      {', '.join(report.boxes) or 'none'}")
    said.append(f"  logbook    {report.logbook}; up for {_span(report.uptime_s)}")
    return said


def _span(seconds: float) -> str:
    minutes, hours = seconds / 60.0, seconds / 3600.0
    if hours >= 48.0:
        return f"{hours / 24.0:.0f} days"
    return f"{hours:.1f} hours" if minutes >= 90.0 else f"{minutes:.0f} minutes"
