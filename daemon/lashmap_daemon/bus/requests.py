"""Requests over the bus: received, obeyed or refused with the reason, answered.

There are four: note, repeat, skip, stop (of the test). None starts or stops a drive, and no message can add
one. A request names the running test and its own time, so an old one does no harm; each identifier is obeyed
once; their number is limited.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Final

import aiomqtt
from paho.mqtt.properties import Properties
from pydantic import ValidationError

from lashmap_daemon.allowance import Allowance
from lashmap_daemon.bus.connection import BusClient, properties_of
from lashmap_daemon.bus.messages import ANSWER, COMMAND, Answer, Command, payload
from lashmap_daemon.setup.toml_file import in_our_words

MOST_BYTES = 4096
STALE_S = float(COMMAND.expiry_s or 0)
UNTAKEN_S = 2.0  # a running test asks for commands fifty times a second
UNDECIDED_S = 10.0  # what was taken and is not answered for by then hangs
_REMEMBERED = 256
_WAITING = 8
_LOOK_S = 0.02
_MOST_TOPIC = 200
_MOST_CORRELATION = 128
Send = Callable[[Answer], Awaitable[None]]


class Pending:
    """A request that waits for the running test; whoever claims it first decides what becomes of it.

    Attributes:
        command: What is asked.
        refusal: Why whoever took it did not do it, empty when it was done; None until that is known.
    """

    def __init__(self, command: Command) -> None:
        self.command = command
        self.refusal: str | None = None
        self._lock = threading.Lock()
        self._claimed = False

    @property
    def claimed(self) -> bool:
        """True once someone decided."""
        return self._claimed

    def claim(self) -> bool:
        """True for the first caller only."""
        with self._lock:
            first = not self._claimed
            self._claimed = True
        return first

    @property
    def as_words(self) -> list[str]:
        """The commands for the test: first a note, so that the record says who asked."""
        asked = self.command
        if asked.command == "note":
            return [f"note {asked.text} (over the bus, by {asked.by})"]
        return [f"note {asked.command} was asked over the bus, by {asked.by}", asked.command]


class Desk:
    """Judges requests; used from the thread of the bus, `take` alone from the test's."""

    def __init__(self, stand: str) -> None:
        self._stand = stand
        self.test: str | None = None
        self._obeyed = Allowance(burst=5, interval_s=2.0)
        self._answered: OrderedDict[str, Answer | None] = OrderedDict()
        self._waiting: deque[Pending] = deque()

    def judge(self, payload: bytes, *, retained: bool, now: dt.datetime, now_s: float) -> Pending | Answer:
        """What becomes of a request: it waits for the test, or is refused with the reason.

        Args:
            payload: As received.
            retained: The broker kept it from earlier.
            now: UTC.
            now_s: Monotonic seconds.
        """
        if retained:
            return self.answer(None, "it is a retained message, so its age is not known; send it unretained")
        if len(payload) > MOST_BYTES:
            return self.answer(None, f"it has {len(payload)} bytes; a request has at most {MOST_BYTES}")
        try:
            command = Command.model_validate_json(payload)
        except (ValidationError, RecursionError, ValueError) as error:
            return self.answer(None, _what_is_wrong(error))
        if command.id in self._answered:
            earlier = self._answered[command.id]
            return earlier or self.answer(command.id, "it is being handled already")
        refusal = self._refusal(command, now)
        if refusal is None and not self._obeyed.spend(now_s):
            refusal = "too many requests; wait a few seconds and send it under another identifier"
        if refusal is None and len(self._waiting) >= _WAITING:
            refusal = f"{_WAITING} requests wait already; try again"
        if refusal is not None:
            return self.settle(command.id, refusal)
        pending = Pending(command)
        self._remember(command.id, None)
        self._waiting.append(pending)
        return pending

    def settle(self, identifier: str, reason: str = "") -> Answer:
        """The last word on a request: accepted without a reason, otherwise refused."""
        answer = self.answer(identifier, reason)
        self._remember(identifier, answer)
        return answer

    def answer(self, identifier: str | None, reason: str) -> Answer:
        """An answer that is not remembered."""
        now = dt.datetime.now(dt.UTC)
        return Answer(
            stand=self._stand,
            id=identifier,
            test=self.test,
            utc=f"{now:%Y-%m-%dT%H:%M:%SZ}",
            accepted=not reason,
            reason=reason[:2000],
        )

    def take(self) -> list[Pending]:
        """Requests for the running test, each claimed; whoever takes them says then what came of each."""
        taken = []
        while self._waiting:
            pending = self._waiting.popleft()
            if pending.claim():
                taken.append(pending)
        return taken

    def _refusal(self, command: Command, now: dt.datetime) -> str | None:
        if command.stand != self._stand:
            return f"it is for stand {command.stand!r}, this is {self._stand!r}"
        if command.test != self.test:
            running = "none is running" if self.test is None else f"the running one is {self.test!r}"
            return f"it is for test {command.test!r}, {running}"
        if not command.by.isprintable() or not command.text.isprintable():
            return "by and text: control characters are not taken"
        if (command.command == "note") != bool(command.text.strip()):
            return "text: belongs to a note, and a note needs one"
        return _staleness(command.utc, now)

    def _remember(self, identifier: str, answer: Answer | None) -> None:
        self._answered[identifier] = answer
        self._answered.move_to_end(identifier)
        while len(self._answered) > _REMEMBERED:
            self._answered.popitem(last=False)


def _staleness(utc: str, now: dt.datetime) -> str | None:
    try:
        sent = dt.datetime.fromisoformat(utc)
    except ValueError:
        return "utc: expected a time such as 2026-11-25T08:00:00Z"
    if sent.tzinfo is None:
        return "utc: has no time zone; end it with Z"
    age_s = (now - sent).total_seconds()
    if abs(age_s) <= STALE_S:
        return None
    way = "ago" if age_s > 0 else "in the future"
    return (
        f"it was sent {abs(age_s):.0f} s {way}, at most {STALE_S:.0f} s are allowed; "
        "send it anew, or set the clocks of both machines"
    )


def _what_is_wrong(error: ValueError | RecursionError) -> str:
    """The first problem, without repeating what was sent."""
    if isinstance(error, ValidationError):
        detail = error.errors(include_input=False, include_url=False, include_context=False)[0]
        where = ".".join(str(part) for part in detail["loc"])[:100]
        where = where if where.isprintable() else "a key"
        wrong = in_our_words(detail["msg"])[:200]
        return f"{where or 'the message'}: {wrong}; docs/schemas/command.schema.json has the keys"
    return "it cannot be read as JSON"


def _reply_to(message: aiomqtt.Message, answers: str) -> tuple[str, Properties]:
    """Where the answer to ``message`` goes, and with which properties.

    A request must not make a stand write to another topic than its own: a response topic that is not below
    ``answers`` is left alone, and the answer goes to ``answers``.
    """
    asked = getattr(message.properties, "ResponseTopic", None)
    given = getattr(message.properties, "CorrelationData", None)
    topic = answers
    if isinstance(asked, str) and asked.startswith(f"{answers}/") and len(asked) <= _MOST_TOPIC:
        topic = asked if asked.isprintable() and not set(asked) & set("+#") else answers
    properties = properties_of(ANSWER)
    if isinstance(given, bytes) and len(given) <= _MOST_CORRELATION:
        properties.CorrelationData = given
    return topic, properties


class Requests:
    """Takes the requests of one connection; without ``desk`` none, it only notices that the connection broke.

    ``on_refused`` is called for each request that is not obeyed.
    """

    def __init__(self, desk: Desk | None, answers: str, on_refused: Callable[[], None]) -> None:
        self._desk: Final = desk
        self._answers = answers
        self._on_refused = on_refused
        # Rubbish at any rate makes no answers at that rate.
        self._answering = Allowance(burst=20, interval_s=0.2)

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
                topic, properties = _reply_to(message, self._answers)
                send = partial(self._answer, client, topic, properties)
                judged = self._desk.judge(
                    message.payload,
                    retained=message.retain,
                    now=dt.datetime.now(dt.UTC),
                    now_s=time.monotonic(),
                )
                if isinstance(judged, Pending):
                    group.create_task(self._await_taker(self._desk, judged, send))
                else:
                    await send(judged)

    async def _await_taker(self, desk: Desk, pending: Pending, send: Send) -> None:
        """Answer once it is known what came of the request, or once that takes too long."""
        deadline_s = time.monotonic() + UNTAKEN_S
        while not pending.claimed and time.monotonic() < deadline_s:  # noqa: ASYNC110 - the taker has no loop
            await asyncio.sleep(_LOOK_S)
        if pending.claim():
            pending.refusal = f"the test took no request for {UNTAKEN_S:.0f} s; check the stand"
        deadline_s = time.monotonic() + UNDECIDED_S
        while pending.refusal is None and time.monotonic() < deadline_s:  # noqa: ASYNC110 - as above
            await asyncio.sleep(_LOOK_S)
        reason = pending.refusal
        if reason is None:
            reason = f"received, but no answer of the test within {UNDECIDED_S:.0f} s; check the stand"
        await send(desk.settle(pending.command.id, reason))

    async def _answer(self, client: BusClient, topic: str, properties: Properties, answer: Answer) -> None:
        if not answer.accepted:
            self._on_refused()
        if self._answering.spend(time.monotonic()):
            await client.send(topic, ANSWER, payload(answer), properties)
