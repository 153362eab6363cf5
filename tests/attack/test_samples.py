"""A little of each kind of attack; of dead brokers `daemon/bus/test_store_and_forward.py` has its own.

The campaign with all of it is ``make attack``.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from attack import kills, live_flips, logbook_damage, wire_traces
from attack.acknowledged import Kept, Shown, lacking
from attack.wire_damage import FAULTS, damage, reads
from attack.wire_frames import crc16, wires
from daemon.logbooks import two_tests
from lashmap_drivers.kinds import build
from lashmap_drivers.wire.checksums import Checksum


@pytest.fixture
def short() -> Iterator[Path]:
    """A folder with a name that is short enough for sockets."""
    with tempfile.TemporaryDirectory(prefix="lm-") as folder:
        yield Path(folder)


@pytest.mark.begins_first
@pytest.mark.parametrize("way", ["run", "serve"])
def test_a_program_that_is_killed_goes_on_and_ends_at_the_truth(short: Path, way: str) -> None:
    plan = kills.Plan(
        kills=2,
        shortest_s=5.0,
        longest_s=8.0,
        ways=(way,),
        side_by_side=1,
        positions=6,
        gear_turns=2,
        rate_hz=200.0,
    )
    figures = kills.attack(short, plan, seed=7)
    assert figures.violations == []
    assert figures.counts[f"kills of {way}"] == 2
    assert figures.counts["tests brought to their end"] >= 1
    assert figures.counts["positions, notes and prompts acknowledged, all looked up"] >= 6


def test_what_was_acknowledged_and_is_not_in_the_logbook_is_found(tmp_path: Path) -> None:
    kept = Kept.read(two_tests(tmp_path))
    assert kept is not None
    shown = Shown(begun=["t1", "t9"], notes=["note 0", "note 99"], accepted=[(1, "0.1440")], done=2)
    lost = sorted(lacking(shown, kept))
    assert lost == [
        "note 'note 99'",
        "position 1 accepted with 0.1440 mm",
        "status said 2 positions accepted, the logbook holds 0",
        "test t9 had begun",
    ]
    assert list(lacking(Shown(notes=["a"]), None)) == ["1 things were shown, and no test is in the logbook"]


def test_damaged_logbooks_are_refused_and_others_are_not(tmp_path: Path) -> None:
    figures = logbook_damage.attack(tmp_path, 12, seed=1, processes=1)
    assert figures.violations == []
    assert 0 < figures.counts["of them changed in content"] < 12


def test_faults_on_the_wire_break_nothing_and_pass_no_check() -> None:
    figures = wire_traces.attack(60, seed=1)
    assert figures.violations == []
    assert figures.counts["traces"] == 60
    assert figures.counts["wrong"] > 0  # plain lines cannot know
    assert figures.counts["rocks accepted"] > 18


def test_a_profile_that_leaves_out_its_check_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    checked = next(wire for wire in wires() if wire.name == "indicator line with CRC-16")
    unchecked = build({"kind": "ascii line", "pattern": r"(?P<value>[+-]\d+\.\d{4})\*[0-9A-F]{4}"})
    monkeypatch.setattr(wire_traces, "wires", lambda: (replace(checked, profile=unchecked),))
    figures = wire_traces.attack(6, seed=1)
    assert any("passed a check that finds such damage" in one for one in figures.violations)


@pytest.mark.begins_first
def test_a_test_over_a_bad_cable_ends_at_the_truth(short: Path) -> None:
    figures = live_flips.attack(short, 1, seed=1, positions=4, share=1e-4)
    assert figures.violations == []
    assert figures.counts["bits flipped"] > 5


def test_frames_are_those_that_the_profiles_describe() -> None:
    examples = {
        "encoder-binary": (12345, bytes.fromhex("A5393000E6E5")),
        "encoder-degrees": (359_985, b"359.985\r\n"),
        "encoder-line": (123456, b"+0000123456\r\n"),
        "indicator-bcd": (-12345, bytes.fromhex("FFFF8012345300")),
        "indicator-line-button": (-12345, b"-0012345\r"),
        "indicator-line-inch": (-125, b"-0.00125 in\r"),
        "indicator-line-mm": (1234, b"+000.1234\r\n"),
        "indicator-line-polled": (-123456, b"- 12,3456 mm K*6D\r\n"),
    }
    made = {wire.name: wire.frame for wire in wires()}
    for name, (steps, frame) in examples.items():
        assert made[name](steps) == frame
    text = b"123456789"
    assert crc16(text) == 0x4B37 == Checksum(method="crc", crc="CRC-16/MODBUS").compute()(text)


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_every_fault_changes_a_frame(fault: str) -> None:
    frame = bytearray(b"+000.1234\r\n")
    FAULTS[fault](frame, random.Random(1))  # noqa: S311 - must repeat
    assert frame != b"+000.1234\r\n"


def test_damage_repeats_by_its_seed_and_reads_take_every_byte() -> None:
    frames = [b"%04d\r\n" % at for at in range(500)]
    first, again = (damage(frames, random.Random(3), 0.05) for _ in range(2))  # noqa: S311
    assert first == again
    lengths = [len(frame) for frame in first.frames]
    for whole in (False, True):
        cut = list(reads(lengths, random.Random(5), whole=whole))  # noqa: S311
        assert [start for start, _ in cut] == [0, *(end for _, end in cut[:-1])]
        assert cut[-1][1] == sum(lengths)
