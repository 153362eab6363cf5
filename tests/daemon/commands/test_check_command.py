"""The bench tool as a user types it, against simulated stands and recordings."""

from __future__ import annotations

import io
import re
import signal
import tomllib
from pathlib import Path

import pytest
from daemon.command import lashmap, least, simulated_stand
from daemon.two_encoders import TurnedBox, played_again
from daemon.virtual_time import CONFIGS
from drivers.pty_pair import pty_pair
from lashmap_daemon.commands.check import check
from lashmap_daemon.commands.options import CheckOptions
from lashmap_daemon.testing.monitor import StandPorts
from lashmap_drivers.kinds import build
from lashmap_drivers.wire.recorded_file import Playback
from rich.console import Console

STAND = """[stand]
name = "Recordings"
[indicator]
port = "rock.csv"
profile = "indicator.toml"
resolution_mm = 0.0001
[encoder]
port = "rock.csv"
profile = "encoder.toml"
counts_per_turn = 360
"""
PROFILE = 'kind = "recorded file"\nvalue_column = "{column}"\nunit = "{unit}"\nspeed = "{speed}"\n'


@pytest.fixture
def recordings(tmp_path: Path) -> Path:
    rows = "".join(f"{0.01 * row:.2f},{0.125 + 0.0001 * (row % 3):.4f},{row // 10}\n" for row in range(400))
    (tmp_path / "rock.csv").write_text("time_s,tip_mm,count\n" + rows, "utf-8")
    for name, column, unit in (("indicator", "tip_mm", "mm"), ("encoder", "count", "count")):
        text = PROFILE.format(column=column, unit=unit, speed="recorded")
        (tmp_path / f"{name}.toml").write_text(text, "utf-8")
    path = tmp_path / "stand.toml"
    path.write_text(STAND, "utf-8")
    return path


def test_raw_bytes_stand_beside_what_they_read_as(tmp_path: Path) -> None:
    with simulated_stand(tmp_path / "stand") as stand:
        done = lashmap("check", stand, "--seconds", "3")
    assert done.returncode == 0, done.stderr
    pairs = re.findall(r"b'.*([+-]\d{3}\.\d{4})\\r\\n.*' reads (\S+)\smm", done.stdout)
    assert len(pairs) == 3
    for raw, read in pairs:
        assert float(raw) == float(read.replace("\N{MINUS SIGN}", "-"))
    assert len(re.findall(r"jitter \d+\.\d\d ms, times to \d+\.\d\d ms", done.stdout)) == 2
    assert len(re.findall(r"bad frames 0, marks –", done.stdout)) == 2


def test_recordings_are_an_instrument_like_any_other(recordings: Path) -> None:
    def off() -> float:
        done = lashmap("check", recordings, "--seconds", "3")
        assert done.returncode == 0, done.stderr
        assert "reads +0.125" in done.stdout
        assert re.search(r"reads \d+\.0000°", done.stdout)
        rates = [float(rate) for rate in re.findall(r"samples/s (\d+\.\d)", done.stdout)]
        assert len(rates) == 2
        return max(abs(rate / 100.0 - 1.0) for rate in rates)  # a row each 10 ms

    assert least(off, below=0.15) < 0.15


def test_a_missing_recording_is_named(recordings: Path) -> None:
    (recordings.parent / "rock.csv").unlink()
    done = lashmap("check", recordings)
    assert done.returncode == 3
    assert f"indicator on {recordings.parent / 'rock.csv'}: cannot read the recording" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_instrument_that_only_says_overload_is_no_reading(recordings: Path) -> None:
    profile = 'kind = "recorded file"\nvalue_column = "tip_mm"\n'
    (recordings.parent / "indicator.toml").write_text(profile, "utf-8")
    text = (recordings.parent / "rock.csv").read_text("utf-8")
    (recordings.parent / "rock.csv").write_text(re.sub(r",0\.\d+,", ",OL,", text), "utf-8")
    done = lashmap("check", recordings, "--seconds", "5")
    assert done.returncode == 3
    assert "no line that fits the profile; the last bad frame was b'OL'" in done.stderr


def test_a_wrong_port_names_the_ports_that_there_are(tmp_path: Path) -> None:
    text = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")
    text = text.replace("../instruments", str(CONFIGS / "instruments"))
    stand = tmp_path / "stand.toml"
    stand.write_text(text.replace("/dev/ttyUSB", "/dev/no-such-"), "utf-8")
    done = lashmap("check", stand)
    assert done.returncode == 3
    assert "serial ports of this machine: " in done.stderr


def test_profiles_are_proposed_from_traffic(tmp_path: Path) -> None:
    with simulated_stand(tmp_path / "stand") as stand:
        done = lashmap("check", stand, "--profile-from-capture", "--seconds", "2")
    assert done.returncode == 0, done.stderr
    first, second = re.split(r"(?m)^# encoder on ", done.stdout)
    assert 'unit = "?"' in first  # no unit is on the wire: mm and inches cannot be told apart
    indicator = build(tomllib.loads(first.replace('"?"', '"mm"')))
    encoder = build(tomllib.loads("# " + second))
    assert (indicator.kind, indicator.quantity) == ("ascii line", "length")
    assert (encoder.kind, encoder.quantity) == ("counter board", "angle")
    assert indicator.make_parser().feed(b"\r\n+000.1234\r\n") == [0.1234]
    assert encoder.make_parser().feed(b"\r\n-0000012345\r\n") == [-12345.0]
    assert done.stdout.count("a guess") >= 1  # no unit is on the wire
    assert "at 95 %" in done.stdout


def test_a_board_with_two_counts_is_proposed_with_both(tmp_path: Path) -> None:
    with simulated_stand(tmp_path / "stand", "--encoders", "latched") as stand:
        done = lashmap("check", stand, "--profile-from-capture", "--seconds", "2")
    assert done.returncode == 0, done.stderr
    proposed = done.stdout[done.stdout.index("# encoder on ") :]
    board = build(tomllib.loads(proposed))
    second = board.second()
    assert second is not None
    line = b"\r\n+0012345,-0000042\r\n"
    assert [one.make_parser().feed(line) for one in (board, second)] == [[12345.0], [-42.0]]


def test_traffic_that_is_no_text_is_refused_with_its_cause(tmp_path: Path) -> None:
    with simulated_stand(tmp_path / "stand", "--fault", "garbage") as stand:
        done = lashmap("check", stand, "--profile-from-capture", "--seconds", "2")
    assert done.returncode == 3
    assert re.search(
        r"indicator on .*: (only \d+ % of the bytes are text|no layout|the lines hold)", done.stderr
    )
    assert "# encoder on" in done.stdout  # the other one is proposed all the same


@pytest.mark.parametrize(
    ("file", "old", "new", "complaint"),
    [
        ("indicator.toml", '"recorded file"', '"abacus"', "kind: expected one of ascii line, bcd frame"),
        ("indicator.toml", "value_column", "value_colum", "did you mean value_column?"),
        ("indicator.toml", 'unit = "mm"', 'unit = "count"', "an indicator measures a length"),
        ("encoder.toml", 'unit = "count"', 'unit = "mm"', "an encoder measures an angle"),
    ],
)
def test_wrong_profiles_end_with_status_2(
    recordings: Path, file: str, old: str, new: str, complaint: str
) -> None:
    path = recordings.parent / file
    path.write_text(path.read_text("utf-8").replace(old, new), "utf-8")
    done = lashmap("check", recordings)
    assert done.returncode == 2
    assert complaint in done.stderr
    assert file in done.stderr


def test_stand_and_counter_board_must_agree_on_the_counts(recordings: Path) -> None:
    board = "kind = \"counter board\"\npattern = '(?P<count>\\d+)'\ncounts_per_turn = 400\n"
    (recordings.parent / "encoder.toml").write_text(board, "utf-8")
    done = lashmap("check", recordings)
    assert done.returncode == 2
    assert "encoder.counts_per_turn: is 360 here and 400 in encoder.toml" in done.stderr


@pytest.mark.parametrize("seconds", ["1", "4"])  # less and more than the time an instrument may be silent
def test_a_button_may_be_pressed_until_the_end(recordings: Path, seconds: str) -> None:
    profile = 'kind = "ascii line"\nsends = "on its button"\n' + "pattern = '(?P<value>[+-]\\d+)'\n"
    (recordings.parent / "indicator.toml").write_text(profile, "utf-8")
    with pty_pair() as (near, _):
        text = recordings.read_text("utf-8").replace('port = "rock.csv"', f'port = "{near}"', 1)
        recordings.write_text(text, "utf-8")
        done = lashmap("check", recordings, "--seconds", seconds)
    assert done.returncode == 3
    assert (
        f"indicator on {near}: it sends when its button is pressed, and nothing came in {seconds} s. Press"
        in done.stderr
    )


TWO = """[encoder.gear]
port = "rock.csv"
profile = "encoder.toml"
counts_per_turn = 360
[encoder.pinion]
port = "rock.csv"
profile = "encoder.toml"
counts_per_turn = 360
"""


def test_a_second_encoder_is_shown_as_well(recordings: Path) -> None:
    recordings.write_text(STAND.partition("[encoder]")[0] + TWO, "utf-8")
    done = lashmap("check", recordings, "--seconds", "2")
    assert done.returncode == 0, done.stderr
    rows = re.findall(r"instrument ([a-z ]+), port .*rock\.csv, reading \S+", done.stdout)
    assert rows == ["indicator", "encoder", "pinion encoder"]
    assert "Counts of both encoders: not latched, each comes at its own port." in done.stdout


def test_counts_of_one_frame_are_said_to_be_latched(tmp_path: Path) -> None:
    done = lashmap("check", played_again(tmp_path, TurnedBox(wiring="one board"), 1.0), "--seconds", "1")
    assert done.returncode == 0, done.stderr
    pairs = re.findall(r"b'(\d+),(\d+)\\r\\n' reads (\S+)°", done.stdout)
    assert len(pairs) == 6  # the same frames for either encoder, each with its own count
    assert [one[:2] for one in pairs[:3]] == [one[:2] for one in pairs[3:]]
    assert pairs[0][2] != pairs[3][2]
    assert "Counts of both encoders: latched, one frame carries them" in done.stdout


class _Dropping:
    """What a finaliser raises, Python drops: an interrupt that comes in one is lost unless it is noted."""

    def __del__(self) -> None:
        signal.raise_signal(signal.SIGINT)


@pytest.mark.parametrize("proposing", [False, True])
@pytest.mark.parametrize("moment", ["open_both", "take", "close"])
def test_ctrl_c_is_never_lost(
    moment: str, recordings: Path, monkeypatch: pytest.MonkeyPatch, *, proposing: bool
) -> None:
    hurt = Playback if moment == "take" else StandPorts
    whole = getattr(hurt, moment)

    def interrupted(*given: object) -> object:
        _Dropping()
        return whole(*given)

    monkeypatch.setattr(hurt, moment, interrupted)
    options = CheckOptions(stand=recordings, seconds=1.0, profile_from_capture=proposing)
    with pytest.raises(KeyboardInterrupt):
        check(options, Console(file=io.StringIO()))


def test_a_third_ctrl_c_ends_what_hangs(recordings: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def hangs(_: object) -> None:
        while True:
            signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(StandPorts, "open_both", hangs)
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt):
        check(CheckOptions(stand=recordings), Console(file=io.StringIO()))
    assert signal.getsignal(signal.SIGINT) is before
