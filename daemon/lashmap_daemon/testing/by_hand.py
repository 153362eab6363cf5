"""A test by hand leads a person with a dial gauge and no cable: teeth are counted, readings are typed.

Order, repeats and confirming are those of every test (`sequence`), and so are prediction and record; here
what instruments would say comes from typed lines. Every rock is in the logbook before anything else is asked.
Where the gear stands is known by counting alone: before the tight spot is confirmed, the mark is looked at
once more where the count says it must be. A sheet that was filled in before (`bench_sheet`) is typed in the
same way, a line a position; when it was measured, is what the sheet says.
"""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Literal, Protocol

from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_analysis.lash_map.lash_map import LashMapError
from lashmap_analysis.record.lengths import format_length, format_spread
from lashmap_analysis.record.record import Precondition, TypedReadings
from lashmap_analysis.rock.cross_check import stated_mm
from lashmap_analysis.rock.rock import RockReading
from lashmap_analysis.rock.typed import measure_typed

from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.resume import Resumption, compare
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.setup.gauge_file import FEWEST_ROCKS
from lashmap_daemon.story import events, marks
from lashmap_daemon.story.cause import CHOICES, HOW_TO_ANSWER, answer_of
from lashmap_daemon.story.recorded import Gauge
from lashmap_daemon.story.story import BEGINNING, Target, apply
from lashmap_daemon.story.wording import BACK, FORWARD, FlagsOnce, cause_sentence, sentence
from lashmap_daemon.testing.bench_sheet import SheetCode, check_turn
from lashmap_daemon.testing.prediction import NO_PHASES, confirming_left, no_prediction, predict
from lashmap_daemon.testing.typed_line import (
    Note,
    Rock,
    Word,
    Wrong,
    moment_typed,
    understood,
    understood_row,
)

END_OF_INPUT = "end of input"


class Typist(Protocol):
    """Somebody who is shown lines and types lines."""

    def show(self, text: str) -> None:
        """Show a line."""

    def line(self, question: str, *, fresh: bool = False) -> str | None:
        """Ask for a line; None at the end of input. With ``fresh`` what was typed before is no answer."""


@dataclass(frozen=True, kw_only=True)
class FilledSheet:
    """A sheet that is typed in.

    Attributes:
        code: As printed on it.
        read: Who measured when, by the sheet, and who types.
    """

    code: SheetCode
    read: events.SheetRead


@dataclass(frozen=True, kw_only=True)
class HandOpening:
    """What a test by hand begins with, or goes on with.

    Attributes:
        started: Its start record.
        cautions: How they were confirmed.
        preconditions: Each with its state.
        matched: Whether the marked teeth were brought together.
        resumed: That it goes on; None for a new test.
        resumption: From where; None for a new test.
        build: The build that the box came from; None when none was named.
        sheet: The sheet that is typed in; None where somebody measures now.
        notes: What was asked and answered before the first position, a sentence each.
    """

    started: events.TestStarted
    cautions: events.CautionsConfirmed
    preconditions: tuple[Precondition, ...]
    matched: bool
    resumed: events.TestResumed | None = None
    resumption: Resumption | None = None
    build: events.BuildNamed | None = None
    sheet: FilledSheet | None = None
    notes: tuple[str, ...] = ()


class HandTest:
    """Leads one test to its closing record.

    Args:
        opening: Identity and preconditions.
        gauge: The dial gauge.
        logbook: Where everything is kept.
        typist: The person.
        now_s: Monotonic clock, in seconds.

    Attributes:
        story: What has happened so far.
    """

    def __init__(
        self,
        opening: HandOpening,
        gauge: Gauge,
        logbook: Logbook,
        typist: Typist,
        *,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._opening, self._gauge, self._logbook, self._typist = opening, gauge, logbook, typist
        self._sheet = opening.sheet
        self._started, box = opening.started, opening.started.box
        self._box, self._units = box, box.box.units
        self._gear_set, self._indicator = box.gear_set_in_contact(), box.gauge(gauge)
        self._most_mm = self._gear_set.outer_module_mm / 2
        self._now_s, self._flags_once = now_s, FlagsOnce()
        resumption = opening.resumption
        self._begun_s = now_s() - (resumption.first_s if resumption else 0.0)
        self._reading: RockReading | None = None
        self._dated: set[int] = set()  # lines of which it is known when they were measured
        self.story = resumption.story if resumption else BEGINNING
        # Engagement at which the gear stands by the count: the marks, or where a test was left.
        newest = None if opening.matched and self._sheet is None else self.story.newest
        self._at = newest.engagement if newest else 0
        self._state, self._actions = (
            resumption.step if resumption else sequence.begin(self._started.planned, tries=box.plan.tries)
        )

    def run(self) -> events.TestClosed:
        """Lead the test; it is closed whatever the person does.

        Raises:
            LogbookError: When something cannot be written; what was typed before is kept.
        """
        self._emit(self._opening.resumed or self._started, shown=self._opening.resumed is not None)
        self._typist.show(
            f"Test {self._started.test}: {len(self._started.planned)} positions planned. The marked teeth "
            f"are gear tooth 1 and pinion tooth 1; {FORWARD} is the way in which tooth numbers rise: choose "
            "it, mark it, and keep to it."
        )
        if self._sheet is None:
            self._typist.show("Beside readings you may type: skip, again, stop, note and words.")
        else:
            self._typist.show(
                "Type each line of the sheet, its boxes from left to right, spaces between. Or: skip for an "
                "empty line, again for the line before, stop, note and words."
            )
        if self._opening.build is not None:
            self._emit(self._opening.build, shown=False)
        self._emit(self._opening.cautions)
        self._emit(events.PreconditionsRecorded(preconditions=self._opening.preconditions))
        if self._sheet is not None and not self.story.sheets:
            self._emit(self._sheet.read)
        how: Literal["counted by hand", "assumed"] = "counted by hand" if self._opening.matched else "assumed"
        self._emit(events.MatchedTeethSet(encoder_deg=0.0, how=how), shown=self._opening.matched)
        for text in self._opening.notes:
            self._emit(events.NoteTaken(text=text), shown=False)
        if not self._opening.matched:
            self._typist.show("Nobody said where the marked teeth are: teeth are counted from here.")
        try:
            self._act(self._actions)
            while self._state.phase is not Phase.CLOSED:
                self._WAITS[self._state.phase](self)
        except KeyboardInterrupt:
            self._happen(sequence.Stop("interrupted", "interrupted"))
        if self.story.closed is None:
            raise RuntimeError("a test ended without its closing record")
        return self.story.closed

    # The person -------------------------------------------------------------------------------------------

    def _position(self) -> None:
        """Take the rocks of the position that is asked for."""
        target = self._state.target
        if target is None:
            raise RuntimeError("no position is asked for")
        while self._state.phase in {Phase.TURNING, Phase.ROCKING} and self._state.target == target:
            rocks = self._rocks(target)
            said = self._listen(self._question(target, len(rocks)))
            if isinstance(said, tuple):
                self._take(target, said)
            elif said == "enough" and len(rocks) >= FEWEST_ROCKS:
                self._judge(target)
            elif said == "enough":
                self._typist.show(f"  {FEWEST_ROCKS} rocks or more are needed; skip leaves the position out.")
            elif said == "again":
                before = self._state
                self._happen(sequence.Repeat())
                if self._state == before:
                    self._typist.show("  There is no position to take again.")
            elif said == "skip":
                self._say_where(target)
                self._happen(sequence.Skip())
            else:
                self._stop(said)

    def _take(self, target: Target, said: tuple[Rock, ...]) -> None:
        """Keep what was typed, and judge the position when that was all of it."""
        if not self._is_dated(target):
            self._stop(None)
            return
        before = len(self._rocks(target))
        self._at = target.engagement
        if not before:
            self._happen(sequence.Arrived())
        for rock in said:
            self._keep(target, rock)
        if self._sheet is not None or before + len(said) >= self._gauge.rocks:
            self._judge(target)

    def _question(self, target: Target, rocks: int) -> str:
        if self._sheet is None:
            return f"  rock {rocks + 1} of {self._gauge.rocks}"
        return f"  line {target.number}, {teeth_met(self._gear_set, target.engagement)}"

    def _is_dated(self, target: Target) -> bool:
        """Have said when a line was measured that the sheet did not have at first; False at end of input."""
        if self._sheet is None or target.purpose == "planned" or target.number in self._dated:
            return True
        while True:
            said = self._typist.line("  measured when, such as 2031-05-17 14:30; Enter = just now")
            if said is None:
                return False
            when = moment_typed(said, now=dt.datetime.now(dt.UTC))
            if isinstance(when, str):
                self._dated.add(target.number)
                self._emit(replace(self._sheet.read, measured_utc=when))
                return True
            self._typist.show(f"  {when.answer}")

    def _say_where(self, target: Target) -> None:
        """A position is left out: the next way counts from where the gear really stands."""
        if self._sheet is not None and target.purpose == "planned":
            self._at = target.engagement  # the way of the sheet goes through all of its positions
            return
        if target.engagement == self._at:
            return
        question = f"  stands the gear at engagement {target.engagement}? yes, no (still at {self._at})"
        if self._listen(question, words=("yes", "y", "no", "n")) in {"yes", "y"}:
            self._at = target.engagement

    def _find_cause(self) -> None:
        """Rocks were refused in a row: nothing is taken before somebody says why."""
        stuck = self._state.stuck
        if stuck is None:
            raise RuntimeError("no cause is asked for")
        while self._state.phase is Phase.FINDING:
            line = self._typist.line("  what was it? 1 to 5, after 4 also what", fresh=True)
            text = "" if line is None else line.strip()
            word, _, rest = text.partition(" ")
            found = answer_of(text)
            if line is None or text.casefold() == "stop":
                self._stop(line)
            elif found is not None:
                given_up = self._state.given_up if found.cause != "nothing" else ()
                self._emit(
                    events.CauseAnswered(
                        number=stuck.number,
                        refused=self._state.refused,
                        cause=found.cause,
                        words=found.words,
                        again=tuple(one.number for one in given_up),
                    )
                )
                self._happen(sequence.CauseTold(found.cause != "nothing"))
            elif word.casefold() == "note" and rest:
                self._note(rest)
            else:
                self._typist.show(f"  {text!r} says no cause: {HOW_TO_ANSWER}; or stop, note and words.")

    def _look_at_marks(self) -> None:
        """Count to where the gear's mark must be in the mesh, and see whether it is there."""
        if self.story.matched is not None and self.story.matched.how == "assumed":
            self._happen(sequence.MarksSeen())
            return
        at = self._at if self._sheet is None else self._started.planned[-1]
        turns, turn = check_turn((at,), self._gear_set.gear_teeth)
        self._at = at + turn
        if self._sheet is None:
            way = (
                f"turn the gear {FORWARD if turn > 0 else BACK} {abs(turn)} teeth, counting"
                if turn
                else "stay here"
            )
            self._typist.show(f"Check of the count: {way}. The mark of the gear must stand in the mesh now.")
        else:
            self._typist.show(
                "Check of the count, as ticked on the sheet: did the mark of the gear stand there?"
            )
        while True:
            said = self._listen("  does it? yes, no, skip", words=("yes", "no"))
            if said == "stop" or said is None:
                self._stop(said)
                return
            if said == "skip":
                self._note("The marks were not looked at again before the tight spot was confirmed.")
                self._happen(sequence.MarksSeen())
                return
            if said in {"yes", "no"}:
                break
            self._typist.show('  Type "yes" or "no"; "skip" when nobody can see the mark.')
        found = marks.by_count(
            self._gear_set,
            turns=turns,
            answer=str(said),
            attempt=self._state.marks_tries + 1,
            agrees=said == "yes",
        )
        self._emit(found)
        if found.agrees:
            self._happen(sequence.MarksSeen())
        elif not found.last:
            if self._sheet is None:
                self._typist.show("  Look at the mark once more, and count the way here again.")
            self._happen(sequence.MarksOff())
        else:
            self._happen(sequence.Stop("failed", "the count of teeth was lost; test again from the marks"))

    def _listen(self, question: str, words: tuple[str, ...] = ()) -> tuple[Rock, ...] | Word | str | None:
        """The next line with a meaning; notes are kept, the rest is answered; None at the end of input."""
        while True:
            line = self._typist.line(question, fresh=bool(words))
            if line is None:
                return None
            if line.strip().casefold() in words:
                return line.strip().casefold()
            said = self._understood(line)
            if isinstance(said, Note):
                self._note(said.text)
            elif isinstance(said, Wrong):
                self._typist.show(f"  {said.answer}")
            else:
                return (said,) if isinstance(said, Rock) else said

    def _understood(self, line: str) -> Rock | tuple[Rock, ...] | Word | Note | Wrong:
        if self._sheet is None:
            return understood(line, units=self._units, most_lash_mm=self._most_mm)
        code = self._sheet.code
        return understood_row(
            line,
            units=self._units,
            most_lash_mm=self._most_mm,
            both=code.both,
            fewest=FEWEST_ROCKS,
            most=code.rocks,
        )

    def _stop(self, said: object) -> None:
        if said is None:
            self._happen(sequence.Stop("interrupted", END_OF_INPUT))
        else:
            self._happen(sequence.Stop("stopped", "stopped by the operator"))

    # The rocks --------------------------------------------------------------------------------------------

    def _rocks(self, target: Target) -> tuple[events.RockTyped, ...]:
        """What was typed in this try."""
        typed = self.story.typed.get(target.number, ())
        return tuple(one for one in typed if one.attempt == target.attempt)

    def _keep(self, target: Target, rock: Rock) -> None:
        self._emit(
            events.RockTyped(
                number=target.number,
                engagement=target.engagement,
                attempt=target.attempt,
                typed=rock.line,
                first_mm=rock.first_mm,
                other_mm=rock.other_mm,
            )
        )

    def _read(self, number: int) -> RockReading:
        """What was typed at a position; its uncertainty is learned from all that was typed so far."""
        others = set(self.story.accepted) - {number}
        return measure_typed(
            _readings(self.story.typed[number]),
            [_readings(rocks) for other, rocks in self.story.typed.items() if other in others],
            step_mm=self._indicator.resolution_mm,
            most_mm=self._most_mm,
        )

    def _weighed(self, one: events.RockAccepted) -> events.RockAccepted:
        """An accepted position with the uncertainty that it has by now, as the result will weigh it."""
        normal = self._indicator.normal_per_reading(self._gear_set)
        spread_mm = normal * self._read(one.number).standard_uncertainty_mm
        return replace(one, standard_uncertainty_mm=spread_mm)

    def _judge(self, target: Target) -> None:
        self._reading = self._read(target.number)
        reasons = tuple(flag.sentence for flag in self._reading.flags if flag.disabling)
        self._happen(sequence.RockBad(reasons) if reasons else sequence.RockGood())

    def _accept(self, action: sequence.Accept) -> None:
        target, reading = action.target, self._reading
        if reading is None:
            raise RuntimeError("a rock was accepted that was not measured")
        normal = self._indicator.normal_per_reading(self._gear_set)
        now_s = self._now_s() - self._begun_s
        accepted = events.RockAccepted(
            number=target.number,
            engagement=target.engagement,
            purpose=target.purpose,
            attempt=target.attempt,
            start_s=now_s,
            end_s=now_s,
            reading_mm=reading.reading_mm,
            normal_backlash_mm=stated_mm(reading, self._gear_set, self._indicator, self._box.conditions()),
            standard_uncertainty_mm=normal * reading.standard_uncertainty_mm,
            reversals=reading.reversals,
            flags=tuple(flag.name.value for flag in reading.flags),
        )
        self._emit(accepted, shown=False)
        shown = format_length(accepted.normal_backlash_mm, self._units)
        spread = format_spread(reading.spread_mm, self._units, decimals=4)
        self._typist.show(f"  kept: normal backlash {shown}, {reading.reversals} rocks, spread {spread}")
        resumption = self._opening.resumption
        if (
            resumption
            and resumption.check
            and resumption.check_of
            and resumption.check.number == target.number
        ):
            step_mm = normal * self._indicator.resolution_mm
            pitch_deg = 360.0 / self._gear_set.gear_teeth
            self._emit(
                compare(
                    resumption.check_of,
                    accepted,
                    resolution_mm=step_mm,
                    pitch_deg=pitch_deg,
                    same_reference=False,
                )
            )

    # What the sequence wants ------------------------------------------------------------------------------

    def _happen(self, happened: sequence.Input) -> None:
        self._state, actions = sequence.step(self._state, happened)
        self._act(actions)

    def _act(self, actions: Iterable[sequence.Action]) -> None:
        for action in actions:
            self._ACTS[type(action)](self, action)

    def _ask(self, action: sequence.Ask) -> None:
        target, gear_set = action.target, self._gear_set
        turn = target.engagement - self._at
        self._emit(
            events.PositionAsked(
                number=target.number,
                engagement=target.engagement,
                gear_angle_deg=gear_set.gear_angle_deg(target.engagement),
                turn_teeth=turn,
                turn_deg=gear_set.gear_angle_deg(turn),
                purpose=target.purpose,
                attempt=target.attempt,
                reason=target.reason,
            ),
            shown=self._sheet is None or target.purpose == "confirming",
        )
        if self._sheet is not None:
            if target.purpose == "confirming":
                self._typist.show(
                    "     Write it on an empty line of the sheet, measure it, and type the line here; or "
                    "skip, and the tight spot stays unconfirmed."
                )
            return
        self._typist.show(
            f"     Rock {self._gauge.rocks} times; type both flanks in {self._units}, or the lash alone."
        )

    def _begin_rock(self, action: sequence.BeginRock) -> None:
        number, engagement = action.target.number, action.target.engagement
        now_s = self._now_s() - self._begun_s
        self._emit(events.RockStarted(number=number, engagement=engagement, start_s=now_s))

    def _refuse(self, action: sequence.Refuse) -> None:
        now_s, target = self._now_s() - self._begun_s, action.target
        self._emit(
            events.RockRefused(
                number=target.number,
                engagement=target.engagement,
                attempt=target.attempt,
                start_s=now_s,
                end_s=now_s,
                reasons=action.reasons,
            )
        )

    def _ask_cause(self, action: sequence.AskCause) -> None:
        number, engagement = action.target.number, action.target.engagement
        asked = events.CauseAsked(
            number=number, engagement=engagement, refused=action.refused, choices=CHOICES
        )
        self._emit(asked, shown=False)
        for line in cause_sentence(asked, between="\n").split("\n"):
            self._typist.show(f"  {line}")

    def _leave_out(self, action: sequence.LeaveOut) -> None:
        number, engagement = action.target.number, action.target.engagement
        self._emit(events.PositionSkipped(number=number, engagement=engagement, reason=action.reason))

    def _predict(self, _: sequence.Predict) -> None:
        story = self.story
        accepted = [self._weighed(one) for one in story.accepted.values()]
        most = confirming_left(story, self._box.plan.confirming_positions)
        try:
            predicted = predict(self._gear_set, accepted, most=most, near=self._at)
        except LashMapError as error:
            self._note(no_prediction(len(accepted), error))
            self._happen(sequence.Confirm((), mapped=False))
            return
        self._emit(predicted)
        if self._box.plan.roll_phases is not None and not predicted.ask:
            self._note(NO_PHASES)
        self._happen(sequence.Confirm(predicted.ask))

    def _close(self, action: sequence.Close) -> None:
        self._emit(events.TestClosed(outcome=action.outcome, reason=action.reason))

    def _nothing(self, _: sequence.Action) -> None:
        """The loop asks for it."""

    _ACTS: ClassVar[dict[type[sequence.Action], Callable[[Any, Any], None]]] = {
        sequence.Ask: _ask,
        sequence.BeginRock: _begin_rock,
        sequence.Accept: _accept,
        sequence.Refuse: _refuse,
        sequence.AskCause: _ask_cause,
        sequence.LeaveOut: _leave_out,
        sequence.Predict: _predict,
        sequence.AskMarks: _nothing,
        sequence.Close: _close,
    }

    _WAITS: ClassVar[dict[Phase, Callable[[Any], None]]] = {
        Phase.TURNING: _position,
        Phase.FINDING: _find_cause,
        Phase.CHECKING: _look_at_marks,
    }

    def _note(self, text: str) -> None:
        self._emit(events.NoteTaken(text=text))

    def _emit(self, event: events.Event, *, shown: bool = True) -> None:
        """Make an event durable, take it into the story, and only then show it."""
        utc = f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
        stamped = events.Stamped(time_s=self._now_s() - self._begun_s, utc=utc, event=event)
        self._logbook.append(self._started.test, stamped)
        self.story = apply(self.story, stamped)
        said = self._flags_once(event)
        text = sentence(said, self._units, self._started.box.gear_set) if shown else None
        if text:
            self._typist.show(text)


def _readings(rocks: Iterable[events.RockTyped]) -> TypedReadings:
    return TypedReadings(rocks_mm=tuple((one.first_mm, one.other_mm) for one in rocks))
