"""The instruments of a stand during a test: their decoded traces, and what is done while one is away.

Mostly each has a port of its own. Where one board sends the counts of two encoders, its bytes come under the
name of the first, and the second decodes them as well.

Away is an instrument whose port stopped working, and just as well one whose port is open but gives no reading
any more: silent, or sending rubbish. It is back when it gives samples again. An encoder is believed only when
it shows the angle it showed before: one that begins its count anew, or whose shaft was turned meanwhile, no
longer knows the matched teeth, and the two cannot be told apart. Ports find their cables again by themselves;
nothing of that is done here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_drivers.errors import FOR_GOOD, JUMPED, InstrumentError, InstrumentWaits
from lashmap_drivers.errors import InstrumentLost as Lost
from lashmap_drivers.readings import Chunk, Floats, Samples
from lashmap_drivers.timing.angles import FASTEST_DEG_S

from lashmap_daemon.errors import StandError
from lashmap_daemon.replay.replay import as_arc, in_record_deg
from lashmap_daemon.replay.wire_errors import LoneSamples, WireTally
from lashmap_daemon.story import events
from lashmap_daemon.story.events import MatchedTeethSet
from lashmap_daemon.story.recorded import ENCODER, ENCODERS, INDICATOR, PINION_ENCODER, Stand
from lashmap_daemon.story.wording import mark_sentence
from lashmap_daemon.testing.monitor import InstrumentMonitor

_FIRST = 1024  # samples that there is room for at first


class TraceBuffer:
    """Keeps the recent samples of one channel in memory.

    Samples older than ``keep_s`` are let go; the logbook has them.
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


_KEEP_S = 120.0
_RATE_S = 2.0
_OF_A_ROCK = (INDICATOR, ENCODER)


class Channels:
    """Decodes what the ports bring and keeps the recent past.

    Attributes:
        monitors: By name: what each instrument sends, and what is wrong with it.
        reference_is_assumed: Nobody said where the marked teeth are.
    """

    def __init__(self, stand: Stand, gear_set: GearSet, keep_s: float = _KEEP_S) -> None:
        self._stand = stand
        self.monitors: dict[str, InstrumentMonitor] = {}
        for name in stand.channels:
            lone = LoneSamples.of(gear_set, stand.shaft(name)) if name in ENCODERS else None
            self.monitors[name] = InstrumentMonitor(stand, name, lone=lone)
        # Without an indicator the gear's angle is the reading, as an arc of this set's pitch circle.
        self._arc_of = gear_set if stand.indicator is None else None
        # The trace of an instrument that is not there stays empty.
        self._buffers = {name: TraceBuffer(keep_s) for name in dict.fromkeys((*_OF_A_ROCK, *stand.channels))}
        self._matched: dict[str, tuple[float | None, float | None]] = {}  # encoders that gave no angle yet
        self.reference_is_assumed = False
        self._reference_deg = dict.fromkeys(ENCODERS, 0.0)
        on_pinion = stand.shaft(ENCODER) == "pinion"
        self._gear_per_pinion = gear_set.pinion_teeth / gear_set.gear_teeth
        self._gear_per_encoder = self._gear_per_pinion if on_pinion else 1.0

    def feed(self, name: str, chunks: list[Chunk]) -> None:
        """Decode the next chunks that came at the port of one instrument."""
        if not chunks:
            return
        self._feed(name, chunks)
        if name == ENCODER and self._stand.is_latched:
            self._feed(PINION_ENCODER, chunks)

    def _feed(self, name: str, chunks: list[Chunk]) -> None:
        monitor = self.monitors[name]
        samples = monitor.feed(*chunks)
        if name in self._matched and len(samples):
            set_deg, seen_deg = self._matched.pop(name)
            first_deg, range_deg = float(samples.value[0]), monitor.decoder.range_deg
            self._reference_deg[name] = in_record_deg(set_deg or 0.0, seen_deg, first_deg, range_deg)
        self._buffers[name].append(samples)

    def count_from(self, matched: MatchedTeethSet) -> None:
        """Give angles past the matched teeth from here on; to be said before the first bytes come."""
        self._matched = {name: matched.of(name) for name in ENCODERS if name in self.monitors}
        self._reference_deg.update((name, set_deg or 0.0) for name, (set_deg, _) in self._matched.items())
        self.reference_is_assumed = matched.how == "assumed"

    def may_have_gone_round(self, now_s: float, name: str = ENCODER) -> bool:
        """No angle came for so long that an encoder's count may be a whole range further, unseen."""
        if name not in self.monitors:
            return False
        range_deg, newest_s = self.monitors[name].decoder.range_deg, self.monitors[name].bytes_s
        if range_deg is None or newest_s is None:
            return False
        return 2.0 * FASTEST_DEG_S * (now_s - newest_s) >= range_deg

    def indicator(self, start_s: float, end_s: float = float("inf")) -> Samples:
        """Indicator trace between two times, in mm; the arc that the gear turned where there is none."""
        if self._arc_of is not None:
            return as_arc(self.gear_deg(start_s, end_s), self._arc_of)
        return self._buffers[INDICATOR].window(start_s, end_s)

    @property
    def latest_shaft_deg(self) -> float | None:
        """Newest angle of the encoder's own shaft past the matched teeth."""
        latest = self._buffers[ENCODER].latest
        return None if latest is None else latest[1] - self._reference_deg[ENCODER]

    def encoder_deg(self, start_s: float, end_s: float = float("inf")) -> Samples:
        """Angle of the encoder's own shaft past the matched teeth, in degrees."""
        return self._past_marks(ENCODER, start_s, end_s)

    def gear_deg(self, start_s: float, end_s: float = float("inf")) -> Samples:
        """Gear angle past the matched teeth between two times, in degrees, not wrapped."""
        shaft = self.encoder_deg(start_s, end_s)
        return replace(shaft, value=shaft.value * self._gear_per_encoder)

    @property
    def is_latched(self) -> bool:
        """One frame carries the counts of both encoders."""
        return self._stand.is_latched

    def pinion_deg(self, start_s: float, end_s: float = float("inf")) -> Samples:
        """Angle of the pinion's shaft past the matched teeth by its own encoder, in degrees, not wrapped.

        Empty without that encoder. Where one board sends both counts, each time is one of `gear_deg` as well,
        to the last bit, unless one of both angles was not known then.
        """
        if PINION_ENCODER not in self.monitors:
            return Samples.joined([])
        return self._past_marks(PINION_ENCODER, start_s, end_s)

    def _past_marks(self, name: str, start_s: float, end_s: float) -> Samples:
        raw = self._buffers[name].window(start_s, end_s)
        return replace(raw, value=raw.value - self._reference_deg[name])

    @property
    def indicator_on_button(self) -> bool:
        """The indicator sends at a press of its button only."""
        return INDICATOR in self.monitors and self.monitors[INDICATOR].on_button

    def slowest_rate_hz(self, now_s: float) -> float:
        """Samples a second of the slower instrument of a rock over the last moments.

        One on its button has no pace, and a second encoder no part in a rock.
        """
        paced = (name for name in _OF_A_ROCK if name in self.monitors and not self.monitors[name].on_button)
        return min(self._buffers[name].count(now_s - _RATE_S) for name in paced) / _RATE_S

    def latest_s(self, name: str) -> float | None:
        """Time of the newest sample of one instrument."""
        latest = self._buffers[name].latest
        return None if latest is None else latest[0]

    @property
    def complete_until_s(self) -> float | None:
        """Time up to which every sample of all instruments has come; None before all spoke.

        A sample's time lies before its arrival, so what comes next can still be older than now.
        """
        times = [latest[0] for buffer in self._buffers.values() if (latest := buffer.latest) is not None]
        return min(times) if len(times) == len(self.monitors) else None

    @property
    def latest_indicator(self) -> tuple[float, float] | None:
        """(time_s, mm) of the newest indicator sample, or of the arc in its place."""
        gear = self.latest_gear_deg
        if self._arc_of is not None and gear is not None:
            return gear[0], math.radians(gear[1]) * self._arc_of.outer_gear_pitch_radius_mm
        return self._buffers[INDICATOR].latest

    @property
    def latest_gear_deg(self) -> tuple[float, float] | None:
        """(time_s, degrees past the matched teeth) of the newest encoder sample."""
        latest = self._buffers[ENCODER].latest
        if latest is None:
            return None
        return latest[0], (latest[1] - self._reference_deg[ENCODER]) * self._gear_per_encoder

    @property
    def latest_pinion_deg(self) -> tuple[float, float] | None:
        """(time_s, degrees past the matched teeth) of the newest sample of the pinion's own encoder."""
        buffer = self._buffers.get(PINION_ENCODER)
        latest = None if buffer is None else buffer.latest
        return None if latest is None else (latest[0], latest[1] - self._reference_deg[PINION_ENCODER])

    def latest_as_gear_deg(self, name: str) -> float | None:
        """Where the gear is, in degrees past the matched teeth, by the newest sample of one encoder."""
        if name == PINION_ENCODER:
            return None if (pinion := self.latest_pinion_deg) is None else pinion[1] * self._gear_per_pinion
        return None if (gear := self.latest_gear_deg) is None else gear[1]

    @property
    def latest_encoder_deg(self) -> float | None:
        """Newest angle of the encoder's own shaft from its own zero."""
        return self.latest_own_deg(ENCODER)

    def latest_own_deg(self, name: str) -> float | None:
        """Newest angle of one encoder from its own zero; None before the first, and without that encoder."""
        buffer = self._buffers.get(name)
        latest = None if buffer is None else buffer.latest
        return None if latest is None else latest[1]

    def wire(self, name: str) -> str:
        """The instrument at whose port the bytes of one come."""
        return self._stand.wire(name)

    def tally(self, name: str) -> WireTally:
        """What came of the bytes of one instrument so far; of frames with two counts, by the encoder."""
        monitor = self.monitors[name]
        wrong = monitor.lone.left_out if monitor.lone is not None else 0
        bad = monitor.parser.bad_frames if self.wire(name) == name else 0
        return WireTally(good=monitor.parser.good_frames, bad=bad, wrong=wrong)

    def damaged(self) -> list[str]:
        """Instruments with a notable share of lines that could not be read, and that share."""
        tallies = {name: self.tally(name) for name in self.monitors}
        return [f"{name} {one.share_text} of lines" for name, one in tallies.items() if one.is_notable]

    def wire_sentence(self, name: str, tally: WireTally, when: str) -> str:
        """What was wrong on one instrument's wire ``when``, and what to do; empty when nothing was."""
        checked = self.monitors[name].profile.is_checked
        return tally.sentence(name, self.port(name), when=when, checked=checked)

    def port(self, name: str) -> str:
        """Port of one instrument as the stand file names it."""
        return self.monitors[name].port

    def failure(self, name: str, now_s: float, since_s: float) -> InstrumentError | None:
        """What is wrong with an instrument whose port works (`InstrumentMonitor.problem`), or None.

        Silence is counted from the later of ``since_s`` and the newest sample.
        """
        found = self.monitors[name].problem(now_s, since_s=since_s)
        return None if isinstance(found, InstrumentWaits) else found


class DamagedLines:
    """What is wrong with the lines of the instruments, said once for each and summed up at the end."""

    def __init__(self, channels: Channels) -> None:
        self._channels = channels
        self._marked: set[tuple[str, str]] = set()
        self._noted: set[str] = set()
        self._begun: dict[str, WireTally] = {}

    def news(self) -> Iterator[str]:
        """What has not been said yet; a count alone would be seen by nobody."""
        for name, monitor in self._channels.monitors.items():
            for mark, count in monitor.parser.marks.items():
                # A count that is lost for good ends the test, which says more.
                if count and mark not in FOR_GOOD and (name, mark) not in self._marked:
                    self._marked.add((name, mark))
                    yield mark_sentence(name, self._channels.port(name), mark)
            if name not in self._noted and (tally := self._channels.tally(name)).is_notable:
                self._noted.add(name)
                yield self._channels.wire_sentence(name, tally, "so far")

    def over_all(self) -> list[str]:
        """What was wrong over the whole test."""
        return [
            self._channels.wire_sentence(name, tally, "in the whole test")
            for name, tally in self._tallies().items()
            if tally.is_notable or name in self._noted
        ]

    def begin(self) -> None:
        """Count anew for `since_begun`."""
        self._begun = self._tallies()

    def since_begun(self, when: str) -> list[str]:
        """What was wrong since `begin`; ``when`` says of what time that was."""
        notes = (
            self._channels.wire_sentence(name, self._channels.tally(name).since(before), when)
            for name, before in self._begun.items()
        )
        return [note for note in notes if note]

    def _tallies(self) -> dict[str, WireTally]:
        return {name: self._channels.tally(name) for name in self._channels.monitors}


@dataclass(frozen=True, kw_only=True)
class _Away:
    """What was known when it went."""

    since_s: float
    reason: str
    by_port: bool
    gear_deg: float | None  # by the encoder that went


class Absences:
    """Keeps the book of who is away.

    It waits ``patience_s`` for an instrument. An encoder that was away is believed when the gear angle, as it
    shows it, changed by ``near_deg`` at most. ``go_on`` is the command that goes on with the test after it
    was closed.
    """

    def __init__(self, channels: Channels, *, patience_s: float, near_deg: float, go_on: str) -> None:
        self._go_on = go_on
        self._channels = channels
        self._patience_s = patience_s
        self._near_deg = near_deg
        self._away: dict[str, _Away] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """Who is away."""
        return tuple(self._away)

    @property
    def why(self) -> str:
        """Who was lost, and the reason; empty when everyone is there."""
        return " and ".join(f"the {name} was lost ({away.reason})" for name, away in self._away.items())

    def update(
        self, now_s: float, lost: Mapping[str, str], *, since_s: float = 0.0
    ) -> Iterator[events.Event]:
        """What changed: `events.InstrumentLost`, `events.InstrumentBack` and notes.

        Args:
            now_s: Seconds since the test started.
            lost: Instruments whose port does not work now, with the reason.
            since_s: Since when samples are taken; silence before that counts for nothing.

        Raises:
            InstrumentError: When one stays away too long.
            StandError: When an encoder came back with another angle, or lost its count for good.
        """
        wires = {name: self._channels.wire(name) for name in self._channels.monitors}
        lost = {name: lost[wire] for name, wire in wires.items() if wire in lost}
        for name in ENCODERS:
            self._refuse_lost_count(name, lost, now_s)
        for name in self._channels.monitors:
            failing = None if name in lost else self._channels.failure(name, now_s, since_s)
            reason = lost.get(name) or (failing.what if failing else None)
            away = self._away.get(name)
            if away is None and reason is not None:
                yield self._leave(name, reason, now_s, failing)
            elif away is not None and reason is None and self._newest_s(name) > away.since_s:
                del self._away[name]
                yield from self._return(name, away, now_s)
            away = self._away.get(name)
            if away is not None and now_s - away.since_s >= self._patience_s:
                raise self._too_long(name, away, failing, works=name not in lost)

    def _refuse_lost_count(self, name: str, lost: Mapping[str, str], now_s: float) -> None:
        """An encoder that does not know its turns any more is not waited for: nothing brings them back."""
        if name not in self._channels.monitors:
            return
        marks = self._channels.monitors[name].parser.marks
        mark = next((one for one in FOR_GOOD if marks.get(one)), None)
        if mark is None and not (name in lost and self._channels.may_have_gone_round(now_s, name)):
            return
        todo = "Bring"
        if name in lost:
            what = f"its port stopped working ({lost[name]}), and its count, which goes round, went on unseen"
            todo = "Plug the cable in again, bring"
        elif mark == JUMPED:
            what = "its angle jumped further than anybody turns"
            # Another profile is another test: what was recorded with the old one cannot be mixed with it.
            todo = (
                "If the angle begins again each turn, write wraps_at_deg = 360 in its profile and begin a "
                "new test. Otherwise bring"
            )
        else:
            what = "its count goes round, and a jump or a gap in it was too long to be followed"
        raise StandError(
            f"{name} on {self._channels.port(name)}: {what}. So it is not known which teeth are "
            f"together, and waiting does not help. What was recorded is kept. {todo} the marked teeth "
            f"together again and go on with: {self._go_on}"
        )

    def _newest_s(self, name: str) -> float:
        latest_s = self._channels.latest_s(name)
        return -math.inf if latest_s is None else latest_s

    def _leave(
        self, name: str, reason: str, now_s: float, failing: InstrumentError | None
    ) -> events.InstrumentLost:
        gear_deg = self._channels.latest_as_gear_deg(name) if name in ENCODERS else None
        self._away[name] = _Away(since_s=now_s, reason=reason, by_port=failing is None, gear_deg=gear_deg)
        return events.InstrumentLost(
            instrument=name,
            port=self._channels.port(name),
            reason=reason,
            patience_s=self._patience_s,
            remedy="See to its cable and power." if failing is None else failing.remedy,
        )

    def _return(self, name: str, away: _Away, now_s: float) -> Iterator[events.Event]:
        port = self._channels.port(name)
        yield events.InstrumentBack(instrument=name, port=port, away_s=now_s - away.since_s)
        latest_deg = self._channels.latest_as_gear_deg(name) if name in ENCODERS else None
        if away.gear_deg is None or latest_deg is None:
            return
        moved_deg = latest_deg - away.gear_deg
        if abs(moved_deg) > self._near_deg:
            raise StandError(
                f"{name} on {port}: was lost and came back with the gear {abs(moved_deg):.1f}° from where "
                "it was. Either the gear was turned meanwhile or the count began anew, so the matched teeth "
                "are no longer known. What was recorded is kept. Bring the marked teeth together again and "
                f"go on with: {self._go_on}"
            )
        yield events.NoteTaken(
            text=f"The {name} was away for {now_s - away.since_s:.0f} s and came back with the same angle; "
            "that it kept its count is taken for granted."
        )

    def _too_long(
        self, name: str, away: _Away, failing: InstrumentError | None, *, works: bool
    ) -> InstrumentError:
        if failing is not None and not away.by_port:
            return failing
        end = "gave no sample that can be used" if works else "did not come back"
        return Lost(
            name,
            self._channels.port(name),
            f"the port stopped working ({away.reason}) and {end} within {self._patience_s:.0f} s",
            "What was recorded is kept; stand.reconnect_seconds in the stand file sets how long to wait. "
            f"Plug the cable in again and go on with: {self._go_on}",
        )
