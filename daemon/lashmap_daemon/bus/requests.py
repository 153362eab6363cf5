"""Requests as they come from the broker and answers as they go back; `commands` decides about them."""

from __future__ import annotations

import asyncio
import datetime as dt
import time
from dataclasses import dataclass
from typing import Final

import aiomqtt
from paho.mqtt.properties import Properties

from lashmap_daemon.bus.commands import UNDECIDED_S, UNTAKEN_S, Allowance, Desk, Pending
from lashmap_daemon.bus.connection import BusClient, properties_of
from lashmap_daemon.bus.messages import payload
from lashmap_daemon.bus.messages_request import Answer
from lashmap_daemon.bus.report import Report
from lashmap_daemon.bus.topics import ANSWER

_LOOK_S = 0.02
_MOST_TOPIC = 200
_MOST_CORRELATION = 128


@dataclass(frozen=True, kw_only=True)
class Reply:
    """Where an answer goes, and the correlation data that go with it."""

    topic: str
    correlation: bytes | None


def reply_to(message: aiomqtt.Message, answers: str) -> Reply:
    """Where the answer to ``message`` goes.

    A request must not make a stand write to another topic than its own: a response topic that is not below
    ``answers`` is left alone, and the answer goes to ``answers``.
    """
    asked = getattr(message.properties, "ResponseTopic", None)
    given = getattr(message.properties, "CorrelationData", None)
    topic = answers
    if isinstance(asked, str) and asked.startswith(f"{answers}/") and len(asked) <= _MOST_TOPIC:
        topic = asked if asked.isprintable() and not set(asked) & set("+#") else answers
    correlation = bytes(given) if isinstance(given, bytes) and len(given) <= _MOST_CORRELATION else None
    return Reply(topic=topic, correlation=correlation)


class Requests:
    """Takes the requests of one connection.

    Args:
        desk: Decides; None takes none, and only notices that the connection broke.
        answers: Full topic of answers.
        report: Refused ones are counted there.
    """

    def __init__(self, desk: Desk | None, answers: str, report: Report) -> None:
        self._desk: Final = desk
        self._answers = answers
        self._report = report
        self._answering = Allowance(
            burst=20, interval_s=0.2
        )  # rubbish at any rate makes no answers at that rate

    async def run(self, client: BusClient) -> None:
        """Until the connection breaks.

        Raises:
            aiomqtt.MqttError: When it does.
        """
        async with asyncio.TaskGroup() as group:
            async for message in client.messages:
                if self._desk is None or not isinstance(message.payload, bytes):
                    continue
                if message.retain and not message.payload:
                    continue  # takes away what the broker had retained (MQTT 5, 3.3.1.3): no request
                reply = reply_to(message, self._answers)
                judged = self._desk.judge(
                    message.payload,
                    retained=message.retain,
                    now=dt.datetime.now(dt.UTC),
                    now_s=time.monotonic(),
                )
                if isinstance(judged, Pending):
                    group.create_task(self._await_taker(client, self._desk, judged, reply))
                else:
                    await self._answer(client, reply, judged)

    async def _await_taker(self, client: BusClient, desk: Desk, pending: Pending, reply: Reply) -> None:
        """Answer once it is known what came of the request, or once that takes too long."""
        deadline_s = time.monotonic() + UNTAKEN_S
        while not pending.claimed and time.monotonic() < deadline_s:  # noqa: ASYNC110 - the taker has no loop
            await asyncio.sleep(_LOOK_S)
        if pending.claim():
            pending.refusal = f"the test took no request for {UNTAKEN_S:.0f} s; look at the stand"
        deadline_s = time.monotonic() + UNDECIDED_S
        while pending.refusal is None and time.monotonic() < deadline_s:  # noqa: ASYNC110 - as above
            await asyncio.sleep(_LOOK_S)
        reason = pending.refusal
        if reason is None:
            reason = f"taken, but for {UNDECIDED_S:.0f} s nothing was heard of it; look at the stand"
        await self._answer(client, reply, desk.settle(pending.command.id, reason))

    async def _answer(self, client: BusClient, reply: Reply, answer: Answer) -> None:
        if not answer.accepted:
            self._report.requests_refused += 1
        if not self._answering.spend(time.monotonic()):
            return
        await client.send(
            reply.topic,
            payload(answer),
            qos=ANSWER.qos,
            retain=ANSWER.retain,
            properties=_properties(reply),
        )


def _properties(reply: Reply) -> Properties:
    properties = properties_of(ANSWER)
    if reply.correlation is not None:
        properties.CorrelationData = reply.correlation
    return properties
