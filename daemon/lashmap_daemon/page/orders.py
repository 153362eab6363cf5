"""What a person asks for on the page: checked, handed to the running test, answered with what came of it.

There are five deeds, those of the terminal (repeat, skip, note, stop) and a photograph, each only where the
stand file allows it. None confirms a caution, says that the box may turn, begins a test or knows of a drive.
A request names what the page showed when it was made: where the test has gone on since, it is refused, since
it would hit something else.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from lashmap_daemon.clean_text import visible
from lashmap_daemon.logbook.photograph import ending_of
from lashmap_daemon.setup.page_table import Deed
from lashmap_daemon.setup.toml_file import problem_of

MOST_BYTES = 4096
MOST_PHOTO_BYTES = 4_000_000  # the page sends a smaller one; a test writes it between two readings
MOST_WORDS = 500
_WAITING = 8
_GONE_ON = "the test has gone on since; look at the page again"


class NotTaken(Exception):
    """A request that is not taken; the text says why."""


class Order(BaseModel):
    """One request.

    Attributes:
        test: Which the page showed.
        place: What that test asked for, as the picture names it.
        words: Of a note, or what a photograph shows.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)

    deed: Deed
    test: Annotated[str, Field(max_length=300)] = ""
    place: Annotated[str, Field(max_length=100)] = ""
    words: Annotated[str, Field(max_length=MOST_WORDS)] = ""

    @property
    def as_commands(self) -> list[str]:
        """The commands for the test: first a note, so that the record says where it was asked."""
        if self.deed == "note":
            return [f"note {' '.join(self.words.split())} (on the page)"]
        return [f"note {self.deed} was asked on the page", self.deed]


class Pending:
    """An order that waits; whoever takes it sets what came of it.

    Attributes:
        order: What is asked.
        photo: The file of a photograph; empty for anything else.
        refusal: Why it was not done, empty when it was; None until that is known.
    """

    def __init__(self, order: Order, photo: bytes = b"") -> None:
        self.order, self.photo = order, photo
        self.refusal: str | None = None
        self.is_given_up = False


class Orders:
    """Takes orders from the server's thread; `take` alone is called from the test's.

    Attributes:
        may: What the stand file allows.
    """

    def __init__(self, may: list[Deed]) -> None:
        self.may = tuple(dict.fromkeys(may))
        self._waiting: deque[Pending] = deque()
        self._lock = threading.Lock()

    @property
    def are_waiting(self) -> bool:
        """Some wait to be taken."""
        return bool(self._waiting)

    def judge(self, body: bytes) -> Pending:
        """An order that waits now for the test.

        Raises:
            NotTaken: When it is none, or is not allowed.
        """
        try:
            order = Order.model_validate_json(body)
        except (ValidationError, ValueError, RecursionError) as error:
            said = "it is no JSON object"
            if isinstance(error, ValidationError):
                said = visible(problem_of(error.errors(include_input=False, include_url=False)[0])[:200])
            raise NotTaken(f"the request is not understood: {said}") from None
        if order.deed == "photo":
            raise NotTaken("deed: a photograph comes another way, as a file")
        if (order.deed == "note") != bool(order.words.strip()):
            raise NotTaken("words: belong to a note, and a note needs some")
        return self._wait(Pending(order))

    def judge_photo(self, data: bytes, test: str, words: str) -> Pending:
        """A photograph that waits now for the test.

        Raises:
            NotTaken: When it is none, or is not allowed.
        """
        try:
            order = Order(deed="photo", test=test, words=words)
        except ValidationError as error:
            said = visible(problem_of(error.errors(include_input=False, include_url=False)[0])[:200])
            raise NotTaken(f"the request is not understood: {said}") from None
        if not ending_of(data):
            raise NotTaken("it is neither a JPEG nor a PNG picture")
        return self._wait(Pending(order, data))

    def _wait(self, pending: Pending) -> Pending:
        order = pending.order
        if order.deed not in self.may:
            raise NotTaken(f"{order.deed}: page.may of the stand file does not allow it here")
        if not " ".join(order.words.split()).isprintable():
            raise NotTaken("words: hold a character that cannot be shown; leave it out")
        with self._lock:
            if order.deed == "photo" and any(one.order.deed == "photo" for one in self._waiting):
                raise NotTaken("another photograph waits; try again")
            if len(self._waiting) >= _WAITING:
                raise NotTaken(f"{_WAITING} requests wait already; try again")
            self._waiting.append(pending)
        return pending

    def give_up(self, pending: Pending) -> bool:
        """Nobody took it in time; false when somebody just did."""
        with self._lock:
            if pending not in self._waiting:
                return False
            self._waiting.remove(pending)
            return True

    def take(self, test: str, place: str) -> list[Pending]:
        """Orders about what the test asks now; those about something else are refused."""
        if not self._waiting:
            return []
        with self._lock:
            waiting = list(self._waiting)
            self._waiting.clear()
        taken = []
        for pending in waiting:
            # Words and the end of a test are about the test, whatever it asks just now.
            about_place = pending.order.deed in {"repeat", "skip"}
            if pending.order.test != test or (about_place and pending.order.place != place):
                pending.refusal = _GONE_ON
            else:
                taken.append(pending)
        return taken
