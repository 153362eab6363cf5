"""A hall as the board shows it: a row for each stand, and what needs a person first.

A row is plain JSON. It is made anew only when something of its stand came, and travels only when it changed.
How old the last word of each stand is travels apart, as whole seconds on the board's own clock, so that a
stand that speaks and says nothing new costs a few bytes. Words that can be translated are keys; sentences of
a stand come as they stand in its record, cleaned.
"""

from __future__ import annotations

from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

from lashmap_analysis.record.lengths import format_length
from pydantic_core import to_json

from lashmap_daemon.clean_text import clean as cleaned
from lashmap_daemon.hall.hall import asks_of
from lashmap_daemon.screens.cue import Kind, cue_of_phase
from lashmap_daemon.screens.phrases import as_keys
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events

if TYPE_CHECKING:
    from lashmap_daemon.bus import messages
    from lashmap_daemon.hall.hall import BrokerSeen, Hall, StandSeen

ALARM, AWAY, ASKED, RUNS, PREPARES, IDLE, OFF = range(7)
"""How much a stand needs a person, most first."""
ORDERLY = "the program ended"  # what a stand says when it leaves (`bus.connection`); any other end is away
_TROUBLED = {Phase.FINDING, Phase.PAUSED, Phase.WAITING}
_MOST_TEXT, _MOST_NAME = 200, 60
clean = lru_cache(maxsize=8192)(cleaned)  # the same few texts, again and again


class Board:
    """The rows of a hall, packed.

    Args:
        hall: What is known; fed by whoever listens.
        broker: How the connection is.
    """

    def __init__(self, hall: Hall, broker: BrokerSeen) -> None:
        self._hall, self._broker = hall, broker
        self._places: dict[str, int] = {}
        self._rows: dict[str, dict[str, Any]] = {}
        self._parts: dict[str, bytes] = {}
        self._heard: list[int | None] = []

    def parts(self, now_s: float) -> dict[str, bytes]:
        """The whole picture; parts that did not change are the same as before.

        ``now_s`` is a clock without jumps that the ages count on.
        """
        hall, broker = self._hall, self._broker
        news = False
        for stand in sorted(hall.changed):
            place = self._places.setdefault(stand, len(self._places))
            seen = hall.stands[stand]
            if place == len(self._heard):
                self._heard.append(None)
            heard = None if seen.news_s is None else int(seen.news_s)
            news, self._heard[place] = news or self._heard[place] != heard, heard
            made = row(seen)
            if self._rows.get(stand) != made:
                self._rows[stand], self._parts[f"s{place}"] = made, _packed(made)
        hall.changed.clear()
        if news or "heard" not in self._parts:
            self._parts["heard"] = _packed({"at": self._heard})
        self._parts["hall"] = _packed(
            {
                "now": int(now_s),
                "broker": clean(broker.address),
                "problem": clean(broker.problem, _MOST_TEXT),
                "since": int(broker.since_s),
                "not_understood": hall.not_understood,
                "too_many": hall.too_many,
                "stands": len(self._places),
            }
        )
        return self._parts


def row(seen: StandSeen) -> dict[str, Any]:
    """One stand in words and keys; empty where nothing is to be said."""
    state, result = seen.state, seen.result
    away = seen.status is not None and not seen.status.online
    lacks = _lacks(state) if seen.online else []
    made: dict[str, Any] = {
        "stand": seen.stand,
        "name": clean(seen.name, _MOST_NAME),
        "is": "unknown" if seen.status is None else "online" if seen.online else "offline",
        "need": need(seen),
        "doing": _doing(seen),
        "wants": None,
        "asks": "",
        "box": clean(state.serial or state.box, 40) if state else "",
        "done": [state.done, state.total] if state and state.test else None,
        "tight": _tight(state),
        "lacks": [[clean(one.instrument, 40), one.state] for one in lacks],
        "alarms": [clean(text, _MOST_TEXT) for text in seen.open_alarms.values()],
        "why": clean(seen.status.reason, _MOST_TEXT) if away and seen.status else "",
        "verdict": result.outcome if result else "",
        "verdict_of": clean(result.serial or result.box, 40) if result else "",
        "before": result is not None and (state is None or state.test != result.test or seen.running),
        "signed": _signed(seen),
    }
    if seen.running and state is not None:
        _, made["wants"] = _cue(state.phase)
        made["asks"] = clean(asks_of(state), _MOST_TEXT)
    elif seen.online and state is not None and state.service is not None:
        made["asks"] = clean(state.service.awaits, _MOST_TEXT)
    return made


def need(seen: StandSeen) -> int:
    """How much it needs a person."""
    state = seen.state
    lacks = _lacks(state) if seen.online else []
    in_test = state is not None and state.phase is not Phase.CLOSED
    if seen.status is None or (not seen.online and seen.status.reason == ORDERLY):
        return OFF
    if not seen.online:
        return ALARM if in_test else AWAY
    if seen.open_alarms or lacks or (state is not None and state.phase in _TROUBLED):
        return ALARM
    if state is not None and in_test:
        return RUNS if _cue(state.phase)[0] in {Kind.ROCK, Kind.WAIT} else ASKED
    return PREPARES if _doing(seen) in {"preparing", "concluding"} else IDLE


def _doing(seen: StandSeen) -> str:
    if seen.running:
        return "testing"
    service = seen.state.service if seen.online and seen.state else None
    return service.doing if service is not None else ""


def _lacks(state: messages.State | None) -> list[messages.InstrumentIs]:
    service = state.service if state else None
    return [one for one in service.instruments if one.state != "heard"] if service else []


def _tight(state: messages.State | None) -> str:
    spot = state.tight_spot if state else None
    return format_length(spot.normal_backlash_mm, state.units) if spot and state else ""


def _signed(seen: StandSeen) -> str:
    """What reviewers did with the newest result: ``signed``, ``reviewed`` or nothing."""
    if seen.review is None or seen.result is None or seen.review.test != seen.result.test:
        return ""
    return "signed" if isinstance(seen.review.record, events.SignedOff) else "reviewed"


@cache
def _cue(phase: Phase) -> tuple[Kind, Any]:
    """What a phase asks for: its kind, and its words as keys."""
    cue = cue_of_phase(phase, "")
    return cue.kind, as_keys(cue.words)


def _packed(part: dict[str, Any]) -> bytes:
    return to_json(part)
