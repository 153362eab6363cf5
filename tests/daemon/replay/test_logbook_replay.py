"""An instrument of an earlier test played again: its samples must be those of the earlier test."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from daemon.two_encoders import TurnedBox, Wiring, played_again
from daemon.virtual_time import CONFIGS, DEMO_BOX, set_up
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import ENCODER, PINION_ENCODER, Stand, load_stand
from lashmap_daemon.story import events
from lashmap_drivers.errors import PortNotOpened
from lashmap_drivers.readings import Chunk, Chunks

CHUNKS = [
    Chunk(0.005 * read, b"".join(b"%+09.4f\r\n" % (0.001 * (5 * read + line)) for line in range(5)))
    for read in range(200)
]
REPLAY = 'kind = "logbook replay"\nspeed = "full"\n'
STAND = """[stand]
name = "Replayed"
[indicator]
port = "old.logbook"
profile = "replay.toml"
resolution_mm = 0.0001
[encoder]
port = "old.logbook"
profile = "replay.toml"
counts_per_turn = 360000
"""


@pytest.fixture
def old(tmp_path: Path) -> Stand:
    stand = load_stand(CONFIGS / "stands" / "bench.toml")
    started = events.TestStarted(
        test="old-test",
        operator="Ada",
        setup=set_up(toml_file.load(DEMO_BOX, BoxFile), stand),
        planned=(0,),
        version="0",
    )
    with Logbook(tmp_path / "old.logbook", create=True) as book:
        book.append("old-test", events.Stamped(time_s=0.0, utc="2026-01-01T00:00:00Z", event=started))
        book.keep("old-test", "indicator", CHUNKS)
    (tmp_path / "replay.toml").write_text(REPLAY, "utf-8")
    (tmp_path / "stand.toml").write_text(STAND, "utf-8")
    return stand


def test_the_same_samples_come_back(old: Stand, tmp_path: Path) -> None:
    replayed = load_stand(tmp_path / "stand.toml")
    before, after = old.recorded().decoders()["indicator"], replayed.recorded().decoders()["indicator"]
    assert replayed.indicator_profile is not None
    assert replayed.file.indicator is not None
    with replayed.indicator_profile.open("indicator", replayed.file.indicator.port) as source:
        chunks = source.take()
    assert [chunk.data for chunk in chunks] == [chunk.data for chunk in CHUNKS]
    shift_s = chunks[0].arrival_s - CHUNKS[0].arrival_s
    for was, now in zip(CHUNKS, chunks, strict=True):
        one, other = before.feed(Chunks.of(was)), after.feed(Chunks.of(now))
        assert np.array_equal(one.value, other.value)
        assert np.allclose(one.time_s + shift_s, other.time_s, rtol=0.0, atol=1e-6)
    assert replayed.indicator_profile.streams  # as it was recorded


def test_the_counts_are_read_as_they_were_recorded(old: Stand, tmp_path: Path) -> None:
    assert old.file.encoder is not None
    assert old.file.encoder.counts_per_turn == 360000
    (tmp_path / "stand.toml").write_text(STAND.replace("360000", "4096"), "utf-8")
    with pytest.raises(
        ConfigurationError, match=r"is 4096 here and 360000 in the test recorded in .*old\.logbook"
    ):
        load_stand(tmp_path / "stand.toml")


def test_the_record_of_a_replay_needs_the_old_logbook_no_more(old: Stand, tmp_path: Path) -> None:
    replayed = load_stand(tmp_path / "stand.toml")
    (tmp_path / "old.logbook").unlink()
    again = Stand.model_validate_json(replayed.model_dump_json())
    assert again == replayed
    assert again.recorded().decoders()["indicator"].feed(
        Chunks.of(CHUNKS[0])
    ).value.tolist() == pytest.approx(
        old.recorded().decoders()["indicator"].feed(Chunks.of(CHUNKS[0])).value.tolist()
    )


def test_what_the_logbook_lacks_is_named(old: Stand, tmp_path: Path) -> None:
    replayed = load_stand(tmp_path / "stand.toml")
    assert replayed.encoder_profile is not None
    assert old.encoder_profile is not None
    assert replayed.file.encoder is not None
    assert replayed.encoder_profile.quantity == old.encoder_profile.quantity
    with pytest.raises(PortNotOpened, match="test old-test holds no bytes of the encoder"):
        replayed.encoder_profile.open("encoder", replayed.file.encoder.port)
    (tmp_path / "replay.toml").write_text(REPLAY + 'test = "nobody"\n', "utf-8")
    with pytest.raises(PortNotOpened, match="no test nobody"):
        load_stand(tmp_path / "stand.toml")
    (tmp_path / "old.logbook").unlink()
    with pytest.raises(PortNotOpened, match="no such logbook"):
        load_stand(tmp_path / "stand.toml")


@pytest.mark.parametrize("wiring", ["two ports", "one board"])
def test_two_encoders_are_played_again(tmp_path: Path, wiring: Wiring) -> None:
    """Whichever count the gear's encoder had, the numbers of the new stand file choose."""
    box = TurnedBox(wiring=wiring)
    again = load_stand(played_again(tmp_path, box, 1.0))
    old, frames = load_stand(tmp_path / "stand.toml"), list(box.frames(1.0))
    (tmp_path / "old.logbook").unlink()
    for name in (ENCODER, PINION_ENCODER):
        before, after = old.recorded().decoder(name), again.recorded().decoder(name)
        wire = again.recorded().wire(name)
        chunks = Chunks.of(*(chunk for channel, chunk in frames if channel == wire))
        one, other = before.feed(chunks), after.feed(chunks)
        assert len(one) > 200
        assert (one.time_s.tobytes(), one.value.tobytes()) == (other.time_s.tobytes(), other.value.tobytes())
