"""What a box file leads to, before anybody goes to the stand: geometry, plan, questions, what is missing."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

from lashmap_analysis.gears.indicator import Indicator
from lashmap_analysis.judge.verdict import bars
from lashmap_analysis.record.lengths import format_given, format_length
from lashmap_drivers.ports.regular_file import FileRefused, read_regular
from rich.console import Console

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.replay.preconditions import of_box
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.meanings import meaning
from lashmap_daemon.setup.toml_file import MOST_BYTES, load
from lashmap_daemon.story.recorded import Box
from lashmap_daemon.testing.opening import lay_out

_OF_A_BOX = re.compile(rb"(?m)^\s*\[\s*(?:box|gear_set)\s*\]")
_STEP_MM = 0.001  # the geometry does not depend on it


def is_box(path: Path) -> bool:
    """Whether a file has the tables of a box file; a file that cannot be read has none."""
    try:
        return _OF_A_BOX.search(read_regular(path, MOST_BYTES)) is not None
    except FileRefused:
        return False


def check_box(path: Path, console: Console) -> None:
    """Print what a test of this box would be.

    Raises:
        ConfigurationError: The file is wrong, or its plan cannot be laid out.
    """
    file = load(path, BoxFile)
    box = file.recorded()
    say(console, f"{box.box.type}, serial {box.box.serial}", "bold")
    for title, lines in (
        ("Gear set", _gear_set(box)),
        ("Plan", _plan(box, path)),
        ("Limits", _limits(box)),
        ("Asked at the start", _asked(box)),
        ("Missing for a verdict, or failing already", _missing(box)),
        ("Left out, at a cost in uncertainty", _costs(file)),
        ("Next", _next(path)),
    ):
        console.print()
        say(console, title, "bold")
        for line in lines:
            say(console, f"  {line}")


def _next(path: Path) -> Iterator[str]:
    book = ("--logbook", "gearboxes.logbook")
    yield f"while the box is built, its sheet: {shlex.join(('lashmap', 'build', str(path), *book))}"
    yield f"the test: {shlex.join(('lashmap', 'run', 'STAND', str(path), *book))}"
    yield f"without any cable: {shlex.join(('lashmap', 'run', '--by-hand', str(path), *book))}"


def _gear_set(box: Box) -> Iterator[str]:
    gear_set = box.gear_set_in_contact()
    z1, z2, cycle = gear_set.pinion_teeth, gear_set.gear_teeth, gear_set.mesh_cycle
    hunting = (
        "hunting: each pinion tooth meets each gear tooth"
        if gear_set.hunting
        else (f"not hunting: each gear tooth meets {cycle // z2} of the {z1} pinion teeth")
    )
    yield f"ratio {z2}:{z1} = {gear_set.ratio:.4f}; {hunting}"
    yield f"mesh cycle {cycle} engagements, {cycle // z2} turn{'s' if cycle > z2 else ''} of the gear"
    units = box.box.units
    yield (
        f"outer pitch radius of the gear {format_length(gear_set.outer_gear_pitch_radius_mm, units)}, outer "
        f"cone distance {format_length(gear_set.outer_cone_distance_mm, units)}"
    )
    indicator = Indicator(resolution_mm=_STEP_MM, **vars(box.tip))
    factor = indicator.normal_per_reading(gear_set)
    read = "along the flank normal" if box.tip.direction == "normal" else "in the plane of rotation"
    yield f"normal backlash = {factor:.4f} x reading (indicator {read})"
    yield f"transverse backlash = {1.0 / gear_set.normal_per_transverse:.4f} x normal backlash"


def _plan(box: Box, path: Path) -> Iterator[str]:
    try:
        planned = lay_out(box)
    except ValueError as error:
        raise ConfigurationError(str(path), [f"plan: {error}"]) from error
    gear_set, plan = box.gear_set.gear_set(), box.plan
    once = len(set(planned.tolist()))
    gear = len({one % gear_set.gear_teeth for one in planned.tolist()})
    pinion = len({one % gear_set.pinion_teeth for one in planned.tolist()})
    early = "; fewer when the readings settle the verdict" if plan.stop_when_settled else ""
    yield f"{once} positions, {len(planned) - once} of them measured again with the tip set anew{early}"
    yield f"{planned.max() / gear_set.gear_teeth:.1f} turns of the gear to the farthest, then back"
    z1, z2 = gear_set.pinion_teeth, gear_set.gear_teeth
    yield f"touches {gear} of {z2} gear teeth, {pinion} of {z1} pinion teeth"
    several = "s" if plan.confirming_positions > 1 else ""
    yield f"then at most {plan.confirming_positions} confirming position{several} at the tight spot"
    if plan.roll_phases is not None:
        yield "then the tight spot a third of a pitch back and forward, where an encoder shows that place"
    yield f"each rock: {plan.reversals} reversals, at most {plan.rock_seconds:g} s and {plan.tries} tries"
    yield "how long it takes depends on how fast you turn and rock; the program does not know that"


def _limits(box: Box) -> Iterator[str]:
    limits, units = box.limits, box.box.units
    for words, value in (
        ("least", limits.minimum_mm),
        ("most", limits.maximum_mm),
        ("variation at most", limits.variation_mm),
    ):
        if value is not None:
            yield f"{words} {format_given(value, units)} {limits.kind} backlash"
    if limits.minimum_mm is None and limits.maximum_mm is None and limits.variation_mm is None:
        yield "none: the backlash is measured, and nothing is judged"
    elif limits.source:
        yield f"from {limits.source}; decision rule {limits.decision_rule}"


def _asked(box: Box) -> Iterator[str]:
    """What `testing.opening` asks of this box."""
    yield "that the drive is isolated and locked out"
    for member in ("pinion", "gear"):
        for how, words in (("marked", "as marked"), ("set", "as set")):
            if getattr(box.mounting, f"{member}_{how}_mm") is None:
                yield f"{member} mounting distance {words}"
    if box.mounting.bearings_within_drawing is None:
        yield "whether bearing preload or end play is within the drawing"
    angle_deg = box.matched_teeth.encoder_deg
    unless = (
        "" if angle_deg is None else f", unless the stand's encoder is absolute: then {angle_deg:g}° counts"
    )
    yield f"to bring the marked teeth together{unless}"


def _missing(box: Box) -> Iterator[str]:
    found = False
    limits = box.limits
    if limits.minimum_mm is None and limits.maximum_mm is None and limits.variation_mm is None:
        found = True
        yield "limits: none, so there is no verdict; record limits.minimum and limits.maximum"
    for one in of_box(box):
        if one.state == "proven":
            continue
        found = True
        weight = "" if bars(one) else " (does not bar conforming by itself)"
        yield f"{one.name} {one.state.upper()}: {one.detail}. {one.remedy}{weight}"
    if not found:
        yield "nothing in this file"
    yield "calibrations are in the stand file; the run says what they lack"


# Keys whose absence the uncertainty pays for, and when it does not.
_PAID = (
    ("contact", "place"),
    ("contact", "roll_variation_mm"),
    ("temperature", "housing_c"),
    ("temperature", "gears_c"),
    ("temperature", "housing_material"),
    ("torque", "rock_nm"),
)


def _costs(file: BoxFile) -> Iterator[str]:
    keys = [(table, key) for table, key in _PAID if getattr(getattr(file, table), key) is None]
    if file.tip.direction == "normal" and not file.tip.on_arm and file.tip.height_mm is None:
        keys.append(("tip", "height_mm"))
    if file.gear_set.mean_spiral_angle_deg and file.gear_set.cutter_radius_mm is None:
        keys.append(("gear_set", "cutter_radius_mm"))
    if not keys:
        yield "nothing"
    for table, key in keys:
        what = meaning(table, key).what
        yield f"{table}.{key}: {what[:1].lower()}{what[1:]}"
