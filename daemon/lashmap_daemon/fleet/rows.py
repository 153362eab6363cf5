"""A record of the bus becomes rows; what does not deserve belief is refused with its reason.

The same for a message from the broker and for an event that was read in a logbook, since the logbook's is
made into the message first. Nothing received is trusted: it must fit its schema, name the stand of its own
topic, and tell a time that fits its test.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass
from typing import Any, Final

from pydantic import ValidationError

from lashmap_daemon.bus import messages
from lashmap_daemon.bus.messages import ALARM, POSITION, RESULT, REVIEW, Topic
from lashmap_daemon.clean_text import clean
from lashmap_daemon.story import events

TAKEN: Final = (POSITION, RESULT, ALARM, REVIEW)
MOST_BYTES = 262_144
_BY_NAME = {topic.name: topic for topic in TAKEN}
# As every test is named: when it began, and its serial number. Nothing else reaches a query of the store.
_TEST = re.compile(r"(\d{8})-(\d{6})-[A-Za-z0-9._-]{1,150}")
_AHEAD = dt.timedelta(days=1)  # of our clock: more than any clock that somebody set
_LATE = dt.timedelta(days=400)  # an outbox waits for its broker for weeks, not for a year
_LONGEST = dt.timedelta(days=60)  # from the beginning of a test to its end, with resumptions

Row = dict[str, Any]


class NotBelieved(Exception):
    """A record is not merged; the text says why."""


@dataclass(frozen=True, kw_only=True)
class Rows:
    """The rows that one record makes, by table."""

    test: str
    rows: tuple[tuple[str, Row], ...]


def day_of(test: str) -> dt.date:
    """The day on which a test began.

    Raises:
        NotBelieved: Its name is not one that lashmap gives.
    """
    named = _TEST.fullmatch(test)
    try:
        if named is not None:
            return dt.datetime.strptime(named[1], "%Y%m%d").replace(tzinfo=dt.UTC).date()
    except ValueError:
        pass
    raise NotBelieved("the name of its test does not say when it began, as lashmap names tests")


def rows_of(topic: str, payload: bytes, root: str, now: dt.datetime, *, live: bool = True) -> Rows:
    """The rows of a record.

    Args:
        topic: Full name of the topic that it came on.
        payload: What came.
        root: First levels of the topics.
        now: By our clock.
        live: From the broker: one that is older than an outbox waits is not believed.

    Raises:
        NotBelieved: It is not merged.
    """
    stand, kind = _address(topic, root)
    if len(payload) > MOST_BYTES:
        raise NotBelieved(f"it has {len(payload)} bytes; a record has at most {MOST_BYTES}")
    try:
        message = kind.adapter.validate_json(payload)
    except (ValidationError, ValueError, RecursionError) as error:
        raise NotBelieved(f"it does not fit the schema of {kind.name}: {_first(error)}") from None
    if message.stand != stand:
        raise NotBelieved(f"it came on the topic of stand {stand} and claims to be of another stand")
    day = day_of(message.test)
    common = {"day": day, "stand": stand, "test": message.test}
    made = _of_result(message, common) if isinstance(message, messages.Result) else _of_event(message, common)
    for name, row in made:
        _must_be_finite(name, row)
    _must_fit_in_time(message, day, now, live=live)
    return Rows(test=message.test, rows=tuple(made))


def _address(topic: str, root: str) -> tuple[str, Topic]:
    levels = topic.removeprefix(f"{root}/").split("/")
    kind = _BY_NAME.get(levels[-1])
    if kind is None or len(levels) != 2 or not topic.startswith(f"{root}/"):
        raise NotBelieved("its topic is none that a stand sends records on")
    if clean(levels[0], 64) != levels[0]:
        raise NotBelieved("the stand's level of its topic holds what no stand is called")
    return levels[0], kind


def _first(error: Exception) -> str:
    if isinstance(error, ValidationError):
        one = error.errors(include_input=False, include_url=False)[0]
        return f"{'.'.join(map(str, one['loc']))}: {one['msg']}"
    return str(error) or type(error).__name__


def time_of(text: str) -> dt.datetime:
    """A time as records write it.

    Raises:
        NotBelieved: It is none, or does not say that it is UTC.
    """
    try:
        found = dt.datetime.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise NotBelieved(f"{text!r:.40} is no time with its offset from UTC")
    return found.astimezone(dt.UTC)


def _must_fit_in_time(message: messages.Message, day: dt.date, now: dt.datetime, *, live: bool) -> None:
    utc = time_of(message.utc)  # type: ignore[attr-defined]  # every record has it
    began = dt.datetime.combine(day, dt.time(), dt.UTC)
    if max(utc, began) > now + _AHEAD:
        raise NotBelieved(f"its time ({utc:%Y-%m-%d %H:%M}) is still to come; set the clock of the stand")
    if live and utc < now - _LATE:
        raise NotBelieved(
            f"its time ({utc:%Y-%m-%d}) is more than a year ago; set the clock of the stand, or gather its "
            "logbook if that is right"
        )
    of_review = isinstance(message, messages.Excluded | messages.ExclusionTakenBack | messages.Signed)
    if not of_review and isinstance(message, messages.Record) and not began <= utc < began + _LONGEST:
        raise NotBelieved(f"its time ({utc:%Y-%m-%d}) does not fit its test, which began on {day}")


def _must_be_finite(table: str, row: Row) -> None:
    for name, value in row.items():
        if isinstance(value, float) and not math.isfinite(value):
            raise NotBelieved(f"{name} ({table}) is no finite number")


def _of_event(message: Any, common: Row) -> list[tuple[str, Row]]:  # noqa: ANN401 - a union of three topics
    record = message.record
    row = {**common, "event": message.event, "utc": time_of(message.utc), "kind": message.kind}
    if isinstance(record, events.SignedOff):
        return _of_signature(record, row, common)
    table, names, more = _columns(record)
    return [(table, {**row, **{name: getattr(record, name) for name in names}, **more})]


_POSITION = ("number", "engagement")
_ROCK = ("attempt", "purpose", "normal_backlash_mm", "standard_uncertainty_mm", "reversals", "gear_deg")


def _columns(record: events.Event) -> tuple[str, tuple[str, ...], Row]:
    """The table of an event, the columns that have the event's own names, and the others."""
    found: tuple[str, tuple[str, ...], Row]
    match record:
        case events.RockAccepted():
            found = "positions", (*_POSITION, *_ROCK), Row(reasons=list(record.flags))
        case events.RockRefused():
            found = "positions", (*_POSITION, "attempt"), Row(reasons=list(record.reasons))
        case events.PositionSkipped():
            found = "positions", _POSITION, Row(reasons=[record.reason])
        case events.SweepRecorded():
            found = "movements", ("member", "fim_mm"), Row(lasted_s=record.end_s - record.start_s)
        case events.PassRecorded():
            names = ("direction", "pinion_deg_per_s", "brake_nm")
            found = "movements", names, Row(lasted_s=record.end_s - record.start_s)
        case events.PositionExcluded():
            found = "reviews", ("by", "reason", "exclusion", "position"), Row()
        case events.ExclusionUndone():
            found = "reviews", ("by", "reason", "exclusion"), Row()
        case events.InstrumentLost():
            found = "alarms", ("instrument", "reason"), Row()
        case events.InstrumentBack():
            found = "alarms", ("instrument",), Row()
        case events.CauseAsked():
            found = "alarms", (), Row(reason=f"{record.refused} rocks in a row were refused")
        case events.CauseAnswered():
            found = "alarms", (), Row(reason=record.words or record.cause)
        case _:
            found = "alarms", (), Row(reason=getattr(record, "reason", ""))
    return found


def _of_signature(event: events.SignedOff, row: Row, common: Row) -> list[tuple[str, Row]]:
    spot = {name: getattr(event, name) for name in ("engagement", "normal_backlash_mm", "low_mm", "high_mm")}
    result = {
        **common,
        "id": f"{common['test']}/{row['event']}",
        "how": "reviewed",
        "utc": row["utc"],
        "analysis_version": event.analysis_version,
        "outcome": event.outcome,
        **spot,
        "signed_by": event.by,
    }
    review = {
        **row,
        "by": event.by,
        "reason": event.remark,
        "outcome": event.outcome,
        "recorded_outcome": event.recorded_outcome,
    }
    return [("reviews", review), ("results", result)]


def _of_result(message: messages.Result, common: Row) -> list[tuple[str, Row]]:
    test = {
        **common,
        "started": time_of(message.started_utc),
        **{name: getattr(message, name) for name in ("box", "serial", "set_number", "operator")},
        "gear_teeth": message.gear_teeth,
        "pinion_teeth": message.pinion_teeth,
    }
    return [("tests", test), *result_rows(message, common, "recorded")]


def result_rows(message: messages.Result, common: Row, how: str) -> list[tuple[str, Row]]:
    """The rows of a result itself: results, runouts and preconditions."""
    of_this = {**common, "id": message.id}
    result = {
        **of_this,
        "how": how,
        "utc": time_of(message.utc),
        **{name: getattr(message, name) for name in _AS_IT_IS},
        "reasons": list(message.reasons),
        **_figures(message),
    }
    made = [("results", result)]
    members = [] if message.runout is None else message.runout.members
    for one in members:
        figures = {name: getattr(one, name) for name in _OF_MEMBER}
        made.append(("runouts", {**of_this, "how": "map", "number": 1, **figures}))
    for number, swept in enumerate(message.sweeps, 1):
        found = {"member": swept.member, "number": number, "fim_mm": swept.fim_mm}
        u_mm = swept.fim_standard_uncertainty_mm
        made.append(("runouts", {**of_this, "how": "sweep", **found, "standard_uncertainty_mm": u_mm}))
    made += [("preconditions", {**of_this, **held.model_dump()}) for held in message.preconditions]
    return made


_AS_IT_IS = ("analysis_version", "outcome", "closing", "confirmed", "cause", "positions")
_OF_SPOT = ("engagement", "normal_backlash_mm", "gear_tooth", "pinion_tooth", "standard_uncertainty_mm")
_OF_LASH = ("judged", "mean_mm", "variation_mm", "tooth_scatter_mm")
_OF_MEMBER = ("member", "separable", "amplitude_mm", "fim_mm", "standard_uncertainty_mm", "high_point_deg")


def _figures(message: messages.Result) -> Row:
    """The tight spot that is stated, and the backlash over the mesh cycle."""
    spot, lash = message.tight_spot_stated, message.lash
    found: Row = {}
    if spot is not None:
        found = {name: getattr(spot, name) for name in _OF_SPOT}
        found |= {"low_mm": spot.interval_low_mm, "high_mm": spot.interval_high_mm}
    if lash is not None:
        found |= {name: getattr(lash, name) for name in _OF_LASH}
    return found
