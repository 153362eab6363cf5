"""A connection that only listens, in the thread of paho's client: for boards and gatherers of a whole hall.

Without an event loop around it a message costs a third of what aiomqtt takes. It tries for ever, with growing
waits, and says in words what is wrong.
"""

from __future__ import annotations

import sys
from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import aiomqtt
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from lashmap_daemon.bus.connection import Refused, reason_of
from lashmap_daemon.bus.messages import REVIEW
from lashmap_daemon.setup.bus_table import BusTable

if TYPE_CHECKING:
    from paho.mqtt.reasoncodes import ReasonCode

NOT_YET = "not reached yet; trying"
_LONGEST_WAIT_S = 15


class ListeningClient(ABC):
    """Listens to topics; what it is told, it is told in the client's thread.

    Args:
        settings: Broker and user.
        identifier: Of the client.
        topics: That are asked for, in the order in which they are asked.
        protocol: Version of MQTT.
        manual_ack: A message is acknowledged when somebody says so.

    Attributes:
        problem: What is wrong with the connection; empty while it stands.

    Raises:
        ConfigurationError: When password or certificates cannot be read.
    """

    def __init__(
        self,
        settings: BusTable,
        identifier: str,
        topics: Sequence[str],
        protocol: MQTTProtocolVersion,
        *,
        manual_ack: bool = False,
    ) -> None:
        self.problem = NOT_YET
        self._topics = tuple(topics)
        self._host, self._port = settings.host, settings.port
        self._client = Client(
            CallbackAPIVersion.VERSION2, client_id=identifier, protocol=protocol, manual_ack=manual_ack
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

    @abstractmethod
    def _heard(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        """A message came."""

    @abstractmethod
    def _ask(self) -> None:
        """The connection stands: subscribe."""

    def _is(self, problem: str) -> None:
        self.problem = problem

    def _connected(self, *about: Any) -> None:  # noqa: ANN401 - client, data, flags, code, properties
        code: ReasonCode = about[3]
        if code.is_failure:
            self._is(reason_of(aiomqtt.MqttCodeError(code)))
        else:
            self._ask()

    def _subscribed(self, *about: Any) -> None:  # noqa: ANN401 - client, data, number, codes, properties
        if len(about[3]) < len(self._topics):
            return  # of a topic that was asked for by itself: where it is forbidden, nothing comes
        for name, code in zip(self._topics, about[3], strict=False):
            # An access list from before there were reviews forbids them; all else is heard.
            if code.is_failure and not name.endswith(f"/{REVIEW.name}"):
                self._is(str(Refused(name, code.getName(), "read")))
                return
        self._is("")

    def _not_connected(self, *_: object) -> None:
        error = sys.exc_info()[1]  # paho calls this while it handles the error, and hands it to nobody
        self._is(reason_of(error) if error is not None else "it cannot be reached; check its address")

    def _disconnected(self, *about: Any) -> None:  # noqa: ANN401 - client, data, flags, code, properties
        if not self.problem:  # a reason that is known already says more
            self._is(reason_of(aiomqtt.MqttCodeError(about[3])))
