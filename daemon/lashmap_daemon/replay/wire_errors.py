"""Errors on an instrument's wire: lines that nobody understands, and wrong digits that pass for right ones.

A sound cable gives no bad line in hours. Where lines are bad, digits are wrong as well: a wrong bit in an
ASCII digit gives another digit in about three cases of eight, and such a line fits its profile unless it
carries a checksum. Decided here: which samples cannot be the gear's, and from when on bad lines are worth a
sentence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.record.record import Shaft
from lashmap_drivers.readings import Floats, Samples
from lashmap_drivers.timing.angles import FASTEST_DEG_S

# More than this share is worth a sentence: at a thousand lines a second it is one bad line in every rock, and
# a wrong number that passes for a right one every few seconds.
NOTABLE_SHARE = 1e-3
_FEWEST_BAD = 3  # before a share means anything
_MOST_LONE = 2  # wrong samples in a row: a third one is believed
_QUICK_S = 0.05  # a tenth of a tooth and back in less time is no rock and no hand


@dataclass(frozen=True, kw_only=True)
class WireTally:
    """What came of one instrument's bytes.

    Attributes:
        good: Lines or frames that fitted the profile.
        bad: Those that did not.
        wrong: Samples of good ones that were left out, because no gear could have moved so.
    """

    good: int = 0
    bad: int = 0
    wrong: int = 0

    def since(self, before: WireTally) -> WireTally:
        """What came after ``before``."""
        return WireTally(
            good=self.good - before.good, bad=self.bad - before.bad, wrong=self.wrong - before.wrong
        )

    @property
    def is_notable(self) -> bool:
        """True when the share of bad lines, or a wrong sample, is worth a sentence by itself."""
        lines = self.good + self.bad
        return self.wrong > 0 or (self.bad >= _FEWEST_BAD and self.bad > NOTABLE_SHARE * lines)

    @property
    def share_text(self) -> str:
        """Bad ones among all, as a percentage."""
        return f"{100.0 * self.bad / max(self.good + self.bad, 1):.2g} %"

    def sentence(self, instrument: str, port: str, *, when: str, checked: bool) -> str:
        """What was wrong on the wire and what to do about it; empty when nothing was.

        ``when`` is as "during this rock"; ``checked`` lines carry a checksum.
        """
        found = []
        lines = self.good + self.bad
        if self.bad:
            found.append(f"{self.bad} of {lines} lines ({self.share_text}) could not be read")
        if self.wrong:
            found.append(f"{self.wrong} single angles were left out because no gear can move so")
        if not found:
            return ""
        remedy = "check its cable, plugs and the baud rate in its profile" + (
            ""
            if checked
            else "; if it can send a checksum, use a profile with one: wrong digits may have passed"
        )
        return f"{instrument} on {port}, {when}: {' and '.join(found)}; {remedy}"


class LoneSamples:
    """Leaves out single samples of an encoder that depart and come back as no gear could.

    One or two in a row are left out when the next one is back, out and back took less than 50 ms or would
    need more than ten turns a second, and they stand out by more than the way that the gear went meanwhile.
    An angle that stays is believed with its third sample, so that a gear that moved is never hidden. A sample
    that is not decided yet is held back until the next ones come, so that it does not matter how the stream
    is cut.

    ``limit_deg`` is how far a sample may stand out, in degrees of the encoder's shaft.

    Attributes:
        left_out: How many so far.
    """

    def __init__(self, limit_deg: float) -> None:
        self._limit_deg = limit_deg
        self._held = Samples.joined([])
        self._last: tuple[float, float] | None = None  # time and angle of the last sample that was believed
        self._step_deg = 0.0  # to it
        self.left_out = 0

    @classmethod
    def of(cls, gear_set: GearSet, shaft: Shaft) -> LoneSamples:
        """For an encoder on ``shaft``: a sixteenth of a tooth out and back is several times any backlash."""
        return cls(360.0 / (gear_set.gear_teeth if shaft == "gear" else gear_set.pinion_teeth) / 16.0)

    def feed(self, samples: Samples) -> Samples:
        """Take the next samples; returns those that are decided and right, in the same order."""
        some = Samples.joined([self._held, samples]) if len(self._held) else samples
        if not len(some):
            return some
        before_deg = some.value.item(0) if self._last is None else self._last[1]
        step_deg = _steps(before_deg, some.value)
        # A steady turn is no departure, however quick.
        odd = np.minimum(np.abs(step_deg), np.abs(_steps(self._step_deg, step_deg))) > self._limit_deg
        kept, decided = self._decide(some, np.flatnonzero(odd).tolist()) if odd.any() else (None, len(some))
        self._held = some.part(slice(decided, None))
        if decided:
            self._last = some.time_s.item(decided - 1), some.value.item(decided - 1)
            self._step_deg = step_deg.item(decided - 1)
        return some if kept is None else some.part(kept)

    def _decide(
        self, some: Samples, steps_at: list[int]
    ) -> tuple[np.ndarray[tuple[int], np.dtype[np.bool_]], int]:
        """Which samples are kept, and how many are decided."""
        time_s, value = some.time_s, some.value
        kept = np.ones(len(some), dtype=bool)
        done = 0  # everything before is decided
        for at in steps_at:
            if at < done:
                continue
            last = self._last if at == 0 else (time_s.item(at - 1), value.item(at - 1))
            if last is None:
                continue
            count = _lone_at(time_s[at:], value[at:], last, self._limit_deg)
            if count is None:
                kept[at:] = False
                return kept, at
            kept[at : at + count] = False
            self.left_out += count
            done = at + count + 1
        return kept, len(some)


def _steps(before: float, value: Floats) -> Floats:
    """From each value to the next, from the one before them on; `numpy.diff` is slow for a few."""
    steps = np.empty(len(value))
    steps[0] = value.item(0) - before
    np.subtract(value[1:], value[:-1], out=steps[1:])
    return steps


def without_lone(time_s: Floats, value: Floats, limit: float) -> Floats:
    """The values without such single ones, those at the end that are not decided yet included."""
    samples = Samples.of(time_s, value)
    return LoneSamples(limit).feed(samples).value


def _lone_at(time_s: Floats, value: Floats, last: tuple[float, float], limit_deg: float) -> int | None:
    """How many samples from the first on are wrong, 0 when it is right; None while that is not decided.

    ``time_s`` and ``value`` begin with the sample that departed; ``last`` is time and angle of the one
    before.
    """
    last_s, last_deg = last
    off_deg, took_s = np.abs(value[: _MOST_LONE + 1] - last_deg), time_s[: _MOST_LONE + 1] - last_s
    lone = range(1, min(len(off_deg), _MOST_LONE + 1))
    # The next sample of a gear at rest is back where it was; of one that turns, no further than it can be.
    for reach_deg in (np.full(len(off_deg), limit_deg), limit_deg + FASTEST_DEG_S * took_s):
        for count in lone:
            out_deg, back_deg = off_deg[:count].min(), off_deg[count]
            is_back = back_deg <= reach_deg[count] and out_deg > limit_deg + back_deg
            if is_back and _is_impossible(out_deg.item(), took_s.item(count)):
                return count
        if len(off_deg) <= _MOST_LONE:
            # As long as all are out, the next one may be back; so quickly, or not at all.
            return None if _is_impossible(off_deg.min().item(), took_s.item(-1)) else 0
    return 0


def _is_impossible(off_deg: float, took_s: float) -> bool:
    return off_deg > 0.0 and (took_s < _QUICK_S or off_deg > FASTEST_DEG_S * took_s)
