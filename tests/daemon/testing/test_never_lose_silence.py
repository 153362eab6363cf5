"""An instrument whose port stays open but that says nothing, or rubbish, in the middle of a test."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.errors import StandError
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from lashmap_drivers.errors import InstrumentSilent, InstrumentWithoutReading
from lashmap_drivers.readings import Chunk


@dataclass
class Mutable(VirtualTest):
    """A test in virtual time whose instruments can be made to say something else.

    Attributes:
        instead: What an instrument says each tick instead of its lines.
    """

    instead: dict[str, bytes] = field(default_factory=dict)

    def tick(self, count: int = 1) -> None:
        for _ in range(count):
            wire = self._simulated.advance(self.tick_s)
            self.now_s += self.tick_s
            said = {INDICATOR: wire.indicator, ENCODER: wire.encoder, **self.instead}
            self.conductor.tick(
                self.now_s, {name: [Chunk(self.now_s, data)] if data else [] for name, data in said.items()}
            )
            self.obey_knocks()


@pytest.fixture
def test(tmp_path: Path) -> Mutable:
    return Mutable(tmp_path, load_box(positions=5, gear_turns=1.0, confirming_positions=1))


@pytest.mark.parametrize(
    ("name", "said", "reason"),
    [
        (INDICATOR, b"", "the indicator was lost (no bytes for 3.0 s)"),
        (INDICATOR, b"?#\x80\r\n", "the indicator was lost (it sends, but there is no reading for 3.0 s)"),
        (ENCODER, b"", "the encoder was lost (no bytes for 3.0 s)"),
    ],
)
def test_the_rock_in_hand_is_refused_and_asked_again_and_the_earlier_ones_stay(
    test: Mutable, name: str, said: bytes, reason: str
) -> None:
    test.run_until(events.RockAccepted)
    test.run_until(events.RockStarted)
    test.tick_for(0.1)
    test.instead[name] = said
    refused = test.run_until(events.RockRefused, most_s=5.0).event
    assert isinstance(refused, events.RockRefused)
    assert refused.reasons == (reason,)
    (lost,) = test.of(events.InstrumentLost)
    assert isinstance(lost, events.InstrumentLost)
    assert lost.remedy.startswith("The last bad frame was" if said else "Check power and cable")
    assert test.conductor.state.phase is Phase.WAITING
    test.tick_for(10.0)
    test.instead.clear()
    test.run_until(events.InstrumentBack)
    test.run()
    asked = [one for one in test.of(events.PositionAsked) if isinstance(one, events.PositionAsked)]
    assert [(one.number, one.attempt) for one in asked[:4]] == [(1, 1), (2, 1), (2, 2), (3, 1)]
    shown = {one.number: one for one in test.of(events.RockAccepted) if isinstance(one, events.RockAccepted)}
    for one in conclude(test.logbook, test.started.test).positions:
        assert one.normal_backlash_mm == shown[one.position].normal_backlash_mm
    assert len(shown) == 6


def test_silence_longer_than_the_patience_ends_the_test(test: Mutable) -> None:
    test.conductor._absences._patience_s = 10.0
    test.run_until(events.RockStarted)
    test.instead[INDICATOR] = b""
    silent_from_s = test.now_s
    with pytest.raises(InstrumentSilent, match=r"no bytes for 13\.\d s\. Check power and cable"):
        test.run()
    # Three seconds until silence counts, then what `test_reconnect` takes from the stand file.
    assert test.now_s - silent_from_s == pytest.approx(13.0, abs=0.1)


def test_rubbish_longer_than_the_patience_ends_the_test(test: Mutable) -> None:
    test.conductor._absences._patience_s = 10.0
    test.run_until(events.RockStarted)
    test.instead[INDICATOR] = b"?#\x80\r\n"
    with pytest.raises(InstrumentWithoutReading, match="it sends, but there is no reading"):
        test.run()


def test_an_encoder_that_speaks_again_with_another_angle_is_not_believed(test: Mutable) -> None:
    test.run_until(events.RockStarted)
    test.instead[ENCODER] = b""
    test.run_until(events.InstrumentLost, most_s=5.0)
    test.instead[ENCODER] = b"+0000000000\r\n"
    with pytest.raises(StandError, match="the matched teeth are no longer known"):
        test.run()
