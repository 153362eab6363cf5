"""The connection of a board: the newest message of each topic of a thousand stands, for a tenth of a core.

paho's client in its own thread, without an event loop around it: of a message only its bytes are kept here,
and who asks takes them all at once. What is retained (status, state, result, review) is asked for without
acknowledgements, since the newest alone counts; it is asked for anew every minute, so that a message which
the broker dropped is not missed for long. Live values are not listened to: they are most of the traffic, and
the board shows none. One of them is asked for where a running test has said nothing for a while
(`Listener.ask_alive`).

It speaks MQTT 3.1.1: a message without properties costs paho half as much, and no property of ours is for
whoever listens. What MQTT 5 would keep away, a message that is too large, is dropped here; the limit of the
broker keeps it from the wire (`configs/bus`).
"""

from __future__ import annotations

import math
import secrets
import threading
import time
from collections import deque
from collections.abc import Iterable
from typing import Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion

from lashmap_daemon.bus.connection import KEEP_ALIVE_S
from lashmap_daemon.bus.listening import ListeningClient
from lashmap_daemon.bus.messages import ALARM, LIVE, RESULT, REVIEW, STATE, STATUS
from lashmap_daemon.hall.hall import MOST_BYTES, BrokerSeen
from lashmap_daemon.setup.bus_table import BusTable

ANEW_S = 60.0
_ALIVE_S = 10.0  # between two questions whether a stand is alive
_MOST_ALARMS = 10_000  # that wait to be taken; a flood loses the oldest
_TOPICS = {STATUS: 0, STATE: 0, RESULT: 0, REVIEW: 0, ALARM: 1}
Arrived = tuple[str, bytes, bool]


class Listener(ListeningClient):
    """Listens while it is entered; `take` from one thread.

    Attributes:
        broker: How the connection is.

    Raises:
        ConfigurationError: When password or certificates cannot be read.
    """

    def __init__(self, settings: BusTable, stands: frozenset[str]) -> None:
        names = [f"{settings.root}/{stand}/" for stand in sorted(stands) or ["+"]]
        self._asked_for = {f"{name}{topic.name}": qos for topic, qos in _TOPICS.items() for name in names}
        identifier = f"lashmap-board-{secrets.token_hex(6)}"
        super().__init__(settings, identifier, list(self._asked_for), MQTTProtocolVersion.MQTTv311)
        self.broker = BrokerSeen(address=settings.broker, since_s=time.monotonic(), problem=self.problem)
        self._newest: dict[str, tuple[bytes, bool]] = {}
        self._alarms: deque[Arrived] = deque(maxlen=_MOST_ALARMS)
        self._lock = threading.Lock()
        self._asked_s = 0.0
        self._root = settings.root
        self._asked_alive_s: dict[str, float] = {}

    def __enter__(self) -> Self:
        self._client.connect_async(self._host, self._port, KEEP_ALIVE_S)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def take(self) -> list[Arrived]:
        """What came since the last time: of each topic the newest, and every alarm."""
        with self._lock:
            newest, self._newest = self._newest, {}
            alarms = list(self._alarms)
            self._alarms.clear()
        if not self.broker.problem and time.monotonic() - self._asked_s > ANEW_S:
            self._ask()
        return [*((topic, payload, kept) for topic, (payload, kept) in newest.items()), *alarms]

    def ask_alive(self, stands: Iterable[str]) -> None:
        """Have a live value of each of these stands arrive once, where it still makes any; not too often."""
        now_s = time.monotonic()
        for stand in stands:
            if now_s - self._asked_alive_s.get(stand, -math.inf) > _ALIVE_S and not self.broker.problem:
                self._asked_alive_s[stand] = now_s
                self._client.subscribe(f"{self._root}/{stand}/{LIVE.name}", 0)

    # In the client's thread -----------------------------------------------------------------------------

    def _heard(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        # Nothing larger is held; that it came is counted.
        topic, payload = message.topic, bytes(message.payload) if len(message.payload) <= MOST_BYTES else b""
        if topic.endswith(f"/{LIVE.name}"):
            self._client.unsubscribe(topic)  # one is enough: it is there
        with self._lock:
            if topic.endswith(f"/{ALARM.name}"):
                self._alarms.append((topic, payload, message.retain))
                return
            before = self._newest.get(topic)
            # One that was new stays new, though the broker repeats it as kept before anybody took it.
            self._newest[topic] = (payload, message.retain and (before is None or before[1]))

    def _ask(self) -> None:
        """Subscribe to all at once; asked anew the broker sends again what it keeps (MQTT 3.1.1, 3.8.4)."""
        self._asked_s = time.monotonic()
        self._client.subscribe(list(self._asked_for.items()))

    def _is(self, problem: str) -> None:
        super()._is(problem)
        if bool(problem) != bool(self.broker.problem):
            self.broker.since_s = time.monotonic()
        self.broker.problem = problem
