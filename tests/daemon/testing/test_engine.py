"""What the engine asks of its instruments before a test, over sources that are scripted."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

import pytest
from daemon.virtual_loop import in_virtual_time
from daemon.virtual_time import load_box, simulated_stand_file
from lashmap_daemon.errors import GearTurns, StandError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.engine import Engine, Prepared
from lashmap_daemon.testing.monitor import StandPorts
from lashmap_drivers.ports.source import Loss
from lashmap_drivers.readings import Chunk


class Line:
    """A source that sends a line each time that it is looked at; nothing while the line is empty."""

    name, dropped_chunks = "a line", 0

    def __init__(self, line: Callable[[], bytes]) -> None:
        self.lost: Loss | None = None
        self._line = line

    def take(self) -> list[Chunk]:
        line = self._line()
        return [Chunk(time.monotonic(), line * 10)] if line else []

    def wait(self, seconds: float) -> bool:  # noqa: ARG002 - the interface of a source
        return True

    def close(self) -> None: ...

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None: ...


class Bench:
    """An engine, and what its gear does."""

    def __init__(self, folder: Path) -> None:
        stand = simulated_stand_file(folder / "stand", SimulatedInstruments())
        self.speed_deg_s = 0.0
        self.indicator = Line(lambda: b"-004.0000\r\n")
        ports = StandPorts(stand)
        ports.instruments[INDICATOR].source = self.indicator
        ports.instruments[ENCODER].source = Line(self._count)
        self._angle_deg, self._at_s = 12.0, 1000.0
        self.engine = Engine(ports, Logbook(folder / "book", create=True), say_again=", then say so")
        self.prepared: Prepared = self.engine.prepare(
            load_box(),
            stand,
            box_name="box",
            operator="Ada",
            cautions=events.CautionsConfirmed(how="here"),
            sweeps=(),
        )
        self.channels = Channels(stand.recorded(), load_box().gear_set.gear_set())

    def _count(self) -> bytes:
        now_s = time.monotonic()
        self._angle_deg += self.speed_deg_s * (now_s - self._at_s)
        self._at_s = now_s
        return b"%+011d\r\n" % round(self._angle_deg * 1000.0)


def test_the_angle_is_taken_from_a_gear_that_stands_still(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    async def work() -> float:
        await bench.engine.wait_for_readings()
        bench.speed_deg_s = 20.0
        for channels in (None, bench.channels):
            with pytest.raises(GearTurns, match="hold it still with the marked teeth together, then say so"):
                await bench.engine.still_encoder_deg(bench.prepared, channels)
        bench.speed_deg_s = 0.0
        return await bench.engine.still_encoder_deg(bench.prepared, bench.channels)

    assert in_virtual_time(work()) == pytest.approx(bench._angle_deg)


def test_an_encoder_that_fell_silent_is_no_gear_that_turns(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    async def work() -> None:
        with bench.engine.tapped(bench.channels):
            await bench.engine.wait_for_readings()
            bench.engine.ports.instruments[ENCODER].source = Line(lambda: b"")
            with pytest.raises(StandError, match=r"encoder on .*: no bytes for 4\.\d s"):
                await bench.engine.still_encoder_deg(bench.prepared, bench.channels)

    in_virtual_time(work())


def test_a_gear_that_comes_to_rest_meanwhile_is_waited_for(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    async def work() -> float:
        await bench.engine.wait_for_readings()
        bench.speed_deg_s = 20.0
        asyncio.get_running_loop().call_later(1.5, lambda: setattr(bench, "speed_deg_s", 0.0))
        return await bench.engine.still_encoder_deg(bench.prepared)

    assert in_virtual_time(work()) == pytest.approx(42.0, abs=1.5)  # 20 degrees a second for 1.5 seconds


def test_an_instrument_that_is_silent_or_away_is_named_before_the_test(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    async def work() -> None:
        bench.indicator._line = lambda: b""
        with pytest.raises(
            StandError, match=r"indicator on .*: no bytes for 3\.\d s\. Check power and cable"
        ):
            await bench.engine.wait_for_readings()
        bench.indicator._line = lambda: b"-004.0000\r\n"
        await bench.engine.wait_for_readings()
        bench.engine.refuse_without_readings()
        bench.indicator.lost = Loss(since_s=time.monotonic(), reason="unplugged")
        with pytest.raises(
            StandError, match=r"indicator on .*: the port stopped working \(unplugged\)"
        ) as caught:
            await bench.engine.wait_for_readings()
        assert len(caught.value.lines) == 1  # the encoder speaks

    in_virtual_time(work())
