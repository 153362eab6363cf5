"""How long a rock is waited for: begun again where rocking on heals nothing, never accepted unseen."""

from __future__ import annotations

from typing import ClassVar, cast

import numpy as np
import pytest
from daemon.virtual_time import load_box
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.record.record import Encoder
from lashmap_daemon.replay.wire_errors import WireTally
from lashmap_daemon.sequence.sequence import RockBad, RockGood
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.watches import CHECK_S, RockSetting, RockWatch, still_limits
from lashmap_drivers.readings import Floats, Samples

RATE_HZ, STEP_MM, RESOLUTION_MM, TARGET_DEG, LONGEST_S = 200.0, 0.2, 0.0005, 18.0, 60.0


def rocked() -> tuple[Floats, Floats]:
    """A rock of fourteen reversals by construction, 0.2 mm from flank to flank."""
    flank, way = round(0.25 * RATE_HZ), np.linspace(-0.5, 0.5, 14)[1:-1] * STEP_MM
    pieces = []
    for dwell in range(15):
        side = -1.0 if dwell % 2 == 0 else 1.0
        pieces += [np.full(flank, side * STEP_MM / 2), *([-side * way] if dwell < 14 else [])]
    value = np.concatenate(pieces)
    value += np.random.default_rng(5).normal(0.0, 0.00025, len(value))
    return np.arange(len(value)) / RATE_HZ, np.round(value / RESOLUTION_MM) * RESOLUTION_MM


class _Heard:
    """What a watch asks for, of an encoder on the gear that may fall silent."""

    monitors: ClassVar = {INDICATOR: None, ENCODER: None}

    def __init__(self, time_s: Floats, value: Floats, *, encoder_until_s: float = np.inf) -> None:
        self._time_s, self._tip = time_s, value
        self._gear = TARGET_DEG + np.nan_to_num(value, posinf=0.0) / 60.0
        self.encoder_until_s = encoder_until_s

    def indicator(self, start_s: float, end_s: float = np.inf) -> Samples:
        return self._cut(self._tip, start_s, end_s)

    def gear_deg(self, start_s: float, end_s: float = np.inf) -> Samples:
        return self._cut(self._gear, start_s, min(end_s, self.encoder_until_s))

    encoder_deg = gear_deg

    def pinion_deg(self, *_: float) -> Samples:
        return Samples.joined([])

    def tally(self, _: str) -> WireTally:
        return WireTally()

    def wire_sentence(self, *_: object) -> str:
        return ""

    def _cut(self, value: Floats, start_s: float, end_s: float) -> Samples:
        kept = (self._time_s >= start_s) & (self._time_s <= end_s)
        return Samples.of(self._time_s[kept], value[kept])


def watching(heard: _Heard) -> RockWatch:
    box = load_box()
    setting = RockSetting(
        gear_set=box.gear_set.gear_set(),
        indicator=Indicator(direction="normal", touch_radius_mm=76.0, resolution_mm=RESOLUTION_MM),
        encoder=Encoder(shaft="gear", resolution_deg=0.001),
        pinion_encoder=None,
        reversals=8,
        longest_s=LONGEST_S,
        resolution_mm=RESOLUTION_MM,
        counts_per_mm=0.0,
        still=still_limits(box.gear_set.gear_set(), box.recorded().limits_for_analysis()),
    )
    return RockWatch(setting, channels=cast("Channels", heard), target_deg=TARGET_DEG, started_s=0.0)


def slipped(time_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Pinion or base gives by a third of the lash in the middle of a dwell of the middle."""
    return time_s, value + np.where(time_s > time_s[-1] / 2.0, STEP_MM / 3.0, 0.0)


def out_of_range(time_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """The indicator says overload for a while, which drivers give as infinite."""
    return time_s, np.where((time_s > 0.8) & (time_s < 1.2), np.inf, value)


def with_a_gap(time_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """No sample came for longer than the rest of the rock took, in the middle of it."""
    return time_s + np.where(time_s > time_s[-1] / 2.0, 10.0, 0.0), value


def of_two_steps(time_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """The lash is two steps of the indicator, rocked for a quarter of a minute."""
    return 4.0 * time_s, np.round(value / 200.0 / RESOLUTION_MM) * RESOLUTION_MM


def stopped_short(time_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Friction holds the gear somewhere within 15 % of the lash before one of the flanks, each time anew."""
    high = value > 0.0
    dwell = np.cumsum(high[1:] & ~high[:-1])
    short = np.random.default_rng(3).uniform(0.0, 0.15 * STEP_MM, dwell[-1] + 1)
    return time_s, np.where(high, np.minimum(value, STEP_MM / 2.0 - short[np.append(0, dwell)]), value)


@pytest.mark.parametrize("spoil", [slipped, out_of_range, with_a_gap, of_two_steps, stopped_short])
def test_a_rock_that_rocking_on_cannot_heal_is_begun_again_at_once(spoil: object) -> None:
    assert callable(spoil)
    time_s, value = spoil(*rocked())
    found = watching(_Heard(time_s, value)).update(float(time_s[-1]))  # far before the longest time
    assert isinstance(found, RockBad)
    assert found.reasons


def test_an_indicator_that_flickers_before_the_rock_is_no_reason_to_begin_again() -> None:
    time_s, value = of_two_steps(*rocked())
    assert watching(_Heard(0.25 * time_s, value)).update(0.25 * float(time_s[-1])) is None


@pytest.mark.parametrize(("spoil", "advice"), [(of_two_steps, "finer"), (stopped_short, "friction")])
def test_the_reason_says_what_to_do(spoil: object, advice: str) -> None:
    assert callable(spoil)
    time_s, value = spoil(*rocked())
    found = watching(_Heard(time_s, value)).update(float(time_s[-1]))
    assert isinstance(found, RockBad)
    assert any(advice in reason for reason in found.reasons)


@pytest.mark.parametrize(("silent_s", "accepted"), [(0.4, True), (0.6, False), (3.0, False)])
def test_a_good_rock_waits_for_an_encoder_that_fell_silent(silent_s: float, *, accepted: bool) -> None:
    # Whether the gear stayed at its position is not known before the encoder speaks again.
    time_s, value = rocked()
    last_s = float(time_s[-1])
    heard = _Heard(time_s, value, encoder_until_s=last_s - silent_s)
    watch = watching(heard)
    assert isinstance(watch.update(last_s), RockGood) is accepted
    heard.encoder_until_s = np.inf
    assert isinstance(watch.update(last_s + CHECK_S), RockGood)
