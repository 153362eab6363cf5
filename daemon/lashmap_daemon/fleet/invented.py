"""An invented hall: records of stands, boxes and people that do not exist, with known faults in them.

For a demonstration and for tests. What is wrong is written down in `Truth`, so that an answer can be held
against it: one stand drifts, one measures otherwise than the others, boxes of one lot have much runout.
No figure here comes from any real hall.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from lashmap_daemon.bus import messages
from lashmap_daemon.bus.messages import POSITION, RESULT, ROOT, SCHEMA, outgoing
from lashmap_daemon.logbook.digests import EventRow
from lashmap_daemon.story import events

if TYPE_CHECKING:
    from numpy.typing import NDArray

CHECK = "CHECK-"


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is wrong in the hall.

    Attributes:
        drifting: Stand whose check standard seems to lose backlash, and how much, µm a month.
        odd: Stand that reads too much of every box, and how much, µm.
        bad_lot: How the serial numbers of the lot with a large gear runout begin, and its amplitude, µm.
    """

    drifting: tuple[str, float] = ("bench-07", -6.0)
    odd: tuple[str, float] = ("bench-12", 9.0)
    bad_lot: tuple[str, float] = ("INV-1545-L3-", 22.0)


@dataclass(frozen=True)
class Kind:
    """A type of box; its limits are ``_LIMIT_MM`` to both sides of what it is built for."""

    box: str
    pinion_teeth: int
    gear_teeth: int
    built_for_mm: float


@dataclass(frozen=True, kw_only=True)
class Box:
    """A box as it comes to a stand: what it has, and not what is read of it."""

    kind: Kind
    serial: str
    mean_mm: float
    gear_um: float
    pinion_um: float


_KINDS = (
    Kind("INV-1340", 13, 40, 0.120),
    Kind("INV-2020", 20, 20, 0.105),
    Kind("INV-1545", 15, 45, 0.140),
)
_PEOPLE = ("A. Nobody", "B. Nobody", "C. Nobody")
_LIMIT_MM = 0.022
_VERSION = "invented"
_SETTING_MM = 0.0012  # scatter from one setting of the tip to the next
_ROCK_MM = 0.0004
_HALF_INTERVAL_MM = 0.003


@dataclass(kw_only=True)
class Hall:
    """So many stands, from a day on; its records come once.

    Attributes:
        tests_a_day: Of each stand, that of its check standard each morning among them.
        positions: Of each test.
    """

    stands: int
    first: dt.date
    days: int
    tests_a_day: int = 4
    positions: int = 8
    seed: int = 1
    truth: Truth = Truth()

    def __post_init__(self) -> None:
        self._rng = np.random.default_rng(self.seed)
        self._made = 0
        self._again: list[Box] = []

    def records(self) -> Iterator[tuple[str, bytes]]:
        """Topic and payload of every record, in the order of the days."""
        for day in range(self.days):
            for index in range(1, self.stands + 1):
                for number in range(self.tests_a_day):
                    yield from self._test(day, index, number)

    def _test(self, day: int, index: int, number: int) -> Iterator[tuple[str, bytes]]:
        stand = f"bench-{index:02d}"
        check = number == 0
        box = self._check_standard(index) if check else self._box(index + number)
        at = dt.timedelta(days=day, hours=2 * number, seconds=index % 3600)
        began = dt.datetime.combine(self.first, dt.time(6), dt.UTC) + at
        test = f"{began:%Y%m%d-%H%M%S}-{box.serial}-{stand}"
        engagements, lash_mm = self._read(box, self._shift_mm(stand, day, check=check))
        base = f"{ROOT}/{stand}"
        for rock, (engagement, value) in enumerate(zip(engagements, lash_mm, strict=True), 1):
            record = _rock(rock, int(engagement), float(value))
            yield f"{base}/{POSITION.name}", _payload(stand, test, began, 4 + 3 * rock, record)
        found = _figures(box.kind, engagements, lash_mm)
        if found["outcome"] != "conforming" and not check:
            shimmed = replace(box, mean_mm=box.mean_mm + box.kind.built_for_mm - float(lash_mm.mean()))
            self._again.append(shimmed)
        members = [_member("gear", box.gear_um), _member("pinion", box.pinion_um)]
        whole = {
            **_identity(stand, test, began, box, _PEOPLE[(index + day) % len(_PEOPLE)]),
            **found,
            "positions": self.positions,
            "runout": {"members": members, "sentence": "", "remedy": ""},
        }
        yield f"{base}/{RESULT.name}", messages.payload(messages.Result.model_validate(whole))

    def _check_standard(self, index: int) -> Box:
        kind = _KINDS[index % len(_KINDS)]
        return Box(
            kind=kind,
            serial=f"{CHECK}{index:02d}",
            mean_mm=kind.built_for_mm,
            gear_um=4.0,
            pinion_um=2.0,
        )

    def _box(self, turn: int) -> Box:
        """The next box: one that was shimmed, where one waits and this turn takes it, or a new one."""
        if self._again and turn % 5 == 0:
            return self._again.pop(0)
        rng, kind = self._rng, _KINDS[turn % len(_KINDS)]
        self._made += 1
        lot = f"{kind.box}-L{int(rng.integers(1, 6))}-"
        gear_um = abs(rng.normal(5.0, 2.0))
        bad = lot == self.truth.bad_lot[0]
        return Box(
            kind=kind,
            serial=f"{lot}{self._made % 10_000:04d}",
            mean_mm=kind.built_for_mm + rng.normal(0.0, 0.008),
            gear_um=self.truth.bad_lot[1] if bad else gear_um,
            pinion_um=abs(rng.normal(3.0, 1.5)),
        )

    def _shift_mm(self, stand: str, day: int, *, check: bool) -> float:
        """What the stand reads too much on a day."""
        shift_um = 0.0
        if stand == self.truth.drifting[0]:
            shift_um += self.truth.drifting[1] * day / 30.0
        if stand == self.truth.odd[0] and not check:
            shift_um += self.truth.odd[1]
        return shift_um / 1000.0

    def _read(self, box: Box, shift_mm: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Engagements that were rocked and what was read there."""
        rng, kind = self._rng, box.kind
        gear_deg, pinion_deg = rng.uniform(0.0, 2.0 * math.pi, 2)
        cycle = math.lcm(kind.gear_teeth, kind.pinion_teeth)
        engagements = np.sort(rng.choice(cycle, self.positions, replace=False)).astype(np.int64)
        turns = 2.0 * math.pi * engagements
        lash_mm = (
            box.mean_mm
            + shift_mm
            + rng.normal(0.0, _SETTING_MM)
            + box.gear_um / 1000.0 * np.cos(turns / kind.gear_teeth + gear_deg)
            + box.pinion_um / 1000.0 * np.cos(turns / kind.pinion_teeth + pinion_deg)
            + rng.normal(0.0, _ROCK_MM, self.positions)
        )
        return engagements, lash_mm


def _rock(number: int, engagement: int, lash_mm: float) -> events.RockAccepted:
    return events.RockAccepted(
        number=number,
        engagement=engagement,
        purpose="planned",
        attempt=1,
        start_s=30.0 * number,
        end_s=30.0 * number + 12.0,
        reading_mm=lash_mm * 1.02,
        normal_backlash_mm=lash_mm,
        standard_uncertainty_mm=0.0008,
        reversals=8,
        flags=(),
        gear_deg=None,
    )


def _payload(stand: str, test: str, began: dt.datetime, event: int, rock: events.RockAccepted) -> bytes:
    kind, body = events.to_json(rock)
    utc = (began + dt.timedelta(seconds=rock.end_s)).isoformat(timespec="milliseconds")
    row = EventRow(test=test, number=event, place=event, time_s=rock.end_s, utc=utc, kind=kind, body=body)
    made = outgoing(row, f"{ROOT}/{stand}")
    if made is None:
        raise ValueError(kind)
    return made.payload


def _identity(stand: str, test: str, began: dt.datetime, box: Box, operator: str) -> dict[str, Any]:
    ended = began + dt.timedelta(minutes=12)
    return {
        "schema": SCHEMA,
        "stand": stand,
        "id": f"{test}/result/1",
        "test": test,
        "utc": ended.isoformat(timespec="seconds"),
        "started_utc": began.isoformat(timespec="seconds"),
        "box": box.kind.box,
        "serial": box.serial,
        "set_number": "",
        "operator": operator,
        "closing": "completed",
        "analysis_version": _VERSION,
        "reasons": [],
        "would_settle": [],
        "cautions": [],
        "tight_spot_measured": None,
        "tight_spot_predicted": None,
        "confirmed": True,
        "cause": "",
        "sweeps": [],
        "gear_teeth": box.kind.gear_teeth,
        "pinion_teeth": box.kind.pinion_teeth,
    }


def _figures(kind: Kind, engagements: NDArray[np.int64], lash_mm: NDArray[np.float64]) -> dict[str, Any]:
    """The least that was read, and what it means against the limits."""
    at = int(np.argmin(lash_mm))
    engagement, least_mm = int(engagements[at]), float(lash_mm[at])
    ends_mm = (least_mm - _HALF_INTERVAL_MM, least_mm + _HALF_INTERVAL_MM)
    limits_mm = (kind.built_for_mm - _LIMIT_MM, kind.built_for_mm + _LIMIT_MM)
    if limits_mm[0] <= ends_mm[0] and ends_mm[1] <= limits_mm[1]:
        outcome = "conforming"
    elif ends_mm[1] < limits_mm[0] or ends_mm[0] > limits_mm[1]:
        outcome = "nonconforming"
    else:
        outcome = "not proven"
    spot = {
        "engagement": engagement,
        "gear_tooth": engagement % kind.gear_teeth + 1,
        "pinion_tooth": engagement % kind.pinion_teeth + 1,
        "gear_angle_deg": 360.0 * engagement / kind.gear_teeth,
        "normal_backlash_mm": least_mm,
        "standard_uncertainty_mm": _HALF_INTERVAL_MM / 2.0,
        "expanded_uncertainty_mm": _HALF_INTERVAL_MM,
        "interval_low_mm": ends_mm[0],
        "interval_high_mm": ends_mm[1],
    }
    lash = dict.fromkeys(messages.Lash.model_fields) | {"judged": "rocks", "mean_mm": float(lash_mm.mean())}
    return {"outcome": outcome, "tight_spot_stated": spot, "lash": lash}


def _member(name: str, amplitude_um: float) -> dict[str, Any]:
    known = {"member": name, "separable": True, "amplitude_mm": amplitude_um / 1000.0}
    return dict.fromkeys(messages.MemberRunout.model_fields) | known | {"standard_uncertainty_mm": 0.001}
