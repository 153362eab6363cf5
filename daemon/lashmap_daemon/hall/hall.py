"""What is known of a hall of stands: the newest message of each kind, and how old it is.

Nothing received is trusted: a message counts only when it fits its schema and names the stand of its own
topic, sizes and numbers of stands are bounded, and every text is cleaned before it is shown. Every value has
an age.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from lashmap_analysis.record.record import Shaft
from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from lashmap_daemon.bus import messages
from lashmap_daemon.bus.messages import PUBLISHED, STATE, level
from lashmap_daemon.clean_text import clean
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import sentence

MOST_BYTES = 262_144
MOST_STANDS = 5000  # a stand is some kB; whoever makes up names must not fill the memory
_MOST_ALARMS = 20  # a stand has a few instruments
SILENT_S = 3.0  # a running test speaks several times a second
Reviewing: TypeAlias = messages.Excluded | messages.ExclusionTakenBack | messages.Signed
_BY_NAME = {topic.name: topic for topic in PUBLISHED}
_BY_NO_KEY = "\0"


class _StateInBrief(messages.State):
    """A state whose larger parts are not looked at, and are empty here: a third of the work."""

    model_config = ConfigDict(populate_by_name=False)

    target: messages.Target | None = Field(default=None, validation_alias=_BY_NO_KEY)
    sweep: Shaft | None = Field(default=None, validation_alias=_BY_NO_KEY)
    rock: messages.Rock | None = Field(default=None, validation_alias=_BY_NO_KEY)
    marks: list[messages.Mark] = Field(default_factory=list, validation_alias=_BY_NO_KEY)
    lines: list[str] = Field(default_factory=list, validation_alias=_BY_NO_KEY)


_STATE_IN_BRIEF = TypeAdapter(_StateInBrief)


@dataclass
class StandSeen:
    """What is known of one stand; times are the watcher's own monotonic seconds.

    Attributes:
        stand: Topic level.
        news_s: When its last message arrived; None when all messages so far were kept by the broker.
        live_s: When `live` came.
        open_alarms: What was reported and not yet taken back, by what it is about.
        alarmed_test: The test that they are of.
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
    open_alarms: dict[str, str] = field(default_factory=dict)
    alarmed_test: str = ""

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
        in_brief: Of a state neither marks nor lines, target and rock are looked at; they stay empty.
        tell: Called with a line (cleaned) for everything worth one; None where nobody reads them.
        stands: By topic level.
        not_understood: Messages that fit no schema, or claim to be another stand's.
        too_many: Messages of stands beyond the limit.
        changed: Stands of which something came since somebody emptied it.
    """

    root: str
    wanted: frozenset[str] = frozenset()
    in_brief: bool = False
    tell: Callable[[str], None] | None = None
    stands: dict[str, StandSeen] = field(default_factory=dict)
    not_understood: int = 0
    too_many: int = 0
    changed: set[str] = field(default_factory=set)

    def feed(self, topic: str, payload: bytes, *, retained: bool, now_s: float) -> None:
        """Take a message; what cannot be understood is counted."""
        levels = topic.removeprefix(f"{self.root}/").split("/")
        kind = _BY_NAME.get(levels[-1])
        if kind is None or len(levels) != 2 or not topic.startswith(f"{self.root}/"):
            return
        stand = levels[0]
        if self.wanted and stand not in self.wanted:
            return
        adapter = _STATE_IN_BRIEF if self.in_brief and kind is STATE else kind.adapter
        message = _understand(adapter, payload)
        is_new = stand not in self.stands
        if message is None or message.stand != stand or (is_new and clean(stand, 64) != stand):
            self.not_understood += 1
            return
        if is_new and len(self.stands) >= MOST_STANDS:
            self.too_many += 1
            return
        seen = self.stands.setdefault(stand, StandSeen(stand=stand))
        self.changed.add(stand)
        if not retained:
            seen.news_s = now_s
        self._take(seen, message, now_s, retained=retained)

    def quiet(self, now_s: float, longest_s: float) -> list[str]:
        """Stands where a test runs, as far as they said, and that said nothing for longer than this."""
        return [
            stand
            for stand, seen in self.stands.items()
            if seen.running and not (seen.news_s is not None and now_s - seen.news_s <= longest_s)
        ]

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
                if message.test != seen.alarmed_test:
                    seen.open_alarms.clear()
                if asks_of(message) and (before_state is None or asks_of(before_state) != asks_of(message)):
                    self._say(seen, asks_of(message))
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
                seen.alarmed_test = message.test
                _open_or_close(seen.open_alarms, message, seen.alarm)
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
        if self.tell is not None:
            self.tell(f"{seen.stand}: {clean(text, 500)}")


def _open_or_close(alarms: dict[str, str], message: messages.Record, text: str) -> None:
    match message:
        case messages.InstrumentLost():
            if len(alarms) < _MOST_ALARMS:
                alarms[f"instrument {message.record.instrument}"] = text
        case messages.InstrumentBack():
            alarms.pop(f"instrument {message.record.instrument}", None)
        case messages.CauseWanted():
            alarms["cause"] = text
        case messages.CauseTold():
            alarms.pop("cause", None)
        case messages.ClosedEarly():
            alarms.clear()
            if message.record.outcome != "stopped":  # somebody did that on purpose
                alarms["closed"] = text


def asks_of(state: messages.State) -> str:
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


def _understand(adapter: TypeAdapter[Any], payload: bytes) -> messages.Message | None:
    if len(payload) > MOST_BYTES:
        return None
    try:
        message = adapter.validate_json(payload)
    except (ValidationError, ValueError, RecursionError):
        return None
    return message if isinstance(message, messages.Message) else None


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
