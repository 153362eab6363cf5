"""Bytes of a gear that is turned through its pinion, with an encoder on either shaft.

Both shafts are followed here by plain arithmetic, as two ports or as one board that latches both counts would
say it; the truth is known, so that what comes back can be compared with it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from daemon.virtual_time import CONFIGS, load_box, simulated_stand_file
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, PINION_ENCODER, Stand, load_stand
from lashmap_daemon.story import events
from lashmap_daemon.story.events import PassRecorded
from lashmap_daemon.story.recorded import Setup
from lashmap_drivers.readings import Chunk

Wiring = Literal["two ports", "one board", "one board, asked"]
TURN = 20_000  # counts, of either encoder
WRAPS_AT = 65_536
TEETH = (13, 40)  # of the shipped box
_HEAD = f"""[stand]
name = "Invented"
reconnect_seconds = 5.0
[indicator]
port = "/dev/a"
profile = "{CONFIGS / "instruments" / "indicator-line-mm.toml"}"
resolution_mm = 0.0001
"""
_TABLES = """[encoder.gear]
port = "/dev/b"
profile = "GEAR.toml"
counts_per_turn = 20000
GEARNUMBER
[encoder.pinion]
port = "PORT"
profile = "PINION.toml"
counts_per_turn = 20000
sense = -1
PINIONNUMBER
"""
_PROFILES = {
    "one": f"kind = \"counter board\"\npattern = '(?P<count>[+-]?\\d+)'\nwraps_at = {WRAPS_AT}\n",
    "pair": "kind = \"counter board\"\npattern = '(?P<count>[+-]?\\d+),(?P<second_count>[+-]?\\d+)'\n"
    f"wraps_at = {WRAPS_AT}\n",
}
_PROFILES["asked"] = (
    f'{_PROFILES["pair"]}sends = "when asked"\npolling = {{ request = "?", interval_s = 0.01 }}\n'
)


def two_encoder_stand(folder: Path, wiring: Wiring, *, wraps: bool = True) -> Stand:
    """A stand whose gear has the first count of the board, the pinion, turned around, the second."""
    for name, text in _PROFILES.items():
        kept = text if wraps else text.replace(f"wraps_at = {WRAPS_AT}\n", "")
        (folder / f"{name}.toml").write_text(kept, "utf-8")
    text = _TABLES.replace("PORT", "/dev/c" if wiring == "two ports" else "/dev/b")
    profile = {"two ports": "one", "one board": "pair", "one board, asked": "asked"}[wiring]
    text = text.replace("GEAR.toml", f"{profile}.toml").replace("PINION.toml", f"{profile}.toml")
    numbers = ("", "") if wiring == "two ports" else ("number = 1", "number = 2")
    text = text.replace("GEARNUMBER", numbers[0]).replace("PINIONNUMBER", numbers[1])
    (folder / "stand.toml").write_text(_HEAD + text, "utf-8")
    return load_stand(folder / "stand.toml")


def box_of_both() -> BoxFile:
    """The shipped box."""
    return load_box(positions=4, gear_turns=1.0)


A_PASS = PassRecorded(
    number=1,
    direction="forward",
    attempt=1,
    start_s=0.5,
    end_s=2.5,
    brake_nm=None,
    engagements=1,
    pinion_deg_per_s=30.0,
)


@dataclass(kw_only=True)
class TurnedBox:
    """The pinion of a box turned forward from rest at the matched teeth.

    Attributes:
        wiring: How both encoders are read.
        wraps: The counters begin again.
        gear_zero, pinion_zero: Counts at the matched teeth, without wrap.
        rate_hz: Frames a second.
        speed_deg_s: Of the pinion's shaft.
        damaged: Every so many-th frame arrives with a wrong byte; 0 for none.
        breaks_s: When the cable of the encoders is out for 20 ms.
    """

    wiring: Wiring
    wraps: bool = True
    gear_zero: int = 61_000
    pinion_zero: int = -4_000
    rate_hz: float = 250.0
    speed_deg_s: float = 300.0
    damaged: int = 0
    breaks_s: tuple[float, ...] = ()

    def pinion_deg(self, time_s: float) -> float:
        """The truth, past the matched teeth."""
        return self.speed_deg_s * max(0.0, time_s - 0.2)

    def gear_deg(self, time_s: float) -> float:
        """Likewise."""
        return self.pinion_deg(time_s) * TEETH[0] / TEETH[1]

    def counts(self, time_s: float) -> tuple[int, int]:
        """Of gear and pinion, whose encoder sees it turn the other way; as a board wraps them."""
        gear = self.gear_zero + round(self.gear_deg(time_s) / 360.0 * TURN)
        pinion = self.pinion_zero - round(self.pinion_deg(time_s) / 360.0 * TURN)
        return (gear % WRAPS_AT, pinion % WRAPS_AT) if self.wraps else (gear, pinion)

    def frames(self, end_s: float) -> Iterator[tuple[str, Chunk]]:
        """Chunks of all ports in the order of arrival, each with its channel."""
        late_s = np.random.default_rng(3).uniform(0.0, 0.6 / self.rate_hz, (3, round(end_s * self.rate_hz)))
        pinion_late_s = 0.004  # of its own stream
        chunks = [(channel, Chunk(0.0, b"\r\n")) for channel in self.channels]
        for at in range(1, late_s.shape[1]):
            time_s = at / self.rate_hz
            gear, pinion = self.counts(time_s)
            bad = self.damaged and at % self.damaged == 0
            here_s = [time_s + float(late) for late in late_s[:, at]]
            chunks.append((INDICATOR, Chunk(here_s[0], b"+0.%04d\r\n" % (at % 7))))
            if any(0.0 <= time_s - one < 0.02 for one in self.breaks_s):
                chunks += [(channel, Chunk(here_s[1], b"")) for channel in self.channels[1:]]
            elif self.wiring == "two ports":
                chunks.append((ENCODER, Chunk(here_s[1], b"%d%s\r\n" % (gear, b"?" if bad else b""))))
                line = b"%d\r\n" % pinion
                chunks.append((PINION_ENCODER, Chunk(here_s[2] + pinion_late_s, line)))
            else:
                line = b"%d%s%d\r\n" % (gear, b";" if bad else b",", pinion)
                within_s = 0.001 if self.wiring == "one board, asked" else float("nan")
                chunks.append((ENCODER, Chunk(here_s[1], line, within_s)))
        yield from sorted(chunks, key=lambda one: one[1].arrival_s)

    @property
    def channels(self) -> tuple[str, ...]:
        """Those with a port of their own."""
        return (INDICATOR, ENCODER, PINION_ENCODER) if self.wiring == "two ports" else (INDICATOR, ENCODER)


def played_again(folder: Path, box: TurnedBox, end_s: float) -> Path:
    """A stand file whose instruments play a logbook of this box, ``old.logbook`` beside it."""
    setup = Setup.of(box_of_both().recorded(), two_encoder_stand(folder, box.wiring).recorded())
    started = events.TestStarted(test="old-1", operator="", setup=setup, planned=(0,), version="0")
    closed = events.TestClosed(outcome="completed", reason="all done")
    with Logbook(folder / "old.logbook", create=True) as book:
        for time_s, event in ((0.0, started), (end_s, closed)):
            if event is closed:
                for name, chunk in box.frames(end_s):
                    book.keep("old-1", name, [chunk])
            stamped = events.Stamped(time_s=time_s, utc="2026-11-25T08:00:00Z", event=event)
            book.append("old-1", stamped)
    (folder / "replay.toml").write_text('kind = "logbook replay"\n', "utf-8")
    text = (folder / "stand.toml").read_text("utf-8")
    text = re.sub(r'profile = ".*"', 'profile = "replay.toml"', text)
    (folder / "again.toml").write_text(re.sub('"/dev/[abc]"', '"old.logbook"', text), "utf-8")
    return folder / "again.toml"


_BOARD = r"""kind = "counter board"
pattern = '(?P<count>[+-]\d{10}),(?P<second_count>[+-]\d{10})'
"""


def with_a_board(folder: Path, *args: Any, **keys: Any) -> Stand:  # noqa: ANN401 - of the function behind
    """The simulated stand with a board that latches its encoder and one on the pinion."""
    simulated_stand_file(folder, *args, **keys)
    (folder / "board.toml").write_text(_BOARD, "utf-8")
    head, rest = (folder / "stand.toml").read_text("utf-8").split("[encoder]\n")
    table, rest = rest.split("\n\n", 1)
    table = table.replace("encoder.toml", "board.toml").replace('shaft = "gear"\n', "")
    pinion = table.replace("absolute = true", "")
    tables = f"[encoder.gear]\n{table}\nnumber = 1\n[encoder.pinion]\n{pinion}\nnumber = 2\n"
    (folder / "stand.toml").write_text(f"{head}{tables}\n{rest}", "utf-8")
    return load_stand(folder / "stand.toml")
