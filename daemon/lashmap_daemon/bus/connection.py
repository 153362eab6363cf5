"""One connection to the broker: client, MQTT 5 properties, what went wrong with it.

A connection is used once. MQTT's own session is not: what must not be lost lies in the outbox, and is sent
again on the next connection. paho speaks the protocol; what is here drives it from an asyncio loop by the
interface that it has for that.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Mapping
from typing import Any, NamedTuple, Self, TypeVar

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from lashmap_daemon.bus.recorded import Outgoing
from lashmap_daemon.bus.topics import Topic
from lashmap_daemon.setup.bus_table import BusTable

Found = TypeVar("Found")
MOST_IN_FLIGHT = 10
KEEP_ALIVE_S = 10  # the broker tells of a vanished stand after one and a half times this
_ANSWER_S = 5.0
_LOOK_S = 1.0  # between looks whether it is time to show the broker that we are alive
_MOST_UNREAD = 1000  # messages to us; more are dropped
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


class BusError(Exception):
    """The broker was not reached, does not answer, or the connection broke.

    Attributes:
        reason: What the broker or paho said, when they did.
    """

    def __init__(self, problem: str, reason: ReasonCode | None = None) -> None:
        self.reason = reason
        super().__init__(problem)


class Refused(BusError):
    """The broker answers, and will not have a message or a subscription.

    Attributes:
        topic: Which one.
    """

    def __init__(self, topic: str, reason: str, may: str) -> None:
        self.topic = topic
        super().__init__(
            f"the broker refuses {topic} ({reason}); its access list must let this user {may} it"
        )


class NotGreeted(BusError):
    """The broker hung up before it said anything."""

    def __init__(self) -> None:
        super().__init__(
            "the broker ended the connection before it greeted; it may want a valid client certificate "
            "(bus.certificate_file), or encryption where there is none (mqtts://), or none where there is"
        )


class Will(NamedTuple):
    """What the broker publishes when a connection breaks."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    properties: Properties


class Message(NamedTuple):
    """A message to us."""

    topic: str
    payload: bytes
    retain: bool
    properties: Properties | None


class BusClient:
    """One connection, an asynchronous context manager; made and used inside its loop.

    It believes only an acknowledgement that says yes: MQTT 5 acknowledges also what it refuses, with a reason
    code. paho reads, writes and calls back in the loop's thread alone, once it has reached the broker.

    Args:
        client: Of paho, ready to connect.
        settings: Broker.
        properties: Of the connection.

    Attributes:
        timeout: How long an answer of the broker is waited for, in seconds.
    """

    def __init__(self, client: Client, settings: BusTable, properties: Properties) -> None:
        self.timeout = _ANSWER_S
        self._client, self._settings, self._properties = client, settings, properties
        self._loop = asyncio.get_running_loop()
        self._greeted: asyncio.Future[BusError | None] = self._loop.create_future()
        self._gone = asyncio.Event()
        self._lost: BusError | None = None
        self._awaited: dict[int, asyncio.Future[list[ReasonCode]]] = {}
        self._messages: asyncio.Queue[Message | None] = asyncio.Queue()
        self._next_look: asyncio.TimerHandle | None = None
        client.on_connect = self._hear_greeting
        client.on_disconnect = self._hear_end
        client.on_message = self._hear_message
        client.on_publish = self._hear_acknowledged
        client.on_subscribe = self._hear_subscribed
        client.on_socket_close = self._unwatch

    async def __aenter__(self) -> Self:
        """Connect.

        Raises:
            BusError: When the broker is not reached or does not let us in.
        """
        reaching = self._loop.run_in_executor(None, self._reach)  # paho waits in there
        try:
            await self._be_greeted(reaching)
        except BaseException:
            reaching.add_done_callback(lambda _: self._hang_up())
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        """Say goodbye, unless the connection broke."""
        try:
            if self._lost is None:
                self._client.disconnect()
                self._watch_writing()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(self.timeout):
                        await self._gone.wait()
        finally:
            self._hang_up()

    async def send(
        self, topic: str, payload: bytes, *, qos: int, retain: bool, properties: Properties
    ) -> None:
        """Publish; with QoS 1 this returns when the broker has it.

        Raises:
            Refused: The broker will not have it.
            BusError: The connection broke, or the broker does not answer.
        """
        info = self._client.publish(topic, payload, qos, retain, properties)
        self._watch_writing()
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise self._broken()
        if not info.is_published():
            [code] = await self._acknowledgement(info.mid)
            if code.is_failure:
                raise Refused(topic, code.getName(), "write")

    async def send_record(self, topic: str, record: Outgoing) -> None:
        """Publish a record with its identifier.

        Raises:
            Refused: The broker will not have it.
            BusError: As `send`.
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
            BusError: As `send`.
        """
        options = SubscribeOptions(qos=qos, retainAsPublished=as_published)
        result, number = self._client.subscribe(topic, options=options)
        self._watch_writing()
        if result != MQTTErrorCode.MQTT_ERR_SUCCESS or number is None:
            raise self._broken()
        for code in await self._acknowledgement(number):
            if code.is_failure:
                raise Refused(topic, code.getName(), "read")

    async def receive(self) -> Message:
        """The next message to us.

        Raises:
            BusError: The connection broke.
        """
        message = await self._messages.get()
        if message is None:
            self._messages.put_nowait(None)  # whoever asks next is told so too
            raise self._broken()
        return message

    async def _acknowledgement(self, number: int) -> list[ReasonCode]:
        self._awaited[number] = self._loop.create_future()
        try:
            return await self._answer(self._awaited[number])
        finally:
            del self._awaited[number]

    async def _answer(self, answer: asyncio.Future[Found]) -> Found:
        # `asyncio.wait_for` swallows a cancellation at the moment of the answer in Python 3.11.
        try:
            async with asyncio.timeout(self.timeout):
                return await answer
        except TimeoutError:
            raise BusError("the broker does not answer") from None

    def _broken(self) -> BusError:
        lost = self._lost or BusError("the connection is not there")
        return BusError(str(lost), lost.reason)

    # The socket -----------------------------------------------------------------------------------------

    def _reach(self) -> None:
        self._client.connect(
            self._settings.host,
            self._settings.port,
            KEEP_ALIVE_S,
            clean_start=True,
            properties=self._properties,
        )

    async def _be_greeted(self, reaching: asyncio.Future[None]) -> None:
        try:
            await asyncio.shield(reaching)
        except OSError as error:
            raise BusError(str(error)) from None
        sock = self._client.socket()
        if not isinstance(sock, socket.socket):
            raise NotGreeted
        # Without it a QoS 1 round trip can take 44 ms instead of 0.2 (delayed acknowledgement).
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._loop.add_reader(sock, self._read)
        self._look()
        if (refusal := await self._answer(self._greeted)) is not None:
            raise refusal

    def _read(self) -> None:
        try:
            self._client.loop_read()
            # An encrypted connection may hold more than its socket shows.
            while isinstance(sock := self._client.socket(), ssl.SSLSocket) and sock.pending():
                self._client.loop_read()
        except Exception as error:  # noqa: BLE001 - whatever paho makes of what came
            self._lose(BusError(f"the broker sent what cannot be read: {error}"))
            self._hang_up()
        self._watch_writing()

    def _write(self) -> None:
        self._client.loop_write()
        self._watch_writing()

    def _watch_writing(self) -> None:
        """Paho writes at once what it can; the rest when the socket takes it."""
        sock = self._client.socket()
        if sock is not None and self._client.want_write():
            self._loop.add_writer(sock, self._write)
        elif sock is not None:
            self._loop.remove_writer(sock)

    def _look(self) -> None:
        self._next_look = self._loop.call_later(_LOOK_S, self._look)
        self._client.loop_misc()
        self._watch_writing()

    def _unwatch(self, _client: Client, _userdata: object, sock: Any) -> None:  # noqa: ANN401 - of four kinds
        if self._next_look is not None:  # otherwise it was never watched
            self._next_look.cancel()
            self._next_look = None
            self._loop.remove_reader(sock)
            self._loop.remove_writer(sock)

    def _hang_up(self) -> None:
        """End the connection; without a farewell where the broker does not take it."""
        self._lose(BusError("the connection was ended here"))
        self._client.disconnect()
        sock = self._client.socket()
        if sock is not None:
            self._unwatch(self._client, None, sock)
            sock.close()
            self._client.loop_read()  # notices

    # What paho calls ------------------------------------------------------------------------------------

    def _hear_greeting(
        self, _client: Client, _userdata: object, _flags: ConnectFlags, code: ReasonCode, _: Properties | None
    ) -> None:
        if not self._greeted.done():
            self._greeted.set_result(BusError(code.getName(), code) if code.is_failure else None)

    def _hear_end(
        self,
        _client: Client,
        _userdata: object,
        _flags: DisconnectFlags,
        code: ReasonCode,
        _: Properties | None,
    ) -> None:
        self._lose(BusError(code.getName(), code))  # where paho was still connecting, nobody waits yet

    def _lose(self, error: BusError) -> None:
        if self._lost is not None:
            return
        self._lost = error
        self._gone.set()
        self._messages.put_nowait(None)
        if not self._greeted.done():
            self._greeted.set_result(NotGreeted())
        for waiting in self._awaited.values():
            if not waiting.done():
                waiting.set_exception(self._broken())

    def _hear_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        if self._messages.qsize() < _MOST_UNREAD:
            self._messages.put_nowait(
                Message(message.topic, bytes(message.payload), message.retain, message.properties)
            )

    def _hear_acknowledged(
        self, _client: Client, _userdata: object, number: int, code: ReasonCode, _: Properties | None
    ) -> None:
        self._hear_subscribed(_client, _userdata, number, [code], _)

    def _hear_subscribed(
        self, _client: Client, _userdata: object, number: int, codes: list[ReasonCode], _: Properties | None
    ) -> None:
        waiting = self._awaited.get(number)
        if waiting is not None and not waiting.done():
            waiting.set_result(codes)


def connect(settings: BusTable, identifier: str, *, will: Will | None = None, most_bytes: int) -> BusClient:
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
    client = Client(CallbackAPIVersion.VERSION2, identifier, protocol=MQTTv5)
    client.max_inflight_messages_set(MOST_IN_FLIGHT)
    if settings.user is not None:
        client.username_pw_set(settings.user, settings.password())
    if (tls := settings.tls()) is not None:
        client.tls_set_context(tls)
    if will is not None:
        client.will_set(*will)
    return BusClient(client, settings, properties)


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


def told(error: BaseException) -> str:
    """What went wrong with a connection, and what to do when that is known."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, BusError) and cause.reason is not None:
            name = cause.reason.getName()
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
