"""Commands about the bus: watch stands (which broker, stands, screen), send what waits in a logbook."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError
from rich.console import Console
from rich.live import Live

from lashmap_daemon.bus.connection import Identity
from lashmap_daemon.bus.messages import ROOT, level
from lashmap_daemon.bus.outbox import Outbox
from lashmap_daemon.bus.records import send_waiting
from lashmap_daemon.commands.options import GatherOptions, PublishOptions, WatchOptions
from lashmap_daemon.errors import ConfigurationError, LogbookError, StandError
from lashmap_daemon.hall.hall import Hall
from lashmap_daemon.hall.screen import screen
from lashmap_daemon.hall.watching import Watcher, watch_until
from lashmap_daemon.logbook.guard import LogbookBusy, only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_be_there
from lashmap_daemon.page.join import needed_packages
from lashmap_daemon.screens.live import Keyboard
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.bus_table import BusTable
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.setup.stand_file import NameTable, load_stand
from lashmap_daemon.setup.toml_file import problem_of
from lashmap_daemon.system import HAS_KEYS

_REFRESH_S = 0.2
_ONCE_S = 1.0  # what the broker keeps arrives at once
REACH_S = 5.0


class WatchFile(BaseModel):
    """What matters here of a stand file; a watcher's own file has the table ``bus`` alone."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True, defer_build=True)

    bus: BusTable | None = None
    page: PageTable | None = None
    stand: NameTable | None = None


def watch(options: WatchOptions, console: Console) -> None:
    """Show stands until the person leaves.

    Raises:
        ConfigurationError: No broker, or a wrong file or option.
        StandError: ``--once`` and the broker was not reached.
    """
    settings, stands, page = broker_of(options, options.stands or ())
    if options.page or options.page_port is not None:
        _on_page(settings, stands, page, options, console)
        return
    hall = Hall(root=settings.root, wanted=stands)
    watcher = Watcher(settings, hall)
    settings.password()
    settings.tls()
    try:
        if options.once:
            asyncio.run(watch_until(watcher, _once(watcher)))
            if watcher.broker.problem:
                raise StandError(f"{settings.broker}: {watcher.broker.problem}")
            console.print(screen(hall, watcher.broker, time.monotonic()))
        elif console.is_terminal and sys.stdin.isatty() and HAS_KEYS:
            _on_screen(watcher, hall, console)
        else:
            hall.tell = lambda line: say(console, line)
            asyncio.run(watcher.run())
    except KeyboardInterrupt:
        return  # leaving is no failure


def _on_page(
    settings: BusTable, stands: frozenset[str], page: PageTable, options: WatchOptions, console: Console
) -> None:
    """Serve the board until the person leaves.

    Raises:
        ConfigurationError: Its packages are not installed, its place is taken, or a file does not fit.
        StandError: It does not come up, or ended.
    """
    if options.once:
        raise ConfigurationError("--once", ["prints what is known and ends; leave out --once or --page"])
    if options.page_port is not None:
        page = page.model_copy(update={"port": options.page_port})
    warning = settings.warning()
    with needed_packages():
        from lashmap_daemon.hall.served import BoardPage, PageEnded  # noqa: PLC0415 - optional and slow
    try:
        with BoardPage(settings, page, stands) as board:
            for line in [*board.invitation(), *([warning] if warning else [])]:
                say(console, line)
            said = ""
            while True:
                board.turn()
                problem = board.listener.broker.problem
                if problem != said:
                    say(console, f"{settings.broker}: {problem or 'connected'}")
                    said = problem
                time.sleep(TURN_S)
    except PageEnded as error:
        raise StandError(f"the board ended: {error}") from None
    except KeyboardInterrupt:
        return  # leaving is no failure


TURN_S = 0.4  # a board is to be right within a second


def _on_screen(watcher: Watcher, hall: Hall, console: Console) -> None:
    with ExitStack() as stack:
        keyboard = stack.enter_context(Keyboard())
        live = stack.enter_context(Live(console=console, screen=True, auto_refresh=False))

        async def draw() -> None:
            while "stop" not in keyboard.commands():
                keyboard.note = None  # nothing is written here
                shown = screen(
                    hall, watcher.broker, time.monotonic(), height=console.height, most=console.height - 6
                )
                live.update(shown, refresh=True)
                await asyncio.sleep(_REFRESH_S)

        asyncio.run(watch_until(watcher, draw()))


async def _once(watcher: Watcher) -> None:
    deadline_s = time.monotonic() + REACH_S
    while watcher.broker.problem and time.monotonic() < deadline_s:  # noqa: ASYNC110 - a glance, then the end
        await asyncio.sleep(0.05)
    await asyncio.sleep(_ONCE_S)


def broker_of(
    options: WatchOptions | GatherOptions, names: Sequence[str]
) -> tuple[BusTable, frozenset[str], PageTable]:
    """The broker, the topic levels of the stands that are named, and where a board would be served."""
    table: dict[str, object] = {}
    page = PageTable()
    stands: set[str] = set()
    for name in names:
        path = Path(name)
        if path.suffix != ".toml" and not path.is_file():
            stands.add(level(name))
            continue
        file = toml_file.load(path, WatchFile)
        if file.bus is None:
            raise ConfigurationError(name, ["bus: this file has no table [bus]; add one, or name a --broker"])
        found = file.bus.beside(path.parent)
        if file.stand is not None or found.stand is not None:
            stands.add(found.stand or level(file.stand.name if file.stand else ""))
        if table and table["broker"] != found.broker:
            raise ConfigurationError(
                name, [f"bus.broker: is another than {table['broker']}; watch one broker at a time"]
            )
        table = table or found.model_dump()
        page = file.page.beside(path.parent) if file.page is not None else page
    keys = ("broker", "user", "password_file", "ca_file")
    given = {key: value for key in keys if (value := getattr(options, key)) is not None}
    if "user" in given:
        table.pop("password_file", None)
    table |= given
    if "broker" not in table:
        raise ConfigurationError(
            "--broker",
            ["is missing: name one (mqtt://host or mqtts://host), or a file with a table [bus]"],
        )
    table.setdefault("root", ROOT)
    try:
        return BusTable.model_validate(table), frozenset(stands), page
    except ValidationError as error:
        details = error.errors(include_input=False, include_url=False)
        problems = [problem_of(dict(one), before="" if one["loc"] else "the options") for one in details]
        raise ConfigurationError("the broker", problems) from None


_EVERY_S = 1.0


def publish(options: PublishOptions, console: Console) -> None:
    """Send what waits, and say how it goes.

    Raises:
        ConfigurationError: A wrong stand file, or one without a table ``bus``.
        LogbookError: The logbook cannot be used, another program writes it, or a test in it is not as it was
            written; the others were sent.
        StandError: The broker is away or refuses.
    """
    stand, logbook = options.stand, options.logbook
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
