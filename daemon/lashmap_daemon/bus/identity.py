"""Identity of a publisher: the names of its topics, and the status that the broker keeps for it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import aiomqtt
from paho.mqtt.packettypes import PacketTypes

from lashmap_daemon.bus import messages
from lashmap_daemon.bus.connection import fresh
from lashmap_daemon.bus.topics import STATUS, Topic


@dataclass(frozen=True, kw_only=True)
class Identity:
    """Who publishes.

    Attributes:
        root: First levels of every topic.
        stand: Level of the stand.
        name: Name of the stand as its file has it.
        version: Of lashmap.
    """

    root: str
    stand: str
    name: str
    version: str

    @property
    def base(self) -> str:
        """Root and stand: what all topics of this stand begin with."""
        return f"{self.root}/{self.stand}"

    def topic(self, topic: Topic) -> str:
        """Full name of a topic."""
        return f"{self.base}/{topic.name}"

    def status(
        self, *, since: dt.datetime, test: str | None, offline: str = "", waiting: int = 0
    ) -> messages.Status:
        """Whether it is there.

        Args:
            since: When the connection began, UTC.
            test: The running one.
            offline: Why it is not there; empty when it is.
            waiting: Records in the outbox when the connection began.
        """
        return messages.Status(
            stand=self.stand,
            online=not offline,
            reason=offline[:2000],
            name=self.name[:200],
            version=self.version,
            connected_utc=f"{since:%Y-%m-%dT%H:%M:%SZ}",
            test=test,
            waiting_records=waiting,
        )

    def will(self, *, since: dt.datetime) -> aiomqtt.Will:
        """What the broker says when the connection breaks; which test runs then nobody knows now."""
        properties = fresh(PacketTypes.WILLMESSAGE)
        properties.PayloadFormatIndicator = 1
        properties.ContentType = "application/json"
        return aiomqtt.Will(
            self.topic(STATUS),
            messages.payload(self.status(since=since, test=None, offline="the connection broke")),
            qos=STATUS.qos,
            retain=STATUS.retain,
            properties=properties,
        )
