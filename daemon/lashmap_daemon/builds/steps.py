"""What is asked at each step of the sheet, and the event that the answers make.

Nothing is entered before the last question of a step was answered, so that a step that is left leaves nothing
half done; a side of the pattern and a figure of a bearing are entered one by one.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable
from pathlib import Path

from lashmap_analysis.builds.pattern import Along, Flank, Up
from lashmap_analysis.record.record import Shaft, Units

from lashmap_daemon.builds import events, questions
from lashmap_daemon.builds.book import BuildBook, its_tests
from lashmap_daemon.builds.questions import Asked, Wrong
from lashmap_daemon.builds.sheet import StepKey, budget_lines, newest_result, reached_text
from lashmap_daemon.builds.wording import length_text, pack_text, quantity_unit
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.logbook.photograph import read_photo
from lashmap_daemon.setup.plausible import implausible_distance
from lashmap_daemon.story.recorded import Box

_COLDEST_C, _HOTTEST_C = -40.0, 120.0


class Session:
    """Somebody works on the sheet of a build.

    Args:
        book: The build.
        asked: Who answers.
        by: Who enters it: asked for, not taken from the login.
        box: What a figure has to fit.
    """

    def __init__(self, book: BuildBook, asked: Asked, by: str, box: Box) -> None:
        self.book, self.asked, self.by, self.box = book, asked, by, box

    @property
    def units(self) -> Units:
        """Of the box."""
        given = self.book.build.given
        return "mm" if given is None else given.units

    def ask(self, key: StepKey) -> None:
        """Go through a step.

        Raises:
            Left: When whoever answers leaves it.
            ConfigurationError: For a wrong answer in a file.
            LogbookError: When it cannot be written.
        """
        steps: dict[StepKey, Callable[[], None]] = {
            "job": self._job,
            "pinion shims": lambda: self._shims("pinion"),
            "pinion distance": lambda: self._distance("pinion"),
            "pinion bearings": lambda: self._bearings("pinion"),
            "pattern": self._patterns,
            "gear shims": lambda: self._shims("gear"),
            "gear distance": lambda: self._distance("gear"),
            "gear bearings": lambda: self._bearings("gear"),
            "acceptance": self._acceptance,
            "backlash": self._backlash,
            "decision": self._decision,
        }
        steps[key]()

    def note(self) -> None:
        """Write something down."""
        text = self.asked.question("Note", lambda answer: questions.needed(questions.remark(answer)))
        self.book.append(events.NoteWritten(by=self.by, local=self.book.local, text=text))

    def close(self) -> bool:
        """Close the build; False when it is left open after all."""
        asked = self.asked
        sure = asked.question("Close the build: nothing can be entered afterwards; yes or no", questions.yes)
        if not sure:
            return False
        remark = asked.question("Remark; Enter = none", questions.remark)
        self.book.append(events.BuildClosed(by=self.by, local=self.book.local, remark=remark))
        return True

    def _job(self) -> None:
        text: dict[str, str] = {}
        for key, words in (
            ("work_order", "Work order"),
            ("customer_reference", "Customer's reference"),
            ("drawing", "Drawing"),
            ("revision", "Revision of the drawing"),
            ("pinion_part", "Part number of the pinion"),
            ("pinion_serial", "Serial number of the pinion"),
            ("gear_part", "Part number of the gear"),
            ("gear_serial", "Serial number of the gear"),
        ):
            text[key] = self.asked.question(f"{words}; Enter = not recorded", questions.line)
        warmth = self.asked.question("Temperature of the box, in °C; Enter = not recorded", _temperature)
        self.book.append(events.JobRecorded(by=self.by, local=self.book.local, temperature_c=warmth, **text))

    def _shims(self, member: Shaft) -> None:
        build, units, show = self.book.build, self.units, self.asked.show
        chain, proposed = build.chain(member), build.proposed(member)
        example = questions.PACK[units]
        ask = f"Pack that is fitted to the {member}, thickness of each piece in {units}, such as {example}"
        if chain is None or proposed is None:
            pieces = self.asked.question(ask, lambda answer: questions.pieces(answer, units))
        else:
            pack = proposed.pack_mm
            show(f"The parts of the {member} ask for a pack of {length_text(chain.needed_mm, units)}:")
            for line in budget_lines(proposed, units):
                show(line)
            show(f"Nearest of the stock: {pack_text(pack, units)}, which brings")
            show(f"  {reached_text(proposed, chain.marked_mm, units)}")
            pieces = self.asked.question(
                f"{ask}; Enter = as proposed",
                lambda answer: questions.pieces(answer, units) if answer else pack,
            )
        self.book.append(
            events.ShimsFitted(by=self.by, local=self.book.local, member=member, pieces_mm=pieces)
        )
        for said in self.book.build.withdrawn.values():
            show(said)

    def _distance(self, member: Shaft) -> None:
        units = self.units

        def distance(answer: str) -> float | None:
            if answer.casefold() == "none":
                return None
            value = questions.above_nothing(answer, units)
            for why in implausible_distance(self.box, member, value):
                raise Wrong(why)
            return value

        measured = self.asked.question(
            f"Mounting distance of the {member} as measured, in {units}; none = cannot be measured here",
            distance,
        )
        if measured is None:
            reason = self.asked.question("Why it cannot be measured", questions.needed)
            self.book.append(
                events.DistanceNotMeasurable(by=self.by, local=self.book.local, member=member, reason=reason)
            )
            self.asked.show(
                "Then a contact pattern that somebody accepts by name stands for it; without one no test of "
                "this box is conforming."
            )
            return
        spread = self.asked.question(
            f"Standard uncertainty of that, in {units}", lambda answer: questions.above_nothing(answer, units)
        )
        how = self.asked.question("How it was measured", questions.needed)
        instrument = self.asked.question("Instrument and its serial number", questions.needed)
        self.book.append(
            events.DistanceMeasured(
                by=self.by,
                local=self.book.local,
                member=member,
                distance_mm=measured,
                uncertainty_mm=spread,
                how=how,
                instrument=instrument,
            )
        )

    def _bearings(self, member: Shaft) -> None:
        choices = tuple(events.QUANTITY_UNITS)
        quantity = self.asked.question(f"Bearings of the {member}: {', '.join(choices)}", _quantity)
        take = _figure(quantity, self.units)
        unit, _ = quantity_unit(quantity, self.units)
        value = self.asked.question(f"{quantity.capitalize()}, in {unit}", take)

        def limit(answer: str) -> float | None:
            return take(answer) if answer else None

        low = self.asked.question(f"Least that the drawing allows, in {unit}; Enter = none", limit)

        def most(answer: str) -> float | None:
            found = limit(answer)
            if found is not None and low is not None and found < low:
                raise Wrong("The most is below the least; write the larger of the two, or q and begin again")
            return found

        high = self.asked.question(f"Most that the drawing allows, in {unit}; Enter = none", most)
        instrument = self.asked.question("Instrument and its serial number", questions.needed)
        spread = self.asked.question(
            f"Standard uncertainty of the {quantity}, in {unit} (half of a certificate's U with k = 2, and "
            "how well it repeats); Enter = not stated, which proves nothing",
            limit,
        )
        self.book.append(
            events.BearingsMeasured(
                by=self.by,
                local=self.book.local,
                member=member,
                quantity=quantity,
                value=value,
                low=low,
                high=high,
                instrument=instrument,
                uncertainty=spread,
            )
        )

    def _patterns(self) -> None:
        self._pattern("drive")
        self._pattern("coast")

    def _pattern(self, flank: Flank) -> None:
        ask = self.asked.question
        along = ask(f"{flank.capitalize()} side, on the gear's teeth: heel, centre or toe", _along)
        up = ask(f"{flank.capitalize()} side: top, middle or root", _up)
        length = ask("Length of the pattern as a share of the face, such as 60 %", questions.share)
        height = ask("Height of the pattern as a share of the depth, such as 50 %", questions.share)
        remark = ask("Remark; Enter = none", questions.remark)
        photos = ask("Photograph files (JPEG, PNG), blanks between them; Enter = none", _photos)
        numbers = tuple(self.book.keep_photo(path, self.by) for path in photos)
        self.book.append(
            events.PatternSeen(
                by=self.by,
                local=self.book.local,
                flank=flank,
                along=along,
                up=up,
                length=length,
                height=height,
                remark=remark,
                photos=numbers,
            )
        )

    def _acceptance(self) -> None:
        build = self.book.build
        if len(build.patterns) < 2:
            self.asked.show(
                "Both sides of the contact pattern have to be recorded, with the packs that are in, before "
                "somebody can accept it: do the step of the contact pattern first."
            )
            return
        if build.moved_since:
            self.asked.show(
                f"The gear was moved since the pattern of the {' and the '.join(sorted(build.moved_since))} "
                "side was recorded: look at it once more before you accept it."
            )
        self.asked.show(
            "Whether a pattern is good is decided by the gear's drawing and its maker's patterns."
        )
        accepted = self.asked.question("Is the contact pattern accepted; yes or no", questions.yes)
        judge = self.asked.question("Name of who decides that", questions.name)
        remark = self.asked.question("Remark; Enter = none", questions.remark)
        self.book.append(
            events.PatternJudged(
                by=self.by, local=self.book.local, accepted=accepted, judge=judge, remark=remark
            )
        )

    def _backlash(self) -> None:
        self.asked.show(
            "Measure it with: lashmap run STAND BOX and this logbook. The test takes the newest open build "
            f"of the serial number by itself, or the one that is named: --build {self.book.name}"
        )

    def _decision(self) -> None:
        newest = newest_result(its_tests(self.book))
        if newest is None:
            self.asked.show("No test of this build has a result yet: test the box first, then decide on it.")
            return
        self.asked.show(f"Test {newest.test}: {newest.result}")
        accepted = self.asked.question("Is the box accepted; yes or no", questions.yes)
        judge = self.asked.question("Name of who decides that", questions.name)
        if not accepted:
            remark = self.asked.question("What must be done next", questions.needed)
        elif newest.outcome == "conforming":
            remark = self.asked.question("Remark; Enter = none", questions.remark)
        else:
            remark = self.asked.question(
                f"Why it is accepted although the test is {newest.outcome}", questions.needed
            )
        self.book.append(
            events.BuildDecided(
                by=self.by,
                local=self.book.local,
                test=newest.test,
                outcome=newest.outcome,
                accepted=accepted,
                judge=judge,
                remark=remark,
            )
        )


def _temperature(answer: str) -> float | None:
    value = questions.maybe_number(answer, unit="°C")
    if value is not None and not _COLDEST_C <= value <= _HOTTEST_C:
        raise Wrong(f"Write a temperature from {_COLDEST_C:g} to {_HOTTEST_C:g} °C")
    return value


def _quantity(answer: str) -> events.Quantity:
    return questions.one_of(answer, tuple(events.QUANTITY_UNITS))  # type: ignore[return-value]  # one of them


def _along(answer: str) -> Along:
    return questions.one_of(answer, ("heel", "centre", "toe"))  # type: ignore[return-value]  # one of them


def _up(answer: str) -> Up:
    return questions.one_of(answer, ("top", "middle", "root"))  # type: ignore[return-value]  # one of them


def _figure(quantity: events.Quantity, units: Units) -> Callable[[str], float]:
    if events.QUANTITY_UNITS[quantity] == "mm":
        return lambda answer: questions.length(answer, units)
    here, there = (quantity_unit(quantity, one) for one in (units, "in" if units == "mm" else "mm"))
    return lambda answer: questions.in_unit(answer, here, there)


def _photos(answer: str) -> tuple[Path, ...]:
    """Names of files, each looked at before the first is kept."""
    try:
        paths = tuple(Path(one).expanduser() for one in shlex.split(answer, posix=True))
    except ValueError as error:
        raise Wrong(f"A quotation mark has no partner ({error}); close it") from error
    for path in paths:
        try:
            read_photo(path)
        except ConfigurationError as error:
            raise Wrong("; ".join(error.lines)) from error
    return paths
