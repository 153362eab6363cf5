"""The guided passes: when a pass is complete, what breaks it off, and what a run says before its rocks.

Angles come from a pair that is turned by brute force (`analysis/cycle/driven_pair.py`), which shares no code
with what is tested.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from analysis.cycle.cycle_runs import gear_set_of
from analysis.cycle.driven_pair import DrivenPair, Turning, ordinary_pair, turn
from lashmap_analysis.cycle.passes import CyclePass
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.record.conditions import NOTHING_RECORDED
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup.stand_file import Stand
from lashmap_daemon.story import events
from lashmap_daemon.story.story import Pass
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.passes import (
    BEYOND,
    CycleRun,
    PassWatch,
    Turned,
    engagements_of,
    method_of,
    planned_passes,
    predict_from_cycle,
)
from lashmap_drivers.readings import Floats, Samples

TICK_S = 0.04
FORWARD = Pass(number=1, direction="forward", brake_nm=2.0)
BACK = Pass(number=2, direction="back", brake_nm=2.0)


@pytest.fixture(scope="module")
def pair() -> DrivenPair:
    return ordinary_pair((15, 45), np.random.default_rng(5))


@dataclass
class Traces:
    """Channels that know the whole future and show what has come."""

    samples: CyclePass
    now_s: float = 0.0
    is_latched: bool = True

    def pinion_deg(self, start_s: float, end_s: float = np.inf) -> Samples:
        return self._window(self.samples.pinion_time_s, self.samples.pinion_deg, start_s, end_s)

    def gear_deg(self, start_s: float, end_s: float = np.inf) -> Samples:
        return self._window(self.samples.gear_time_s, self.samples.gear_deg, start_s, end_s)

    @property
    def complete_until_s(self) -> float:
        return self.now_s

    def _window(self, time_s: Floats, value: Floats, start_s: float, end_s: float) -> Samples:
        seen = (time_s >= start_s) & (time_s <= min(end_s, self.now_s))
        return Samples(time_s[seen], value[seen], np.zeros(int(seen.sum())))


def at_speed(pair: DrivenPair, speed_deg_per_s: float, *, over: float = BEYOND + 2.0) -> CyclePass:
    how = Turning(speed_deg_per_s=speed_deg_per_s, rate_hz=500.0, over=over)
    return turn(pair, how, np.random.default_rng(3))


def led(pair: DrivenPair, samples: CyclePass, asked: Pass = FORWARD) -> tuple[PassWatch, Turned | None]:
    """Show the watch what comes, tick by tick, until it says something or the samples end."""
    traces = Traces(samples)
    watch = PassWatch(asked, channels=cast("Channels", traces), gear_set=gear_set_of(pair), since_s=0.0)
    turned = None
    while turned is None and traces.now_s < float(samples.pinion_time_s[-1]) + 1.0:
        traces.now_s += TICK_S
        turned = watch.update(traces.now_s)
    return watch, turned


def test_a_pass_is_complete_a_mesh_cycle_and_a_bit_further(pair: DrivenPair) -> None:
    samples = at_speed(pair, 360.0)
    watch, turned = led(pair, samples)
    assert turned is not None
    assert turned.samples is not None
    assert engagements_of(gear_set_of(pair)) == 45 + BEYOND
    went = (turned.samples.pinion_deg[-1] - turned.samples.pinion_deg[0]) / 360.0 * 15
    assert 45 + BEYOND - 0.5 <= went <= 45 + BEYOND + 1.0
    assert watch.teeth >= 45 + BEYOND
    assert turned.pinion_deg_per_s == pytest.approx(360.0, rel=0.1)
    # Every sample of the window, once: what a replay finds in it again.
    inside = (samples.pinion_time_s >= turned.start_s) & (samples.pinion_time_s <= turned.end_s)
    np.testing.assert_array_equal(turned.samples.pinion_deg, samples.pinion_deg[inside])
    np.testing.assert_array_equal(turned.samples.gear_deg, samples.gear_deg[inside])


def test_turning_the_other_way_begins_no_pass(pair: DrivenPair) -> None:
    watch, turned = led(pair, at_speed(pair, 360.0), BACK)
    assert turned is None
    assert not watch.begun


def joined(*parts: CyclePass, rest_s: float = 0.0) -> CyclePass:
    """One after the other, each beginning where the one before ended, a rest between."""
    time_s, pinion, gear = (np.zeros(1) for _ in range(3))
    for number, part in enumerate(parts):
        rest = np.arange(0.002, rest_s, 0.002) if number else np.empty(0)
        begin_s = time_s[-1] + (rest[-1] if rest.size else 0.0) + 0.002
        went_s = begin_s + part.pinion_time_s - part.pinion_time_s[0]
        time_s = np.concatenate([time_s, time_s[-1] + rest, went_s])
        pinion, gear = (
            np.concatenate([seen, np.full(rest.size, seen[-1]), seen[-1] + value - value[0]])
            for seen, value in ((pinion, part.pinion_deg), (gear, part.gear_deg))
        )
    return CyclePass(pinion_time_s=time_s, pinion_deg=pinion, gear_time_s=time_s, gear_deg=gear)


def test_a_pass_that_is_turned_back_or_rests_on_the_way_gives_nothing(pair: DrivenPair) -> None:
    half = at_speed(pair, 360.0, over=-25.0)
    _, turned = led(pair, joined(half, at_speed(pair, -360.0)))
    assert turned is not None
    assert turned.samples is None
    assert "turned back" in turned.reason
    assert "of 49 teeth" in turned.reason
    _, turned = led(pair, joined(half, at_speed(pair, 360.0), rest_s=6.0))
    assert turned is not None
    assert turned.samples is None
    assert "rested" in turned.reason
    _, turned = led(pair, joined(half, at_speed(pair, 360.0), rest_s=3.0))  # a hand that reaches round
    assert turned is not None
    assert turned.samples is not None


def run_of(pair: DrivenPair, *passes: tuple[Pass, CyclePass]) -> tuple[CycleRun, list[Turned]]:
    traces = Traces(passes[0][1])
    run = CycleRun(gear_set_of(pair), cast("Channels", traces))
    said = []
    for asked, samples in passes:
        traces.samples, traces.now_s, turned = samples, 0.0, None
        run.begin(asked, 0.0)
        while turned is None:
            traces.now_s += TICK_S
            turned = run.update(asked, traces.now_s)
        said.append(turned)
        if turned.samples is not None:
            run.keep(asked)
    return run, said


def test_a_run_tied_to_rocks_names_the_tight_spot_and_asks_for_a_rock_there(pair: DrivenPair) -> None:
    run, said = run_of(
        pair,
        (FORWARD, at_speed(pair, 360.0)),
        (BACK, at_speed(pair, -360.0)),
        (replace(FORWARD, number=3), at_speed(pair, 240.0)),
        (replace(BACK, number=4), at_speed(pair, -240.0)),
    )
    assert [one.reason for one in said] == [""] * 4
    gear_set = gear_set_of(pair)
    rocked_mm = pair.rocked_mm * gear_set.normal_per_transverse
    rocks = [accepted(number, engagement, float(rocked_mm[engagement])) for number, engagement in
             enumerate((0, 11, 22, 34), start=1)]  # fmt: skip
    # What grows on the screen is normal backlash too, but for wind-up of some micrometres under the brake.
    shown = run.curve_mm
    assert shown is not None
    assert abs(float(np.nanmedian(shown)) - float(np.median(rocked_mm))) < 0.006
    tip = Indicator(
        touch_radius_mm=gear_set.outer_gear_pitch_radius_mm, direction="normal", resolution_mm=0.001
    )
    tied = run.tied(rocks, tip, NOTHING_RECORDED)
    assert tied is not None
    assert tied[1] is not None
    found = predict_from_cycle(tied[1], near=40, known=(), most=2)
    least = int(np.argmin(rocked_mm))
    assert rocked_mm[found.engagement] - rocked_mm[least] < 0.001
    assert found.low_mm <= rocked_mm[least] + 0.001
    (ask,) = found.ask
    assert ask % 45 == found.engagement
    assert abs(ask - 40) <= 23  # the shortest way there
    again = predict_from_cycle(tied[1], near=40, known=(ask,), most=2)
    assert again.ask == ()


def accepted(number: int, engagement: int, normal_mm: float) -> events.RockAccepted:
    return events.RockAccepted(
        number=number, engagement=engagement, purpose="planned", attempt=1, start_s=0.0, end_s=1.0,
        reading_mm=normal_mm, normal_backlash_mm=normal_mm, standard_uncertainty_mm=0.0005, reversals=8,
        flags=(),
    )  # fmt: skip


def test_passes_that_do_not_repeat_are_kept_and_said_once_all_are_made(pair: DrivenPair) -> None:
    """Nobody knows which of two that differ is wrong: the newest is not asked for again and again."""
    forward = at_speed(pair, 360.0)
    wander = 0.06 * np.sin(2.0 * np.pi * np.arange(forward.gear_deg.size) / 600.0)
    run, said = run_of(
        pair,
        (FORWARD, replace(forward, gear_deg=forward.gear_deg + wander)),
        (BACK, at_speed(pair, -360.0)),
        (replace(FORWARD, number=3), at_speed(pair, 240.0)),
        (replace(BACK, number=4), at_speed(pair, -240.0)),
    )
    assert [one.reason for one in said] == [""] * 4
    assert "Passes of the same flank differ" in run.refusal
    assert "ports of their own" not in run.refusal  # the counts were taken together
    alone, _ = run_of(pair, (FORWARD, forward))
    assert alone.refusal == ""


def test_what_is_plainly_wrong_is_said_while_the_brake_is_still_on(pair: DrivenPair) -> None:
    """A brake that was forgotten: the gear stays on one flank, so that no lash shows between the passes."""
    forward = at_speed(pair, 360.0)
    one_flank = replace(forward, pinion_deg=forward.pinion_deg[::-1], gear_deg=forward.gear_deg[::-1])
    _, said = run_of(pair, (FORWARD, forward), (BACK, one_flank))
    assert said[0].samples is not None
    assert said[1].samples is None
    assert "brake" in said[1].reason
    _, said = run_of(pair, (FORWARD, replace(forward, gear_deg=-forward.gear_deg)))
    assert "counts backwards" in said[0].reason


def test_the_method_follows_the_stand_and_torques_follow_the_pairs() -> None:
    one = cast("Stand", SimpleNamespace(file=SimpleNamespace(encoder=object(), pinion_encoder=None)))
    two = cast("Stand", SimpleNamespace(file=SimpleNamespace(encoder=object(), pinion_encoder=object())))
    assert (method_of(None, one), method_of(None, two)) == ("rock", "both")
    assert (method_of("rock", two), method_of("cycle", two)) == ("rock", "cycle")
    with pytest.raises(ConfigurationError, match="an encoder on each shaft"):
        method_of("cycle", one)
    assert planned_passes("rock") == ()
    ways = [one.direction for one in planned_passes("both")]
    assert ways == ["forward", "back", "forward", "back"]
    assert [one.brake_nm for one in planned_passes("cycle", brakes_nm=(0.5, 1.0))] == [0.5, 0.5, 1.0, 1.0]
    assert [one.brake_nm for one in planned_passes("cycle", brakes_nm=(0.5,))] == [0.5] * 4
    with pytest.raises(ConfigurationError, match="3 torques for 2 pairs"):
        planned_passes("cycle", brakes_nm=(0.5, 1.0, 2.0))
    with pytest.raises(ConfigurationError, match="belongs to a cycle run"):
        planned_passes("rock", brakes_nm=(0.5,))
