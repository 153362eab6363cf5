"""A real live test in its own loop: slow listeners and slow disks, and what the record then says."""

from __future__ import annotations

import asyncio
import datetime as dt
import errno
import itertools
import re
import threading
import time
from pathlib import Path
from typing import cast

import pytest
from daemon.virtual_time import TODAY, load_box, simulated_stand_file
from lashmap_daemon.commands import simulate as simulate_command
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.page.on_page import OnThePage
from lashmap_daemon.page.stand_page import StandPage
from lashmap_daemon.replay.preconditions import collect
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.simulated_stand import Stand as SimulatedStand
from lashmap_daemon.story import events
from lashmap_daemon.testing.conductor import Conductor
from lashmap_daemon.testing.live_test import LiveTest, Opening
from lashmap_daemon.testing.opening import start_record
from lashmap_daemon.testing.relay import Relay
from lashmap_drivers.ports.source import Loss, Source
from lashmap_drivers.readings import Chunk

BOX = load_box(positions=4, gear_turns=1.0, confirming_positions=1)


class Wires:
    """A simulated stand in real time, without ports."""

    def __init__(self) -> None:
        self._stand = SimulatedStand(simulate_command.simulated_box(BOX), seed=4)
        self._stand.ask(0)
        self._last_s = time.monotonic()
        self._chunks: dict[str, list[Chunk]] = {INDICATOR: [], ENCODER: []}

    def hear(self, stamped: events.Stamped) -> None:
        if isinstance(stamped.event, events.PositionAsked):
            self._stand.ask(stamped.event.engagement)

    def take(self, name: str) -> list[Chunk]:
        now_s = time.monotonic()
        while self._last_s + 0.01 <= now_s:  # in pieces, as a thread that drains a port brings them
            wire = self._stand.advance(0.01)
            self._last_s += 0.01
            for one, data in ((INDICATOR, wire.indicator), (ENCODER, wire.encoder)):
                self._chunks[one].append(Chunk(self._last_s, data))
        taken, self._chunks[name] = self._chunks[name], []
        return taken


class Wire:
    """One of them, as a source."""

    lost: Loss | None = None
    dropped_chunks = 0

    def __init__(self, wires: Wires, name: str) -> None:
        self._wires, self.name = wires, name

    def take(self) -> list[Chunk]:
        return self._wires.take(self.name)


class Screen:
    """Remembers, and stops after some positions."""

    def __init__(self, wires: Wires, positions: int) -> None:
        self._wires, self._positions = wires, positions
        self.accepted = 0

    def hear(self, stamped: events.Stamped) -> None:
        self._wires.hear(stamped)
        self.accepted += isinstance(stamped.event, events.RockAccepted)

    def show(self, conductor: Conductor, now_s: float) -> None:
        pass

    def commands(self) -> list[str]:
        return ["stop"] if self.accepted >= self._positions else []


def live(
    folder: Path,
    book: Logbook,
    listener: events.Listener,
    positions: int,
    *,
    slow: tuple[Relay[str], ...] = (),
    page: StandPage | None = None,
) -> LiveTest:
    stand = simulated_stand_file(folder / "stand", SimulatedInstruments())
    wires = Wires()
    started = start_record(
        BOX,
        stand,
        operator="Ada",
        now=dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC),
        version="0",
        box_name="box",
    )
    opening = Opening(
        started=started,
        cautions=events.CautionsConfirmed(how="in a test"),
        preconditions=collect(started.box, started.stand, matched="box file", today=TODAY, locked_out=True),
        matched=events.MatchedTeethSet(encoder_deg=37.25, how="box file"),
        rates_hz={},
    )
    ports = {name: Wire(wires, name) for name in (INDICATOR, ENCODER)}
    screen = Screen(wires, positions)
    return LiveTest(
        opening,
        cast("dict[str, Source]", ports),  # as much of one as a live test uses
        book,
        screen if page is None else OnThePage(screen, page, started),
        (listener,),
        handle_signals=False,
        slow=slow,
        beside=() if page is None else (page.relay,),
    )


def test_a_stuck_listener_and_a_slow_disk_are_named_and_delay_no_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    let = threading.Event()

    def stuck(_: events.Stamped) -> None:
        let.wait(600.0)

    with Logbook(tmp_path / "book", create=True) as book:
        append = book.append

        def slowly(test: str, stamped: events.Stamped) -> None:
            if isinstance(stamped.event, events.RockAccepted):
                time.sleep(0.7)  # the disk takes that long, and nothing else waits meanwhile
            append(test, stamped)

        monkeypatch.setattr(book, "append", slowly)
        running = live(tmp_path, book, stuck, positions=2)
        closed = asyncio.run(running.run())
        let.set()
        assert closed == events.TestClosed(outcome="stopped", reason="by the operator")
        test = book.tests()[0].test
        arrivals = [chunk.arrival_s for chunk in book.raw(test, INDICATOR)]
        happened = [stamped.event for stamped in book.events(test)]
    steps = [after - before for before, after in itertools.pairwise(arrivals)]
    assert max(steps) < 0.011
    notes = [event.text for event in happened if isinstance(event, events.NoteTaken)]
    assert notes[0] == "function does not keep up; the recording does not wait for it"
    assert any(note.startswith("function was up to") for note in notes[1:])
    counted = [
        re.match(r"the disk of the logbook took longer than 0\.5 s for (\d+) events", one) for one in notes
    ]
    assert [int(one.group(1)) >= 2 for one in counted if one] == [
        True
    ]  # more, where the machine is slow itself
    assert isinstance(happened[-1], events.TestClosed)
    assert sum(isinstance(event, events.RockAccepted) for event in happened) == 2


def test_a_page_that_dies_is_noted_and_the_test_goes_on(tmp_path: Path) -> None:
    with (
        Logbook(tmp_path / "book", create=True) as book,
        StandPage(PageTable(port=0), "Bench 3, invented") as page,
    ):

        def kill(stamped: events.Stamped) -> None:
            loop = page._server._loop
            if isinstance(stamped.event, events.RockStarted) and loop is not None and not loop.is_closed():
                loop.call_soon_threadsafe(loop.stop)

        closed = asyncio.run(live(tmp_path, book, kill, positions=2, page=page).run())
        assert closed == events.TestClosed(outcome="stopped", reason="by the operator")
        assert page._server._thread is not None
        assert not page._server._thread.is_alive()
        test = book.tests()[0].test
        happened = [stamped.event for stamped in book.events(test)]
        assert sum(isinstance(event, events.RockAccepted) for event in happened) == 2
        arrivals = [chunk.arrival_s for chunk in book.raw(test, INDICATOR)]
    assert max(after - before for before, after in itertools.pairwise(arrivals)) < 0.011
    (note,) = [event.text for event in happened if isinstance(event, events.NoteTaken)]
    assert note.startswith("the page is gone (")
    assert note.endswith("; the test goes on without it")


class TerminalGone(Screen):
    """A terminal that hangs up when the first position is accepted, and takes the indicator's port along."""

    port: Wire

    def commands(self) -> list[str]:
        if not self.accepted:
            return []
        if self.port.lost is None:
            self.port.lost = Loss(since_s=time.monotonic(), reason="the other end hung up")
            return []
        raise OSError(errno.EIO, "Input/output error")


LOST_TOGETHER = events.TestClosed(
    outcome="interrupted",
    reason="the terminal went away; before, the indicator was lost (the other end hung up)",
)


def test_a_port_and_the_terminal_lost_together_are_both_named_in_the_record(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        running = live(tmp_path, book, lambda _: None, positions=9)
        screen = running._screen
        assert isinstance(screen, Screen)
        screen.__class__ = TerminalGone
        assert isinstance(screen, TerminalGone)
        screen.port = cast("Wire", running._ports[INDICATOR])
        assert asyncio.run(running.run()) == LOST_TOGETHER
        (test,) = book.tests()
        assert test.closing == f"{LOST_TOGETHER.outcome}: {LOST_TOGETHER.reason}"


def test_a_screen_that_cannot_be_written_any_more_ends_the_test_in_words(tmp_path: Path) -> None:
    def gone(_: str) -> None:
        raise OSError(errno.EIO, "Input/output error")

    lines = Relay("the screen", gone)
    lines("a line")
    assert lines.close(60.0)
    with Logbook(tmp_path / "book", create=True) as book:
        running = live(tmp_path, book, lambda _: None, positions=9, slow=(lines,))
        assert asyncio.run(running.run()) == events.TestClosed(
            outcome="interrupted", reason="the terminal went away"
        )


def test_what_this_computer_refuses_to_write_is_told_without_its_number(tmp_path: Path) -> None:
    def refused(_: events.Stamped) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    with Logbook(tmp_path / "book", create=True) as book:
        running = live(tmp_path, book, refused, positions=9)
        with pytest.raises(PermissionError):
            asyncio.run(running.run())
        (test,) = book.tests()
        assert test.closing == "failed: this computer refused to read or write: Permission denied"
