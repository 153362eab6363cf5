"""A recording made elsewhere is judged like a test at the stand, and says where it comes from.

Reference: the same samples, recorded at the (simulated) stand and reviewed from its logbook.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pandas as pd
import pytest
from daemon.command import lashmap
from daemon.exported import recorded
from daemon.recordings import (
    BY_ENCODER,
    BY_LABEL,
    ENCODER,
    MATCHED_DEG,
    imported,
    mapping,
    rows,
    sweep_s,
    write_csv,
)
from daemon.virtual_time import CONFIGS
from lashmap_analysis.judge.assessment import Assessment
from lashmap_daemon.commands.exchange import import_recording
from lashmap_daemon.commands.options import ImportOptions
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.book import FILE_CHANNEL, MAPPING_CHANNEL
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.story import events
from rich.console import Console

Change: TypeAlias = Callable[[pd.DataFrame], pd.DataFrame]


@pytest.fixture(scope="module")
def at_the_stand() -> Assessment:
    book, test = recorded()
    with Logbook(book, create=False) as logbook:
        return conclude(logbook, test)


def test_rocks_found_by_label_read_as_at_the_stand_alike(tmp_path: Path, at_the_stand: Assessment) -> None:
    write_csv(tmp_path / "bench.csv")
    found, _ = imported(mapping(tmp_path, rest=ENCODER + BY_LABEL), tmp_path / "book")
    expected = {one.engagement: one for one in at_the_stand.positions}
    assert [one.engagement for one in found.positions] == list(expected)
    for one in found.positions:
        # The file has its times to a microsecond, and a window begins at a row instead of a moment.
        assert one.rock.reading_mm == pytest.approx(expected[one.engagement].rock.reading_mm, rel=1e-4)
        assert one.normal_backlash_mm == pytest.approx(expected[one.engagement].normal_backlash_mm, rel=1e-4)
        assert one.gear_angle_deg == pytest.approx(expected[one.engagement].gear_angle_deg, abs=1e-4)


def test_rocks_found_by_the_encoder_agree_within_their_uncertainty(
    tmp_path: Path, at_the_stand: Assessment
) -> None:
    write_csv(tmp_path / "bench.csv")
    found, _ = imported(mapping(tmp_path), tmp_path / "book")
    expected = {one.engagement: one for one in at_the_stand.positions}
    assert [one.engagement for one in found.positions] == list(expected)
    for one in found.positions:
        known = expected[one.engagement]
        assert one.normal_backlash_mm is not None
        assert known.normal_backlash_mm is not None
        assert abs(one.normal_backlash_mm - known.normal_backlash_mm) < 0.0003


@pytest.mark.parametrize(
    ("absolute", "rest", "state"),
    [
        ("true", BY_ENCODER, "proven"),
        ("false", BY_ENCODER, "unproven"),
        ("false\nmatched_deg = 37.25", BY_ENCODER, "proven"),
        ("false", BY_LABEL, "proven"),
    ],
)
def test_the_box_files_angle_is_believed_of_an_absolute_encoder_alone(
    tmp_path: Path, absolute: str, rest: str, state: str
) -> None:
    write_csv(tmp_path / "bench.csv")
    encoder = ENCODER.replace("absolute = true", f"absolute = {absolute}")
    found, _ = imported(mapping(tmp_path, rest=encoder + rest), tmp_path / "book")
    assert {one.name: one.state for one in found.record.preconditions}["matched teeth"] == state


def with_comma(values: pd.Series, digits: int) -> list[str]:
    return ["-" if pd.isna(cell) else f"{cell:.{digits}f}".replace(".", ",") for cell in values.tolist()]


def micrometres(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(
        t=with_comma(table["t"] * 1000, 6),
        dial=with_comma(table["dial"] * 1000, 1),
        angle=with_comma(table["angle"], 4),
    )


def test_other_units_a_decimal_comma_and_declared_gaps(tmp_path: Path, at_the_stand: Assessment) -> None:
    write_csv(tmp_path / "bench.csv", micrometres)
    text = 'decimal = ","\nmissing = ["", "-"]\nseparator = ","'
    path = mapping(tmp_path, unit="um", file=text, time='unit = "ms"')
    found, _ = imported(path, tmp_path / "book")
    expected = {one.engagement: one.normal_backlash_mm for one in at_the_stand.positions}
    for one in found.positions:
        assert one.normal_backlash_mm == pytest.approx(expected[one.engagement], abs=0.0003)


def test_a_parquet_recording_and_one_without_an_encoder(tmp_path: Path, at_the_stand: Assessment) -> None:
    rows().drop(columns="angle").to_parquet(tmp_path / "bench.parquet")
    found, test = imported(mapping(tmp_path, name="bench.parquet", rest=BY_LABEL), tmp_path / "book")
    expected = {one.engagement: one.normal_backlash_mm for one in at_the_stand.positions}
    for one in found.positions:
        assert one.normal_backlash_mm == pytest.approx(expected[one.engagement], rel=1e-4)
        assert one.encoder_backlash_mm is None
    assert not [one for one in found.record.preconditions if one.name == "calibration, encoder"]
    assert test.startswith("20260301-073000-")


def on_the_pinion(table: pd.DataFrame) -> pd.DataFrame:
    """The encoder on the locked pinion of the 13:40 set, its own zero at 5 degrees."""
    turning = (table["angle"] - MATCHED_DEG) * 40 / 13
    at_rest = table["tooth"] * 360.0 / 13
    return table.assign(angle=at_rest.where(table["tooth"].notna() & turning.notna(), turning) + 5.0)


def test_an_encoder_on_the_pinion_finds_the_same_rocks(tmp_path: Path, at_the_stand: Assessment) -> None:
    write_csv(tmp_path / "bench.csv", on_the_pinion)
    rest = ENCODER + 'shaft = "pinion"\nmatched_deg = 5.0\n' + BY_ENCODER
    found, _ = imported(mapping(tmp_path, rest=rest), tmp_path / "book")
    expected = {one.engagement: one.normal_backlash_mm for one in at_the_stand.positions}
    assert [one.engagement for one in found.positions] == list(expected)
    for one in found.positions:
        assert one.normal_backlash_mm == pytest.approx(expected[one.engagement], abs=0.0003)


def test_the_logbook_holds_the_file_and_every_word_says_imported(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv")
    path = mapping(tmp_path)
    found, test = imported(path, tmp_path / "book", reports=True)
    data = (tmp_path / "bench.csv").read_bytes()
    digest = hashlib.sha256(data).hexdigest()
    with Logbook(tmp_path / "book", create=False) as book:
        assert b"".join(chunk.data for chunk in book.raw(test, FILE_CHANNEL)) == data
        assert b"".join(chunk.data for chunk in book.raw(test, MAPPING_CHANNEL)) == path.read_bytes()
        stream = list(book.events(test))
    accepted = [one.event for one in stream if isinstance(one.event, events.RockAccepted)]
    by_number = {one.position: one for one in found.positions}
    # What the events say is what the review decodes from the raw samples.
    for one in accepted:
        assert one.reading_mm == by_number[one.number].rock.reading_mm
    assert stream[0].utc == "2026-03-01T07:30:00.000+00:00"
    words = f"mported from bench.csv, {len(data):,} bytes, SHA-256 {digest}"
    assert words in found.record.identity.remark
    assert words in found.record.notes[0][1]
    (origin,) = [one for one in found.record.preconditions if one.name == "recording"]
    assert words in origin.detail
    assert (origin.state, "vouched for by A. Nobody" in origin.detail) == ("proven", True)
    assert not [one for one in found.record.preconditions if one.name == "cautions"]
    report = (tmp_path / f"{test}.html").read_text("utf-8")
    assert f"SHA-256 {digest}" in report


def test_nobody_vouching_or_counting_bars_conforming(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv")
    rest = ENCODER + BY_LABEL.replace("= true", "= false")
    path = mapping(tmp_path, rest=rest)
    path.write_text(path.read_text("utf-8").replace('vouched_by = "A. Nobody"\n', ""), "utf-8")
    found, _ = imported(path, tmp_path / "book")
    states = {one.name: one.state for one in found.record.preconditions}
    assert (states["recording"], states["matched teeth"]) == ("unproven", "unproven")
    assert found.verdict.outcome == "not proven"


def test_the_same_recording_twice_is_refused_another_mapping_is_another_test(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv")
    _, first = imported(mapping(tmp_path), tmp_path / "book")
    with pytest.raises(ConfigurationError, match=f"already, as test {first}; open it with: lashmap review"):
        imported(mapping(tmp_path), tmp_path / "book")
    _, second = imported(mapping(tmp_path, rest=ENCODER + BY_LABEL), tmp_path / "book")
    assert second == f"{first}-2"


def test_the_shipped_example_runs_as_it_stands(tmp_path: Path) -> None:
    done = lashmap(
        "import",
        CONFIGS / "imports" / "bench-recording.toml",
        "--logbook",
        tmp_path / "book",
        "--output",
        tmp_path,
    )
    assert done.returncode == 0, done.stderr
    assert "4 rocks found, 4 usable" in done.stdout
    assert list(tmp_path.glob("20260302-083000-INV-1340-07.html"))
    assert lashmap("review", "--logbook", tmp_path / "book").returncode == 0


def gear_sweep(from_s: float, to_s: float, more: str = "") -> str:
    return f'[[sweep]]\nmember = "gear"\nfrom_s = {from_s}\nto_s = {to_s}\n{more}'


@pytest.mark.parametrize("way", [BY_LABEL, BY_ENCODER])
def test_a_runout_sweep_reads_as_at_the_stand(tmp_path: Path, at_the_stand: Assessment, way: str) -> None:
    write_csv(tmp_path / "bench.csv", lambda _: rows(swept=True))
    sweep = gear_sweep(*sweep_s(), "indicator_from_mesh_deg = 31.0\n")
    path = mapping(tmp_path, rest=ENCODER + way + sweep)
    found, test = imported(path, tmp_path / "book", reports=True)
    (known,), (own,) = at_the_stand.sweeps, found.sweeps
    assert own.sweep is not None
    assert known.sweep is not None
    # The file has its times to a microsecond.
    assert own.sweep.fim_mm == pytest.approx(known.sweep.fim_mm, rel=1e-3)
    assert own.sweep.once.amplitude_mm == pytest.approx(known.sweep.once.amplitude_mm, rel=1e-3)
    assert own.sweep.once.high_point_deg == pytest.approx(known.sweep.once.high_point_deg, abs=0.05)
    assert found.record.sweeps[0].indicator_from_mesh_deg == 31.0
    assert [one.engagement for one in found.positions] == [
        one.engagement for one in at_the_stand.positions
    ]  # turning is no rock
    with Logbook(tmp_path / "book", create=False) as book:
        told = [one.event for one in book.events(test) if isinstance(one.event, events.SweepRecorded)]
    assert [one.fim_mm for one in told] == [own.sweep.fim_mm]
    assert (tmp_path / f"{test}.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("rest", "says"),
    [
        (BY_LABEL + gear_sweep(1.0, 2.0), r"sweep: needs the table \[encoder\]"),
        (ENCODER + BY_LABEL + gear_sweep(2.0, 1.0), r"from_s 2 is not before to_s 1"),
        (ENCODER + BY_LABEL + gear_sweep(1, 2) + gear_sweep(3, 4), r"one sweep of each member"),
        (ENCODER + BY_LABEL + gear_sweep(0.0, 1000.0), r"the gear sweep ends .* but the rock .* overlap"),
        (
            ENCODER
            + "[positions]\ncounted_from_matched_teeth = true\n"
            + "".join(
                f"[[positions.rock]]\nengagement = {k}\nfrom_s = {k + 1.0}\nto_s = {k + 2.5}\n"
                for k in (0, 1)
            ),
            r"the rock at engagement 0 ends .* but the rock at engagement 1 begins .* do not overlap",
        ),
    ],
)
def test_sweeps_and_rocks_that_cannot_be_are_refused(tmp_path: Path, rest: str, says: str) -> None:
    write_csv(tmp_path / "bench.csv")
    with pytest.raises(ConfigurationError, match=says):
        imported(mapping(tmp_path, rest=rest), tmp_path / "book")
    assert not (tmp_path / "book").exists()


def test_a_sweep_that_reaches_beyond_the_rows_is_refused(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv", lambda _: rows(swept=True))
    first, last = sweep_s()
    rest = ENCODER + BY_LABEL + gear_sweep(first, last + 500.0)
    with pytest.raises(
        ConfigurationError,
        match=r"the gear sweep lasts, by its label, from .* but the rows end .* check its from_s",
    ):
        imported(mapping(tmp_path, rest=rest), tmp_path / "book")


def still_labelled(table: pd.DataFrame) -> pd.DataFrame:
    """The label of the last rock stays for four seconds after the indicator was taken away."""
    kept = table[table["t"] <= table["t"][table["tooth"].notna()].max()]
    later = kept[-1:].assign(dial=float("nan"), angle=kept["angle"].dropna().iloc[-1])
    together: pd.DataFrame = pd.concat(
        [kept, *(later.assign(t=later["t"] + after_s) for after_s in (1, 2, 3, 4))]
    )
    return together


def test_rows_end_where_they_end_though_the_indicator_ended_before(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv", still_labelled)
    found, _ = imported(mapping(tmp_path, rest=ENCODER + BY_LABEL), tmp_path / "book")
    assert len(found.positions) == 11


def test_a_sweep_that_takes_in_a_rock_which_the_encoder_finds_is_refused(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv", lambda _: rows(swept=True))
    first, last = sweep_s()
    rest = ENCODER + BY_ENCODER + gear_sweep(first - 6.0, last)
    with pytest.raises(
        ConfigurationError, match=r"the gear sweep ends .* but the rock at engagement \d+ .* overlap"
    ):
        imported(mapping(tmp_path, rest=rest), tmp_path / "book")
    assert not (tmp_path / "book").exists()


def test_a_sweep_that_is_no_turn_is_refused_and_the_rocks_stay(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv", lambda _: rows(swept=True))
    first, last = sweep_s()
    rest = ENCODER + BY_LABEL + gear_sweep(first, first + (last - first) / 8.0)
    path = mapping(tmp_path, rest=rest)
    screen = io.StringIO()
    options = ImportOptions(mapping=path, logbook=tmp_path / "book", output=None)
    test = import_recording(options, Console(file=screen, width=200), operator="tester")
    assert "refused  gear sweep: needed is " in screen.getvalue()
    assert "1 runout sweep, 0 usable" in screen.getvalue()
    with Logbook(tmp_path / "book", create=False) as book:
        assert conclude(book, test).sweeps == ()
        assert [one for one in book.events(test) if isinstance(one.event, events.SweepRefused)]


def test_an_import_that_was_killed_does_not_bar_the_next(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv")
    _, first = imported(mapping(tmp_path), tmp_path / "whole")
    with (
        Logbook(tmp_path / "whole", create=False) as whole,
        Logbook(tmp_path / "book", create=True) as book,
    ):
        for stamped in list(whole.events(first))[:5]:
            book.append(first, stamped)
    _, second = imported(mapping(tmp_path), tmp_path / "book")
    assert second == f"{first}-2"
