"""A damaged wire is told as a damaged wire: bad lines are named, and a wrong digit is no gear that moved."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from daemon.virtual_time import AS_SHIPPED, DEMO_BOX, VirtualTest, load_box
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.record import Shaft
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.replay.wire_errors import LoneSamples, WireTally
from lashmap_daemon.screens.layout import render
from lashmap_daemon.screens.view import view_of
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import sentence
from lashmap_drivers.readings import Chunk, Samples
from rich.console import Console

SET = GearSet(pinion_teeth=13, gear_teeth=40, outer_module_mm=4.0, face_width_mm=25.0)
Damage = Callable[[float, bytes], bytes]


@dataclass
class DamagedWire(VirtualTest):
    """A test whose wires can be damaged.

    Attributes:
        damage: What becomes of what an instrument sends; told the time and the bytes.
    """

    damage: dict[str, Damage] = field(default_factory=dict)

    def tick(self, count: int = 1) -> None:
        for _ in range(count):
            wire = self._simulated.advance(self.tick_s)
            self.now_s += self.tick_s
            chunks = {}
            for name, said in ((INDICATOR, wire.indicator), (ENCODER, wire.encoder)):
                data = self.damage[name](self.now_s, said) if name in self.damage else said
                chunks[name] = [Chunk(self.now_s, data)] if data else []
            self.conductor.tick(self.now_s, chunks)
            self.obey_knocks()

    def refusals(self) -> list[events.RockRefused]:
        return [event for event in self.of(events.RockRefused) if isinstance(event, events.RockRefused)]

    def accepted(self) -> list[events.RockAccepted]:
        return [event for event in self.of(events.RockAccepted) if isinstance(event, events.RockAccepted)]

    def notes(self) -> list[str]:
        return [event.text for event in self.of(events.NoteTaken) if isinstance(event, events.NoteTaken)]


def bit_errors(share: float, seed: int) -> Damage:
    """One wrong bit in this share of all bytes."""
    chance = random.Random(seed)  # noqa: S311 - must repeat

    def damage(_now_s: float, data: bytes) -> bytes:
        return bytes(byte ^ (1 << chance.randrange(8)) if chance.random() < share else byte for byte in data)

    return damage


def short_test(folder: Path, damage: dict[str, Damage], **plan: float) -> DamagedWire:
    box = load_box(DEMO_BOX, **{"positions": 5, "gear_turns": 1.0, "confirming_positions": 1, **plan})
    return DamagedWire(folder, box, seed=2, damage=damage, **AS_SHIPPED)


def samples(angle_deg: np.ndarray[tuple[int], np.dtype[np.float64]], rate_hz: float = 500.0) -> Samples:
    time_s = np.arange(len(angle_deg)) / rate_hz
    return Samples(time_s=time_s, value=angle_deg, time_uncertainty_s=np.zeros(len(angle_deg)))


@pytest.mark.parametrize("name", [ENCODER, INDICATOR])
def test_wrong_bits_on_a_wire_are_no_gear_that_left(tmp_path: Path, name: str) -> None:
    # One byte in a thousand: 1.2 % of the encoder's lines. Before, such a test had a dozen refusals that all
    # said that the gear left the position.
    test = short_test(tmp_path, {name: bit_errors(1e-3, seed=5)})
    test.run()
    assert not [one for one in test.refusals() if "left the position" in one.reasons[0]]
    assert [one.number for one in test.accepted()] == [1, 2, 3, 4, 5, 6]
    (note, *_) = test.notes()
    assert note.startswith(f"{name} on {test.channels.port(name)}, so far: ")
    assert "could not be read" in note
    assert "check its cable, plugs and the baud rate" in note
    assert "checksum" in note
    (end,) = test.conductor.wire_notes()
    assert "in the whole test" in end


def test_the_record_gives_the_same_angles_and_the_true_backlash(tmp_path: Path) -> None:
    test = short_test(tmp_path, {ENCODER: bit_errors(3e-3, seed=7)})
    test.run()
    assert test.channels.tally(ENCODER).wrong > 10
    assessment = conclude(test.logbook, None)
    for one, shown in zip(assessment.positions, test.accepted(), strict=True):
        assert shown.gear_deg is not None
        target_deg = test.conductor.gear_set.gear_angle_deg(shown.engagement)
        assert shown.gear_deg == pytest.approx(target_deg, abs=0.3)
        assert one.gear_angle_deg == pytest.approx(target_deg, abs=0.3)
        assert one.normal_backlash_mm == pytest.approx(shown.normal_backlash_mm, abs=1e-9)


def test_a_gear_that_moved_is_still_seen_to_leave(tmp_path: Path) -> None:
    test = short_test(tmp_path, {ENCODER: bit_errors(3e-3, seed=5)}, reversals=60)
    test.run_until(events.RockStarted)
    test._simulated.ask(3)
    refused = test.run_until(events.RockRefused).event
    assert isinstance(refused, events.RockRefused)
    left, wire = refused.reasons
    assert left.startswith("the gear left the position while the rock was recorded, by ")
    assert wire.startswith("encoder on ")
    assert "during this rock" in wire
    asked = test.stream[-1].event
    assert isinstance(asked, events.PositionAsked)
    assert wire in (sentence(asked, "mm", None) or "")  # on the screen it stands in what is to be done now
    assert wire in (sentence(refused, "mm", None) or "")


def test_a_rock_without_a_reading_names_its_bad_lines(tmp_path: Path) -> None:
    def half_gone(now_s: float, data: bytes) -> bytes:
        return data.replace(b".", b"#") if now_s > 1.0 and now_s % 1.0 < 0.7 else data

    test = short_test(tmp_path, {INDICATOR: half_gone}, rock_seconds=4.0)
    refused = test.run_until(events.RockRefused).event
    assert isinstance(refused, events.RockRefused)
    (share,) = [reason for reason in refused.reasons if reason.startswith("indicator on ")]
    assert ", during this rock: " in share
    assert " %) could not be read; check its cable" in share
    assert not any(reason.startswith("encoder on ") for reason in refused.reasons)


def test_a_sound_wire_is_not_spoken_of(tmp_path: Path) -> None:
    test = short_test(tmp_path, {})
    test.run()
    assert test.notes() == []
    assert test.conductor.wire_notes() == []


@pytest.mark.parametrize("shaft", ["gear", "pinion"])
@pytest.mark.parametrize("cut", [1, 2, 3, 7, 1000])
def test_one_or_two_wrong_samples_are_left_out_however_the_stream_is_cut(shaft: Shaft, cut: int) -> None:
    true_deg = 90.0 + 0.07 * np.sign(np.sin(np.arange(1000) / 30.0))
    seen_deg = true_deg.copy()
    wrong = [10, 40, 41, 200, 202, 700, 701]
    seen_deg[wrong] += [900.0, 2.5, -100.0, 90.0, 90.0, 3.0, 3.0]
    lone = LoneSamples.of(SET, shaft)
    whole = samples(seen_deg)
    right = [lone.feed(whole.part(slice(at, at + cut))) for at in range(0, 1000, cut)]
    expected = samples(true_deg).part(np.isin(np.arange(1000), wrong, invert=True))
    joined = Samples.joined(right)
    assert joined.time_s.tolist() == expected.time_s.tolist()
    assert joined.value.tolist() == expected.value.tolist()
    assert lone.left_out == len(wrong)


@pytest.mark.parametrize("rate_hz", [8.0, 100.0, 500.0, 5000.0])
@pytest.mark.parametrize("speed_deg_s", [20.0, 720.0])
def test_a_gear_that_is_turned_and_stopped_is_believed(rate_hz: float, speed_deg_s: float) -> None:
    time_s = np.arange(0.0, 4.0, 1.0 / rate_hz)
    turned_deg = np.clip(time_s - 1.0, 0.0, 1.0) * speed_deg_s - np.clip(time_s - 2.5, 0.0, 0.5) * speed_deg_s
    lone = LoneSamples.of(SET, "gear")
    assert lone.feed(samples(turned_deg, rate_hz)).value.tolist() == turned_deg.tolist()
    assert lone.left_out == 0


def test_a_jump_that_stays_is_believed_with_its_third_sample() -> None:
    lone = LoneSamples.of(SET, "gear")
    angle = samples(np.array([90.0] * 10 + [99.0] * 3))
    assert len(lone.feed(angle.part(slice(0, 12)))) == 10
    assert lone.feed(angle.part(slice(12, 13))).value.tolist() == [99.0, 99.0, 99.0]


def test_a_slow_encoder_can_have_been_turned_between_two_samples() -> None:
    # At 8 samples a second a hand turns the gear by a tooth and back from one sample to the next.
    lone = LoneSamples.of(SET, "gear")
    angle = np.array([90.0] * 10 + [99.0] + [90.0] * 10)
    assert len(lone.feed(samples(angle, 8.0))) == 21
    # Five turns and back it does not.
    assert len(LoneSamples.of(SET, "gear").feed(samples(angle * 200.0, 8.0))) == 20


def test_what_is_worth_a_sentence() -> None:
    assert not WireTally(good=5000, bad=2).is_notable  # a line cut at the start, a unit button
    assert not WireTally(good=5000, bad=5).is_notable
    assert WireTally(good=5000, bad=6).is_notable
    assert WireTally(good=5000, wrong=1).is_notable
    told = WireTally(good=990, bad=10).sentence("encoder", "/dev/x", when="in it", checked=True)
    assert told == (
        "encoder on /dev/x, in it: 10 of 1000 lines (1 %) could not be read; check its cable, plugs and the "
        "baud rate in its profile"
    )


def test_the_screen_names_the_damaged_instrument(tmp_path: Path) -> None:
    test = short_test(tmp_path, {ENCODER: bit_errors(1e-3, seed=5)})
    test.run_until(events.RockAccepted)
    view = view_of(test.conductor, test.now_s, "")
    assert view.damaged.startswith("encoder ")
    assert view.damaged.endswith(" % of lines")
    console = Console(width=110, height=40, record=True, file=StringIO())
    console.print(render(view, "title", [], None, height=40))
    assert "bad lines" in console.export_text(clear=False)
    assert "check cable and baud rate" in console.export_text(clear=False)
