"""A hall of stands watched over the bus: the newest message of each kind, how old it is, and the screen.

It sends nothing. Nothing received is trusted: a message counts only when it fits its schema and names the
stand of its own topic, sizes and numbers of stands are bounded, and every text is cleaned before it can reach
a terminal, where none is read as markup. Every value has an age, and an old one says so.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from math import nan
from typing import TYPE_CHECKING, Any, TypeAlias

import aiomqtt
from lashmap_analysis.record.lengths import format_length
from pydantic import ValidationError
from rich.box import SIMPLE_HEAD
from rich.console import Group
from rich.table import Table
from rich.text import Text

from lashmap_daemon.bus import messages
from lashmap_daemon.bus.connection import BusClient, Refused, connect, reason_of
from lashmap_daemon.bus.messages import PUBLISHED, REVIEW, Topic, level
from lashmap_daemon.bus.publisher import BackOff
from lashmap_daemon.clean_text import clean
from lashmap_daemon.screens.cue import cue_of_phase
from lashmap_daemon.screens.layout import render
from lashmap_daemon.screens.view import FlagShown, Mark, RockShown, View
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.bus_table import BusTable
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import sentence

if TYPE_CHECKING:
    from rich.console import RenderableType


MOST_BYTES = 262_144
MOST_STANDS = 300
SILENT_S = 3.0  # a running test speaks several times a second
Reviewing: TypeAlias = messages.Excluded | messages.ExclusionTakenBack | messages.Signed
_BY_NAME = {topic.name: topic for topic in PUBLISHED}


@dataclass
class StandSeen:
    """What is known of one stand; times are the watcher's own monotonic seconds.

    Attributes:
        stand: Topic level.
        news_s: When its last message arrived; None when all messages so far were kept by the broker.
        live_s: When `live` came.
    """

    stand: str
    status: messages.Status | None = None
    live: messages.Live | None = None
    state: messages.State | None = None
    result: messages.Result | None = None
    review: Reviewing | None = None
    alarm: str = ""
    news_s: float | None = None
    live_s: float | None = None

    @property
    def name(self) -> str:
        """As the stand calls itself, cleaned; with its topic level where that is another word."""
        message = self.status or self.state
        name = clean(message.name, 40) if message and message.name else self.stand
        return name if level(name) == self.stand else f"{name} ({self.stand})"

    @property
    def online(self) -> bool:
        """By its status; its age is another question."""
        return self.status is not None and self.status.online

    @property
    def running(self) -> bool:
        """True while a test runs there, as far as anyone knows."""
        return self.online and self.state is not None and self.state.phase is not Phase.CLOSED

    def age_s(self, now_s: float) -> float | None:
        """Since its last own word."""
        return None if self.news_s is None else now_s - self.news_s

    def silent(self, now_s: float) -> bool:
        """True when a test should be running and no message of it arrives."""
        age_s = self.age_s(now_s)
        return self.running and (age_s is None or age_s > SILENT_S)


@dataclass
class Hall:
    """All stands of which messages arrived.

    Attributes:
        root: First levels of the topics.
        wanted: Topic levels to show; empty for all.
        tell: Called with a line (cleaned) for everything worth one.
        stands: By topic level.
        not_understood: Messages that fit no schema, or claim to be another stand's.
        too_many: Messages of stands beyond the limit.
    """

    root: str
    wanted: frozenset[str] = frozenset()
    tell: Callable[[str], None] = lambda _line: None
    stands: dict[str, StandSeen] = field(default_factory=dict)
    not_understood: int = 0
    too_many: int = 0

    def feed(self, topic: str, payload: bytes, *, retained: bool, now_s: float) -> None:
        """Take a message; what cannot be understood is counted."""
        levels = topic.removeprefix(f"{self.root}/").split("/")
        kind = _BY_NAME.get(levels[-1])
        if kind is None or len(levels) != 2 or not topic.startswith(f"{self.root}/"):
            return
        stand = levels[0]
        if self.wanted and stand not in self.wanted:
            return
        message = _understand(kind, payload)
        if message is None or message.stand != stand or clean(stand, 64) != stand:
            self.not_understood += 1
            return
        if stand not in self.stands and len(self.stands) >= MOST_STANDS:
            self.too_many += 1
            return
        seen = self.stands.setdefault(stand, StandSeen(stand=stand))
        if not retained:
            seen.news_s = now_s
        self._take(seen, message, now_s, retained=retained)

    def _take(self, seen: StandSeen, message: messages.Message, now_s: float, *, retained: bool) -> None:
        match message:
            case messages.Status():
                before, seen.status = seen.status, message
                if before is None or before.online != message.online:
                    self._say(seen, "online" if message.online else f"offline: {message.reason}")
            case messages.Live():
                if not retained:  # no stand has it kept: whoever did, an old value must not look live
                    seen.live, seen.live_s = message, now_s
            case messages.State():
                before_state, seen.state = seen.state, message
                if _asks(message) and (before_state is None or _asks(before_state) != _asks(message)):
                    self._say(seen, _asks(message))
            case messages.Result():
                before_result, seen.result = seen.result, message
                if before_result is None or before_result.id != message.id:
                    self._say(seen, f"result of {message.test}, {message.serial}: {message.outcome}")
            case messages.Record():
                self._take_record(seen, message)

    def _take_record(self, seen: StandSeen, message: messages.Record) -> None:
        match message:
            case (
                messages.InstrumentLost()
                | messages.InstrumentBack()
                | messages.CauseWanted()
                | messages.CauseTold()
                | messages.ClosedEarly()
            ):
                seen.alarm = clean(sentence(message.record, "mm", None) or "")
                self._say(seen, seen.alarm)
            case messages.Excluded() | messages.ExclusionTakenBack() | messages.Signed():
                seen.review = message
                self._say(seen, f"{message.test}: {review_words(message)}")
            case (
                messages.PositionAccepted()
                | messages.PositionRefused()
                | messages.PositionLeftOut()
                | messages.SweepDone()
                | messages.PassDone()
            ):
                units = seen.state.units if seen.state else "mm"
                self._say(seen, (sentence(message.record, units, None) or "").strip())

    def _say(self, seen: StandSeen, text: str) -> None:
        self.tell(f"{seen.stand}: {clean(text, 500)}")


def _asks(state: messages.State) -> str:
    """What is awaited: by the test, or by a stand that is always on when none runs."""
    if state.service is not None and state.phase is Phase.CLOSED:
        return f"{state.service.doing}; awaits {state.service.awaits}"
    return state.instruction


def review_words(message: Reviewing) -> str:
    """What a reviewer did, in a few words; not cleaned."""
    record = message.record
    if isinstance(record, events.SignedOff):
        return f"signed off by {record.by} as {record.outcome}"
    if isinstance(record, events.ExclusionUndone):
        return f"exclusion {record.exclusion} was taken back by {record.by}: {record.reason}"
    part = "" if record.reversal is None else f"reversal {record.reversal} of "
    return f"{part}position {record.position} was left out by {record.by}: {record.reason}"


def _understand(kind: Topic, payload: bytes) -> messages.Message | None:
    if len(payload) > MOST_BYTES:
        return None
    try:
        message = kind.adapter.validate_json(payload)
    except (ValidationError, ValueError, RecursionError):
        return None
    return message if isinstance(message, messages.Message) else None


_KEYS = "q leave   (read only: nothing here acts on the stand)"
_LINES = 4
_BAD = "bold reverse"


@dataclass(kw_only=True)
class BrokerSeen:
    """How the connection is.

    Attributes:
        address: Of the broker.
        since_s: When it was reached or lost, monotonic.
        problem: Why it is away; empty while it is there.
    """

    address: str
    since_s: float
    problem: str

    def line(self, now_s: float) -> Text:
        """One line about it."""
        if not self.problem:
            return Text(f"{self.address}: connected", style="dim")
        gone = f"AWAY for {_duration(now_s - self.since_s)}; the values shown are the last ones received."
        return Text(f"{self.address}: {gone} {clean(self.problem)}", style=_BAD)


def screen(hall: Hall, broker: BrokerSeen, now_s: float, *, height: int = 30) -> RenderableType:
    """Everything: one stand large when only one is asked for, otherwise the table."""
    seen = next(iter(hall.stands.values())) if len(hall.wanted) == 1 and hall.stands else None
    if seen is not None and seen.state is not None:
        body: RenderableType = _one(seen, broker, now_s, height=height)
    else:
        body = table(hall, broker, now_s)
    return Group(broker.line(now_s), body, *_remarks(hall))


def table(hall: Hall, broker: BrokerSeen, now_s: float) -> RenderableType:
    """One row for each stand."""
    if not hall.stands:
        asked = ", ".join(sorted(hall.wanted)) or "any stand"
        return Text(f"no message of {asked} below {hall.root}/ yet")
    # No more lines and minima than needed: 80 columns are few.
    rows = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for title in ("stand", "is", "last message", "box", "doing", "done", "tight spot"):
        rows.add_column(title, min_width=5, overflow="fold")
    rows.add_column("verdict", min_width=13, overflow="fold")  # a verdict is never cut
    for stand in sorted(hall.stands):
        seen = hall.stands[stand]
        rows.add_row(*_cells(seen, now_s, away=bool(broker.problem)))
    return rows


def _cells(seen: StandSeen, now_s: float, *, away: bool) -> list[Text]:
    state, result, age_s = seen.state, seen.result, seen.age_s(now_s)
    spot = state.tight_spot if state else None
    age = Text("not yet" if age_s is None else f"{_duration(age_s)} ago")
    if seen.silent(now_s):
        age = Text(f"{age.plain} SILENT", style=_BAD)
    return [
        Text(seen.name),
        Text("unknown" if away or seen.status is None else "online" if seen.online else "offline"),
        age,
        Text(clean(state.serial or state.box, 24) or "–" if state else "–"),
        _doing(seen),
        Text(f"{state.done}/{state.total}" if state and state.test else "–"),
        Text(format_length(spot.normal_backlash_mm, state.units) if state and spot else "–"),
        Text(_outcome(result, state) if result else "–"),
    ]


def _doing(seen: StandSeen) -> Text:
    """What a running test waits for; otherwise why there is none, and what a stand without one lacks."""
    state = seen.state
    if not seen.running or state is None:
        reason = seen.status.reason if seen.status and not seen.online else ""
        service = state.service if state and seen.online else None
        if service is None:
            return Text(clean(reason, 80) or "–", style="dim")
        lacks = [
            f"{clean(one.instrument, 20)} {one.state}" for one in service.instruments if one.state != "heard"
        ]
        return Text("\n".join([service.doing, *lacks]), style="bold" if lacks else "dim")
    at = f" {state.target.position}" if state.target else f": {state.sweep}" if state.sweep else ""
    text = Text(f"{state.phase}{at}")
    if seen.alarm:
        text.append(f"\n{clean(seen.alarm, 80)}", style="bold")
    return text


def _outcome(result: messages.Result, state: messages.State | None) -> str:
    """The newest verdict; with its box when another is on the stand now."""
    other = state is None or state.serial != result.serial
    return f"{result.outcome}, {clean(result.serial, 24)}" if other else result.outcome


def _remarks(hall: Hall) -> list[Text]:
    remarks = {
        "messages were not understood: another version of lashmap, or no stand's": hall.not_understood,
        "messages came from more stands than are shown": hall.too_many,
    }
    return [Text(f"{count} {remark}", style="dim") for remark, count in remarks.items() if count]


# One stand --------------------------------------------------------------------------------------------------


def _one(seen: StandSeen, broker: BrokerSeen, now_s: float, *, height: int) -> RenderableType:
    state = seen.state
    if state is None:
        return Text("–")
    test = f"test {state.test}" if state.test else "no test"
    title = Text(clean(" · ".join([seen.name, *([state.serial] if state.serial else []), test]), 100))
    if broker.problem:
        title.append(" · broker away", style=_BAD)
    elif not seen.online:
        reason = f"offline: {clean(seen.status.reason, 60)}" if seen.status else "not known to be online"
        title.append(f" · {reason}", style=_BAD)
    elif seen.silent(now_s):
        title.append(" · SILENT", style=_BAD)
    lines = [clean(line) for line in state.lines[-_LINES:]]
    if state.service is not None and not seen.running:
        lines = [*lines[1 - _LINES :], clean(f"{state.service.doing}; awaits {state.service.awaits}")]
    return render(view_of_stand(seen, now_s), title, lines, None, height=height - 2, keys=_KEYS)


def view_of_stand(seen: StandSeen, now_s: float) -> View:
    """What the stand's own screen would show, its ages counted on here.

    Raises:
        ValueError: When nothing is known of its state.
    """
    state, live = seen.state, seen.live
    if state is None:
        raise ValueError(f"no state of {seen.stand} was received")
    since_s = now_s - seen.live_s if seen.live_s is not None else 0.0
    current = live if live is not None and live.test == state.test else None
    return View(
        units=state.units,
        phase=state.phase,
        instruction=clean(state.instruction),
        cue=cue_of_phase(state.phase, clean(state.instruction)),
        indicator_mm=current.indicator_mm if current else None,
        indicator_age_s=_older(current.indicator_age_s if current else None, since_s),
        gear_deg=current.gear_angle_deg if current else None,
        encoder_age_s=_older(current.encoder_age_s if current else None, since_s),
        target_deg=state.target.gear_angle_deg if state.target else None,
        rock=_rock(state.rock),
        rock_s=current.rock_s if current and seen.running else None,
        swept_deg=current.swept_deg if current else None,
        reversals_wanted=state.rock.reversals_wanted if state.rock else 0,
        marks=tuple(Mark(mark.gear_angle_deg, mark.normal_backlash_mm, mark.purpose) for mark in state.marks),
        done=state.done,
        total=state.total,
        elapsed_s=current.time_s if current else None,
        left_s=current.left_s if current and seen.running else None,
        bad_frames=current.bad_frames if current else 0,
        tight_spot=(state.tight_spot.gear_angle_deg, state.tight_spot.normal_backlash_mm)
        if state.tight_spot
        else None,
    )


def _rock(rock: messages.Rock | None) -> RockShown | None:
    if rock is None:
        return None
    return RockShown(
        reversals=rock.reversals,
        usable=rock.usable and rock.reading_mm is not None,
        reading_mm=nan if rock.reading_mm is None else rock.reading_mm,
        standard_uncertainty_mm=nan if rock.standard_uncertainty_mm is None else rock.standard_uncertainty_mm,
        flags=tuple(FlagShown(clean(name, 60), disabling=not rock.usable) for name in rock.flags),
    )


def _older(age_s: float | None, by_s: float) -> float | None:
    return None if age_s is None else age_s + by_s


def _duration(seconds: float) -> str:
    if seconds < 99.5:
        return f"{seconds:.1f} s" if seconds < 9.95 else f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 100 else f"{minutes / 60.0:.0f} h"


_LASTED_S = 5.0


class Watcher:
    """Feeds a hall from a broker.

    Args:
        settings: Broker and identity.
        hall: What is fed.
    """

    def __init__(self, settings: BusTable, hall: Hall) -> None:
        self._settings = settings
        self._hall = hall
        self._identifier = f"lashmap-watch-{secrets.token_hex(6)}"
        self.broker = BrokerSeen(
            address=settings.broker, since_s=time.monotonic(), problem="not reached yet; trying"
        )

    async def run(self) -> None:
        """Listen until cancelled.

        Raises:
            ConfigurationError: When password or certificates cannot be read.
        """
        waits = BackOff()
        while True:
            began_s = time.monotonic()
            try:
                await self._one_connection()
            except (aiomqtt.MqttError, OSError) as error:
                if not self.broker.problem and time.monotonic() - began_s > _LASTED_S:
                    waits.reset()  # a broker that ends every connection at once is not knocked at as fast
                self._lost(reason_of(error))
            await asyncio.sleep(waits.next_s())

    async def _one_connection(self) -> None:
        async with connect(self._settings, self._identifier, most_bytes=MOST_BYTES) as client:
            for stand in sorted(self._hall.wanted) or ["+"]:
                for topic in PUBLISHED:
                    await self._listen(client, f"{self._hall.root}/{stand}/{topic.name}", topic)
            self.broker.since_s, self.broker.problem = time.monotonic(), ""
            self._hall.tell("broker reached")
            async for message in client.messages:
                if isinstance(message.payload, bytes):
                    self._hall.feed(
                        str(message.topic), message.payload, retained=message.retain, now_s=time.monotonic()
                    )

    async def _listen(self, client: BusClient, name: str, topic: Topic) -> None:
        try:
            await client.listen_to(name, qos=topic.qos)
        except Refused as error:
            if topic is not REVIEW:
                raise
            # An access list from before there were reviews does not allow them; all else can be watched.
            self._hall.tell(f"reviews are not shown: {error}")

    def _lost(self, problem: str) -> None:
        if not self.broker.problem:
            self.broker.since_s = time.monotonic()
        if problem != self.broker.problem:
            self._hall.tell(f"broker away: {problem}")
        self.broker.problem = problem


async def watch_until(watcher: Watcher, other: Coroutine[Any, Any, None]) -> None:
    """Listen until ``other`` ends, or listening fails.

    Raises:
        Exception: What ended either of them.
    """
    both = {asyncio.ensure_future(one) for one in (watcher.run(), other)}
    done, left = await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
    for task in left:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    for task in done:
        task.result()
