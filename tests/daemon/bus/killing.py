"""A broker that is killed again and again while a stand records: what must arrive, and did it."""

from __future__ import annotations

import json
import random
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

from daemon.bus.broker import Broker
from daemon.bus.on_bus import OnBus, logbook_of, on_bus, settings
from daemon.bus.subscriber import Subscriber, subscriber
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.bus.outbox import Outbox
from lashmap_daemon.bus.stand_bus import StandBus
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.story import events

SETTLE_S = 1.0
_LONGEST_WAIT_S = 30.0  # between two tries to connect
_PUBLISHED = (events.RockAccepted, events.RockRefused, events.PositionSkipped, events.SweepRecorded)


@dataclass(kw_only=True)
class Outcome:
    """What a run with kills came to.

    Attributes:
        expected: Body of each record by identifier, from the logbook.
        copies: Payloads that arrived for each identifier, in order.
        order: Identifiers in order of their first arrival.
        calls_s: How long each call of the recorder into the bus took.
        connections: How often the stand reached the broker.
    """

    expected: dict[str, str] = field(default_factory=dict)
    copies: dict[str, list[bytes]] = field(default_factory=dict)
    order: list[str] = field(default_factory=list)
    calls_s: list[float] = field(default_factory=list)
    connections: int = 0

    @property
    def repeated(self) -> int:
        """Records that arrived more than once."""
        return sum(len(copies) > 1 for copies in self.copies.values())


class _Timed:
    """Measures what the recorder pays for the bus."""

    def __init__(self, stand: OnBus, outcome: Outcome) -> None:
        self._stand, self._outcome = stand, outcome
        bus = stand.bus
        self._hear, self._look = bus.hear, bus.take_snapshot
        bus.hear, bus.take_snapshot = self.hear, self.look  # type: ignore[method-assign, assignment]

    def hear(self, *told: object) -> None:
        self._time(self._hear, *told)

    def look(self, *told: object) -> None:
        self._time(self._look, *told)

    def _time(self, call: object, *told: object) -> None:
        assert callable(call)
        start_s = time.perf_counter()
        call(*told)
        self._outcome.calls_s.append(time.perf_counter() - start_s)


def survive(folder: Path, *, kills: int, seed: int, positions: int) -> Outcome:
    """Kill the broker so many times during a test; wait until all arrived, at most a minute.

    The subscriber has a session at the broker, so what comes while it is away is kept for it there.
    """
    chance = random.Random(seed)  # noqa: S311 - repeatable, not secret
    broker = Broker(folder / "broker", keep=True)
    broker.start()
    outcome = Outcome()
    try:
        with subscriber(broker.port, session="witness") as heard:
            test = VirtualTest(folder / "stand", load_box(positions=positions, gear_turns=2.0), seed=seed)
            table = settings(broker.url, settle_seconds=SETTLE_S)
            with on_bus(test, table) as stand:
                _Timed(stand, outcome)
                for _ in range(kills):
                    _one_kill(broker, stand, chance)
                stand.run()
                stand.bus.conclude(conclude(test.logbook, None))
                if kills:
                    _one_kill(broker, stand, chance)  # once more, while the result is on its way
                outcome.expected = expected(test, stand.bus)
                heard.wait(lambda: set(outcome.expected) <= set(arrived(heard)))
                outcome.connections = stand.bus.report.connections
            outcome.copies = arrived(heard)
            outcome.order = list(outcome.copies)
    finally:
        broker.kill()
    return outcome


def _one_kill(broker: Broker, stand: OnBus, chance: random.Random) -> None:
    """Record a little with the broker there, kill it, record a little more, start it again."""
    deadline_s = time.monotonic() + 2.0 * _LONGEST_WAIT_S
    while not stand.bus.report.connected:
        assert time.monotonic() < deadline_s, "the stand did not come back to its broker"
        time.sleep(0.005)
    _record(stand, chance.uniform(0.0, 0.8))
    broker.kill()
    _record(stand, chance.uniform(0.0, 0.3))
    broker.start()


def _record(stand: OnBus, seconds: float) -> None:
    """Let the stand record for some real time; its own time runs several times as fast."""
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        stand.tick()
        time.sleep(0.004)


def expected(test: VirtualTest, bus: StandBus) -> dict[str, str]:
    """Every record that must arrive, from the logbook itself: body by identifier; a result's whole text."""
    return to_arrive(logbook_of(test), test.started.test, bus.identity.base)


def to_arrive(path: Path, test: str, base: str) -> dict[str, str]:
    """The same of any logbook and a test with a result in it; ``base`` is the stand's topic."""
    with Logbook(path, create=False) as logbook:
        bodies = {
            f"{test}/{number}": events.to_json(stamped.event)[1]
            for number, stamped in enumerate(logbook.events(test), start=1)
            if isinstance(stamped.event, _PUBLISHED)
        }
    outbox = Outbox(path, base)
    row = outbox.newest_result()
    outbox.close()
    assert row is not None
    result = json.loads(row.body)
    return bodies | {result["id"]: result["message"]}


def strange(outcome: Outcome) -> list[str]:
    """Records that did not arrive, or not to the byte as the logbook keeps them."""
    wrong = [f"{one} did not arrive" for one in outcome.expected if one not in outcome.copies]
    wrong += [
        f"{one} arrived and is not in the logbook" for one in set(outcome.copies) - set(outcome.expected)
    ]
    for one, copies in outcome.copies.items():
        text, body = copies[0].decode(), outcome.expected.get(one, "")
        if len(set(copies)) > 1:
            wrong.append(f"{one} came with another content")
        if not (text == body or text.endswith(f'"record":{body}}}')):
            wrong.append(f"{one} is not as in the logbook")
    return wrong


def arrived(heard: Subscriber) -> dict[str, list[bytes]]:
    """Payloads of records and results by identifier, in order of their first arrival."""
    copies: dict[str, list[bytes]] = defaultdict(list)
    for one in list(heard.heard):
        if one.last in {"position", "alarm", "result"}:
            identifier = dict(one.properties.UserProperty)["id"]
            copies[identifier].append(one.payload)
    return copies
