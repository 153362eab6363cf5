"""An invented hall on a real broker, with its board served: what stands say, good and hostile."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from daemon.bus.broker import Broker
from daemon.bus.on_bus import settings
from daemon.page.shown import wait_until
from lashmap_daemon.bus import messages
from lashmap_daemon.hall.served import BoardPage
from lashmap_daemon.setup.page_table import PageTable
from paho.mqtt.enums import CallbackAPIVersion

GOLDEN = Path(__file__).parents[2] / "golden"
RESULT: dict[str, Any] = json.loads((GOLDEN / "straight" / "bus.json").read_text("utf-8"))[-1]["payload"]
TEST = "20261201-080000-INV-1"
HEARD = [{"instrument": "indicator", "state": "heard"}]


def status(stand: str, *, online: bool = True, reason: str = "", name: str = "") -> dict[str, Any]:
    return messages.Status(
        stand=stand,
        online=online,
        reason=reason,
        name=name or stand,
        version="0",
        connected_utc="",
        test=None,
        waiting_records=0,
    ).model_dump(mode="json", by_alias=True)


def state(stand: str, phase: str = "turning to the position", **more: Any) -> dict[str, Any]:  # noqa: ANN401
    """What a stand in a test says, unless told otherwise."""
    made: dict[str, Any] = {
        "schema": 1,
        "stand": stand,
        "name": stand,
        "service": None,
        "test": TEST,
        "started_utc": "",
        "box": "Invented",
        "serial": f"INV-{stand}",
        "units": "mm",
        "phase": phase,
        "instruction": "turn the gear FORWARD 3 teeth",
        "target": None,
        "sweep": None,
        "rock": None,
        "done": 2,
        "total": 9,
        "tight_spot": {"gear_angle_deg": 10.0, "normal_backlash_mm": 0.114},
        "marks": [],
        "lines": [],
    }
    return made | more


def live(stand: str) -> dict[str, Any]:
    """What a running test says ten times a second, however long nothing happens in it."""
    names = ("indicator_mm", "indicator_age_s", "gear_angle_deg", "encoder_age_s")
    unknown = dict.fromkeys((*names, "rock_s", "swept_deg", "left_s"))
    made = {"schema": 1, "stand": stand, "test": TEST, "number": 1, "utc": "", "time_s": 1.0, "bad_frames": 0}
    return made | unknown


def idle(stand: str, instruments: list[dict[str, str]] | None = None) -> dict[str, Any]:
    """What a stand without a test says."""
    service = {"doing": "idle", "awaits": "a test", "instruments": instruments or HEARD}
    nothing = {"test": "", "serial": "", "box": "", "done": 0, "total": 0, "tight_spot": None}
    return state(stand, "closed", service=service, **nothing)


def alarm(stand: str, kind: str, record: dict[str, Any], number: int = 1) -> dict[str, Any]:
    about = {"schema": 1, "stand": stand, "id": f"{TEST}/{number}", "test": TEST, "event": number}
    return about | {"time_s": 1.0, "utc": "2026-12-01T08:00:00Z", "kind": kind, "record": record}


@dataclass
class Halls:
    """A broker, who publishes to it, and the board that listens."""

    broker: Broker
    board: BoardPage
    client: paho.Client
    rows: dict[str, dict[str, Any]] = field(default_factory=dict)

    def say(self, topic: str, message: dict[str, Any] | bytes, *, retain: bool = True) -> None:
        """As a stand."""
        data = message if isinstance(message, bytes) else json.dumps(message).encode()
        self.client.publish(f"lashmap/{topic}", data, qos=1, retain=retain).wait_for_publish(30)

    def is_there(self, stand: str, told: dict[str, Any] | None = None) -> None:
        self.say(f"{stand}/status", status(stand))
        self.say(f"{stand}/state", told or state(stand))

    def look(self) -> dict[str, dict[str, Any]]:
        """The rows as a browser would have them, by stand."""
        self.board.turn()
        parts = {name: json.loads(data) for name, data in self.board._feed._parts.items()}
        self.rows = {part["stand"]: part for name, part in parts.items() if name not in {"hall", "heard"}}
        return self.rows

    def hall(self) -> dict[str, Any]:
        self.board.turn()
        found: dict[str, Any] = json.loads(self.board._feed._parts["hall"])
        return found

    def says_live(self, *stands: str) -> None:
        """As stands whose test goes on, though nothing changes in it."""
        for stand in stands:
            self.say(f"{stand}/live", live(stand), retain=False)

    def until(self, good: Any) -> dict[str, dict[str, Any]]:  # noqa: ANN401 - a predicate of the rows
        wait_until(lambda: good(self.look()))
        return self.rows


@contextmanager
def halls(folder: Path, table: PageTable | None = None) -> Iterator[Halls]:
    broker = Broker(folder / "broker", keep=True)
    broker.start()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        with BoardPage(settings(broker.url), table or PageTable(port=0), frozenset()) as board:
            found = Halls(broker=broker, board=board, client=client)
            wait_until(lambda: not board.listener.broker.problem)
            yield found
    finally:
        client.loop_stop()
        client.disconnect()
        broker.kill()
