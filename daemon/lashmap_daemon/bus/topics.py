"""The topics of a stand: their names, quality of service, retention and expiry, each with its reason.

What stands in the messages is decided in `messages`, when they are sent in `publisher`.
"""

from __future__ import annotations

import json
import re
import unicodedata
from dataclasses import dataclass
from typing import Any, Final, get_args

from pydantic import TypeAdapter

from lashmap_daemon.bus import messages
from lashmap_daemon.bus.messages import Answer, Command
from lashmap_daemon.story.events import ResultAnnounced, TestClosed

ROOT: Final = "lashmap"
_NOT_IN_A_LEVEL = re.compile(r"[^a-z0-9_.-]+")


@dataclass(frozen=True, kw_only=True)
class Topic:
    """The last level of a topic, and how its messages travel.

    Attributes:
        name: Last level; the ones before are the root and the stand.
        adapter: Checks and describes the messages.
        qos: 0 when the next message makes up for a lost one, 1 when nothing may be lost. Never 2: a record
            has an identifier, so a second copy does no harm, and QoS 2 costs two round trips.
        retain: True when whoever comes later must know it at once.
        expiry_s: Seconds after which the broker must not deliver it any more; None for no limit.
        why: The reason for all three, for the documentation.
    """

    name: str
    adapter: TypeAdapter[Any]
    qos: int
    retain: bool
    expiry_s: int | None
    why: str


STATUS: Final = Topic(
    name="status",
    adapter=TypeAdapter(messages.Status),
    qos=1,
    retain=True,
    expiry_s=None,
    why="whoever comes later must know whether the stand is there; the last will says offline",
)
LIVE: Final = Topic(
    name="live",
    adapter=TypeAdapter(messages.Live),
    qos=0,
    retain=False,
    expiry_s=2,
    why="the next one makes up for a lost one, and an old value must never look live",
)
STATE: Final = Topic(
    name="state",
    adapter=TypeAdapter(messages.State),
    qos=1,
    retain=True,
    expiry_s=None,
    why="what is awaited now, sent when it changes: a lost change would stay wrong for minutes",
)
POSITION: Final = Topic(
    name="position",
    adapter=TypeAdapter(messages.Position),
    qos=1,
    retain=False,
    expiry_s=None,
    why="a record: at least once from the outbox, known by its identifier; a history is not a state",
)
RESULT: Final = Topic(
    name="result",
    adapter=TypeAdapter(messages.Result),
    qos=1,
    retain=True,
    expiry_s=None,
    why="a record: at least once from the outbox; the newest stays for whoever comes later",
)
ALARM: Final = Topic(
    name="alarm",
    adapter=TypeAdapter(messages.Alarm),
    qos=1,
    retain=False,
    expiry_s=None,
    why="a record: at least once from the outbox; what holds now is in state, so an old alarm is not kept",
)
COMMAND: Final = Topic(
    name="command",
    adapter=TypeAdapter(Command),
    qos=1,
    retain=False,
    expiry_s=10,
    why="only when switched on; a retained request is refused, a late one has expired",
)
ANSWER: Final = Topic(
    name="answer",
    adapter=TypeAdapter(Answer),
    qos=1,
    retain=False,
    expiry_s=60,
    why="one for each request; the request may name a topic below it in its response topic",
)


def _kinds(message: object) -> list[str]:
    """The events that a union of records carries."""
    union, *_ = get_args(message)
    return [get_args(record.model_fields["kind"].annotation)[0] for record in get_args(union)]


EVENTS: Final = (
    dict.fromkeys(_kinds(messages.Position), POSITION)
    | dict.fromkeys(_kinds(messages.Alarm), ALARM)
    | {ResultAnnounced.__name__: RESULT}
)
PUBLISHED: Final = (STATUS, LIVE, STATE, POSITION, RESULT, ALARM)
TOPICS: Final = (*PUBLISHED, COMMAND, ANSWER)


def topic_of_event(kind: str, body: str, base: str) -> Topic | None:
    """Where an event of the logbook goes as a record; None for events that nobody is sent.

    Args:
        kind: Name of the event.
        body: The event as JSON.
        base: Root and stand that are published.
    """
    topic = EVENTS.get(kind)
    if kind == TestClosed.__name__ and _value_of(body, "outcome") == "completed":
        return None  # the result says it
    if topic is RESULT and _value_of(body, "topic") != base:
        return None  # another stand's, whose logbook this was
    return topic


def _value_of(body: str, key: str) -> object:
    try:
        return json.loads(body).get(key)
    except (ValueError, AttributeError):  # it was changed: whoever sends it finds that out
        return None


def level(name: str) -> str:
    """The topic level of a stand's name: lower case, anything but letters, digits, ``_``, ``.`` a hyphen.

    Args:
        name: As the stand file has it, for example ``Bench 1``.

    Returns:
        For example ``bench-1``; ``stand`` when nothing of the name can stand in a topic.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return _NOT_IN_A_LEVEL.sub("-", plain).strip("-") or "stand"
