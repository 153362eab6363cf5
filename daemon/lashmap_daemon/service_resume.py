"""From a request to a test that goes on: which one, and its marked teeth found again, as far as they can be.

All that is decided about going on is decided in `resume` and `resume_matched`; here the person that they ask
is somebody who speaks over the local socket, one word at a time.
"""

from __future__ import annotations

import datetime as dt
import time
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

from lashmap_daemon import events
from lashmap_daemon.box_file import BoxFile
from lashmap_daemon.control_words import Resume
from lashmap_daemon.errors import StandError
from lashmap_daemon.live_test import Opening
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.preconditions import MatchedHow
from lashmap_daemon.resume import Unfinished, find_unfinished, take_up
from lashmap_daemon.resume_matched import Reference
from lashmap_daemon.resume_opening import open_again, reference_of
from lashmap_daemon.service_boxes import BoxFolder
from lashmap_daemon.service_opening import confirmed
from lashmap_daemon.service_ports import StandPorts
from lashmap_daemon.stand_file import Stand


@dataclass(kw_only=True)
class PreparedAgain:
    """A test that may go on and wants only its marked teeth again.

    Attributes:
        unfinished: The test.
        reference: What its record says of the matched teeth.
        cautions: How they were confirmed.
        stand: As it was read last.
        operator: Who goes on with it.
        before_deg: The encoder's own angle before anybody turned the gear to the marks.
        contradicted: The person was told that encoder and marks disagree, and may say so again.
    """

    unfinished: Unfinished
    reference: Reference | None
    cautions: events.CautionsConfirmed
    stand: Stand
    operator: str
    before_deg: float = 0.0
    contradicted: bool = field(default=False)

    @property
    def started(self) -> events.TestStarted:
        """Its start record, with what may differ today."""
        return self.unfinished.started

    @property
    def box(self) -> BoxFile:
        """Its box."""
        return self.started.box

    def opening(self, ports: StandPorts, how: MatchedHow, encoder_deg: float) -> Opening:
        """All that is known up front.

        Raises:
            StandError: When the encoder contradicts the marks and the person has not heard of it yet.
        """
        now_s = time.monotonic()
        person = _Told(self, says="matched" if how == "set at the stand" else "")
        angles = [encoder_deg] if self.unfinished.matched is None else [encoder_deg, self.before_deg]
        return open_again(
            self.unfinished,
            self.reference,
            person=person,
            cautions=self.cautions,
            rates_hz={name: ear.rate_hz(now_s) for name, ear in ports.ears.items()},
            encoder_deg=lambda: angles.pop() if len(angles) > 1 else angles[0],
            followed=False,
            operator=self.operator,
            version=version("lashmap"),
            now=dt.datetime.now(dt.UTC),
        )


class _Told:
    """The person, as far as one word over the socket goes."""

    def __init__(self, prepared: PreparedAgain, says: str) -> None:
        self._prepared, self._says = prepared, says
        self._shown = ""

    def show(self, text: str) -> None:
        self._shown = text

    def ask(self, question: str) -> str:  # noqa: ARG002 - the interface of a person
        if self._shown and not self._prepared.contradicted:
            self._prepared.contradicted = True
            raise StandError(f"{self._shown} Look again, then say it again: lashmap tell STAND matched")
        return self._says


def prepare_again(request: Resume, boxes: BoxFolder, stand: Stand, path: Path) -> PreparedAgain:
    """Find the test and see that box and stand are the same; takes as long as its record is long.

    Args:
        request: What is asked for.
        boxes: What may be tested.
        stand: As it was read last.
        path: Logbook; opened anew, so that this can be done on another thread.

    Raises:
        ConfigurationError: A wrong box file, or cautions that are not confirmed.
        ResumeError: When there is no such test, or it cannot go on, with the reason.
        LogbookError: When it cannot be read.
    """
    cautions = confirmed(request)
    box = boxes.load(request.box)
    with Logbook(path, create=False) as logbook:
        test = find_unfinished(logbook, request.test, box)
        unfinished = take_up(logbook, test, box, stand)
        reference = reference_of(unfinished, logbook)
    return PreparedAgain(
        unfinished=unfinished,
        reference=reference,
        cautions=cautions,
        stand=stand,
        operator=request.operator or "not recorded",
    )
