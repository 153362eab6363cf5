"""Before the first position: cautions, what the files left open, the plan, the matched teeth.

What nobody answers is recorded as unproven, never assumed.

A test that goes on has its matched teeth found again by a person and compared with the record. The marks of
both members meet once in a mesh cycle. An encoder that kept its count shows them where the record has them,
whole mesh cycles aside. Where it says otherwise, it depends on where it stood before anyone went to the
marks. Where the record ended: it kept its count, so marks or count are wrong. At its own zero: it was
switched on anew and can say nothing, so the marks alone give the new reference, as they do for a new test.
Anywhere else: nobody knows which of the two it is, and nothing is proven. A record that ended because the
encoder jumped knows by how much: where that explains what the encoder shows, it is taken off.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal, Protocol

from lashmap_analysis.gears.gear_set import GearSet
from lashmap_analysis.judge.verdict import needs_every_tooth
from lashmap_analysis.lash_map.confirming import COVERAGE_FACTOR
from lashmap_analysis.lash_map.positions import every_tooth, plan_positions, positions_within
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Precondition, Shaft
from lashmap_analysis.rock.checks import LEAST_RESOLUTIONS

from lashmap_daemon.errors import EXIT_STOPPED, ConfigurationError, GearTurns, LashmapError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.preconditions import MatchedHow, collect, failed, proven, unproven
from lashmap_daemon.replay.replay import end_of_encoder
from lashmap_daemon.sequence.resume import Unfinished
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.plausible import implausible, unfit
from lashmap_daemon.setup.stand_file import ENCODER, Stand
from lashmap_daemon.setup.toml_file import MOST_IN_LABEL, MOST_IN_NAME, complaint
from lashmap_daemon.story import events, marks
from lashmap_daemon.story.method import Method
from lashmap_daemon.story.recorded import Box, HandSetup, Setup
from lashmap_daemon.story.recorded import Stand as RecordedStand
from lashmap_daemon.story.wording import CAUTIONS
from lashmap_daemon.testing.live_test import Opening
from lashmap_daemon.testing.passes import TIES

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


SAMPLE = 24  # positions of a plan that samples the mesh cycle and does not say how many
_ASKED = 10  # times, of a gear that never stands still
_CONFIRMATION = "locked out"
_NO = {"no", "n", "q", "quit", "stop"}


class Person(Protocol):
    """Someone who can be shown and asked something."""

    def show(self, text: str) -> None:
        """Show a line."""

    def ask(self, question: str) -> str:
        """Ask for a line of text; empty means no answer."""


class CautionsNotConfirmed(LashmapError):
    """Nobody confirmed the cautions, so nothing was started."""


class NotGoneOn(LashmapError):
    """A precondition fails already, and the person did not want a test that cannot be conforming."""

    exit_status = EXIT_STOPPED


@dataclass(frozen=True, kw_only=True)
class Nobody:
    """No person at the keyboard: lines are shown, every question stays open."""

    show: Callable[[str], None]

    def ask(self, question: str) -> str:  # noqa: ARG002 - the interface of a person
        """No answer."""
        return ""


@dataclass(frozen=True, kw_only=True)
class NotedPerson:
    """A person whose answers go into the record, with the questions.

    Attributes:
        notes: A sentence for each question, with what was shown before it.
    """

    person: Person
    notes: list[str] = field(default_factory=list)
    _shown: list[str] = field(default_factory=list)

    def show(self, text: str) -> None:
        """Show a line, and keep it for the next note."""
        self._shown.append(text)
        self.person.show(text)

    def ask(self, question: str) -> str:
        """Ask, and note question and answer."""
        answer = self.person.ask(question)
        said = f'Shown: "{" ".join(self._shown)}". ' if self._shown else ""
        self._shown.clear()
        self.notes.append(f'{said}Asked: "{question}". Answered: {answer.strip() or "Enter"!r}.')
        return answer


def confirm_cautions(person: Person, *, confirmed_before: bool) -> events.CautionsConfirmed:
    """Show the cautions and have them confirmed.

    Raises:
        CautionsNotConfirmed: When they were not.
    """
    person.show("Before hands go near the mesh:")
    for caution in CAUTIONS:
        person.show(f"  - {caution}")
    if confirmed_before:
        return events.CautionsConfirmed(how="on the command line (--locked-out)")
    question = f'Type "{_CONFIRMATION}" when the drive is isolated and locked out'
    answer = _plain(person.ask(question))
    if answer not in {"", _CONFIRMATION, *_NO}:  # a slip of the keys is no refusal; a second one is
        person.show(f'{answer!r} is not "{_CONFIRMATION}"; it is asked once more.')
        answer = _plain(person.ask(question))
    if answer != _CONFIRMATION:
        raise CautionsNotConfirmed(
            "the cautions were not confirmed, so nothing was started. Isolate and lock out the drive, then "
            f'run again and type "{_CONFIRMATION}" (or give --locked-out).'
        )
    return events.CautionsConfirmed(how="typed at the stand")


def _plain(answer: str) -> str:
    return answer.strip().strip('"').casefold()


def ask_name(person: Person, what: str, otherwise: str) -> str:
    """The name of somebody, asked until it can stand in a report; ``otherwise`` where none is typed."""
    while True:
        answer = person.ask(f"{what}; Enter = {otherwise}").strip() or otherwise
        wrong = complaint(answer, MOST_IN_LABEL)
        if not wrong:
            return answer
        person.show(wrong)


def ask_operator(person: Person, given: str, login: str) -> str:
    """Who tests: asked, since a login is often that of the computer at the bench and not of a person.

    Args:
        person: Is asked.
        given: On the command line; empty where nobody is named there.
        login: Stands for no answer, and where nobody is at a terminal.
    """
    return given or ask_name(person, "Who tests, as the report names them", login)


def complete_box(box: BoxFile, person: Person, build: events.BuildNamed | None = None) -> BoxFile:
    """Ask for the build's figures that the box file lacks; what is not answered stays unproven.

    Args:
        box: As its file, and its build, say.
        person: Is asked.
        build: Says which distances cannot be measured, and are not asked for.
    """
    beyond = {f"{member}_set_mm" for member, _ in (build.not_measurable if build else ())}
    for member in ("pinion", "gear"):
        box = _with_distances(box, person, member, beyond)
    mounting = box.mounting
    if mounting.bearings_within_drawing is not None:
        return box
    answer = person.ask("Bearing preload or end play within the drawing? yes, no, Enter = not recorded")
    answered = _yes_or_no(answer)
    if answered is None:
        return box
    bearings = mounting.bearings or "as answered at the stand"
    return _with_mounting(box, {"bearings_within_drawing": answered, "bearings": bearings})


def _with_distances(box: BoxFile, person: Person, member: Shaft, beyond: set[str]) -> BoxFile:
    """The box with the member's mounting distances, but for keys ``beyond`` measuring.

    An answer that cannot be meant is asked for again.
    Two answers that do not go together are both asked for again: nobody knows which of them is wrong.
    """
    answers: dict[str, object] = {}
    lacking = {
        f"{member}_{how}_mm": f"{member.capitalize()} mounting distance {words}"
        for how, words in (("marked", "as marked"), ("set", "as set"))
        if getattr(box.mounting, f"{member}_{how}_mm") is None and f"{member}_{how}_mm" not in beyond
    }
    left = list(lacking)
    while left:
        key = left.pop(0)
        value = _ask_length(person, lacking[key], box.box.units)
        if value is None:
            continue
        answers[key] = value
        problems = tuple(implausible(_with_mounting(box, answers).recorded()))
        for problem in problems:
            person.show(problem)
        if problems:
            answers, left = {}, list(lacking)
    return _with_mounting(box, answers) if answers else box


def _with_mounting(box: BoxFile, answers: dict[str, object]) -> BoxFile:
    return box.model_copy(update={"mounting": box.mounting.model_copy(update=answers)})


def _yes_or_no(answer: str) -> bool | None:
    word = answer.strip().casefold()
    return word in {"yes", "y"} if word in {"yes", "y", "no", "n"} else None


def failed_already(preconditions: tuple[Precondition, ...]) -> list[str]:
    """What no longer allows a *conforming*, whatever is measured, and what follows; empty when nothing."""
    wrong = [one for one in preconditions if one.state == "failed"]
    if not wrong:
        return []
    lines = [f"Fails already: {one.name}: {one.detail}. {one.remedy}" for one in wrong]
    follows = "This test can end nonconforming or not proven, never conforming, whatever is measured."
    return [*lines, follows]


def ask_to_go_on(preconditions: tuple[Precondition, ...], person: Person) -> tuple[str, ...]:
    """Show what fails already and ask whether to go on; returns notes for the record if nobody could answer.

    Raises:
        NotGoneOn: When the person does not want to.
    """
    lines = failed_already(preconditions)
    if not lines:
        return ()
    for line in lines:
        person.show(line)
    if isinstance(person, Nobody):
        return (f"Shown before position 1, with nobody to ask whether to go on: {' '.join(lines)}",)
    while True:
        answer = person.ask("Go on all the same? Enter or yes = go on, no = end here")
        wanted = _yes_or_no(answer) if answer.strip() else True
        if wanted is False:
            raise NotGoneOn("the test was not begun, since preconditions fail already; nothing was recorded")
        if wanted:
            return ()


def matched_teeth(
    setup: Setup | HandSetup, person: Person, *, encoder_deg: Callable[[], float]
) -> tuple[MatchedHow, events.MatchedTeethSet]:
    """The encoder's angle at engagement 0.

    The box file may carry it, for an absolute encoder; otherwise the person is asked to bring the marked
    teeth together.
    """
    if setup.matched_deg is not None:
        return "box file", events.MatchedTeethSet(encoder_deg=setup.matched_deg, how="box file")
    unused = f"{setup.unused_angle[:1].upper()}{setup.unused_angle[1:]}. " if setup.unused_angle else ""
    question = f'{unused}Bring the marked teeth together, then type "matched"; Enter = not known'
    answer, angle = ask_at_rest(question, person, encoder_deg=encoder_deg, ask=ask_matched)
    how: MatchedHow = "set at the stand" if is_matched(answer) else "assumed"
    person.show(f"{unused}Engagements count from the encoder's {angle:.3f}°, where it stands now ({how}).")
    return how, events.MatchedTeethSet(encoder_deg=angle, how=how, seen_deg=angle)


def matched_by_count(person: Person, *, again: bool = False) -> tuple[MatchedHow, events.MatchedTeethSet]:
    """Where the marked teeth are, without an encoder: engagement 0 where a person says so."""
    question = (
        f'Bring the marked teeth together{" again" if again else ""}, then type "matched": teeth are counted '
        "by hand from there; Enter = not known"
    )
    matched = is_matched(ask_matched(question, person))
    if not matched:
        here = "from where the test was left: the gear must stand there" if again else "from here"
        person.show(f"Nobody said where the marked teeth are: teeth are counted {here}.")
        return "assumed", events.MatchedTeethSet(encoder_deg=0.0, how="assumed")
    return "counted by hand", events.MatchedTeethSet(encoder_deg=0.0, how="counted by hand")


def ask_at_rest(
    question: str,
    person: Person,
    *,
    encoder_deg: Callable[[], float],
    ask: Callable[[str, Person], str] = lambda question, person: person.ask(question),
) -> tuple[str, float]:
    """The answer to a question, and the encoder's angle then, from a gear that stands still.

    While the gear turns, the person is warned and asked again.

    Raises:
        GearTurns: When there is nobody to hold it, or it never stands still.
        StandError: When no angle comes.
    """
    for left in reversed(range(_ASKED)):
        answer = ask(question, person)
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


def ask_matched(question: str, person: Person) -> str:
    """``matched``, or nothing where it is not known; after anything else it is asked again."""
    while (answer := person.ask(question)).strip() and not is_matched(answer):
        person.show(f'"{answer.strip()}" is neither: type "matched", or press Enter when it is not known.')
    return answer


def check_plan(
    box: BoxFile, stand: Stand, *, box_name: str, sweeps: tuple[Shaft, ...], method: Method = "rock"
) -> tuple[int, ...]:
    """The engagements of the planned positions.

    Raises:
        ConfigurationError: When the box's plan cannot be laid out, no instrument follows a sweep, or the
            stand does not fit the box.
    """
    if sweeps and stand.file.encoder is None:
        problem = "a runout sweep needs an encoder that says how far the shaft turned; leave the sweep out"
        raise ConfigurationError("--runout", [problem])
    if sweeps and stand.indicator_profile is None:
        problem = "a runout sweep needs an indicator that touches the shaft; leave the sweep out"
        raise ConfigurationError("--runout", [problem])
    if sweeps and stand.indicator_profile is not None and stand.indicator_profile.sends == "on its button":
        problem = (
            "a runout sweep needs an indicator that goes on sending while the shaft turns; this one sends "
            "when its button is pressed; leave the sweep out, or take another indicator"
        )
        raise ConfigurationError("--runout", [problem])
    if stand.file.indicator is None and (problem := too_coarse(box.recorded(), stand.recorded())):
        raise ConfigurationError(box_name, [problem])
    try:
        planned = lay_out(box.recorded(), method)
    except ValueError as error:
        raise ConfigurationError(box_name, [f"plan: {error}"]) from error
    if problems := list(unfit(box.recorded(), stand.recorded())):
        raise ConfigurationError(box_name, problems)
    return tuple(int(engagement) for engagement in planned)


def too_coarse(box: Box, stand: RecordedStand) -> str:
    """Why the counts of an encoder alone can prove nothing against the limits; empty when they can.

    A lash is a difference of two counts: U = 1.96 · count / √6 at 95 % (GUM F.2.2.1, twice), everything else
    aside. Below `LEAST_RESOLUTIONS` counts a rock is refused.
    """
    gear_set, indicator = box.gear_set_in_contact(), box.indicator(stand)
    limits, units = box.limits_for_analysis().normal_mm(gear_set), box.box.units
    count_mm = indicator.normal_per_reading(gear_set) * indicator.resolution_mm
    expanded_mm = COVERAGE_FACTOR * count_mm / math.sqrt(6.0)
    named = {name: limits[name] for name in ("minimum", "maximum") if limits.get(name, 0.0) > 0.0}
    room_mm = (
        named["maximum"] - named["minimum"] if len(named) == 2 else min(named.values(), default=math.inf)
    )
    least_mm = LEAST_RESOLUTIONS[1] * count_mm
    if room_mm > 2.0 * expanded_mm and min(named.values(), default=math.inf) >= least_mm:
        return ""
    shown = ", ".join(f"{name} {format_length(value, units)}" for name, value in named.items())
    # So many counts that both conditions hold.
    needed = max(2.0 * expanded_mm / room_mm, least_mm / min(named.values()))
    counts = stand.encoder.counts_per_turn if stand.encoder is not None else 0
    return (
        f"the encoder alone is too coarse for these limits: one of its {counts} counts is "
        f"{format_length(count_mm, units, decimals=4)} of normal backlash, so that counts alone leave U = "
        f"{format_length(expanded_mm, units, decimals=4)} (95 %), against {shown}. It takes "
        f"{math.ceil(counts * needed * 1.0001)} counts a turn or more, or an indicator"
    )


def lay_out(box: Box, method: Method = "rock") -> NDArray[np.int64]:
    """The engagements of a box's plan: a sample of so many positions, or every tooth.

    Without a number, a sample is as large as turns and mesh cycle allow, at most `SAMPLE`. Where a cycle run
    is the only method, rocks tie its level and few are enough; beside one no tooth is touched for its own
    sake.

    Raises:
        PlanError: The plan cannot be laid out.
    """
    plan, gear_set = box.plan, box.gear_set.gear_set()
    if method == "cycle":
        return plan_positions(gear_set, TIES, plan.gear_turns, repeats=0)
    every = plan.teeth == "every"
    if plan.teeth == "auto" and plan.positions is None and method == "rock":
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
    method: Method = "rock",
) -> events.TestStarted:
    """The start record with its planned positions.

    Raises:
        ConfigurationError: When the box's plan cannot be laid out, or the indicator cannot follow a sweep.
    """
    planned = check_plan(box, stand, box_name=box_name, sweeps=sweeps, method=method)
    return events.TestStarted(
        test=test_name(box.box.serial, now),
        operator=operator,
        setup=Setup.of(box.recorded(), stand.recorded()),
        planned=planned,
        version=version,
        sweeps=sweeps,
        local=local_time(now),
    )


def local_time(now: dt.datetime) -> str | None:
    """A moment by the clock on the wall with its offset from UTC; None where it comes as UTC alone."""
    return None if now.tzinfo is dt.UTC else now.isoformat(timespec="seconds")


def test_name(serial: str, now: dt.datetime) -> str:
    """Of a test of this box that begins now."""
    slug = re.sub(r"[^A-Za-z0-9]+", "-", serial)[:MOST_IN_NAME].strip("-") or "box"
    return f"{now.astimezone(dt.UTC):%Y%m%d-%H%M%S}-{slug}"


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


QUESTION = 'Bring the marked teeth together again, then type "matched"; Enter = not known'
_TOLD_TWICE = 2  # a person who says the same twice is believed to mean it
_NEAR = 0.25  # of a tooth
_MATCHED = "matched teeth"
Count = Literal["kept", "began anew", "not known"]


@dataclass(frozen=True, kw_only=True)
class FoundAgain:
    """What holds from here on.

    ``contradiction`` is what the encoder says against it, for the person; empty when nothing.
    """

    matched: events.MatchedTeethSet
    precondition: Precondition
    contradiction: str = ""


@dataclass(frozen=True, kw_only=True)
class Before:
    """Where the encoder stood before anyone went to the marks.

    Attributes:
        now_deg: As it is followed now.
        moved_deg: How far from where the record ended; None when it ended without an angle.
        in_record_deg: The same in the count of the record, had it kept that.
        count: Whether it kept its count.
        jump_deg: What was taken off for its jump.
    """

    now_deg: float
    moved_deg: float | None
    in_record_deg: float
    count: Count
    jump_deg: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Reference:
    """What the record says.

    Attributes:
        encoder_deg: The encoder's own angle at engagement 0.
        end_deg: Its last recorded angle, in the same count; None when there is none.
        gear_set: Under test.
        shaft: That carries the encoder.
        range_deg: After which the encoder's count begins again; None when it never does.
        jump_deg: By how much it jumped after that last angle; 0 when it did not.
    """

    encoder_deg: float
    end_deg: float | None
    gear_set: GearSet
    shaft: Shaft
    range_deg: float | None = None
    jump_deg: float = 0.0

    @property
    def pitch_deg(self) -> float:
        """One engagement, as the encoder's shaft turns."""
        return marks.pitch_deg(self.gear_set, self.shaft)

    def before(self, now_deg: float) -> Before:
        """Whether the encoder kept its count, from ``now_deg`` before anyone goes to the marks."""
        if self.end_deg is None:
            return Before(now_deg=now_deg, moved_deg=None, in_record_deg=now_deg, count="began anew")
        # An encoder that jumped may have stayed there, or have come back since.
        from_end_deg = now_deg - self.end_deg
        ways = ((self._within_range(from_end_deg - one), one) for one in self.jumps_deg)
        moved_deg, jump_deg = min(ways, key=lambda one: abs(one[0]))
        near_deg = _NEAR * self.pitch_deg
        count: Count = "not known"
        if abs(moved_deg) <= near_deg:
            count = "kept"
        elif abs(self._within_range(now_deg)) <= near_deg:
            count = "began anew"
        return Before(
            now_deg=now_deg,
            moved_deg=moved_deg,
            in_record_deg=self.end_deg + moved_deg,
            count=count,
            jump_deg=jump_deg,
        )

    @property
    def jumps_deg(self) -> tuple[float, ...]:
        """What the encoder may show too much: nothing, or its jump."""
        return (0.0, self.jump_deg) if self.jump_deg else (0.0,)

    def off_deg(self, away_deg: float, *, followed: bool) -> float:
        """How far a turn is from whole mesh cycles; from the nearest whole range as well, unless followed."""
        cycle_deg = self.gear_set.mesh_cycle * self.pitch_deg
        ranges = 0 if followed or self.range_deg is None else math.ceil(cycle_deg / self.range_deg)
        offs = (
            math.remainder(away_deg + count * (self.range_deg or 0.0), cycle_deg)
            for count in range(-ranges, ranges + 1)
        )
        return min(offs, key=abs)

    def _within_range(self, turned_deg: float) -> float:
        return turned_deg if self.range_deg is None else math.remainder(turned_deg, self.range_deg)


def find_again(
    reference: Reference, person: Person, *, encoder_deg: Callable[[], float], followed: bool = True
) -> tuple[FoundAgain, float | None]:
    """Have the marked teeth brought together again; also how far the encoder had moved before.

    ``followed``: the encoder followed a count that wraps from one call to the next.
    """
    before = reference.before(read_at_rest(person, encoder_deg))
    found = None
    for _ in range(_TOLD_TWICE):
        answer, found_deg = ask_at_rest(QUESTION, person, encoder_deg=encoder_deg, ask=ask_matched)
        if not is_matched(answer):
            return not_found(reference, before), before.moved_deg
        found = judge(reference, before, found_deg, followed=followed)
        if not found.contradiction:
            break
        person.show(found.contradiction)
    return found or not_found(reference, before), before.moved_deg


def read_at_rest(person: Person, encoder_deg: Callable[[], float]) -> float:
    """The encoder's angle before anybody was asked to hold the gear; who turns it is asked to wait."""
    try:
        return encoder_deg()
    except GearTurns:
        if isinstance(person, Nobody):
            raise
    return ask_at_rest(
        "The gear is turning. Hold it still, then press Enter", person, encoder_deg=encoder_deg
    )[1]


def not_found(reference: Reference, before: Before) -> FoundAgain:
    """The marked teeth were not brought together: the recorded reference is taken, and nothing proven."""
    return FoundAgain(
        matched=events.MatchedTeethSet(
            encoder_deg=reference.encoder_deg, how="assumed", moved_deg=0.0, seen_deg=before.in_record_deg
        ),
        precondition=unproven(
            _MATCHED,
            "the test was resumed and nobody brought the marked teeth together again; engagements count from "
            "a reference that is assumed",
            "Test again with the marked teeth brought together, or resume and say so.",
        ),
    )


def judge(reference: Reference, before: Before, found_deg: float, *, followed: bool = True) -> FoundAgain:
    """Compare where the marked teeth were found with the record.

    Args:
        reference: What the record says.
        before: Where the encoder stood before.
        found_deg: The encoder's own angle with the marked teeth together.
        followed: The encoder was followed from there to here; a count that wraps is otherwise known but for
            whole ranges.
    """
    jump_deg = before.jump_deg
    away_deg = found_deg - before.now_deg + before.in_record_deg - reference.encoder_deg
    if before.count == "not known":  # the gear was turned meanwhile, perhaps: either may explain the marks
        away_deg, jump_deg = min(
            ((away_deg + jump_deg - one, one) for one in reference.jumps_deg),
            key=lambda one: abs(reference.off_deg(one[0], followed=followed)),
        )
    matched = events.MatchedTeethSet(
        encoder_deg=found_deg, how="set at the stand", moved_deg=away_deg + jump_deg, seen_deg=found_deg
    )
    off_deg = reference.off_deg(away_deg, followed=followed)
    again = "brought together again when the test was resumed"
    if abs(off_deg) <= _NEAR * reference.pitch_deg:
        jumped = (
            f"; the encoder had jumped by {jump_deg / reference.pitch_deg:+.1f} teeth" if jump_deg else ""
        )
        found = proven(_MATCHED, f"{again}, {off_deg:+.2f}° from the record{jumped}")
        return FoundAgain(matched=matched, precondition=found)
    if before.count == "began anew":
        detail = f"{again}; the encoder could not confirm it: its count began anew"
        return FoundAgain(matched=matched, precondition=proven(_MATCHED, detail))
    return _contradicted(reference, before, matched, off_deg, again)


def _contradicted(
    reference: Reference, before: Before, matched: events.MatchedTeethSet, off_deg: float, again: str
) -> FoundAgain:
    """Marks and count do not agree by ``off_deg``: failed when the count was kept, otherwise unproven."""
    turns = reference.gear_set.mesh_cycle // reference.gear_set.gear_teeth
    by_count = f"by its count the marked teeth are {abs(off_deg / reference.pitch_deg):.1f} teeth from here"
    remedy = (
        "Look at both marks: pinion and gear meet there once in "
        f"{turns} {'turn' if turns == 1 else 'turns'} of the gear."
    )
    if before.count == "kept":
        what = f"the encoder stood where the record ended, and {by_count}"
        return FoundAgain(
            matched=matched,
            precondition=failed(
                _MATCHED,
                f"when the test was resumed {what}",
                "Look at the marks of both members, and test again from the start.",
            ),
            contradiction=f"{what[:1].upper()}{what[1:]}. {remedy}",
        )
    stood = f"the encoder stood {before.moved_deg:+.1f}° from where the record ended, and {by_count}"
    return FoundAgain(
        matched=matched,
        precondition=unproven(
            _MATCHED,
            f"{again}, but {stood}; whether it kept its count is not known",
            "If the encoder was switched off, switch it off and on at the marked teeth, so that its count "
            "begins anew there, and resume; or test again from the start.",
        ),
        contradiction=f"{stood[:1].upper()}{stood[1:]}. {remedy} If the encoder was switched off meanwhile, "
        "stop here, switch it off and on once more and resume, so that its count begins at its own zero.",
    )


def reference_of(unfinished: Unfinished, logbook: Logbook) -> Reference | None:
    """What the record says of the matched teeth; None when the test ended before there was a reference.

    Decodes the whole record of the encoder.

    Raises:
        LogbookError: When it cannot be read.
    """
    started, encoder = unfinished.started, unfinished.started.stand.encoder
    if unfinished.matched is None or encoder is None:
        return None
    reference_deg, end_deg, jump_deg = end_of_encoder(logbook, unfinished.test, unfinished.recorded.stand)
    return Reference(
        encoder_deg=reference_deg,
        end_deg=end_deg,
        gear_set=started.box.gear_set.gear_set(),
        shaft=encoder.shaft,
        range_deg=started.stand.decoders()[ENCODER].range_deg,
        jump_deg=jump_deg,
    )


def open_again(
    unfinished: Unfinished,
    reference: Reference | None,
    *,
    person: Person,
    cautions: events.CautionsConfirmed,
    rates_hz: dict[str, float],
    encoder_deg: Callable[[], float],
    followed: bool,
    operator: str,
    version: str,
    now: dt.datetime,
) -> Opening:
    """Have the marked teeth brought together again and put together what the test goes on with."""
    started = unfinished.started
    moved_deg: float | None = None
    proven: tuple[Precondition, ...] = ()
    if started.is_counted:
        how, matched = matched_by_count(person, again=True)
    elif reference is None:
        how, matched = matched_teeth(started.setup, person, encoder_deg=encoder_deg)
    else:
        found, moved_deg = find_again(reference, person, encoder_deg=encoder_deg, followed=followed)
        how = "assumed" if found.matched.how == "counted by hand" else found.matched.how
        matched, proven = found.matched, (found.precondition,)
    today = now.astimezone().date()
    build = unfinished.resumption.story.build
    others = collect(started.box, started.stand, matched=how, today=today, locked_out=True, build=build)
    names = {one.name for one in proven}
    return Opening(
        started=started,
        cautions=cautions,
        preconditions=(*(one for one in others if one.name not in names), *proven),
        matched=matched,
        rates_hz=rates_hz,
        resumed=unfinished.resumed(operator=operator, version=version, now=now, encoder_moved_deg=moved_deg),
        resumption=replace(unfinished.resumption, same_reference=how == "assumed" and not started.is_counted),
    )
