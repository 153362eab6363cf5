"""Signs of life that mean something: sent only while every part of the service is seen to go on.

The loop itself is proven by the sign being sent from it. A full disk is said but borne, since a restart makes
no room and a paused test would be lost by it; a logbook that is gone or broken is not.
"""

from __future__ import annotations

import logging
import os
import shutil
import time
from collections.abc import Callable

from lashmap_daemon.errors import LogbookGone
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.service_lead import Lead
from lashmap_daemon.service_ports import StandPorts

LOG = logging.getLogger("lashmap.watch")
STUCK_S = 10.0  # a running test that did not come round for so long hangs
LEAST_FREE_BYTES = 64 * 1024 * 1024  # about an hour of raw samples


class Watch:
    """Looks whether the service does its work.

    Args:
        lead: Of the service.
        ports: Its instruments.
        logbook: Tests are written to it.
        clock: Monotonic seconds.
    """

    def __init__(
        self, lead: Lead, ports: StandPorts, logbook: Logbook, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._lead, self._ports, self._logbook, self._clock = lead, ports, logbook, clock
        self._said_full = False

    def failures(self) -> list[str]:
        """What no longer goes on; empty while everything does."""
        found = [
            f"the reader of the {ear.name} on {ear.port_name} ended without a word"
            for ear in self._ports.ears.values()
            if not ear.alive
        ]
        screen = self._lead.screen
        if self._lead.state == "testing" and screen is not None:
            still_s = self._clock() - screen.asked_s
            if still_s > STUCK_S:
                found.append(f"the running test has not gone on for {still_s:.0f} s")
        path = self._logbook.path
        try:
            self._logbook.must_be_there()
        except LogbookGone as error:
            found.append(str(error))
        else:
            if not os.access(path, os.W_OK):
                found.append(f"{path}: cannot be written any more; check its permissions")
        return found

    def little_room(self) -> str:
        """A sentence when the logbook's disk is nearly full; empty otherwise."""
        try:
            free = shutil.disk_usage(self._logbook.path.parent).free
        except OSError:
            return ""
        if free >= LEAST_FREE_BYTES:
            self._said_full = False
            return ""
        text = f"{free // (1024 * 1024)} MB are left on the disk of {self._logbook.path}; make room"
        if not self._said_full:
            self._said_full = True
            LOG.error("%s", text)
        return text
