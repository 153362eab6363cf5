"""The last minutes of one channel, cut by time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_drivers.errors import InstrumentError, InstrumentWaits
from lashmap_drivers.readings import Chunk, Floats, Samples
from lashmap_drivers.timing.angles import FASTEST_DEG_S, Jump

from lashmap_daemon.replay.replay import in_record_deg
from lashmap_daemon.replay.wire_errors import LoneSamples, WireTally
from lashmap_daemon.story.events import MatchedTeethSet
from lashmap_daemon.story.recorded import ENCODER, INDICATOR, Stand
from lashmap_daemon.testing.monitor import InstrumentMonitor

_FIRST = 1024  # samples that there is room for at first


class TraceBuffer:
    """Keeps the recent samples of one channel in memory.

    Args:
        keep_s: Older ones are let go; the logbook has them.
    """

    def __init__(self, keep_s: float) -> None:
        self._keep_s = keep_s
        self._rows: Floats = np.empty((3, _FIRST))  # time, value, uncertainty of the time
        self._end = 0

    def append(self, samples: Samples) -> None:
        """Add the next samples; their times come after all before."""
        count = len(samples)
        if not count:
            return
        if self._end + count > self._rows.shape[1]:
            self._make_room(count, float(samples.time_s[-1]) - self._keep_s)
        end = self._end + count
        self._rows[0, self._end : end] = samples.time_s
        self._rows[1, self._end : end] = samples.value
        self._rows[2, self._end : end] = samples.time_uncertainty_s
        self._end = end

    @property
    def latest(self) -> tuple[float, float] | None:
        """(time_s, value) of the newest sample; None before the first."""
        if not self._end:
            return None
        return float(self._rows[0, self._end - 1]), float(self._rows[1, self._end - 1])

    @property
    def time_uncertainty_s(self) -> float:
        """Standard uncertainty of the newest times, in seconds; nan before the first sample."""
        return float(self._rows[2, self._end - 1]) if self._end else math.nan

    def count(self, start_s: float) -> int:
        """Samples with start_s <= time."""
        return self._end - self._place(start_s, "left")

    def window(self, start_s: float, end_s: float = float("inf")) -> Samples:
        """Samples with start_s <= time <= end_s."""
        first, end = self._place(start_s, "left"), self._place(end_s, "right")
        return Samples(*self._rows[:, first : max(first, end)].copy())

    def _place(self, time_s: float, side: Literal["left", "right"]) -> int:
        return int(np.searchsorted(self._rows[0, : self._end], time_s, side=side))

    def _make_room(self, count: int, oldest_s: float) -> None:
        """Let go what is too old; where that leaves less than a quarter of the room free, take more of it."""
        kept = self._rows[:, self._place(oldest_s, "left") : self._end]
        size = self._rows.shape[1]
        while kept.shape[1] + count > size * 3 // 4:
            size *= 2
        rows = np.empty((3, size))
        rows[:, : kept.shape[1]] = kept
        self._rows, self._end = rows, kept.shape[1]


# Both instruments of a stand as decoded traces.


_KEEP_S = 120.0
_RATE_S = 2.0


class Channels:
    """Decodes what both ports bring and keeps the recent past.

    Args:
        stand: Names the ports and how their bytes are read.
        gear_set: For the ratio, when the encoder sits on the pinion shaft.
        keep_s: How far back `window` can reach.

    Attributes:
        monitors: What is heard of each instrument, and what is wrong with it.
        reference_is_assumed: Nobody said where the marked teeth are.
    """

    def __init__(self, stand: Stand, gear_set: GearSet, keep_s: float = _KEEP_S) -> None:
        lone = LoneSamples.of(gear_set, stand.encoder.shaft)
        self.monitors = {
            INDICATOR: InstrumentMonitor(stand, INDICATOR),
            ENCODER: InstrumentMonitor(stand, ENCODER, lone=lone),
        }
        self._buffers = {name: TraceBuffer(keep_s) for name in self.monitors}
        self._matched: MatchedTeethSet | None = None
        self.reference_is_assumed = False
        self._reference_deg = 0.0
        on_pinion = stand.encoder.shaft == "pinion"
        self._gear_per_encoder = gear_set.pinion_teeth / gear_set.gear_teeth if on_pinion else 1.0

    def feed(self, name: str, chunks: list[Chunk]) -> None:
        """Decode the next chunks of one instrument."""
        if not chunks:
            return
        monitor = self.monitors[name]
        samples = monitor.feed(*chunks)
        if name == ENCODER and self._matched is not None and len(samples):
            first_deg, range_deg = float(samples.value[0]), monitor.decoder.range_deg
            self._reference_deg = in_record_deg(self._matched, first_deg, range_deg)
            self._matched = None
        self._buffers[name].append(samples)

    def count_from(self, matched: MatchedTeethSet) -> None:
        """Give angles past the matched teeth from here on; to be said before the first bytes come."""
        self._matched, self._reference_deg = matched, matched.encoder_deg
        self.reference_is_assumed = matched.how == "assumed"

    def may_have_gone_round(self, now_s: float) -> bool:
        """No angle came for so long that the encoder's count may be a whole range further, unseen."""
        range_deg, heard_s = self.monitors[ENCODER].decoder.range_deg, self.monitors[ENCODER].heard_s
        if range_deg is None or heard_s is None:
            return False
        return 2.0 * FASTEST_DEG_S * (now_s - heard_s) >= range_deg

    def indicator(self, start_s: float, end_s: float = float("inf")) -> Samples:
        """Indicator trace between two times, in mm."""
        return self._buffers[INDICATOR].window(start_s, end_s)

    @property
    def latest_shaft_deg(self) -> float | None:
        """Newest angle of the encoder's own shaft past the matched teeth."""
        latest = self._buffers[ENCODER].latest
        return None if latest is None else latest[1] - self._reference_deg

    def encoder_deg(self, start_s: float, end_s: float = float("inf")) -> Samples:
        """Angle of the encoder's own shaft past the matched teeth, in degrees."""
        raw = self._buffers[ENCODER].window(start_s, end_s)
        return replace(raw, value=raw.value - self._reference_deg)

    def gear_deg(self, start_s: float, end_s: float = float("inf")) -> Samples:
        """Gear angle past the matched teeth between two times, in degrees, not wrapped."""
        shaft = self.encoder_deg(start_s, end_s)
        return replace(shaft, value=shaft.value * self._gear_per_encoder)

    @property
    def indicator_on_button(self) -> bool:
        """The indicator sends at a press of its button only."""
        return self.monitors[INDICATOR].on_button

    def slowest_rate_hz(self, now_s: float) -> float:
        """Samples a second of the slower instrument over the last moments; one on its button has no pace."""
        paced = (name for name, one in self.monitors.items() if not one.on_button)
        return min(self._buffers[name].count(now_s - _RATE_S) for name in paced) / _RATE_S

    def latest_s(self, name: str) -> float | None:
        """Time of the newest sample of one instrument."""
        latest = self._buffers[name].latest
        return None if latest is None else latest[0]

    @property
    def complete_until_s(self) -> float | None:
        """Time up to which every sample of both instruments has come; None before both spoke.

        A sample's time lies before its arrival, so what comes next can still be older than now.
        """
        times = [latest[0] for buffer in self._buffers.values() if (latest := buffer.latest) is not None]
        return min(times) if len(times) == len(self._buffers) else None

    @property
    def latest_indicator(self) -> tuple[float, float] | None:
        """(time_s, mm) of the newest indicator sample."""
        return self._buffers[INDICATOR].latest

    @property
    def latest_gear_deg(self) -> tuple[float, float] | None:
        """(time_s, degrees past the matched teeth) of the newest encoder sample."""
        latest = self._buffers[ENCODER].latest
        if latest is None:
            return None
        return latest[0], (latest[1] - self._reference_deg) * self._gear_per_encoder

    @property
    def latest_encoder_deg(self) -> float | None:
        """Newest angle of the encoder's own shaft from its own zero."""
        latest = self._buffers[ENCODER].latest
        return None if latest is None else latest[1]

    def bad_frames(self, name: str) -> int:
        """Lines of one instrument that did not fit its profile."""
        return self.monitors[name].parser.bad_frames

    def tally(self, name: str) -> WireTally:
        """What came of the bytes of one instrument so far."""
        lone = self.monitors[name].lone
        wrong = lone.left_out if lone is not None else 0
        return WireTally(good=self.monitors[name].parser.good_frames, bad=self.bad_frames(name), wrong=wrong)

    def damaged(self) -> list[str]:
        """Instruments with a notable share of lines that could not be read, and that share."""
        tallies = {name: self.tally(name) for name in self.monitors}
        return [f"{name} {one.share_text} of lines" for name, one in tallies.items() if one.is_notable]

    def wire_sentence(self, name: str, tally: WireTally, when: str) -> str:
        """What was wrong on one instrument's wire ``when``, and what to do; empty when nothing was."""
        checked = self.monitors[name].profile.is_checked
        return tally.sentence(name, self.port(name), when=when, checked=checked)

    def marks(self, name: str) -> Mapping[str, int]:
        """What one instrument said beside its numbers (`lashmap_drivers.parser`), and how often."""
        return self.monitors[name].parser.marks

    @property
    def jump(self) -> Jump | None:
        """The step by which the encoder went further than any shaft turns; None when it never did."""
        return self.monitors[ENCODER].decoder.jump

    @property
    def index_passes(self) -> int:
        """How often the encoder's index pulse came back to its place, when it did so in each turn."""
        return self.monitors[ENCODER].parser.index_passes

    def port(self, name: str) -> str:
        """Port of one instrument as the stand file names it."""
        return self.monitors[name].port

    def failure(self, name: str, now_s: float, since_s: float) -> InstrumentError | None:
        """What is wrong with an instrument whose port works (`InstrumentMonitor.problem`), or None.

        Args:
            name: Which instrument.
            now_s: The time now.
            since_s: When listening began; silence is counted from the later of this and the newest sample.
        """
        found = self.monitors[name].problem(now_s, since_s=since_s)
        return None if isinstance(found, InstrumentWaits) else found
