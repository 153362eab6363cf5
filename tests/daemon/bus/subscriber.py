"""A subscriber that shares no code with lashmap: the plain paho client in its own thread."""

from __future__ import annotations

import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties


@dataclass(frozen=True, kw_only=True)
class Heard:
    """One message as it arrived."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    at_s: float
    properties: Any

    @property
    def last(self) -> str:
        return self.topic.rpartition("/")[2]


class Subscriber:
    """Everything heard so far, in order."""

    def __init__(self) -> None:
        self.heard: list[Heard] = []
        self.refused: list[str] = []
        self.connected = threading.Event()
        self._news = threading.Condition()

    def on(self, last: str) -> list[Heard]:
        """Messages whose topic ends so."""
        with self._news:
            return [one for one in self.heard if one.last == last]

    def wait(self, enough: Callable[[], bool], within_s: float = 60.0) -> bool:
        """Wait until enough was heard; False when it was not in time."""
        with self._news:
            return self._news.wait_for(enough, within_s)

    def take(self, message: paho.MQTTMessage) -> None:
        one = Heard(
            topic=message.topic,
            payload=bytes(message.payload),
            qos=message.qos,
            retain=message.retain,
            at_s=time.monotonic(),
            properties=message.properties,
        )
        with self._news:
            self.heard.append(one)
            self._news.notify_all()


@contextmanager
def subscriber(
    port: int,
    topic: str = "lashmap/#",
    *,
    session: str | None = None,
    user: tuple[str, str] | None = None,
    tls: ssl.SSLContext | None = None,
    host: str = "127.0.0.1",
) -> Iterator[Subscriber]:
    """Subscribe and keep listening, reconnecting; with ``session`` the broker keeps what is missed."""
    found = Subscriber()
    client = paho.Client(
        CallbackAPIVersion.VERSION2, client_id=session or "", protocol=paho.MQTTv5, manual_ack=False
    )
    client.reconnect_delay_set(1, 1)
    if user is not None:
        client.username_pw_set(*user)
    if tls is not None:
        client.tls_set_context(tls)

    def connected(client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:  # noqa: ANN401
        if reason.is_failure:
            found.refused.append(str(reason))
        client.subscribe(topic, qos=1)

    def subscribed(*_: Any) -> None:  # noqa: ANN401
        found.connected.set()

    client.on_connect = connected
    client.on_subscribe = subscribed
    client.on_message = lambda _client, _data, message: found.take(message)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3600 if session else 0
    client.connect(host, port, keepalive=60, clean_start=session is None, properties=properties)
    client.loop_start()
    try:
        assert found.connected.wait(60.0), f"could not subscribe: {found.refused}"
        yield found
    finally:
        client.disconnect()
        client.loop_stop()
