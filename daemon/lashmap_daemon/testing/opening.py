"""Before the first position: cautions, what the files left open, matched teeth.

What nobody answers is recorded as unproven, never assumed.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from lashmap_analysis.judge.verdict import needs_every_tooth
from lashmap_analysis.lash_map.positions import every_tooth, plan_positions, positions_within
from lashmap_analysis.record.record import Shaft

from lashmap_daemon.errors import ConfigurationError, GearTurns, LashmapError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.preconditions import MatchedHow
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import Stand
from lashmap_daemon.setup.toml_file import MOST_IN_NAME
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import Box, Setup
from lashmap_daemon.story.wording import CAUTIONS

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SAMPLE = 24  # positions of a plan that samples the mesh cycle and does not say how many
_ASKED = 10  # times, of a gear that never stands still
_CONFIRMATION = "locked out"


class Person(Protocol):
    """Someone who can be shown and asked something."""

    def show(self, text: str) -> None:
        """Show a line."""

    def ask(self, question: str) -> str:
        """Ask for a line of text; empty means no answer."""


class CautionsNotConfirmed(LashmapError):
    """Nobody confirmed the cautions, so nothing was started."""


@dataclass(frozen=True, kw_only=True)
class Nobody:
    """No person at the keyboard: lines are shown, every question stays open."""

    show: Callable[[str], None]

    def ask(self, question: str) -> str:  # noqa: ARG002 - the interface of a person
        """No answer."""
        return ""


def confirm_cautions(person: Person, *, confirmed_before: bool) -> events.CautionsConfirmed:
    """Show the cautions and have them confirmed.

    Args:
        person: Who is shown and asked.
        confirmed_before: The command line already carried the confirmation.

    Raises:
        CautionsNotConfirmed: When they were not.
    """
    person.show("Before hands go near the mesh:")
    for caution in CAUTIONS:
        person.show(f"  - {caution}")
    if confirmed_before:
        return events.CautionsConfirmed(how="on the command line (--locked-out)")
    answer = person.ask(f'Type "{_CONFIRMATION}" when the drive is isolated and locked out')
    if answer.strip().strip('"').casefold() != _CONFIRMATION:
        raise CautionsNotConfirmed(
            "the cautions were not confirmed, so nothing was started. Isolate and lock out the drive, then "
            f'run again and type "{_CONFIRMATION}" (or give --locked-out).'
        )
    return events.CautionsConfirmed(how="typed at the stand")


def complete_box(box: BoxFile, person: Person, build: events.BuildNamed | None = None) -> BoxFile:
    """Ask for the build's figures that the box file lacks; what is not answered stays unproven.

    Args:
        box: As its file, and its build, say.
        person: Is asked.
        build: Says which distances cannot be measured, and are not asked for.
    """
    beyond = {f"{member}_set_mm" for member, _ in (build.not_measurable if build else ())}
    mounting = box.mounting
    answers: dict[str, object] = {}
    for key, words in (
        ("pinion_marked_mm", "Pinion mounting distance as marked"),
        ("pinion_set_mm", "Pinion mounting distance as set"),
        ("gear_marked_mm", "Gear mounting distance as marked"),
        ("gear_set_mm", "Gear mounting distance as set"),
    ):
        if getattr(mounting, key) is None and key not in beyond:
            value = _ask_length(person, words, box.box.units)
            if value is not None:
                answers[key] = value
    if mounting.bearings_within_drawing is None:
        answer = person.ask("Bearing preload or end play within the drawing? yes, no, Enter = not recorded")
        if answer.strip().casefold() in {"yes", "y", "no", "n"}:
            answers["bearings_within_drawing"] = answer.strip().casefold() in {"yes", "y"}
            answers["bearings"] = mounting.bearings or "as answered at the stand"
    if not answers:
        return box
    return box.model_copy(update={"mounting": mounting.model_copy(update=answers)})


def matched_teeth(
    box: Box, person: Person, *, encoder_deg: Callable[[], float]
) -> tuple[MatchedHow, events.MatchedTeethSet]:
    """The encoder's angle at engagement 0.

    Args:
        box: May carry it.
        person: Is asked to bring the marked teeth together otherwise.
        encoder_deg: Reads the encoder now.
    """
    if box.matched_teeth.encoder_deg is not None:
        angle = box.matched_teeth.encoder_deg
        return "box file", events.MatchedTeethSet(encoder_deg=angle, how="box file")
    question = 'Bring the marked teeth together, then type "matched"; Enter = not known'
    answer, angle = ask_at_rest(question, person, encoder_deg=encoder_deg)
    how: MatchedHow = "set at the stand" if is_matched(answer) else "assumed"
    return how, events.MatchedTeethSet(encoder_deg=angle, how=how, seen_deg=angle)


def ask_at_rest(question: str, person: Person, *, encoder_deg: Callable[[], float]) -> tuple[str, float]:
    """The answer to a question, and the encoder's angle then, from a gear that stands still.

    While the gear turns, the person is warned and asked again.

    Raises:
        GearTurns: When there is nobody to hold it, or it never stands still.
        StandError: When no angle comes.
    """
    for left in reversed(range(_ASKED)):
        answer = person.ask(question)
        try:
            return answer, encoder_deg()
        except GearTurns as error:
            if isinstance(person, Nobody) or not left:
                raise
            person.show(f"{str(error)[:1].upper()}{str(error)[1:]}.")
    raise RuntimeError("nobody was asked")


def is_matched(answer: str) -> bool:
    """Somebody says that the marked teeth are together."""
    return answer.strip().strip('"').casefold() == "matched"


def check_plan(box: BoxFile, stand: Stand, *, box_name: str, sweeps: tuple[Shaft, ...]) -> tuple[int, ...]:
    """The engagements of the planned positions.

    Raises:
        ConfigurationError: When the box's plan cannot be laid out, or the indicator cannot follow a sweep.
    """
    if sweeps and stand.indicator_profile.sends == "on its button":
        problem = (
            "a runout sweep needs an indicator that goes on sending while the shaft turns; this one sends "
            "when its button is pressed; leave the sweep out, or take another indicator"
        )
        raise ConfigurationError("--runout", [problem])
    try:
        planned = lay_out(box.recorded())
    except ValueError as error:
        raise ConfigurationError(box_name, [f"plan: {error}"]) from error
    return tuple(int(engagement) for engagement in planned)


def lay_out(box: Box) -> NDArray[np.int64]:
    """The engagements of a box's plan: a sample of so many positions, or every tooth.

    Without a number, a sample is as large as turns and mesh cycle allow, at most `SAMPLE`.

    Raises:
        PlanError: The plan cannot be laid out.
    """
    plan, gear_set = box.plan, box.gear_set.gear_set()
    every = plan.teeth == "every"
    if plan.teeth == "auto" and plan.positions is None:
        every = plan.gear_turns >= 1 and needs_every_tooth(gear_set, box.limits_for_analysis())
    if every:
        return every_tooth(gear_set, plan.gear_turns, repeats=plan.repeats)
    count = plan.positions
    if count is None:
        count = min(SAMPLE, positions_within(gear_set, plan.gear_turns))
    return plan_positions(gear_set, count, plan.gear_turns, repeats=plan.repeats)


def start_record(
    box: BoxFile,
    stand: Stand,
    *,
    operator: str,
    now: dt.datetime,
    version: str,
    box_name: str,
    sweeps: tuple[Shaft, ...] = (),
) -> events.TestStarted:
    """The start record with its planned positions.

    Raises:
        ConfigurationError: When the box's plan cannot be laid out, or the indicator cannot follow a sweep.
    """
    planned = check_plan(box, stand, box_name=box_name, sweeps=sweeps)
    slug = re.sub(r"[^A-Za-z0-9]+", "-", box.box.serial)[:MOST_IN_NAME].strip("-") or "box"
    return events.TestStarted(
        test=f"{now.astimezone(dt.UTC):%Y%m%d-%H%M%S}-{slug}",
        operator=operator,
        setup=Setup(box=box.recorded(), stand=stand.recorded()),
        planned=planned,
        version=version,
        sweeps=sweeps,
    )


def unused_name(logbook: Logbook, test: str) -> str:
    """``test``, or with a number behind it when there is one of that name: the wall clock was set back."""
    name, count = test, 1
    while next(iter(logbook.events(name)), None) is not None:
        count += 1
        name = f"{test}-{count}"
    return name


def _ask_length(person: Person, words: str, units: str) -> float | None:
    while True:
        answer = person.ask(f"{words}, in {units}; Enter = not recorded").strip().removesuffix(units).strip()
        if not answer:
            return None
        try:
            value = float(answer.replace(",", "."))
        except ValueError:
            value = -1.0
        if value > 0.0:
            return value * (25.4 if units == "in" else 1.0)
        person.show(
            f"{answer!r} is not a length; write for example {'3.1250' if units == 'in' else '79.375'}"
        )
