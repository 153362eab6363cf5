"""What the faults of the simulated stand make of its bytes, and of nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from daemon.simulated_boxes import COARSE, ENCODER_LINE, INDICATOR_LINE, PLAIN_BOX, rocked, values
from lashmap_daemon.simulated_stand import Fault, SimulatedInstruments, Stand

if TYPE_CHECKING:
    from lashmap_daemon.simulated_stand import Wire

BOX = PLAIN_BOX


def faulty(fault: Fault, *, instruments: SimulatedInstruments = COARSE, seconds: float = 3.0) -> Wire:
    return rocked(Stand(BOX, instruments, seed=1, fault=fault), 5, seconds)


def test_garbage_holds_no_lines() -> None:
    wire = faulty(Fault.GARBAGE)
    assert len(wire.indicator_lines) == 600
    assert not INDICATOR_LINE.search(wire.indicator)
    assert all(ENCODER_LINE.fullmatch(line) for line in wire.encoder_lines)


def test_silent_indicator_says_nothing_and_the_encoder_goes_on() -> None:
    wire = faulty(Fault.SILENT)
    assert wire.indicator == b""
    assert len(wire.encoder_lines) == 300


def test_frozen_instruments_repeat_themselves() -> None:
    assert len(set(faulty(Fault.FROZEN_ENCODER).encoder_lines)) == 1
    assert len(set(faulty(Fault.FROZEN_INDICATOR).indicator_lines)) == 1


def test_gap_leaves_out_three_tenths() -> None:
    wire = faulty(Fault.GAP)
    gaps = [b - a for a, b in zip(wire.indicator_times_s, wire.indicator_times_s[1:], strict=False)]
    assert max(gaps) == pytest.approx(0.3, abs=0.011)
    assert len(wire.indicator_lines) == pytest.approx(420, abs=6)


def test_lost_indicator_is_said_after_five_seconds() -> None:
    stand = Stand(BOX, COARSE, seed=1, fault=Fault.LOST_INDICATOR)
    stand.advance(4.9)
    assert not stand.indicator_lost
    stand.advance(0.2)
    assert stand.indicator_lost


def test_fault_lasts_from_when_to_when_it_is_told() -> None:
    stand = Stand(BOX, COARSE, seed=1, fault=Fault.SILENT, fault_from_s=1.0, fault_until_s=2.0)
    assert [len(stand.advance(1.0).indicator_lines) for _ in range(3)] == pytest.approx([200, 0, 200], abs=1)


def test_one_flank_never_crosses_the_gap() -> None:
    shown = values(faulty(Fault.ONE_FLANK, seconds=2.0).indicator_lines)
    assert max(shown) - min(shown) < 0.003


def test_slip_moves_both_flanks_and_the_pinion_encoder_sees_it() -> None:
    fine = SimulatedInstruments(encoder_shaft="pinion")
    held = rocked(Stand(BOX, fine, seed=1), 5, 3.0)
    slipped = faulty(Fault.SLIP, instruments=fine)
    assert len(set(held.encoder_lines)) == 1
    assert len(set(slipped.encoder_lines)) > 3
    shown, wandering = values(held.indicator_lines), values(slipped.indicator_lines)
    assert max(wandering) - min(wandering) > max(shown) - min(shown) + 0.005


def test_heavy_hand_reads_too_much_peak_to_peak() -> None:
    light = values(rocked(Stand(BOX, seed=1), 5, 3.0).indicator_lines)
    heavy = values(faulty(Fault.HEAVY, instruments=SimulatedInstruments()).indicator_lines)
    assert (max(heavy) - min(heavy)) - (max(light) - min(light)) > 0.003
