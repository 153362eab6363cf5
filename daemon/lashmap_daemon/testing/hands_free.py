"""Words that the gear itself can say, for a person with both hands in the machine.

There is one gesture, the *knock*: stand still, turn some teeth away and back to the very same place, stand
still again. What it means depends on where it is made, and it counts only when it leads away from the asked
position, so that neither a turn to that position nor an overshoot with its correction can be taken for one:

- on the last accepted position, away from the asked one: measure the last position again;
- past the asked position, further on: leave the asked position out;
- while the marked teeth are waited for, or their marks once more: they are together here.

Off unless the stand file names the gestures. Each is written into the record with its cause.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from lashmap_drivers.readings import Samples

from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.stand_file import HandsFreeTable, StandFile
from lashmap_daemon.story import events
from lashmap_daemon.story.wording import angle_text

if TYPE_CHECKING:
    from lashmap_daemon.testing.conductor import Conductor
    from lashmap_daemon.testing.live_test import Screen


SEARCH_S = 0.1  # how often the trace is searched
_FEWEST_SAMPLES = 4  # in a time of standing still
_LONGEST_GAP_S = 0.5  # between samples: half of a knock may be missed in one
_HERE = 0.25  # of a tooth: the same place, with room for the lash


@dataclass(frozen=True, kw_only=True)
class Knock:
    """A knock; angles of the gear in degrees.

    Attributes:
        place_deg: Where the gear stood before and stands again.
        teeth: How far it was turned away, in gear teeth; negative is back.
        end_s: Time of the newest sample that belongs to it.
    """

    place_deg: float
    teeth: float
    end_s: float


def reach_back_s(setting: HandsFreeTable) -> float:
    """Length of trace that holds a whole knock, in seconds."""
    return setting.within_seconds + 2.0 * setting.still_seconds + 1.0


def find_knock(gear: Samples, setting: HandsFreeTable, *, pitch_deg: float, since_s: float) -> Knock | None:
    """The knock that ends now; None when there is none.

    Args:
        gear: Gear angle over `reach_back_s` or less, degrees.
        setting: Of the stand file.
        pitch_deg: Of a gear tooth.
        since_s: What lies before is left out: it belongs to an earlier knock or question.
    """
    fresh = gear.time_s >= since_s
    time_s, angle = gear.time_s[fresh], gear.value[fresh]
    if len(time_s) < 3 * _FEWEST_SAMPLES:
        return None
    here, still_s = pitch_deg * _HERE, setting.still_seconds
    last = time_s >= time_s[-1] - still_s
    if np.count_nonzero(last) < _FEWEST_SAMPLES or np.ptp(angle[last]) > here:
        return None  # it does not stand still now
    place = _middle(angle[last])
    off = np.abs(angle - place)
    outside, far = np.flatnonzero(off > here), np.flatnonzero(off > 2.0 * here)
    if not len(far) or outside[-1] == len(angle) - 1:
        return None
    back = int(outside[-1]) + 1  # first sample of the second standing still
    # Counted from far away: at the edge of the place itself a lively trace goes in and out.
    inside = np.flatnonzero(off[: far[-1]] <= here)
    if not len(inside):
        return None
    left = int(inside[-1]) + 1  # first sample of the way out
    # A sample's interval more: the edge of a standstill lies between two of them.
    stood_since_s = float(time_s[left]) - still_s - float(np.median(np.diff(time_s)))
    before = (time_s < time_s[left]) & (time_s >= stood_since_s)
    reach = (angle[left:back] - place) / pitch_deg
    furthest = float(reach[np.argmax(np.abs(reach))])
    fits = (
        time_s[-1] - time_s[back] >= still_s
        and time_s[left - 1] - time_s[0] >= still_s
        and np.count_nonzero(before) >= _FEWEST_SAMPLES
        and np.quantile(off[before], 0.9) <= here  # its last tenth may be the way out already
        and np.ptp(np.quantile(angle[before], (0.1, 0.9))) <= here
        and np.all(np.sign(reach) == np.sign(furthest))
        and setting.least_teeth - 0.5 <= abs(furthest) <= setting.most_teeth + 0.5
        and time_s[back] - time_s[left] <= setting.within_seconds
        and np.max(np.diff(time_s[time_s >= stood_since_s])) <= _LONGEST_GAP_S
    )
    return Knock(place_deg=place, teeth=furthest, end_s=float(time_s[-1])) if fits else None


class HandsFree:
    """Finds knocks of the gear during a test."""

    def __init__(self, setting: HandsFreeTable, pitch_deg: float) -> None:
        self._setting, self._pitch_deg = setting, pitch_deg
        self._checked_s = -math.inf
        self._since_s = -math.inf
        self._asked_teeth = 0

    def follow(self, event: events.Event) -> None:
        """Remember which way the technician was asked to turn."""
        if isinstance(event, events.PositionAsked):
            self._asked_teeth = event.turn_teeth

    def commands_of(self, conductor: Conductor) -> list[str]:
        """Commands that the gear gave since the last call."""
        channels, state = conductor.channels, conductor.state
        latest = channels.latest_gear_deg
        if latest is None or latest[0] - self._checked_s < SEARCH_S:
            return []
        self._checked_s = latest[0]
        checking = state.phase is Phase.CHECKING and "matched" in self._setting.gestures
        if not checking and (state.phase is not Phase.TURNING or state.target is None):
            self._since_s = latest[0]  # a knock does not begin in a rock
            return []
        gear = channels.gear_deg(latest[0] - reach_back_s(self._setting))
        knock = find_knock(gear, self._setting, pitch_deg=self._pitch_deg, since_s=self._since_s)
        if knock is None:
            return []
        if state.target is None:
            self._since_s = knock.end_s
            return ["matched by a knock"]
        target_deg = conductor.gear_set.gear_angle_deg(state.target.engagement)
        last = None if state.last_accepted is None else state.last_accepted.engagement
        last_deg = None if last is None else conductor.gear_set.gear_angle_deg(last)
        word = self._meaning(knock, target_deg, last_deg)
        self._since_s = knock.end_s
        if word is None:
            return []
        number = state.target.number
        what = "the last position again" if word == "repeat" else f"position {number} left out"
        way = "forward" if knock.teeth > 0 else "back"
        cause = (
            f"the gear stood at {angle_text(knock.place_deg, decimals=1)}, was turned {way} by "
            f"{abs(knock.teeth):.1f} teeth and returned"
        )
        return [f"note hands-free: {what}; {cause}", word]

    def _meaning(self, knock: Knock, target_deg: float, last_deg: float | None) -> str | None:
        ahead = (target_deg - knock.place_deg) / self._pitch_deg
        if abs(ahead) <= 0.5 or ahead * knock.teeth > 0.0:
            return None  # at the asked position, or towards it
        if "repeat" in self._setting.gestures and last_deg is not None:
            off = abs(last_deg - knock.place_deg) / self._pitch_deg
            if off <= _HERE * 2.0 and abs(ahead) >= 1.0:
                return "repeat"
        past = -ahead * math.copysign(1.0, self._asked_teeth)
        if "skip" in self._setting.gestures and self._asked_teeth and past >= self._setting.least_teeth - 0.5:
            return "skip"
        return None


class HandsFreeScreen:
    """A screen that also obeys the gear."""

    def __init__(self, screen: Screen, hands_free: HandsFree) -> None:
        self._screen, self._hands_free = screen, hands_free
        self._conductor: Conductor | None = None

    def hear(self, stamped: events.Stamped) -> None:
        """Pass an event on."""
        self._hands_free.follow(stamped.event)
        self._screen.hear(stamped)

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Pass a moment on."""
        self._conductor = conductor
        self._screen.show(conductor, now_s)

    def commands(self) -> list[str]:
        """What the operator asked for, and what knocks of the gear asked for."""
        spoken = [] if self._conductor is None else self._hands_free.commands_of(self._conductor)
        return [*self._screen.commands(), *spoken]


def with_gestures(screen: Screen, stand: StandFile, gear_teeth: int) -> Screen:
    """The screen itself, or one that also obeys the gear where the stand file asks for it."""
    setting = stand.hands_free
    if setting is None or not setting.gestures:
        return screen
    return HandsFreeScreen(screen, HandsFree(setting, 360.0 / gear_teeth))


def _middle(angle: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    return (float(np.max(angle)) + float(np.min(angle))) / 2.0
