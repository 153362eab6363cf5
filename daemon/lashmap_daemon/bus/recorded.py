"""A row of the logbook as the message that carries it, byte for byte the same whenever it is made."""

from __future__ import annotations

import json
from dataclasses import dataclass

from lashmap_daemon.bus.messages import SCHEMA
from lashmap_daemon.bus.topics import RESULT, Topic, topic_of_event
from lashmap_daemon.logbook.digests import EventRow


@dataclass(frozen=True, kw_only=True)
class Outgoing:
    """A record on its way: where to, under which identifier, what."""

    topic: Topic
    id: str
    payload: bytes


def outgoing(row: EventRow, base: str) -> Outgoing | None:
    """The message of one event; None for events that nobody is sent.

    The body of the event is taken over as the logbook keeps it, never written anew.

    Args:
        row: The event.
        base: Root and stand that are published.
    """
    topic = topic_of_event(row.kind, row.body, base)
    if topic is None:
        return None
    if topic is RESULT:
        announced = json.loads(row.body)
        return Outgoing(topic=topic, id=announced["id"], payload=announced["message"].encode())
    identifier = f"{row.test}/{row.number}"
    envelope = json.dumps(
        {
            "schema": SCHEMA,
            "stand": base.rpartition("/")[2],
            "id": identifier,
            "test": row.test,
            "event": row.number,
            "time_s": row.time_s,
            "utc": row.utc,
            "kind": row.kind,
        },
        ensure_ascii=False,
        separators=(",", ":"),
    )
    return Outgoing(topic=topic, id=identifier, payload=f'{envelope[:-1]},"record":{row.body}}}'.encode())
