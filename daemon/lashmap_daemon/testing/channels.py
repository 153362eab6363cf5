"""The last minutes of one channel, cut by time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_drivers.errors import (
    InstrumentError,
    InstrumentGarbled,
    InstrumentSilent,
    InstrumentWithoutReading,
)
from lashmap_drivers.readings import Chunk, Chunks, Floats, Samples
from lashmap_drivers.timing.angles import FASTEST_DEG_S, Jump

from lashmap_daemon.replay.samples import in_record_deg
from lashmap_daemon.replay.wire_errors import LoneSamples, WireTally
from lashmap_daemon.story.events import MatchedTeethSet
from lashmap_daemon.story.recorded import ENCODER, INDICATOR, Stand

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


# Both instruments of a stand as decoded traces, and whether they are alive.


SILENT_S = 3.0  # twenty times the interval of the slowest instrument this is meant for
_KEEP_S = 120.0
_RATE_S = 2.0


class Channels:
    """Decodes what both ports bring and keeps the recent past.

    Args:
        stand: Names the ports and how their bytes are read.
        gear_set: For the ratio, when the encoder sits on the pinion shaft.
        keep_s: How far back `window` can reach.

    Attributes:
        reference_is_assumed: Nobody said where the marked teeth are.
    """

    def __init__(self, stand: Stand, gear_set: GearSet, keep_s: float = _KEEP_S) -> None:
        self._stand = stand
        self._decoders = stand.decoders()
        self._buffers = {name: TraceBuffer(keep_s) for name in self._decoders}
        self._heard_s: dict[str, float] = {}
        self._marks_before: dict[str, Mapping[str, int]] = {}  # the chunks with the newest sample, by channel
        self._matched: MatchedTeethSet | None = None
        self.reference_is_assumed = False
        self._reference_deg = 0.0
        on_pinion = stand.encoder.shaft == "pinion"
        self._gear_per_encoder = gear_set.pinion_teeth / gear_set.gear_teeth if on_pinion else 1.0
        self._lone = LoneSamples.of(gear_set, stand.encoder.shaft)

    def feed(self, name: str, chunks: list[Chunk]) -> None:
        """Decode the next chunks of one instrument."""
        if not chunks:
            return
        decoder = self._decoders[name]
        marks = dict(decoder.parser.marks)
        samples = decoder.feed(Chunks.of(*chunks))
        if len(samples):
            self._marks_before[name] = marks
        if name == ENCODER:
            samples = self._lone.feed(samples)
            if self._matched is not None and len(samples):
                first_deg = float(samples.value[0])
                self._reference_deg = in_record_deg(self._matched, first_deg, decoder.range_deg)
                self._matched = None
        self._buffers[name].append(samples)
        heard_s = [chunk.arrival_s for chunk in chunks if not chunk.is_break]
        if heard_s:
            self._heard_s[name] = heard_s[-1]

    def count_from(self, matched: MatchedTeethSet) -> None:
        """Give angles past the matched teeth from here on; to be said before the first bytes come."""
        self._matched, self._reference_deg = matched, matched.encoder_deg
        self.reference_is_assumed = matched.how == "assumed"

    def may_have_gone_round(self, now_s: float) -> bool:
        """No angle came for so long that the encoder's count may be a whole range further, unseen."""
        range_deg, heard_s = self._decoders[ENCODER].range_deg, self._heard_s.get(ENCODER)
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

    def slowest_rate_hz(self, now_s: float) -> float:
        """Samples a second of the slower instrument over the last moments."""
        return min(buffer.count(now_s - _RATE_S) for buffer in self._buffers.values()) / _RATE_S

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

    def time_uncertainty_s(self, name: str) -> float:
        """Standard uncertainty of the newest sample times of one instrument, in seconds; nan when unknown."""
        return self._buffers[name].time_uncertainty_s

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

    def good_frames(self, name: str) -> int:
        """Lines of one instrument that fitted its profile."""
        return self._decoders[name].parser.good_frames

    def bad_frames(self, name: str) -> int:
        """Lines of one instrument that did not fit its profile."""
        return self._decoders[name].parser.bad_frames

    def tally(self, name: str) -> WireTally:
        """What came of the bytes of one instrument so far."""
        wrong = self._lone.left_out if name == ENCODER else 0
        return WireTally(good=self.good_frames(name), bad=self.bad_frames(name), wrong=wrong)

    def damaged(self) -> list[str]:
        """Instruments with a notable share of lines that could not be read, and that share."""
        tallies = {name: self.tally(name) for name in self._decoders}
        return [f"{name} {one.share_text} of lines" for name, one in tallies.items() if one.is_notable]

    def wire_sentence(self, name: str, tally: WireTally, when: str) -> str:
        """What was wrong on one instrument's wire ``when``, and what to do; empty when nothing was."""
        profile = self._stand.profile(name)
        return tally.sentence(name, self.port(name), when=when, checked=profile.is_checked)

    def marks(self, name: str) -> Mapping[str, int]:
        """What one instrument said beside its numbers (`lashmap_drivers.parser`), and how often."""
        return self._decoders[name].parser.marks

    @property
    def jump(self) -> Jump | None:
        """The step by which the encoder went further than any shaft turns; None when it never did."""
        return self._decoders[ENCODER].jump

    @property
    def index_passes(self) -> int:
        """How often the encoder's index pulse came back to its place, when it did so in each turn."""
        return self._decoders[ENCODER].parser.index_passes

    def last_bad(self, name: str) -> bytes:
        """The newest of those, as received."""
        return self._decoders[name].parser.last_bad

    def port(self, name: str) -> str:
        """Port of one instrument as the stand file names it."""
        return self._stand.indicator.port if name == INDICATOR else self._stand.encoder.port

    def failure(self, name: str, now_s: float, since_s: float) -> InstrumentError | None:
        """What is wrong with an instrument that has given no sample for `SILENT_S`, or None.

        Args:
            name: Which instrument.
            now_s: The time now.
            since_s: When listening began; silence is counted from the later of this and the newest sample.
        """
        latest = self._buffers[name].latest
        silent_s = now_s - max(since_s, latest[0] if latest else since_s)
        if silent_s < SILENT_S:
            return None
        parser = self._decoders[name].parser
        profile = self._stand.profile(name)
        if parser.bytes_seen and parser.good_frames == 0:
            sample = parser.last_bad or parser.unfinished
            return InstrumentGarbled(name, self.port(name), parser.bytes_seen, sample, profile.expected)
        if now_s - self._heard_s.get(name, -math.inf) < SILENT_S:
            # What it said an hour ago explains nothing.
            before = self._marks_before.get(name, {})
            said = tuple(mark for mark, count in sorted(parser.marks.items()) if count > before.get(mark, 0))
            return InstrumentWithoutReading(name, self.port(name), silent_s, said, parser.last_bad)
        return InstrumentSilent(name, self.port(name), silent_s)
