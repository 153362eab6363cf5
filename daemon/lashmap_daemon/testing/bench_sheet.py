"""The sheet of a test by hand: the plan on paper, and the code by which it is known when it is typed in.

The code says how its lines are meant (how many rocks, low and high or the lash) and which box and plan it was
printed for. So a sheet is never typed into a test whose positions are others.
"""

from __future__ import annotations

import hashlib
import json
import re
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.record.lengths import UNIT_NAMES, format_given

from lashmap_daemon.setup.gauge_file import FEWEST_ROCKS, MOST_ROCKS
from lashmap_daemon.story.recorded import Box, Gauge
from lashmap_daemon.story.wording import BACK, CAUTIONS, FORWARD

if TYPE_CHECKING:
    from lashmap_analysis.render.bench_sheet import BenchSheet

# No letter or digit that a hand writes like another one.
_LETTERS = "23456789ABCDEFGHJKMNPQRTUVWXYZ"
_LENGTH, _GROUP = 8, 4  # 39 bits: two plans do not share a code by chance
_CODE = re.compile(rf"([{FEWEST_ROCKS}-{MOST_ROCKS}])([FL])([{_LETTERS}]{{{_LENGTH}}})")


@dataclass(frozen=True, kw_only=True)
class SheetCode:
    """What the code of a sheet says.

    Attributes:
        rocks: Boxes for rocks that a line has.
        both: A rock has two boxes, low and high; otherwise one, for the lash.
        plan: Digest of box and plan.
    """

    rocks: int
    both: bool
    plan: str

    def __str__(self) -> str:
        halves = (self.plan[:_GROUP], self.plan[_GROUP:])
        return f"{self.rocks}{'F' if self.both else 'L'}-{'-'.join(halves)}"

    @classmethod
    def of(cls, box: Box, planned: Sequence[int], *, rocks: int, both: bool) -> SheetCode:
        """The code of the sheet of a box with so many positions; what a build measures does not change it."""
        said = {
            "serial": box.box.serial,
            "set": box.box.set_number,
            "units": box.box.units,
            "teeth": [box.gear_set.pinion_teeth, box.gear_set.gear_teeth],
            "planned": list(planned),
        }
        number = int.from_bytes(hashlib.sha256(json.dumps(said, sort_keys=True).encode()).digest()[:16])
        letters = []
        for _ in range(_LENGTH):
            number, at = divmod(number, len(_LETTERS))
            letters.append(_LETTERS[at])
        return cls(rocks=rocks, both=both, plan="".join(letters))

    @classmethod
    def read(cls, text: str) -> SheetCode | None:
        """A code as somebody typed it; None when it is none."""
        found = _CODE.fullmatch(re.sub(r"[\s-]", "", text).upper())
        return None if found is None else cls(rocks=int(found[1]), both=found[2] == "F", plan=found[3])


def check_turn(planned: Sequence[int], gear_teeth: int) -> tuple[int, int]:
    """Where the gear's mark is looked for after the last line: whole turns of it, and the teeth to there."""
    turns = round(planned[-1] / gear_teeth)
    return turns, turns * gear_teeth - planned[-1]


def way_text(teeth: int) -> str:
    """How many teeth to turn the gear, and which way."""
    return f"{FORWARD if teeth > 0 else BACK} {abs(teeth)}" if teeth else "stay"


def bench_sheet(
    box: Box,
    planned: Sequence[int],
    code: SheetCode,
    *,
    gauge: Gauge | None,
    files: Sequence[str],
    version: str,
) -> BenchSheet:
    """All that stands on the sheet.

    Args:
        box: To be tested.
        planned: Its positions, in the order of travel.
        code: Of the sheet.
        gauge: What is known of the dial gauge; None leaves room to write it down.
        files: Box and gauge file as arguments of `lashmap run`.
        version: Of this program.
    """
    # What sets the page loads when a sheet is wanted.
    from lashmap_analysis.render.bench_sheet import (  # noqa: PLC0415 - templates and charts: slow to import
        BenchLine,
        BenchSheet,
    )

    teeth, serial = box.gear_set, box.box.serial
    ways = [after - before for before, after in zip((0, *planned), planned, strict=False)]
    return BenchSheet(
        title=f"Backlash by hand: {serial}",
        code=str(code),
        box=_box_rows(box),
        limits=_limits(box),
        to_fill=_to_fill(box, gauge),
        ticks=_TICKS,
        cautions=CAUTIONS,
        how=_how(box, code),
        lines=tuple(
            BenchLine(
                number=number,
                way=way_text(way),
                gear_tooth=teeth_met(teeth, engagement).gear_tooth,
                pinion_tooth=teeth_met(teeth, engagement).pinion_tooth,
                turn=engagement // teeth.gear_teeth + 1,
            )
            for number, (engagement, way) in enumerate(zip(planned, ways, strict=True), start=1)
        ),
        rocks=code.rocks,
        both=code.both,
        again=box.plan.confirming_positions,
        check=_check(planned, teeth.gear_teeth),
        afterwards=_AFTERWARDS,
        command=shlex.join(("lashmap", "run", *files, "--sheet", str(code))),
        gear_teeth=teeth.gear_teeth,
        pinion_teeth=teeth.pinion_teeth,
        units=box.box.units,
        footer=f"sheet {code} · {serial} · lashmap {version}",
    )


_TICKS = (
    "Cautions read; the drive is isolated and locked out.",
    "Marked teeth were together at the start; counted from there.",
)
_AFTERWARDS = (
    "Leave box, tip and gauge as they are, if you can: the program may name a tight spot to measure too.",
    (
        "Type the sheet in with the command below: first who, when and what is ticked, then one line a "
        "position, its boxes from left to right with spaces between (0,25 is as good as 0.25), in the order "
        "of the lines. For an empty line type skip; again takes the line before once more."
    ),
    "The record says when and by whom it was measured, and when it was typed in. Keep this sheet with it.",
    "Acceptance comes from the drawing and from those licensed to sign.",
)


def _box_rows(box: Box) -> tuple[tuple[str, str], ...]:
    teeth = box.gear_set
    rows = (
        ("box", box.box.type),
        ("serial number", box.box.serial),
        ("gear set", box.box.set_number),
        ("teeth", f"pinion {teeth.pinion_teeth}, gear {teeth.gear_teeth}"),
        ("tip", _tip(box)),
        ("remark", box.box.remark),
    )
    return tuple(row for row in rows if row[1])


def _tip(box: Box) -> str:
    tip, units = box.tip, box.box.units
    where = "on an arm on the gear's shaft" if tip.on_arm else "on a gear tooth"
    way = "square to the flank" if tip.direction == "normal" else "in the plane of rotation"
    return f"{where}, {format_given(tip.touch_radius_mm, units)} from the gear's axis, {way}"


def _limits(box: Box) -> tuple[str, ...]:
    limits, units = box.limits, box.box.units
    named: tuple[tuple[str, float | None], ...] = (
        ("least", limits.minimum_mm),
        ("most", limits.maximum_mm),
        ("variation at most", limits.variation_mm),
    )
    given = [f"{name} {format_given(value, units)}" for name, value in named if value is not None]
    if not given:
        return ("None in the box file: nothing is judged.",)
    source = f", from {limits.source}" if limits.source else ""
    line = f"Backlash ({limits.kind}, outer end, at the tightest point): {', '.join(given)}{source}."
    return (
        line,
        "A dial reading is not yet the backlash: the program converts it, and states how sure it is.",
    )


def _to_fill(box: Box, gauge: Gauge | None) -> tuple[tuple[str, str], ...]:
    units = box.box.units
    scale = "" if gauge is None else format_given(gauge.division_mm, units)
    due = "" if gauge is None or gauge.calibration_due is None else gauge.calibration_due.isoformat()
    return (
        ("measured by", ""),
        ("begun: date, time", ""),
        ("ended: time", ""),
        (f"gauge: one division, in {UNIT_NAMES[units]}", scale),
        ("gauge: serial number", "" if gauge is None else gauge.serial),
        ("gauge: calibration due", due),
        ("housing, °C", ""),
        ("gears, °C", ""),
        ("remark", ""),
    )


def _how(box: Box, code: SheetCode) -> tuple[str, ...]:
    kind = "low and high of every rock as the dial shows them" if code.both else "the lash of every rock"
    return (
        "Bring the marked teeth together. They are gear tooth 1 and pinion tooth 1.",
        (
            "Choose which way is FORWARD, mark it, and keep to it: tooth numbers in the mesh rise while the "
            "gear turns FORWARD."
        ),
        "Turn the gear by whole teeth to the next line, and see that the teeth named there are in the mesh.",
        (
            f"Hold the pinion. Rock the gear lightly, flank to flank, {FEWEST_ROCKS} to {code.rocks} times. "
            f"Write {kind}, in {UNIT_NAMES[box.box.units]}, read to half a division."
        ),
        "Where a line names teeth that were measured before, take the tip off and set it anew first.",
        "A line that cannot be measured stays empty. Turn on all the same: the next line counts from there.",
        "After the last line do the check of the count.",
    )


def _check(planned: Sequence[int], gear_teeth: int) -> str:
    turns, way = check_turn(planned, gear_teeth)
    go = f"turn the gear {way_text(way)} teeth" if way else "stay where it is"
    there = (
        f"{turns} {'turn' if turns == 1 else 'turns'} of the gear FORWARD of the start"
        if turns
        else "the start"
    )
    return (
        f"From the last line {go}. By the count that is {there}: the marked tooth of the gear (tooth 1) must "
        "stand in the mesh. Does it?"
    )
