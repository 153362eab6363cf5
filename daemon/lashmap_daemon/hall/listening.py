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
import sys
import threading
import time
from collections import deque
from collections.abc import Iterable
from typing import Any, Self

import aiomqtt
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from lashmap_daemon.bus.connection import KEEP_ALIVE_S, Refused, reason_of
from lashmap_daemon.bus.messages import ALARM, LIVE, RESULT, REVIEW, STATE, STATUS
from lashmap_daemon.hall.hall import MOST_BYTES, BrokerSeen
from lashmap_daemon.setup.bus_table import BusTable

ANEW_S = 60.0
_ALIVE_S = 10.0  # between two questions whether a stand is alive
_MOST_ALARMS = 10_000  # that wait to be taken; a flood loses the oldest
_LONGEST_WAIT_S = 15
_TOPICS = {STATUS: 0, STATE: 0, RESULT: 0, REVIEW: 0, ALARM: 1}
Arrived = tuple[str, bytes, bool]


class Listener:
    """Listens while it is entered; `take` from one thread.

    Attributes:
        broker: How the connection is.

    Raises:
        ConfigurationError: When password or certificates cannot be read.
    """

    def __init__(self, settings: BusTable, stands: frozenset[str]) -> None:
        self.broker = BrokerSeen(
            address=settings.broker, since_s=time.monotonic(), problem="not reached yet; trying"
        )
        names = [f"{settings.root}/{stand}/" for stand in sorted(stands) or ["+"]]
        self._asked_for = {f"{name}{topic.name}": qos for topic, qos in _TOPICS.items() for name in names}
        self._newest: dict[str, tuple[bytes, bool]] = {}
        self._alarms: deque[Arrived] = deque(maxlen=_MOST_ALARMS)
        self._lock = threading.Lock()
        self._asked_s = 0.0
        self._root = settings.root
        self._asked_alive_s: dict[str, float] = {}
        self._host, self._port = settings.host, settings.port
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"lashmap-board-{secrets.token_hex(6)}",
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        if settings.user is not None:
            self._client.username_pw_set(settings.user, settings.password())
        tls = settings.tls()
        if tls is not None:
            self._client.tls_set_context(tls)
        self._client.reconnect_delay_set(1, _LONGEST_WAIT_S)
        self._client.on_message = self._heard
        self._client.on_connect = self._connected
        self._client.on_connect_fail = self._not_connected
        self._client.on_disconnect = self._disconnected
        self._client.on_subscribe = self._subscribed

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

    def _connected(self, *about: Any) -> None:  # noqa: ANN401 - client, data, flags, code, properties
        code: ReasonCode = about[3]
        if code.is_failure:
            self._lost(reason_of(aiomqtt.MqttCodeError(code)))
        else:
            self._ask()

    def _subscribed(self, *about: Any) -> None:  # noqa: ANN401 - client, data, number, codes, properties
        if len(about[3]) < len(self._asked_for):
            return  # of `ask_alive`: where live values are forbidden, a stand is as quiet as it is
        for name, code in zip(self._asked_for, about[3], strict=False):
            # An access list from before there were reviews forbids them; all else can be watched.
            if code.is_failure and not name.endswith(f"/{REVIEW.name}"):
                self._lost(str(Refused(name, code.getName(), "read")))
                return
        if self.broker.problem:
            self.broker.since_s, self.broker.problem = time.monotonic(), ""

    def _not_connected(self, *_: object) -> None:
        error = sys.exc_info()[1]  # paho calls this while it handles the error, and hands it to nobody
        self._lost(reason_of(error) if error is not None else "it cannot be reached; check its address")

    def _disconnected(self, *about: Any) -> None:  # noqa: ANN401 - client, data, flags, code, properties
        if not self.broker.problem:
            self._lost(reason_of(aiomqtt.MqttCodeError(about[3])))

    def _lost(self, problem: str) -> None:
        if not self.broker.problem:
            self.broker.since_s = time.monotonic()
        self.broker.problem = problem
