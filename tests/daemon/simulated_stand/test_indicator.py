"""What the simulated indicator makes of its plunger's place: hysteresis and correction errors."""

from __future__ import annotations

from math import sin, tau

import pytest
from daemon.simulated_boxes import values
from daemon.simulated_stand.test_mesh import SPIRAL
from lashmap_daemon.simulated_stand import Fault, SimulatedInstruments, Stand, StandError
from lashmap_daemon.simulated_stand.stand import IndicatorWire

QUIET = {"indicator_noise_mm": 0.0, "drift_mm_per_s": 0.0, "indicator_resolution_mm": 1e-6}


def shown(instruments: SimulatedInstruments, places_mm: list[float]) -> list[float]:
    """What is shown at one place of the plunger after the other, before any setting of the tip."""
    wire = IndicatorWire(instruments, seed=1)
    return values(
        [
            wire.line(number / 1000.0, tip_mm=place, lift=0.0, touchdowns=0, fault=Fault.NONE)
            for number, place in enumerate(places_mm)
        ]
    )


def way(begin_mm: float, end_mm: float) -> list[float]:
    return [begin_mm + (end_mm - begin_mm) * number / 200.0 for number in range(201)]


def test_without_errors_it_shows_where_it_is() -> None:
    places = [*way(0.0, 0.3), *way(0.3, -0.2)]
    assert shown(SimulatedInstruments(**QUIET), places) == pytest.approx(places, abs=6e-7)  # type: ignore[arg-type]  # the right words


def test_hysteresis_is_the_difference_between_going_up_and_coming_down() -> None:
    instruments = SimulatedInstruments(hysteresis_mm=0.003, **QUIET)  # type: ignore[arg-type]  # the right words
    up, down = way(0.0, 0.3), way(0.3, 0.0)
    found = shown(instruments, [*up, *down])
    # The error span on reversal of a dial gauge (ISO 463; memory): same place, both ways.
    at = 100
    assert up[at] == pytest.approx(down[at])
    assert found[201 + at] - found[at] == pytest.approx(0.003, abs=2e-6)
    # A step that comes from opposite sides on its two ends reads so much too small.
    assert found[200] - found[-1] == pytest.approx(0.3 - 0.003, abs=2e-6)


def test_correction_errors_follow_the_plungers_way() -> None:
    instruments = SimulatedInstruments(
        linear_error=0.002,
        periodic_error_mm=0.001,
        periodic_error_every_mm=0.2,
        **QUIET,  # type: ignore[arg-type]  # the right words
    )
    places = way(-0.1, 0.35)
    expected = [place * 1.002 + 0.001 * sin(tau * place / 0.2) for place in places]
    assert shown(instruments, places) == pytest.approx(expected, abs=2e-6)


def test_a_stand_reads_its_lash_too_small_by_the_hysteresis() -> None:
    def reading(hysteresis_mm: float) -> float:
        stand = Stand(SPIRAL, SimulatedInstruments(hysteresis_mm=hysteresis_mm), seed=1)
        stand.ask(7)
        stand.advance(2.0)
        lines = sorted(values(stand.advance(2.0).indicator_lines))
        return lines[-len(lines) // 4] - lines[len(lines) // 4]

    assert reading(0.0) - reading(0.004) == pytest.approx(0.004, abs=3e-4)


@pytest.mark.parametrize(
    ("field", "value"), [("hysteresis_mm", -0.001), ("linear_error", 0.5), ("periodic_error_every_mm", 0.0)]
)
def test_impossible_indicators_are_refused_by_name(field: str, value: float) -> None:
    with pytest.raises(StandError) as caught:
        SimulatedInstruments(**{field: value})  # type: ignore[arg-type]  # one value per case
    assert caught.value.what == field
