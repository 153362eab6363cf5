"""How a test joins the bus: one call before it, one screen around the person's; nothing when it is off."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lashmap_daemon import events
    from lashmap_daemon.bus.stand_bus import StandBus
    from lashmap_daemon.conductor import Conductor
    from lashmap_daemon.live_test import Screen
    from lashmap_daemon.stand_file import Stand


def join_bus(
    stand: Stand,
    logbook: Path,
    started: events.TestStarted,
    stack: ExitStack,
    say: Callable[[str], None],
) -> StandBus | None:
    """Put a test on the bus its stand file names; None when it names none.

    Args:
        stand: The stand.
        logbook: An open logbook's file.
        started: The start record of the test about to begin.
        stack: Leaves the bus when it is closed, and says then what did not go out.
        say: Shows the person a line.

    Raises:
        ConfigurationError: When password or certificates cannot be read.
        LogbookError: When the outbox cannot be written.
    """
    settings = stand.file.bus
    if settings is None:
        return None
    from lashmap_daemon.bus.stand_bus import StandBus  # noqa: PLC0415 - 80 ms that only the bus pays

    warning = settings.warning()
    if warning:
        say(warning)
    bus = StandBus(settings, stand.file.stand.name, logbook, started.version)

    def last_words() -> None:
        words = bus.closing_words()
        if words:
            say(words)

    stack.callback(last_words)
    stack.enter_context(bus)
    bus.begin(started)
    return bus


class OnTheBus:
    """A screen that also lets the bus see and ask.

    Args:
        screen: The screen of the person at the stand.
        bus: The stand's bus.
    """

    def __init__(self, screen: Screen, bus: StandBus) -> None:
        self._screen = screen
        self._bus = bus

    def hear(self, stamped: events.Stamped) -> None:
        """An event happened: the person is told first."""
        self._screen.hear(stamped)
        self._bus.hear(stamped)

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Time to draw, and to look."""
        self._bus.look(conductor, now_s)
        self._screen.show(conductor, now_s)

    def commands(self) -> list[str]:
        """What the person asked for, then what was asked over the bus."""
        return [*self._screen.commands(), *self._bus.commands()]
