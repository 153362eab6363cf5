"""The command that sends what waits in a logbook to the broker, for a stand that no test runs on just now."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

from rich.console import Console

from lashmap_daemon.bus.connection import Identity
from lashmap_daemon.bus.outbox import Outbox
from lashmap_daemon.bus.records import send_waiting
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.guard import LogbookBusy, only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_be_there
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup.bus_table import BusTable
from lashmap_daemon.setup.stand_file import load_stand

_EVERY_S = 1.0


def publish(stand: Path, logbook: Path, console: Console) -> None:
    """Send what waits, and say how it goes.

    Raises:
        ConfigurationError: A wrong stand file, or one without a table ``bus``.
        LogbookError: The logbook cannot be used, another program writes it, or a test in it is not as it was
            written; the others were sent.
        StandError: The broker is away or refuses.
    """
    file = load_stand(stand).file
    settings = file.bus
    if settings is None:
        raise ConfigurationError(str(stand), ["bus: this file has no table [bus]; add one (docs/bus.md)"])
    settings.password()
    settings.tls()
    must_be_there(logbook)
    identity = Identity.of(settings, file.stand.name)
    try:
        with only_writer(logbook), Logbook(logbook, create=False) as book:
            _send(settings, identity, book, console)
    except LogbookBusy as error:
        raise LogbookError(
            *error.lines,
            "A test or service with a table [bus] sends what waits by itself; it needs no command.",
        ) from None


def _send(settings: BusTable, identity: Identity, book: Logbook, console: Console) -> None:
    warning = settings.warning()
    if warning:
        say(console, warning)
    logbook = book.path
    outbox = Outbox(logbook, identity.base)
    try:
        waiting = outbox.waiting()
        if waiting:
            _send_over(outbox, waiting, settings, identity, console)
        else:
            say(console, f"Nothing waits in {logbook} for {identity.base}.")
        for topic, count in outbox.elsewhere().items():
            say(
                console,
                f"note: {count} records wait for {topic}, which is another stand or bus.stand; publish them "
                "with its stand file",
            )
        if outbox.refused:
            problems = "\n".join(f"test {test}: {problem}" for test, problem in outbox.refused.items())
            raise LogbookError(
                f"{logbook}: NOT SENT, since not as it was written:\n{problems}\n"
                f"See what is wrong with: lashmap verify --logbook {logbook}"
            )
    finally:
        outbox.close()


def _send_over(
    outbox: Outbox, waiting: int, settings: BusTable, identity: Identity, console: Console
) -> None:
    last_s = time.monotonic()

    def tell(sent: int) -> None:
        nonlocal last_s
        if time.monotonic() - last_s >= _EVERY_S:
            last_s = time.monotonic()
            say(console, f"  {sent} of {waiting}")

    def sent_all() -> None:
        say(
            console,
            f"  all were sent; waiting {settings.settle_seconds:g} s until {settings.host} surely has them",
        )

    say(console, f"{waiting} records go to {settings.broker}, below {identity.base}")
    sent = asyncio.run(send_waiting(settings, identity, outbox, tell=tell, sent_all=sent_all))
    say(console, f"{sent} records were published.")
