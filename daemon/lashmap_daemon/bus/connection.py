"""One connection to the broker: client, MQTT 5 properties, what went wrong with it.

A connection is used once. MQTT's own session is not: what must not be lost lies in the outbox, and is sent
again on the next connection.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import Awaitable, Iterator, Mapping
from typing import Any, Self, TypeVar

import aiomqtt
from paho.mqtt.client import Client, DisconnectFlags
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from lashmap_daemon.bus.recorded import Outgoing
from lashmap_daemon.bus.topics import Topic
from lashmap_daemon.setup.bus_table import BusTable

Found = TypeVar("Found")
MOST_IN_FLIGHT = 10  # aiomqtt warns above it
KEEP_ALIVE_S = 10  # the broker tells of a vanished stand after one and a half times this
_ANSWER_S = 5.0
_CLIENT_LOG = logging.getLogger("lashmap.bus.client")
_CLIENT_LOG.setLevel(
    logging.CRITICAL
)  # what it warns of ends the connection, and is reported then with its reason
_TOLD = {
    "Not authorized": (
        "user or password are wrong, or this user may not write this stand's topics; check bus.user, its "
        "password and the broker's access list"
    ),
    "Bad user name or password": "user or password are wrong; check bus.user and its password",
    "Session taken over": (
        "another program connected as this stand; give each stand its own bus.stand, and run one test at a "
        "time on it"
    ),
    "Client identifier not valid": "the broker does not take this client identifier; change bus.stand",
}


class Refused(aiomqtt.MqttError):
    """The broker answers, and will not have a message or a subscription.

    Attributes:
        topic: Which one.
        reason: In the broker's words.
    """

    def __init__(self, topic: str, reason: str, may: str) -> None:
        self.topic = topic
        self.reason = reason
        super().__init__(
            f"the broker refuses {topic} ({reason}); its access list must let this user {may} it"
        )


class _Refused(Exception):
    """The acknowledgement of a message refuses it."""


class NotGreeted(aiomqtt.MqttError):
    """The broker ended the connection before it greeted."""

    def __init__(self) -> None:
        super().__init__(
            "the broker ended the connection before it greeted; it may want a valid client certificate "
            "(bus.certificate_file), or encryption where there is none (mqtts://), or none where there is"
        )


class BusClient(aiomqtt.Client):
    """A client that believes only an acknowledgement that says yes, and notices when nobody greets.

    MQTT 5 acknowledges also what it refuses, with a reason code; aiomqtt takes any acknowledgement for
    success, and a record that the access list forbids would be lost. An attempt that is given up leaves its
    socket open for seconds, and complains later where nobody reads it. And a wait of it that ends in the same
    moment as its task is cancelled forgets that it was: whoever ends a connection would wait for ever for a
    task that goes on.
    """

    _given_up = False

    async def __aenter__(self) -> Self:
        """Connect.

        Raises:
            aiomqtt.MqttError: When the broker is not reached or does not let us in.
        """
        self._refusals: dict[int, str] = {}
        try:
            return await super().__aenter__()
        except BaseException:
            self._given_up = True
            self._client.disconnect()
            raise

    async def _wait_for(self, fut: Awaitable[Found], timeout: float | None) -> Found:  # noqa: ASYNC109 - aiomqtt's
        # `asyncio.wait_for`, which aiomqtt has here, swallows such a cancellation in Python 3.11.
        try:
            async with asyncio.timeout(self.timeout if timeout is None else timeout):
                return await fut
        except TimeoutError:
            raise aiomqtt.MqttError("Operation timed out") from None

    @contextlib.contextmanager
    def _pending_call(self, mid: int, value: Any, pending_dict: dict[int, Any]) -> Iterator[None]:  # noqa: ANN401
        with super()._pending_call(mid, value, pending_dict):
            yield
        refusal = self._refusals.pop(mid, None)
        if refusal is not None:
            raise _Refused(refusal)

    def _on_publish(
        self, client: Client, userdata: object, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        if reason_code.is_failure:
            self._refusals[mid] = reason_code.getName()
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_disconnect(
        self,
        client: Client,
        userdata: object,
        flags: DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if not self._connected.done() and not self._given_up:
            self._loop.call_soon_threadsafe(self._not_greeted)  # paho may be connecting in another thread
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _not_greeted(self) -> None:
        if not self._connected.done():
            self._connected.set_exception(NotGreeted())

    async def send(
        self, topic: str, payload: bytes, *, qos: int, retain: bool, properties: Properties
    ) -> None:
        """Publish; with QoS 1 this returns when the broker has it.

        Raises:
            Refused: The broker will not have it.
            aiomqtt.MqttError: The connection broke, or the broker does not answer.
        """
        try:
            await self.publish(topic, payload, qos, retain, properties)
        except _Refused as error:
            raise Refused(topic, str(error), "write") from None

    async def send_record(self, topic: str, record: Outgoing) -> None:
        """Publish a record with its identifier.

        Raises:
            Refused: The broker will not have it.
            aiomqtt.MqttError: As `send`.
        """
        await self.send(
            topic,
            record.payload,
            qos=record.topic.qos,
            retain=record.topic.retain,
            properties=properties_of(record.topic, id=record.id),
        )

    async def listen_to(self, topic: str, *, qos: int, as_published: bool = False) -> None:
        """Subscribe.

        Args:
            topic: What to.
            qos: At most.
            as_published: Messages keep the mark that they are to be retained also while they are new; without
                it, as MQTT 5 has it (3.8.3.1), the mark means that the broker had kept it from before.

        Raises:
            Refused: The broker will not have it.
            aiomqtt.MqttError: As `send`.
        """
        options = SubscribeOptions(qos=qos, retainAsPublished=as_published)
        for code in await self.subscribe(topic, options=options):
            if isinstance(code, ReasonCode) and code.is_failure:
                raise Refused(topic, code.getName(), "read")


def connect(
    settings: BusTable, identifier: str, *, will: aiomqtt.Will | None = None, most_bytes: int
) -> BusClient:
    """A client for one connection; must be made inside the running loop.

    Args:
        settings: Broker and identity.
        identifier: Client identifier; a second connection with the same one ends the first.
        will: What the broker says when we vanish.
        most_bytes: Larger packets are not delivered to us (MQTT 5, 3.1.2.11.4).

    Raises:
        ConfigurationError: When password or certificates cannot be read.
    """
    properties = fresh(PacketTypes.CONNECT)
    properties.MaximumPacketSize = most_bytes
    properties.ReceiveMaximum = 2 * MOST_IN_FLIGHT
    return BusClient(
        settings.host,
        settings.port,
        username=settings.user,
        password=settings.password(),
        identifier=identifier,
        logger=_CLIENT_LOG,
        protocol=aiomqtt.ProtocolVersion.V5,
        will=will,
        timeout=_ANSWER_S,
        keepalive=KEEP_ALIVE_S,
        clean_start=True,
        max_inflight_messages=MOST_IN_FLIGHT,
        max_queued_incoming_messages=1000,
        tls_context=settings.tls(),
        properties=properties,
        # Without it a QoS 1 round trip can take 44 ms instead of 0.2 (delayed acknowledgement).
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
    )


def fresh(packet: int) -> Properties:
    """Empty properties of one kind of packet."""
    return Properties(packet)  # type: ignore[no-untyped-call]  # paho leaves it unannotated


class Packed(Properties):
    """Properties that are sent again and again: their bytes are made once."""

    def __init__(self, properties: Properties) -> None:
        super().__init__(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        object.__setattr__(self, "_bytes", bytes(properties.pack()))  # type: ignore[no-untyped-call]

    def pack(self) -> bytes:
        """The bytes."""
        packed: bytes = object.__getattribute__(self, "_bytes")
        return packed


def properties_of(topic: Topic, **user: str) -> Properties:
    """Content type, format, expiry and user properties of a message."""
    properties = fresh(PacketTypes.PUBLISH)
    properties.PayloadFormatIndicator = 1
    properties.ContentType = "application/json"
    if topic.expiry_s is not None:
        properties.MessageExpiryInterval = topic.expiry_s
    if user:
        properties.UserProperty = list(user.items())
    return properties


def reason_of(error: BaseException) -> str:
    """What went wrong with a connection, and what to do when that is known."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    cause: BaseException | None = error
    while cause is not None:
        code = getattr(cause, "rc", None)
        if isinstance(code, ReasonCode):
            name = code.getName()
            if name == "Unspecified error":  # paho's word for a connection that just ended
                return "the broker ended the connection"
            return f"{name}: {_TOLD[name]}" if name in _TOLD else name
        cause = cause.__cause__
    root = error.__cause__ or error
    text = (isinstance(root, OSError) and root.strerror) or str(root) or type(root).__name__
    return f"{text}{_hint(text)}"


def _hint(text: str) -> str:
    hints: Mapping[str, str] = {
        "certificate has expired": "; renew the certificate, or set this machine's clock",
        "self-signed certificate": "; name the authority that signed it in bus.ca_file",
        "unable to get local issuer": "; name the authority that signed it in bus.ca_file",
        "Hostname mismatch": "; write the broker's name as its certificate has it",
        "IP address mismatch": "; write the broker's name as its certificate has it",
        "Connection refused": "; is the broker running there?",
        "Name or service not known": "; check bus.broker",
    }
    return next((hint for words, hint in hints.items() if words in text), "")
