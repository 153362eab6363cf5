"""A prepared test that waits until somebody, or the gear itself, says that the marked teeth are together."""

from __future__ import annotations

import time
from typing import TypeAlias

from lashmap_daemon.channels import Channels
from lashmap_daemon.hands_free import find_knock, reach_back_s
from lashmap_daemon.service_opening import Prepared
from lashmap_daemon.service_resume import PreparedAgain
from lashmap_daemon.stand_file import HandsFreeTable

PREPARING_S = 1800.0  # after this a test that nobody brings to its marked teeth is given up
_KEEP_S = 120.0
AnyPrepared: TypeAlias = Prepared | PreparedAgain


class Waiting:
    """Waits for one test.

    Attributes:
        prepared: The test.
        gear: What the gear does meanwhile; to be fed.
        busy: Its marked teeth are being looked at just now.

    Args:
        prepared: The test.
    """

    def __init__(self, prepared: AnyPrepared) -> None:
        self.prepared = prepared
        self.gear = Channels(prepared.stand, prepared.box.gear_set.gear_set(), keep_s=_KEEP_S)
        self.busy = False
        self._begun_s = self._since_s = time.monotonic()
        setting = prepared.stand.file.hands_free
        self._setting = setting if setting is not None and "matched" in setting.gestures else None

    def instructions(self) -> list[str]:
        """What to do now."""
        said = [
            "Bring the marked teeth together, hold the gear still, then say it: lashmap tell STAND matched"
        ]
        return said if self._setting is None else [*said, _knock_sentence(self._setting)]

    def overdue(self, now_s: float) -> bool:
        """True when it was waited for long enough."""
        return now_s - self._begun_s > PREPARING_S

    def spoken(self, now_s: float) -> bool:
        """True when the gear knocked."""
        if self._setting is None or self.busy:
            return False
        trace = self.gear.gear_deg(now_s - reach_back_s(self._setting))
        pitch_deg = 360.0 / self.prepared.box.gear_set.gear_teeth
        if find_knock(trace, self._setting, pitch_deg=pitch_deg, since_s=self._since_s) is None:
            return False
        self._since_s = now_s  # one knock counts once
        return True


def _knock_sentence(setting: HandsFreeTable) -> str:
    return (
        f"or without hands: stand still there, turn {setting.least_teeth} to {setting.most_teeth} teeth away "
        "and back, stand still again"
    )
