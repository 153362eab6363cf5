"""An encoder whose text begins again each turn: at the stand, in a recording, and where nobody said so.

Reference: the same samples with an angle that goes on.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from daemon.recordings import BY_ENCODER, ENCODER, MATCHED_DEG, imported, mapping, rows
from daemon.virtual_time import TODAY, load_box, simulated_stand_file
from lashmap_analysis.judge.assessment import Assessment
from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.replay.preconditions import collect
from lashmap_daemon.setup.stand_file import ENCODER as ROLE
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events
from lashmap_daemon.testing.channels import Absences, Channels
from lashmap_drivers.errors import InstrumentWithoutReading
from lashmap_drivers.kinds import build
from lashmap_drivers.readings import Chunk, Floats

WRAPS = ENCODER + "wraps_at_deg = 360\n"


def read(folder: Path, table: pd.DataFrame, rest: str) -> Assessment:
    """A recording judged; samples without a value have an empty cell."""
    table.to_csv(folder / "bench.csv", index=False)
    return imported(mapping(folder, rest=rest), folder / "book")[0]


def state(found: Assessment) -> str:
    """Of the matched teeth."""
    return {one.name: one.state for one in found.record.preconditions}["matched teeth"]


def test_a_recording_whose_angle_begins_again_reads_as_one_whose_angle_goes_on(tmp_path: Path) -> None:
    table = rows(swept=True)
    assert table["angle"].max() > 5 * 360.0
    known = f"matched_deg = {MATCHED_DEG}\n"
    (tmp_path / "on").mkdir()
    expected = read(tmp_path / "on", table, ENCODER + known + BY_ENCODER)
    found = read(tmp_path, table.assign(angle=table["angle"] % 360.0), WRAPS + known + BY_ENCODER)
    assert [one.engagement for one in found.positions] == [one.engagement for one in expected.positions]
    for one, other in zip(found.positions, expected.positions, strict=True):
        assert one.normal_backlash_mm == pytest.approx(other.normal_backlash_mm, rel=1e-6)
        assert one.gear_angle_deg == pytest.approx(other.gear_angle_deg, abs=1e-6)
    assert (state(found), state(expected)) == ("proven", "proven")


def test_the_box_files_angle_does_not_say_in_which_turn(tmp_path: Path) -> None:
    table = rows(swept=True)
    found = read(tmp_path, table.assign(angle=table["angle"] % 360.0), WRAPS + BY_ENCODER)
    assert state(found) == "unproven"
    assert found.verdict.outcome == "not proven"


@pytest.mark.parametrize(
    ("gone", "wraps_at_deg", "says"),
    [
        (
            True,
            360.0,
            r"encoder: its turns cannot be followed beyond (9\.\d+|10\.000) s: there samples are missing",
        ),
        (False, 180.0, r"encoder: the angle goes further than wraps_at_deg = 180"),
        (False, None, r"If it starts again each turn, write encoder.wraps_at_deg = 360"),
    ],
)
def test_turns_that_cannot_be_followed_are_refused(
    tmp_path: Path,
    gone: bool,  # noqa: FBT001 - a table
    wraps_at_deg: float | None,
    says: str,
) -> None:
    table = rows()
    if gone:
        table = table[(table["t"] < 10.0) | (table["t"] > 10.5)]
    rest = ENCODER + ("" if wraps_at_deg is None else f"wraps_at_deg = {wraps_at_deg}\n") + BY_ENCODER
    with pytest.raises(ConfigurationError, match=says):
        read(tmp_path, table.assign(angle=table["angle"] % 360.0), rest)


@pytest.mark.parametrize("unit", ["deg", "count"])
def test_a_recording_whose_encoder_jumps_is_refused_beyond_that(tmp_path: Path, unit: str) -> None:
    table = rows()
    jumped = table["angle"] + 90.0 * (table["t"] >= 20.0)  # ten teeth in 10 ms are 25 turns a second
    encoder = ENCODER + f"matched_deg = {MATCHED_DEG}\n"
    if unit == "count":
        jumped, encoder = (jumped * 400.0).round(), encoder.replace('"deg"', '"count"')
    says = (
        r"encoder: it jumped by \+(89|90)\.\d° within \d+ ms after (19\.9\d+|20\.000) s, and no shaft turns"
    )
    with pytest.raises(ConfigurationError, match=says):
        read(tmp_path, table.assign(angle=jumped), encoder + BY_ENCODER)


def text_encoder(folder: Path, wraps_at_deg: float | None) -> Channels:
    """A stand whose encoder sends its angle as text; its marks were together at 12 degrees."""
    stand = simulated_stand_file(folder, SimulatedInstruments())
    told = {"kind": "ascii line", "unit": "deg", "pattern": r"(?P<value>\d+\.\d{3})"}
    profile = build({**told, "wraps_at_deg": wraps_at_deg})
    sending = stand.model_copy(update={"encoder_profile": profile}).recorded()
    channels = Channels(sending, load_box().gear_set.gear_set())
    channels.count_from(events.MatchedTeethSet(encoder_deg=12.0, how="set at the stand", seen_deg=12.0))
    return channels


def told(channels: Channels, angles_deg: Floats) -> None:
    for at, angle_deg in enumerate(angles_deg.tolist()):
        channels.feed(ROLE, [Chunk(0.01 * at, b"%07.3f\r\n" % (angle_deg % 360.0))])


def test_a_stand_follows_such_an_angle_over_the_turns(tmp_path: Path) -> None:
    channels = text_encoder(tmp_path, 360.0)
    told(channels, np.linspace(12.0, 12.0 + 3 * 360.0 + 90.0, 1000))
    latest = channels.latest_gear_deg
    assert latest is not None
    assert latest[1] / 9.0 == pytest.approx(130.0, abs=1e-3)


def test_a_stand_that_is_not_told_gives_no_angle_after_the_first_turn(tmp_path: Path) -> None:
    channels = text_encoder(tmp_path, None)
    told(channels, np.linspace(12.0, 12.0 + 3 * 360.0 + 90.0, 1000))
    latest = channels.latest_gear_deg
    assert latest is not None
    assert latest[1] / 9.0 == pytest.approx(38.6, abs=0.2)  # where the text went from 359 to 0
    failure = channels.failure(ROLE, 10.0, 0.0)
    assert isinstance(failure, InstrumentWithoutReading)
    assert "write wraps_at_deg = 360 in its profile" in str(failure)
    absences = Absences(channels, patience_s=120.0, near_deg=2.0, go_on="lashmap run S B --resume")
    # Going on with another profile is refused, since what was recorded would be read another way.
    with pytest.raises(StandError, match="its angle jumped further than anybody turns") as caught:
        list(absences.update(10.0, {}))
    said = str(caught.value)
    assert "write wraps_at_deg = 360 in its profile and begin a new test. Otherwise bring the marked" in said
    assert said.endswith("go on with: lashmap run S B --resume")


def test_a_box_files_angle_proves_nothing_on_such_an_encoder(tmp_path: Path) -> None:
    stand = simulated_stand_file(tmp_path, SimulatedInstruments())
    for wraps_at_deg, expected in ((None, "proven"), (360.0, "unproven")):
        profile = build(
            {"kind": "ascii line", "unit": "deg", "pattern": r"(?P<value>\d+)", "wraps_at_deg": wraps_at_deg}
        )
        told = stand.model_copy(update={"encoder_profile": profile})
        found = collect(
            load_box().recorded(), told.recorded(), matched="box file", today=TODAY, locked_out=True
        )
        assert {one.name: one.state for one in found}["matched teeth"] == expected
