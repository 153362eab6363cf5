"""An indicator that sends only when its button is pressed, from the first position to the report.

A simulated person looks at the dial and presses the button while the hand of the dial rests. The numbers are
those that the simulated indicator shows at these moments; the truth is the simulated gearbox's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from daemon.virtual_time import CONFIGS, VirtualTest, load_box
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.replay.conclude import hand_over
from lashmap_daemon.setup.stand_file import load_profile
from lashmap_daemon.simulated_stand import SimulatedDrive, SimulatedInstruments, Wire
from lashmap_daemon.story import events
from lashmap_daemon.testing.watches import PRESSES

BUTTON = load_profile(CONFIGS / "instruments" / "indicator-line-button.toml")
LOOKS = SimulatedInstruments(indicator_rate_hz=50.0, encoder_rate_hz=100.0)  # a person sees no more
SLOWLY = SimulatedDrive(rocks_per_s=0.2, rhythm_jitter=0.02)
RESTS_S, BETWEEN_S = 0.4, 0.4
LIFTED_MM = -3.0
REST_MM = 0.01


@dataclass
class Pressed(VirtualTest):
    """A test whose person presses the button of the indicator.

    Attributes:
        presses: On each flank.
    """

    presses: int = PRESSES

    def __post_init__(self) -> None:
        self.indicator_profile = BUTTON
        self.instruments, self.drive = LOOKS, SLOWLY
        self._at_mm, self._for_s, self._pressed = 0.0, 0.0, 0
        super().__post_init__()

    def sent_by_indicator(self, wire: Wire) -> bytes:
        self._for_s += self.tick_s
        for line in wire.indicator_lines:
            shown_mm = float(line)
            if shown_mm < LIFTED_MM or abs(shown_mm - self._at_mm) > REST_MM:
                self._at_mm, self._for_s, self._pressed = shown_mm, 0.0, 0
        due_s = RESTS_S + self._pressed * BETWEEN_S
        if self._pressed >= self.presses or self._for_s < due_s or not wire.indicator_lines:
            return b""
        self._pressed += 1
        return b"%+08d\r" % round(float(wire.indicator_lines[-1]) * 10_000.0)


def test_a_whole_test_by_presses_of_the_button(tmp_path: Path) -> None:
    test = Pressed(tmp_path, load_box(positions=6, reversals=4, confirming_positions=1, rock_seconds=60.0))
    test.run(most_s=900.0)
    assert not test.of(events.InstrumentLost)  # it is not silent between two presses
    assert not test.of(events.RockRefused)
    accepted = [one for one in test.of(events.RockAccepted) if isinstance(one, events.RockAccepted)]
    assert len(accepted) == 7
    for one in accepted:
        true_mm = test.truth.normal_backlash_mm[one.engagement % 520]
        assert one.normal_backlash_mm == pytest.approx(true_mm, abs=0.006)
        assert one.reversals >= 4
    done = hand_over(test.logbook, test.started.test, tmp_path)
    assert len(done.assessment.positions) == 7
    again = {one.position: one.rock.reading_mm for one in done.assessment.positions}
    assert again == pytest.approx({one.number: one.reading_mm for one in accepted}, abs=1e-12)
    assert done.pdf.stat().st_size > 10_000


def test_too_few_presses_are_refused_with_what_to_do(tmp_path: Path) -> None:
    box = load_box(positions=6, reversals=4, rock_seconds=30.0, tries=1)
    test = Pressed(tmp_path, box, presses=1)
    refused = test.run_until(events.RockRefused, most_s=120.0).event
    assert isinstance(refused, events.RockRefused)
    assert "the indicator sends on its button, and" in refused.reasons[0]
    assert "press 3 times or more, then on the other, 5 flanks in all" in refused.reasons[0]
    assert "plan.rock_seconds in the box file" in refused.reasons[0]
    assert not any("let the indicator send faster" in reason for reason in refused.reasons)


def test_presses_cannot_follow_a_sweep(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="a runout sweep needs an indicator that goes on sending"):
        Pressed(tmp_path, load_box(), sweeps=("gear",))
