"""The command that runs a stand for months: files, lock, log, socket and service put together."""

from __future__ import annotations

import logging
import os
import sys
from contextlib import ExitStack
from typing import TYPE_CHECKING

from rich.console import Console

from lashmap_daemon.bus.join import open_bus
from lashmap_daemon.commands.options import ServeOptions
from lashmap_daemon.errors import EXIT_STAND, ConfigurationError, LashmapError
from lashmap_daemon.logbook.guard import only_writer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_be_writable
from lashmap_daemon.page.join import open_page
from lashmap_daemon.service.bus import ServiceBus
from lashmap_daemon.service.client import place_for
from lashmap_daemon.service.journal import Notifier, about, journal
from lashmap_daemon.service.opening import BoxFolder
from lashmap_daemon.service.page import ServicePage
from lashmap_daemon.service.service import Service, Setup, run_until_ended
from lashmap_daemon.setup.stand_file import Stand, load_stand
from lashmap_daemon.system import need_local_sockets

if TYPE_CHECKING:
    from lashmap_daemon.page.stand_page import StandPage

LOG = logging.getLogger("lashmap.service")
_LEAVING_S = (0.3, 0.3)  # what waits stays in the logbook; whoever ends a service does not wait for a broker


def _page(stand: Stand, options: ServeOptions, stack: ExitStack) -> StandPage | None:
    """The page of the stand, when its file has one.

    Raises:
        ConfigurationError: When it cannot be served, or nobody could know its token.
    """
    table = stand.file.page
    if table is None:
        return None
    if not table.is_own and table.token_file is None:
        problem = (
            "page.token_file: a service has no terminal that shows a token; name a file (it is made where it "
            "is missing), and put what stands in it behind # in the address"
        )
        raise ConfigurationError(str(options.stand), [problem])
    page = open_page(table, stand.file.stand.name, stack)
    LOG.info("the page of the stand: %s", page.line)
    return page


def serve(options: ServeOptions, _: Console) -> int:
    """Serve a stand until a signal ends it; returns the exit status.

    Raises:
        ConfigurationError: Wrong file, key or argument; nothing was started.
        LogbookError: The logbook cannot be used, or another program writes it.
        StandError: The local socket cannot be made, or another service of this stand runs.
    """
    need_local_sockets()
    stand = load_stand(options.stand)
    if stand.file.encoder is None:
        problem = (
            "there is no [encoder], so a person counts the teeth at a terminal, which a service has not; use "
            f"lashmap run {options.stand} BOX, or add the encoder"
        )
        raise ConfigurationError(str(options.stand), [problem])
    boxes = BoxFolder(options.boxes)
    output = options.output if options.output is not None else options.logbook.parent
    for name, folder in (("--logbook", options.logbook.parent), ("--output", output)):
        if not folder.is_dir():
            raise ConfigurationError(str(folder), [f"{name}: no such folder; make it first"])
    must_be_writable(options.logbook)
    socket = place_for(options.stand, options.logbook, os.environ)
    with ExitStack() as stack:
        holding = stack.enter_context(journal(sys.stderr, os.environ, verbose=options.verbose))
        stack.enter_context(about(stand=stand.file.stand.name))
        stack.enter_context(only_writer(options.logbook))
        logbook = stack.enter_context(Logbook(options.logbook, create=True))
        bus = open_bus(
            stand,
            options.logbook,
            stack,
            lambda text: LOG.warning("%s", " ".join(text.split())),
            patience_s=_LEAVING_S,
        )
        setup = Setup(
            page=ServicePage(_page(stand, options, stack)),
            stand_path=options.stand,
            stand=stand,
            logbook=logbook,
            boxes=boxes,
            output=output,
            socket=socket,
            notifier=Notifier(os.environ),
            holding=holding,
            bus=ServiceBus(bus, stand.file.bus.broker if stand.file.bus else ""),
        )
        try:
            return run_until_ended(lambda: Service(setup))
        except LashmapError:
            raise
        except Exception:
            LOG.critical("the service failed and ends", exc_info=True)
            return EXIT_STAND
