"""The connection of a gatherer: records of all stands, shared with the other gatherers of its group.

MQTT 5 shared subscriptions (4.8.2) give each record to one of the group. It is acknowledged only when it lies
in the store, so a gatherer that dies with records in hand has lost none: its session outlives it, and it gets
them again under the same name (``session_hours``). Live values and states are not asked for.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.subscribeoptions import SubscribeOptions

from lashmap_daemon.bus.connection import KEEP_ALIVE_S, fresh
from lashmap_daemon.bus.listening import ListeningClient
from lashmap_daemon.fleet.rows import MOST_BYTES, TAKEN
from lashmap_daemon.setup.bus_table import BusTable

MOST_IN_HAND: Final = 2000  # records that the broker gives out before one is acknowledged


@dataclass(frozen=True)
class Came:
    """A record in hand: it is acknowledged by ``number`` once it is kept."""

    topic: str
    payload: bytes
    number: int
    session: int


class FromBroker(ListeningClient):
    """Listens while it is entered; `take` and `kept` from one thread.

    Args:
        settings: Broker and user.
        group: Of gatherers that share the records.
        name: Of this one within the group; its session is known by it.
        session_hours: So long the broker keeps records for a gatherer that is away.

    Attributes:
        came: How many records came.

    Raises:
        ConfigurationError: When password or certificates cannot be read.
    """

    def __init__(self, settings: BusTable, *, group: str, name: str, session_hours: float) -> None:
        self.came = 0
        super().__init__(
            settings,
            f"lashmap-gather-{group}-{name}",
            [f"$share/{group}/{settings.root}/+/{topic.name}" for topic in TAKEN],
            MQTTProtocolVersion.MQTTv5,
            manual_ack=True,
        )
        self._came: list[Came] = []
        self._session = 0
        self._lock = threading.Lock()
        self._session_s = int(session_hours * 3600)

    def __enter__(self) -> Self:
        properties = fresh(PacketTypes.CONNECT)
        properties.MaximumPacketSize = MOST_BYTES + 1024
        properties.ReceiveMaximum = MOST_IN_HAND
        properties.SessionExpiryInterval = self._session_s
        self._client.connect_async(
            self._host, self._port, KEEP_ALIVE_S, clean_start=False, properties=properties
        )
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def take(self) -> list[Came]:
        """What came since the last time."""
        with self._lock:
            came, self._came = self._came, []
        return came

    def waiting(self) -> int:
        """How many records wait to be taken."""
        return len(self._came)

    def still(self, held: Sequence[Came]) -> list[Came]:
        """Those that are still in hand: what came on a connection that is gone comes again."""
        return [one for one in held if one.session == self._session]

    def kept(self, came: Sequence[Came]) -> None:
        """These lie in the store: the broker may forget them."""
        for one in self.still(came):
            self._client.ack(one.number, 1)

    # In the client's thread -----------------------------------------------------------------------------

    def _heard(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        if (
            message.retain or message.qos == 0
        ):  # no stand sends such, and shared subscriptions keep none (4.8.2)
            self._client.ack(message.mid, message.qos)
            return
        one = Came(message.topic, bytes(message.payload), message.mid, self._session)
        with self._lock:
            self._came.append(one)
            self.came += 1

    def _ask(self) -> None:
        with self._lock:
            self._session += 1
            self._came.clear()  # the broker gives them again on the new connection
        self._client.subscribe([(name, SubscribeOptions(qos=1)) for name in self._topics])
