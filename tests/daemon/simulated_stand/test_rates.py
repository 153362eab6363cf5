"""A sound stand is measured at every rate of an indicator: what the samples just miss makes no fault."""

from __future__ import annotations

import pytest
from daemon.simulated_boxes import PLAIN_BOX, values
from lashmap_analysis.rock.flags import FlagName
from lashmap_analysis.rock.rock import measure_rock
from lashmap_daemon.simulated_stand import Fault, SimulatedDrive, SimulatedInstruments, Stand
from scipy import stats


def measured_as_it_is(rate_hz: float, drive: SimulatedDrive) -> None:
    instruments = SimulatedInstruments(indicator_rate_hz=rate_hz, encoder_rate_hz=10.0)
    stand = Stand(PLAIN_BOX, instruments, drive, seed=1)
    for engagement in (0, 5, 9):
        stand.ask(engagement)
        stand.advance(2.0)
        wire = stand.advance(1.3)
        shown_mm = values(wire.indicator_lines)
        reading = measure_rock(wire.indicator_times_s, shown_mm, resolution_mm=0.0001)
        assert reading.usable, reading.flags
        assert reading.reading_mm == pytest.approx(
            stand.truth.normal_backlash_mm[engagement], abs=3 * reading.standard_uncertainty_mm
        )


@pytest.mark.parametrize("flank_time_s", [0.012, 0.022, 0.04])
@pytest.mark.parametrize("rate_hz", [50.0, 125.0, 200.0, 250.0, 333.0, 400.0, 500.0, 1000.0])
def test_a_sound_stand_is_measured_at_every_rate(rate_hz: float, flank_time_s: float) -> None:
    # source: the simulated gearbox's truth; its motion shares no formula with the measurement
    measured_as_it_is(rate_hz, SimulatedDrive(flank_time_s=flank_time_s))


@pytest.mark.parametrize("rate_hz", [50.0, 80.0, 100.0])
def test_a_gear_that_is_eased_off_its_flanks_is_measured_with_few_samples_a_stay(rate_hz: float) -> None:
    # source: the simulated gearbox's truth; before, 47, 59 and 6 of 60 such rocks were refused
    measured_as_it_is(rate_hz, SimulatedDrive(slow_departure=0.3))


@pytest.mark.parametrize("rate_hz", [200.0, 250.0, 500.0, 1000.0])
def test_a_gear_that_is_leaned_on_is_refused_at_every_quick_rate(rate_hz: float) -> None:
    # source: the fault that the stand was asked for; read all the same, the lash is some 3 % too large
    instruments = SimulatedInstruments(indicator_rate_hz=rate_hz, encoder_rate_hz=10.0)
    stand = Stand(PLAIN_BOX, instruments, seed=1, fault=Fault.HEAVY)
    for engagement in (0, 5, 9):
        stand.ask(engagement)
        stand.advance(2.0)
        wire = stand.advance(1.3)
        shown_mm = values(wire.indicator_lines)
        reading = measure_rock(wire.indicator_times_s, shown_mm, resolution_mm=0.0001)
        assert reading.reading_mm > 1.01 * stand.truth.normal_backlash_mm[engagement]
        assert FlagName.UNSTEADY_FLANK in {flag.name for flag in reading.flags if flag.disabling}


@pytest.mark.parametrize("rate_hz", [40.0, 50.0])
def test_a_gear_that_is_leaned_on_is_refused_or_within_what_is_stated_at_slow_rates(rate_hz: float) -> None:
    # source: the simulated gearbox's truth; of these rocks at 50 Hz nearly half were outside their interval
    instruments = SimulatedInstruments(indicator_rate_hz=rate_hz, encoder_rate_hz=10.0)
    stand = Stand(PLAIN_BOX, instruments, seed=300, fault=Fault.HEAVY)
    for engagement in range(6):
        stand.ask(engagement)
        stand.advance(2.0)
        wire = stand.advance(1.3)
        shown_mm = values(wire.indicator_lines)
        reading = measure_rock(wire.indicator_times_s, shown_mm, resolution_mm=0.0001)
        quantile = float(stats.t.ppf(0.975, reading.degrees_of_freedom))
        error_mm = reading.reading_mm - stand.truth.normal_backlash_mm[engagement]
        assert not reading.usable or abs(error_mm) <= quantile * reading.standard_uncertainty_mm
