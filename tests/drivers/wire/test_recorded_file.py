"""Recordings: written here, played with a clock that the test turns."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.errors import PortNotOpened
from lashmap_drivers.readings import Chunk, Chunks
from lashmap_drivers.wire.recorded_file import Playback, RecordedFileProfile

CSV = "time_s,value_mm,count\n100.0,+1.5000,7\n100.5,-2.25,\n101.0,3e-1,9\n"


def profile(**keys: object) -> RecordedFileProfile:
    return RecordedFileProfile.model_validate({"kind": "recorded file", "value_column": "value_mm", **keys})


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "recording.csv"
    path.write_text(CSV, "utf-8")
    return path


def test_samples_come_back_at_their_own_times_at_full_speed(recording: Path) -> None:
    one = profile(speed="full")
    decoder = Decoder.for_indicator(one)
    with one.open("indicator", str(recording)) as source:
        batches = [decoder.feed(Chunks.of(chunk)) for chunk in source.take()]
        assert source.ended
        assert source.take() == []
        shift_s = source.shift_s
    assert [float(batch.value[0]) for batch in batches] == [1.5, -2.25, 0.3]
    assert [float(batch.time_s[0]) - shift_s for batch in batches] == pytest.approx([100.0, 100.5, 101.0])
    assert decoder.parser.good_frames == 3


def test_an_empty_cell_is_no_sample(recording: Path) -> None:
    one = profile(value_column="count", unit="count", speed="full")
    with one.open("encoder", str(recording)) as source:
        assert [chunk.data for chunk in source.take()] == [b"7\n", b"9\n"]


def test_recorded_speed_waits_as_the_instrument_did() -> None:
    clock = [1000.0]
    chunks = [Chunk(5.0 + at, b"%d\n" % at) for at in range(4)]
    playback = Playback("recording", chunks, speed="recorded", now=lambda: clock[0])
    assert [chunk.arrival_s for chunk in playback.take()] == [1000.0]
    assert playback.take() == []
    clock[0] = 1002.5
    assert playback.take() == [Chunk(1001.0, b"1\n"), Chunk(1002.0, b"2\n")]
    clock[0] = 1003.0
    assert playback.wait(0.0)
    assert playback.take() == [Chunk(1003.0, b"3\n")]
    assert playback.ended
    playback.close()


def test_two_recordings_share_one_time_zero() -> None:
    clock = [1000.0]

    def now() -> float:
        clock[0] += 0.3  # time passes between opening one and the other
        return clock[0]

    def chunks(first_s: float) -> Iterator[Chunk]:
        yield Chunk(first_s, b"1\n")

    with (
        Playback("a", chunks(50.0), speed="full", now=now) as first,
        Playback("b", chunks(49.0), speed="full", now=now) as second,
    ):
        assert first.take()[0].arrival_s - second.take()[0].arrival_s == pytest.approx(1.0)
    with Playback("c", chunks(50.0), speed="full", now=now) as third:
        assert third.take()[0].arrival_s == pytest.approx(clock[0])  # nothing is open: a new zero


def test_a_decimal_comma_semicolons_and_milliseconds(tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    path.write_text("t;v\n0,5;1,25\n1,5;2,5\n", "utf-8")
    one = profile(
        time_column="t", value_column="v", time_scale=0.001, separator=";", decimal=",", speed="full"
    )
    decoder = Decoder.for_indicator(one)
    with one.open("indicator", str(path)) as source:
        batches = [decoder.feed(Chunks.of(chunk)) for chunk in source.take()]
    assert [float(batch.value[0]) for batch in batches] == [1.25, 2.5]
    assert float(batches[1].time_s[0] - batches[0].time_s[0]) == pytest.approx(0.001, rel=1e-6)


def test_a_value_that_is_none_is_a_bad_frame(tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    path.write_text("time_s,value_mm\n0,1.5\n1,OL\n2,2.5\n", "utf-8")
    one = profile(speed="full")
    decoder = Decoder.for_indicator(one)
    with one.open("indicator", str(path)) as source:
        values = [float(value) for chunk in source.take() for value in decoder.feed(Chunks.of(chunk)).value]
    assert values == [1.5, 2.5]
    assert (decoder.parser.bad_frames, decoder.parser.last_bad) == (1, b"OL")


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("time_s,value\n0,1\n", "expected one column 'value_mm' in the first row, got time_s, value"),
        ("", "expected one column"),
        ("time_s,value_mm\n0,1\nx,2\n", "row 3: 'x' is no time"),
        ("time_s,value_mm\n1,1\n0.5,2\n", "row 3: '0.5' is no time, or runs backwards"),
        ("time_s,value_mm\n1,1\n2\n", "row 3 has 1 columns"),
        ("time_s,value_mm\n1_0,1\n", "row 2: '1_0' is no time"),
        ("time_s,value_mm\n\u0661,1\n", "is no time"),
        ('time_s,value_mm\n"0,5",1\n', "row 2: '0,5' is no time"),
        ('time_s,value_mm\n1,"1\n2"\n', "is more than one line"),
    ],
)
def test_a_file_that_is_no_recording_names_the_row(tmp_path: Path, text: str, complaint: str) -> None:
    path = tmp_path / "recording.csv"
    path.write_text(text, "utf-8")
    with pytest.raises(PortNotOpened, match=complaint):
        profile().open("indicator", str(path))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(PortNotOpened, match="cannot read the recording"):
        profile().open("indicator", str(tmp_path / "absent.csv"))
