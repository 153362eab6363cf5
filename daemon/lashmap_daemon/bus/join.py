"""A test or a service joins the bus: one call before, one screen around; nothing when it is off."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lashmap_daemon.bus.stand_bus import StandBus
    from lashmap_daemon.setup.stand_file import Stand
    from lashmap_daemon.story import events
    from lashmap_daemon.testing.conductor import Conductor
    from lashmap_daemon.testing.live_test import Screen


def open_bus(
    stand: Stand,
    logbook: Path,
    stack: ExitStack,
    say: Callable[[str], None],
    *,
    patience_s: tuple[float, float] | None = None,
) -> StandBus | None:
    """Connect a stand to the bus its file names; None when it names none. What waits goes out.

    Args:
        stand: The stand.
        logbook: An open logbook's file.
        stack: Leaves the bus when it is closed, and says then what did not go out.
        say: Shows the person a line.
        patience_s: As for `StandBus`.

    Raises:
        ConfigurationError: When password or certificates cannot be read.
        LogbookError: When the outbox cannot be opened.
    """
    settings = stand.file.bus
    if settings is None:
        return None
    from lashmap_daemon.bus.stand_bus import PATIENCE_S, StandBus  # noqa: PLC0415 - 80 ms that only the bus pays

    warning = settings.warning()
    if warning:
        say(warning)
    bus = StandBus(settings, stand.file.stand.name, logbook, patience_s=patience_s or PATIENCE_S)

    def last_words() -> None:
        words = bus.closing_words()
        if words:
            say(words)

    stack.callback(last_words)
    stack.enter_context(bus)
    return bus


def join_bus(
    stand: Stand,
    logbook: Path,
    started: events.TestStarted,
    stack: ExitStack,
    say: Callable[[str], None],
) -> StandBus | None:
    """Put a test that is about to begin on the bus its stand file names; otherwise as `open_bus`."""
    bus = open_bus(stand, logbook, stack, say)
    if bus is not None:
        bus.begin(started)
    return bus


class OnTheBus:
    """A screen that also lets the bus see; with ``asks`` it hands on what is asked over the bus, too."""

    def __init__(self, screen: Screen, bus: StandBus, *, asks: bool = True) -> None:
        self._screen = screen
        self._bus = bus
        self._asks = asks

    def hear(self, stamped: events.Stamped) -> None:
        """An event happened: the person sees it first."""
        self._screen.hear(stamped)
        self._bus.hear(stamped)

    def show(self, conductor: Conductor, now_s: float) -> None:
        """Draw, and take a snapshot."""
        self._bus.take_snapshot(conductor, now_s)
        self._screen.show(conductor, now_s)

    def commands(self) -> list[str]:
        """What the person asked for, then what was asked over the bus."""
        return [*self._screen.commands(), *(self._bus.commands() if self._asks else [])]
