"""Indicator and encoder that stop agreeing in the middle of a test are told where it begins."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import sentence
from lashmap_drivers.readings import Chunk


@dataclass
class Scaled(VirtualTest):
    """A test whose indicator gives another number from some positions on.

    Attributes:
        factor: By what its numbers are multiplied, by position.
    """

    factor: Callable[[int], float] = field(default=lambda _: 1.0)

    def tick(self, count: int = 1) -> None:
        for _ in range(count):
            wire = self._simulated.advance(self.tick_s)
            self.now_s += self.tick_s
            target = self.conductor.state.target
            factor = self.factor(target.number if target else 1)
            lines = b"".join(b"%+09.4f\r\n" % (float(line) * factor) for line in wire.indicator_lines)
            chunks = {INDICATOR: [Chunk(self.now_s, lines)], ENCODER: [Chunk(self.now_s, wire.encoder)]}
            self.conductor.tick(self.now_s, chunks)
            self.obey_knocks()


def scaled(folder: Path, factor: Callable[[int], float], shaft: str = "gear") -> Scaled:
    box = load_box(DEMO_BOX, positions=7, gear_turns=1.0, confirming_positions=1)
    instruments = SimulatedInstruments(encoder_shaft="gear" if shaft == "gear" else "pinion")
    test = Scaled(folder, box, seed=3, factor=factor, instruments=instruments)
    test.run()
    return test


def notes(test: VirtualTest) -> list[str]:
    return [event.text for event in test.of(events.NoteTaken) if isinstance(event, events.NoteTaken)]


def flagged(test: VirtualTest) -> list[int]:
    accepted = [event for event in test.of(events.RockAccepted) if isinstance(event, events.RockAccepted)]
    return [one.number for one in accepted if "indicator and encoder disagree" in one.flags]


def test_inches_read_as_mm_from_position_5_on_are_told_at_position_5(tmp_path: Path) -> None:
    test = scaled(tmp_path, lambda position: 1.0 if position < 5 else 1.0 / 25.4)
    assert flagged(test)[:3] == [5, 6, 7]
    (note,) = notes(test)
    assert note.startswith("Indicator and encoder disagree from position 5 on. The indicator gives 0.0")
    assert "Likely causes: an indicator that gives inches, read as mm" in note
    # Said when the position is accepted, before the next one is asked for, on every screen.
    kinds = [stamped.event for stamped in test.stream]
    at = next(place for place, event in enumerate(kinds) if isinstance(event, events.NoteTaken))
    accepted, asked = kinds[at - 1], kinds[at + 1]
    assert isinstance(accepted, events.RockAccepted)
    assert accepted.number == 5
    assert isinstance(asked, events.PositionAsked)
    assert sentence(kinds[at], "mm", None) == f"Note: {note}"
    assert "; indicator and encoder disagree" in (sentence(accepted, "mm", None) or "")


def test_what_is_told_live_is_what_the_result_says(tmp_path: Path) -> None:
    test = scaled(tmp_path, lambda position: 1.3 if position == 3 else 1.0)
    assert flagged(test) == [3]
    begins, ends = notes(test)
    assert "from position 3 on. The indicator gives 1.3" in begins
    assert ends == "Indicator and encoder agree again at position 4."
    concluded = conclude(test.logbook, None)
    shown = [one.position for one in concluded.positions if "disagree" in str(one.flags)]
    assert shown == [3]


@pytest.mark.parametrize("shaft", ["gear", "pinion"])
def test_instruments_that_agree_are_not_spoken_of(tmp_path: Path, shaft: str) -> None:
    test = scaled(tmp_path, lambda _: 1.0, shaft)
    assert flagged(test) == []
    assert notes(test) == []
