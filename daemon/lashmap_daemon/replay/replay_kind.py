"""The kind ``logbook replay``: one instrument of an earlier test, its raw bytes played again.

The port of the stand file names the logbook. The profile that read the bytes then is taken from the start
record of the test when the stand file is read, and goes into the record of the new test, which can so be
opened without the old logbook.

The drivers find this kind by its entry point in ``pyproject.toml``, as they find a kind of another package:
stand files name profiles, and a logbook holds stand files, so neither could import the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar, Literal, Self

from lashmap_drivers.errors import PortNotOpened
from lashmap_drivers.kinds import AnyProfile
from lashmap_drivers.parser import Parser
from lashmap_drivers.profile import InstrumentProfile, Unit
from lashmap_drivers.readings import Chunk
from lashmap_drivers.wire.recorded_file import Playback, Speed

from lashmap_daemon.errors import LashmapError
from lashmap_daemon.logbook.check import check_test
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.replay import newest_test, start_of


class LogbookReplayProfile(InstrumentProfile):
    """An instrument that a logbook has recorded.

    Attributes:
        test: Which test; the newest one when empty.
        channel: Which instrument of it; that of the same role when empty.
        speed: ``recorded`` or ``full``.
        recorded: The profile it was recorded with; filled in from the logbook.
        counts_per_turn: Of the recorded encoder when it counts; filled in likewise.
    """

    reads_file: ClassVar[bool] = True

    kind: Literal["logbook replay"]
    unit: Unit = "mm"
    test: str = ""
    channel: Literal["", "indicator", "encoder", "pinion encoder"] = ""
    speed: Speed = "recorded"
    recorded: AnyProfile | None = None
    counts_per_turn: int | None = None

    @property
    def streams(self) -> bool:
        """As it was recorded."""
        return self._original().streams

    @property
    def expected(self) -> str:
        """As it was recorded."""
        return self._original().expected

    def repeats_after(self, counts_per_turn: int) -> int | None:
        """As the recorded instrument."""
        return self._original().repeats_after(counts_per_turn)

    def counts_of_a_turn(self) -> int | None:
        """As they were when the test was recorded."""
        return self.counts_per_turn

    def second(self) -> Self | None:
        """With the second count in the place of the first, where the recorded frames carry two."""
        second = None if self.recorded is None else self.recorded.second()
        if second is None:
            return None
        return self.model_copy(update={"recorded": second, "counts_per_turn": None})

    def make_parser(self) -> Parser:
        """The parser of the recorded instrument."""
        return self._original().make_parser()

    def resolved(self, instrument: str, name: str) -> Self:
        """This profile with test, channel and recorded profile filled in.

        Raises:
            PortNotOpened: When the logbook has no such test.
        """
        channel = self.channel or instrument
        try:
            with Logbook(Path(name), create=False) as book:
                test = self.test or newest_test(book)
                stand = start_of(book, test).stand
        except LashmapError as error:
            raise PortNotOpened(instrument, name, str(error), "Name another logbook or test.") from error
        if channel not in stand.channels:
            what = f"test {test} was made without an {channel}"
            raise PortNotOpened(instrument, name, what, "Name another test.")
        channel = stand.wire(channel)
        recorded, counts = stand.written_profile(channel), stand.counts_per_turn(channel)
        return self.model_copy(
            update={
                "test": test,
                "channel": channel,
                "recorded": recorded,
                "unit": recorded.unit,
                "wraps_at_deg": recorded.wraps_at_deg,
                "counts_per_turn": counts if recorded.unit == "count" else None,
            }
        )

    def open(self, instrument: str, name: str) -> Playback:
        """Play the bytes of the instrument.

        Raises:
            PortNotOpened: When the logbook cannot be read, or holds no byte of the instrument.
        """
        try:
            check = check_test(Path(name), self.test)
            if check.problems:
                what = f"test {self.test} is not as it was written: {check.problems[0]}"
                raise PortNotOpened(instrument, name, what, "See what is wrong with: lashmap verify.")
            chunks = list(self._chunks(Path(name)))
        except LashmapError as error:
            raise PortNotOpened(instrument, name, str(error), "Name another logbook.") from error
        if not chunks:
            what = f"test {self.test} holds no bytes of the {self.channel}"
            raise PortNotOpened(instrument, name, what, "Name another test.")
        return Playback(name, chunks, speed=self.speed)

    def _chunks(self, path: Path) -> Iterator[Chunk]:
        with Logbook(path, create=False) as book:
            yield from book.raw(self.test, self.channel)

    def _original(self) -> InstrumentProfile:
        if self.recorded is None:
            raise ValueError("the logbook was not read yet")
        return self.recorded
