"""The passes of a cycle run while they are made: where the turn is, whether it is complete, what it says.

A pass begins where the pinion starts to turn the way that was asked, and is complete a mesh cycle and a bit
further. A shaft that rests too long on the way, or turns back, begins it anew: what was turned before is not
put together with what comes after, since nobody knows how the contact was in between. Samples are taken over
from the channels as they come, because a slow pass lasts longer than what channels keep.

What passes mean is the analysis's (`fit_cycle`); nothing is decided here about a drive, which lashmap does
not command.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from lashmap_analysis.cycle.checks import CycleFlag, CycleFlagName, encoder_fault
from lashmap_analysis.cycle.curve import LashCurve
from lashmap_analysis.cycle.cycle import CycleFit, fit_cycle
from lashmap_analysis.cycle.passes import CycleError, CyclePass, advance_of
from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.cycle_run import TyingRocks, as_pass
from lashmap_analysis.record.conditions import Conditions
from lashmap_analysis.record.record import Direction, PassTrace
from lashmap_drivers.readings import Floats, Samples

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.replay.replay import seen_together
from lashmap_daemon.setup.stand_file import Stand
from lashmap_daemon.story import events
from lashmap_daemon.story.method import Method
from lashmap_daemon.story.story import Pass
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.prediction import nearest

Fitted = TypeVar("Fitted")

TIES = 4  # rocks that tie a cycle run where it is the only method; the tight spot comes beside them
BEYOND = 4  # teeth of the gear past one mesh cycle: the ends of a pass are on their way to speed
_WAYS: tuple[Direction, Direction] = ("forward", "back")
# Only all passes together can tell these: another speed is to come, or nobody knows which of them is wrong.
_OF_ALL_PASSES = {
    CycleFlagName.SKEW_UNPROVEN,
    CycleFlagName.UNREPEATED,
    CycleFlagName.UNSTEADY,
    CycleFlagName.NOT_OF_TEETH,
}
_THROWN = CycleFlagName.THROWN
# Two streams of which nobody knows yet how late one comes: a change of speed looks like one.
_OF_TWO_STREAMS = _OF_ALL_PASSES | {CycleFlagName.JUMP}
_TWO_STREAMS = (
    "The encoders have ports of their own: one that is held up now more, now less looks like a gear that "
    "moves. Turn slower, or use a board that takes both counts together."
)
# Of the slowest pass so far: a gear that is thrown at half the speed flies a quarter as far (derived).
_SLOWER = 0.6
_MOST_SLOWER = (
    4  # passes beside the planned ones: two pairs, of which the slower shows whether the other flew
)
_TOO_QUICK = 1.1  # of the speed that was asked for
_TAKE_S = 0.25  # how often samples are taken over
_LOOK_S = 0.5
_MOVED_DEG = 1.0  # of the pinion within that time: it is turned
_REST_S = 5.0  # more than a hand needs to reach round
_BACK_TEETH = 1.0  # turned back further than any lash: this is another pass


def planned_passes(
    method: Method, *, pairs: int = 2, brakes_nm: Sequence[float] = ()
) -> tuple[events.PlannedPass, ...]:
    """The passes of a method: forward and back for each pair.

    Args:
        method: ``rock`` has none.
        pairs: How many; a second one at another speed, or with another brake, tells what the first cannot.
        brakes_nm: Torque of the brake in each pair; one holds for all; none where nobody measured it.

    Raises:
        ConfigurationError: Torques and pairs do not go together.
    """
    if method == "rock":
        if brakes_nm:
            raise ConfigurationError(
                "--brake-nm", ["belongs to a cycle run; leave it out with --method rock"]
            )
        return ()
    if len(brakes_nm) not in {0, 1, pairs}:
        problem = f"{len(brakes_nm)} torques for {pairs} pairs of passes; give one, or one for each pair"
        raise ConfigurationError("--brake-nm", [problem])
    torques: list[float | None] = list(brakes_nm) or [None]
    of_pairs = torques * pairs if len(torques) == 1 else torques
    return tuple(
        events.PlannedPass(direction=way, brake_nm=brake_nm) for brake_nm in of_pairs for way in _WAYS
    )


def method_of(asked: Method | None, stand: Stand) -> Method:
    """The method of a test: both where the stand has two encoders and nobody asked for another.

    Raises:
        ConfigurationError: A cycle run on a stand that cannot see one.
    """
    can = stand.file.encoder is not None and stand.file.pinion_encoder is not None
    if asked in {"cycle", "both"} and not can:
        problem = (
            "a cycle run needs an encoder on each shaft: [encoder.gear] and [encoder.pinion] in the stand "
            "file; leave --method out for rocks alone"
        )
        raise ConfigurationError("--method", [problem])
    return asked or ("both" if can else "rock")


def engagements_of(gear_set: GearSet) -> int:
    """Teeth of the gear that a pass goes."""
    return gear_set.mesh_cycle + BEYOND


@dataclass(frozen=True, kw_only=True)
class Turned:
    """A complete pass, or why it gives nothing (``reason``)."""

    start_s: float
    end_s: float
    samples: CyclePass | None
    pinion_deg_per_s: float = math.nan
    reason: str = ""


class Advances:
    """Mean advance of the gear over the ideal ratio in each engagement of the mesh cycle, as it comes in.

    For a picture: nothing is corrected, and no sample is judged.
    """

    def __init__(self, gear_set: GearSet) -> None:
        self._teeth_per_deg = gear_set.pinion_teeth / 360.0, gear_set.gear_teeth / 360.0
        self._arc_mm = math.pi * gear_set.outer_module_mm
        self._sum, self._count = np.zeros((2, gear_set.mesh_cycle))

    def add(self, pinion: Samples, gear: Samples) -> None:
        """Take samples of both shafts over the same time."""
        if len(pinion) < 1 or len(gear) < 2:
            return
        place = pinion.value * self._teeth_per_deg[0]
        gear_place = np.interp(pinion.time_s, gear.time_s, gear.value) * self._teeth_per_deg[1]
        cell = np.floor(place + 0.5).astype(np.int64) % self._sum.size
        np.add.at(self._sum, cell, (gear_place - place) * self._arc_mm)
        np.add.at(self._count, cell, 1.0)

    @property
    def mean_mm(self) -> Floats:
        """Shape (m,), nan where nothing came yet."""
        nothing = np.full(self._sum.size, np.nan)
        mean: Floats = np.divide(self._sum, self._count, out=nothing, where=self._count > 0)
        return mean


class PassWatch:
    """Watches one pass.

    Attributes:
        advances: What came so far, for the picture.
        teeth: Gear teeth turned so far, in the direction that was asked.
        deg_per_s: Speed of the pinion in the last moments.
    """

    def __init__(self, turn: Pass, *, channels: Channels, gear_set: GearSet, since_s: float) -> None:
        self._turn, self._channels, self._gear_set = turn, channels, gear_set
        self._way = 1.0 if turn.direction == "forward" else -1.0
        self._teeth_per_deg = gear_set.pinion_teeth / 360.0
        self._wanted = engagements_of(gear_set)
        self._since_s = self._moving_s = self._taken_s = since_s
        self._start: tuple[float, float] | None = None  # time and angle of the pinion
        self._kept: tuple[list[Samples], list[Samples]] = ([], [])
        self.advances = Advances(gear_set)
        self.teeth = 0.0
        self.deg_per_s = 0.0
        self._most = 0.0

    @property
    def begun(self) -> bool:
        """Whether the pinion was turned yet."""
        return self._start is not None

    def update(self, now_s: float) -> Turned | None:
        """Take what came; the complete pass once the pinion has turned far enough."""
        recent = self._channels.pinion_deg(max(now_s - _LOOK_S, self._since_s))
        if len(recent) < 2:
            return None
        newest, span_s = float(recent.value[-1]), float(recent.time_s[-1] - recent.time_s[0])
        went_deg = self._way * (newest - float(recent.value[0]))
        self.deg_per_s = went_deg / span_s if span_s else 0.0
        if abs(went_deg) >= _MOVED_DEG:
            self._moving_s = now_s
        if self._start is None:
            if went_deg >= _MOVED_DEG:
                self._begin(float(recent.time_s[0]), float(recent.value[0]))
            return None
        self.teeth = self._way * (newest - self._start[1]) * self._teeth_per_deg
        self._most = max(self._most, self.teeth)
        if self.teeth < self._most - _BACK_TEETH:
            return self._failed(now_s, "the pinion was turned back on the way")
        if now_s - self._moving_s > _REST_S:
            return self._failed(now_s, f"the pinion rested for more than {_REST_S:.0f} s on the way")
        until_s = self._channels.complete_until_s or now_s
        if until_s - self._taken_s >= _TAKE_S or self.teeth >= self._wanted:
            self._take(until_s)
        return self._complete() if self.teeth >= self._wanted else None

    def _begin(self, start_s: float, pinion_deg: float) -> None:
        self._start, self._taken_s = (start_s, pinion_deg), math.nextafter(start_s, -math.inf)
        self._kept, self._most = ([], []), 0.0

    def _failed(self, now_s: float, reason: str) -> Turned:
        far = f", at {self._most:.0f} of {self._wanted} teeth of the gear"
        start_s = self._start[0] if self._start else now_s
        return Turned(start_s=start_s, end_s=now_s, samples=None, reason=f"{reason}{far}")

    def _take(self, until_s: float) -> None:
        after_s = math.nextafter(self._taken_s, math.inf)
        pinion, gear = (one(after_s, until_s) for one in (self._channels.pinion_deg, self._channels.gear_deg))
        for kept, samples in zip(self._kept, (pinion, gear), strict=True):
            kept.append(samples)
        if self.teeth > _BACK_TEETH:  # at first the gear crosses its lash to the other flank
            self.advances.add(pinion, gear)
        self._taken_s = until_s

    def _complete(self) -> Turned:
        start_s = self._start[0] if self._start else self._since_s
        pinion, gear = (Samples.joined(kept) for kept in self._kept)
        if self._channels.is_latched:
            pinion, gear = seen_together(pinion, gear)
        samples = CyclePass(
            pinion_time_s=pinion.time_s,
            pinion_deg=pinion.value,
            gear_time_s=gear.time_s,
            gear_deg=gear.value,
            brake_nm=self._turn.brake_nm,
            pinion_time_uncertainty_s=pinion.usual_time_uncertainty_s,
            gear_time_uncertainty_s=gear.usual_time_uncertainty_s,
        )
        found = Turned(start_s=start_s, end_s=self._taken_s, samples=samples)
        try:
            advance_of(self._gear_set, samples)
        except CycleError as error:
            return replace(found, samples=None, reason=str(error))
        span_s = float(pinion.time_s[-1] - pinion.time_s[0])
        return replace(found, pinion_deg_per_s=float(pinion.value[-1] - pinion.value[0]) / span_s)


class CycleRun:
    """The passes of a test so far, and what they say; ``recorded`` are those of a test that goes on.

    Attributes:
        passes: Kept so far, by number, each with its direction.
        watch: The pass that is made now; None before the first, and after the last.
        turned: The pass that was completed last.
    """

    def __init__(self, gear_set: GearSet, channels: Channels, recorded: Sequence[PassTrace] = ()) -> None:
        self._gear_set, self._channels = gear_set, channels
        self.passes: dict[int, tuple[Direction, CyclePass]] = {
            one.number: (one.direction, as_pass(one)) for one in recorded
        }
        self._seen: dict[Direction, Floats] = {}  # by flank, the newest pass
        self.watch: PassWatch | None = None
        self.turned: Turned | None = None
        self._fitted: tuple[list[CyclePass], tuple[CycleFlag, ...]] = [], ()
        self._turn: Pass | None = None

    def begin_anew(self) -> None:
        """Passes made so far no longer count."""
        self.passes.clear()
        self._seen.clear()
        self.watch = self.turned = self._turn = None

    def begin(self, turn: Pass, now_s: float) -> None:
        """A pass was asked for."""
        self.watch = PassWatch(turn, channels=self._channels, gear_set=self._gear_set, since_s=now_s)
        self.turned, self._turn = None, turn

    @property
    def curve_mm(self) -> Floats | None:
        """Normal backlash in each engagement where both flanks were seen, for a picture; None before that.

        No rock ties it yet, and the brake's wind-up is in it.
        """
        seen = dict(self._seen)
        if self._turn is not None and self.watch is not None:
            seen[self._turn.direction] = self.watch.advances.mean_mm
        if len(seen) < len(_WAYS):
            return None
        curve = self._gear_set.normal_from_transverse(seen["back"] - seen["forward"])
        return curve if np.isfinite(curve).any() else None

    def update(self, turn: Pass, now_s: float) -> Turned | None:
        """Take what came; the pass once it is complete, or cannot be.

        What is plainly wrong with it is found now, while brake and drive are as they were.
        """
        turned = None if self.watch is None else self.watch.update(now_s)
        if turned is not None and turned.samples is not None:
            wrong = self._wrong(turn, turned.samples)
            turned = replace(turned, samples=None, reason=wrong) if wrong else turned
        self.turned = turned
        return turned

    def _wrong(self, turn: Pass, samples: CyclePass) -> str:
        """Why a complete pass says nothing, alone or beside those of the other flank; empty where it does."""
        fault = encoder_fault(self._gear_set, advance_of(self._gear_set, samples))
        if fault is not None:
            return fault.sentence
        turned_at = samples.pinion_deg_per_s
        if turn.most_deg_per_s is not None and turned_at > _TOO_QUICK * turn.most_deg_per_s:
            return (
                f"the pinion was turned at {turned_at:.0f} °/s, and at most "
                f"{turn.most_deg_per_s:.0f} °/s show that the gear stays on its flank"
            )
        later = _OF_ALL_PASSES if samples.latched else _OF_TWO_STREAMS
        disabling = self._disabling([*self.passes.values(), (turn.direction, samples)])
        return " ".join(one.sentence for one in disabling if one.name not in later)

    def _disabling(self, passes: Collection[tuple[Direction, CyclePass]]) -> list[CycleFlag]:
        return [one for one in self._flags(passes) if one.disabling]

    def _flags(self, passes: Collection[tuple[Direction, CyclePass]]) -> tuple[CycleFlag, ...]:
        """What all passes together say; kept, since a fit takes a second and is asked for again."""
        held = [samples for _, samples in passes]
        before, flags = self._fitted
        if list(map(id, before)) != list(map(id, held)):
            fit = _of_both_flanks(passes, lambda drive, coast: fit_cycle(self._gear_set, drive, coast))
            flags = () if fit is None else fit.flags
            self._fitted = held, flags
        return flags

    def slower(self, turn: Pass, *, planned: int) -> tuple[tuple[Pass, ...], str]:
        """A slower pair of passes where the gear may have flown at the tight spot, and why.

        Args:
            turn: The last pass, which is good and not kept yet.
            planned: How many passes were planned.
        """
        samples = None if self.turned is None else self.turned.samples
        if samples is None or turn.number >= planned + _MOST_SLOWER:
            return (), ""
        passes = [*self.passes.values(), (turn.direction, samples)]
        flown = next((one for one in self._flags(passes) if one.name is _THROWN), None)
        if flown is None:
            return (), ""
        most = float(math.floor(_SLOWER * min(one.pinion_deg_per_s for _, one in passes)))
        pair = (
            Pass(number=turn.number + more, direction=way, brake_nm=turn.brake_nm, most_deg_per_s=most)
            for more, way in enumerate(_WAYS, start=1)
        )
        return tuple(pair), flown.sentence

    @property
    def refusal(self) -> str:
        """Why all passes together give no lash; empty where they do, or there are none on either flank."""
        found = " ".join(one.sentence for one in self._disabling(self.passes.values()))
        latched = all(samples.latched for _, samples in self.passes.values())
        return found if latched or not found else f"{found} {_TWO_STREAMS}"

    def keep(self, turn: Pass) -> Turned:
        """Keep the pass that was completed last."""
        turned = self.turned
        if turned is None or turned.samples is None:
            raise RuntimeError("a pass was kept that was not complete")
        self.passes[turn.number] = turn.direction, turned.samples
        if self.watch is not None:
            self._seen[turn.direction] = self.watch.advances.mean_mm
        self.watch = None
        return turned

    def tied(
        self, accepted: Sequence[events.RockAccepted], indicator: Indicator, conditions: Conditions
    ) -> tuple[CycleFit, LashCurve | None] | None:
        """The passes tied by accepted rocks, as the result will tie them; None where lash cannot be said."""
        rocks = TyingRocks(accepted, self._gear_set, indicator, conditions)
        return _of_both_flanks(list(self.passes.values()), rocks.tie)


def _of_both_flanks(
    passes: Collection[tuple[Direction, CyclePass]],
    fit: Callable[[list[CyclePass], list[CyclePass]], Fitted],
) -> Fitted | None:
    """What the passes forward and those back give; None without one of either, or where they give nothing."""
    drive, coast = ([one for direction, one in passes if direction == way] for way in _WAYS)
    if not (drive and coast):
        return None
    try:
        return fit(drive, coast)
    except CycleError:
        return None


def predict_from_cycle(
    curve: LashCurve, *, near: int, known: Collection[int], most: int
) -> events.TightSpotPredicted:
    """The tight spot of a cycle run and whether a rock is to confirm it.

    Args:
        curve: The run, tied to rocks.
        near: Engagement the gear stands at; the equivalent engagement with the shortest way is asked for.
        known: Engagements of confirming rocks so far.
        most: How many the plan allows.
    """
    spot, cycle = curve.tight_spot, curve.gear_set.mesh_cycle
    ask: tuple[int, ...] = ()
    if spot.engagement not in {one % cycle for one in known} and len(known) < most:
        ask = (nearest(spot.engagement, near, cycle),)
    return events.TightSpotPredicted(
        engagement=spot.engagement,
        gear_angle_deg=curve.gear_set.gear_angle_deg(spot.engagement),
        normal_backlash_mm=spot.backlash_mm,
        low_mm=spot.band_mm[0],
        high_mm=spot.band_mm[1],
        ask=ask,
    )
