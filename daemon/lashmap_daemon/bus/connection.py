"""One connection to the broker: who connects, client, MQTT 5 properties, what went wrong with it.

A connection is used once. MQTT's own session is not: what must not be lost lies in the outbox, and is sent
again on the next connection.

Reaching a broker may take longer than anybody waits at the end of a program: a name without a server and a
host that drops packets keep a call inside the system for many seconds, and Python waits at exit for every
thread of an ordinary executor. So each call has a daemon thread (`BackgroundCalls`).
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
import logging
import socket
import threading
from collections.abc import Awaitable, Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from typing import Any, ParamSpec, Self, TypeVar

import aiomqtt
from paho.mqtt.client import Client, DisconnectFlags
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from lashmap_daemon.bus.messages import STATUS, Outgoing, Status, Topic, level, payload
from lashmap_daemon.setup.bus_table import BusTable

Found = TypeVar("Found")
Given = ParamSpec("Given")
MOST_IN_FLIGHT = 10  # aiomqtt warns above it
KEEP_ALIVE_S = 10  # the broker tells of a vanished stand after one and a half times this
_ANSWER_S = 5.0
_CLIENT_LOG = logging.getLogger("lashmap.bus.client")
# What it warns of ends the connection, and is reported then with its reason.
_CLIENT_LOG.setLevel(logging.CRITICAL)
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
_HINTS = {
    "certificate has expired": "; renew the certificate, or set this machine's clock",
    "self-signed certificate": "; name the authority that signed it in bus.ca_file",
    "unable to get local issuer": "; name the authority that signed it in bus.ca_file",
    "Hostname mismatch": "; write the broker's name as its certificate has it",
    "IP address mismatch": "; write the broker's name as its certificate has it",
    "Connection refused": "; is the broker running there?",
    "Name or service not known": "; check bus.broker",
}


class Refused(aiomqtt.MqttError):
    """The broker answers, and will not have a message or a subscription, for a reason in its words."""

    def __init__(self, topic: str, reason: str, may: str) -> None:
        self.topic = topic
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
        self, name: str, topic: Topic, payload: bytes, properties: Properties | None = None
    ) -> None:
        """Publish; with QoS 1 this returns when the broker has it.

        Args:
            name: Full name of the topic.
            topic: How it travels.
            payload: What is sent.
            properties: When others than those of the topic.

        Raises:
            Refused: The broker will not have it.
            aiomqtt.MqttError: The connection broke, or the broker does not answer.
        """
        try:
            await self.publish(name, payload, topic.qos, topic.retain, properties or _packed(topic))
        except _Refused as error:
            raise Refused(name, str(error), "write") from None

    async def send_record(self, name: str, record: Outgoing) -> None:
        """Publish a record with its identifier; raises as `send`."""
        await self.send(name, record.topic, record.payload, properties_of(record.topic, id=record.id))

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


class _Packed(Properties):
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


@dataclass(frozen=True, kw_only=True)
class Identity:
    """Who publishes: first levels of every topic, level and name of the stand, version of lashmap."""

    root: str
    stand: str
    name: str
    version: str

    @classmethod
    def of(cls, settings: BusTable, name: str) -> Self:
        """A stand of this name, with the table of its file."""
        stand = settings.stand or level(name)
        return cls(root=settings.root, stand=stand, name=name, version=version("lashmap"))

    @property
    def base(self) -> str:
        """Root and stand: what all topics of this stand begin with."""
        return f"{self.root}/{self.stand}"

    def topic(self, topic: Topic) -> str:
        """Full name of a topic."""
        return f"{self.base}/{topic.name}"

    def status(self, *, since: dt.datetime, test: str | None, offline: str = "", waiting: int = 0) -> Status:
        """Whether it is there, or why it is ``offline``.

        ``since`` (UTC) is when the connection began, and ``waiting`` how many records the outbox held then.
        """
        return Status(
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
            payload(self.status(since=since, test=None, offline="the connection broke")),
            qos=STATUS.qos,
            retain=STATUS.retain,
            properties=properties,
        )


class BackgroundCalls(ThreadPoolExecutor):
    """An executor for few calls at a time; shutting it down leaves those that hang behind."""

    def submit(
        self, fn: Callable[Given, Found], /, *args: Given.args, **kwargs: Given.kwargs
    ) -> Future[Found]:
        """Call in a thread of its own."""
        future: Future[Found] = Future()

        def work() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                found = fn(*args, **kwargs)
            except BaseException as error:  # noqa: BLE001 - it is whoever waits who gets it
                future.set_exception(error)
            else:
                future.set_result(found)

        threading.Thread(target=work, name="bus call", daemon=True).start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002 - the interface
        """Nothing is waited for."""


@cache
def _packed(topic: Topic) -> Properties:
    return _Packed(properties_of(topic))


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
    return text + next((hint for words, hint in _HINTS.items() if words in text), "")
