"""What the engine asks of its instruments before a test, over sources that are scripted."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

import pytest
from daemon.two_encoders import TURN, Wiring, two_encoder_stand
from daemon.virtual_loop import in_virtual_time
from daemon.virtual_time import load_box, simulated_stand_file
from lashmap_daemon.errors import GearTurns, StandError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, PINION_ENCODER
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


# Two encoders -----------------------------------------------------------------------------------------------


class Says:
    """A person with answers."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)

    def show(self, text: str) -> None: ...

    def ask(self, question: str) -> str:  # noqa: ARG002 - the interface of a person
        return self.answers.pop(0)


class BenchOfTwo:
    """An engine whose gear and pinion stand still, each with an encoder."""

    def __init__(self, folder: Path, wiring: Wiring, *, gear: int, pinion: int) -> None:
        stand = two_encoder_stand(folder, wiring)
        self.ports = StandPorts(stand)
        lines = {INDICATOR: b"-4.0000\r\n", ENCODER: b"%d\r\n" % gear, PINION_ENCODER: b"%d\r\n" % pinion}
        if wiring == "one board":
            lines[ENCODER] = b"%d,%d\r\n" % (gear, pinion)
        for name in self.ports.wires:
            self.ports.instruments[name].hang_on(Line(lambda name=name: lines[name]))  # type: ignore[misc]
        self.lines = lines
        self.engine = Engine(self.ports, Logbook(folder / "book", create=True))
        self.prepared: Prepared = self.engine.prepare(
            load_box(),
            stand,
            box_name="box",
            operator="Ada",
            cautions=events.CautionsConfirmed(how="here"),
            sweeps=(),
        )

    def opening(self, *answers: str) -> events.MatchedTeethSet:
        """How the matched teeth are set by a person who answers so."""
        in_virtual_time(self.engine.wait_for_readings())

        def encoder_deg() -> float:
            return in_virtual_time(self.engine.still_encoder_deg(self.prepared))

        person = Says(*answers)
        self.opened = opened = self.engine.opening(
            self.prepared, person, encoder_deg=encoder_deg, followed=False
        )
        return opened.matched


@pytest.mark.parametrize("wiring", ["two ports", "one board"])
def test_the_marked_teeth_set_both_references(tmp_path: Path, wiring: Wiring) -> None:
    bench = BenchOfTwo(tmp_path, wiring, gear=1234, pinion=777)
    matched = bench.opening("matched")
    gear_deg, pinion_deg = 1234 * (360.0 / TURN), -777 * (360.0 / TURN)  # seen from the other side
    assert matched.how == "set at the stand"
    assert [*matched.of(ENCODER)] == pytest.approx([gear_deg, gear_deg])
    assert [*matched.of(PINION_ENCODER)] == pytest.approx([pinion_deg, pinion_deg])
    assert set(bench.opened.rates_hz) == {INDICATOR, ENCODER, PINION_ENCODER}
    heard = [one for one in bench.opened.records() if isinstance(one, events.InstrumentHeard)]
    assert [one.port for one in heard] == [
        "/dev/a",
        "/dev/b",
        "/dev/c" if wiring == "two ports" else "/dev/b",
    ]


def test_an_angle_of_the_box_file_sets_the_pinions_by_the_ratio(tmp_path: Path) -> None:
    bench = BenchOfTwo(tmp_path, "two ports", gear=5000, pinion=0)
    file = bench.prepared.stand.file
    assert file.encoder is not None
    absolute = file.model_copy(update={"encoder": file.encoder.model_copy(update={"absolute": True})})
    stand = bench.prepared.stand.model_copy(update={"file": absolute})
    box = load_box()
    box = box.model_copy(
        update={"matched_teeth": box.matched_teeth.model_copy(update={"encoder_deg": 90.0 - 13.0})}
    )
    bench.prepared = bench.engine.prepare(
        box,
        stand,
        box_name="box",
        operator="Ada",
        cautions=events.CautionsConfirmed(how="here"),
        sweeps=(),
    )
    matched = bench.opening()
    # The gear stands at 90°, 13° past the marks; its pinion, of 13 teeth to 40, has turned 40° since.
    assert (matched.how, matched.encoder_deg) == ("box file", 77.0)
    assert matched.pinion_encoder_deg == pytest.approx(-40.0, abs=1e-9)
    assert matched.pinion_seen_deg == pytest.approx(0.0, abs=1e-9)


def test_a_pinion_without_an_angle_is_named(tmp_path: Path) -> None:
    bench = BenchOfTwo(tmp_path, "two ports", gear=0, pinion=0)

    async def work() -> None:
        await bench.engine.wait_for_readings()
        bench.lines[PINION_ENCODER] = b""
        with pytest.raises(StandError, match=r"pinion encoder on /dev/c: no (bytes|angle)"):
            await bench.engine.still_encoder_deg(bench.prepared)

    in_virtual_time(work())


def test_a_board_that_went_is_said_once_for_both_encoders(tmp_path: Path) -> None:
    bench = BenchOfTwo(tmp_path, "one board", gear=0, pinion=0)
    bench.ports.instruments[ENCODER].give_up("the board went away")
    problems = bench.engine.problems(time.monotonic())
    assert [one for one in problems if "board" in one] == ["the board went away"]
    assert bench.ports.instruments[PINION_ENCODER].source is None
    assert bench.ports.sources() is None
    bench.ports.instruments[ENCODER].hang_on(Line(lambda: b"1,2\r\n"))
    assert set(bench.ports.sources() or ()) == {INDICATOR, ENCODER}
