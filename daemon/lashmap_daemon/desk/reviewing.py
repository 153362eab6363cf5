"""What a reviewer asks for on the page: understood or refused with its reason, then written.

What is written, and what speaks against it, is decided by the code of `lashmap review`. A request names how
many events the page had seen of the test: where somebody reviewed it meanwhile it is refused, since it would
be meant for another state.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from lashmap_daemon.clean_text import visible
from lashmap_daemon.desk.shelf import Refused, Shelf, without_folders
from lashmap_daemon.errors import ConfigurationError, LashmapError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import ReviewRequest, renew_files, write_review
from lashmap_daemon.setup.toml_file import problem_of

if TYPE_CHECKING:
    from lashmap_daemon.desk.opened import Openings

_OPTIONS = {
    "--exclude": "Position",
    "--reversal": "Reversal",
    "--undo": "Exclusion",
    "--reason": "Reason",
    "--by": "Name",
    "--sign-off": "Name",
}
_OPTION = re.compile("|".join(_OPTIONS))


class Asked(BaseModel):
    """One request.

    Attributes:
        seen: How many events of the test the page had seen.
        sign: Sign for what is left then.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)

    book: int
    test: Annotated[str, Field(max_length=300)]
    seen: int
    exclude: int | None = None
    reversal: int | None = None
    undo: int | None = None
    sign: bool = False
    reason: Annotated[str, Field(max_length=2000)] = ""
    by: Annotated[str, Field(max_length=200)] = ""


def asked_in(body: bytes) -> Asked:
    """A request in a body.

    Raises:
        Refused: When it is none.
    """
    try:
        return Asked.model_validate_json(body)
    except (ValidationError, ValueError, RecursionError) as error:
        said = "it is no JSON object"
        if isinstance(error, ValidationError):
            said = visible(problem_of(error.errors(include_input=False, include_url=False)[0])[:200])
        raise Refused(f"the request is not understood: {said}") from None


def review(asked: Asked, shelf: Shelf, openings: Openings) -> list[str]:
    """Write what is asked for, and the files of the result anew; returns what was done, in lines.

    Raises:
        Refused: When it does not fit the test; nothing was written.
    """
    path = shelf.path(asked.book)
    name = asked.by.strip()
    if asked.sign and not name:
        raise Refused("Name: none is given, so nothing was signed; say who signs")
    request = ReviewRequest(
        exclude=asked.exclude,
        reversal=asked.reversal,
        undo=asked.undo,
        reason=asked.reason.strip(),
        by=name,
        sign_off=name if asked.sign else "",
    )
    if not request.any and request.reversal is None:
        raise Refused("nothing is asked for; leave a position out, take that back, or sign")
    try:
        opened = openings.open(path, asked.test)
        if opened.events != asked.seen:
            openings.forget(path, asked.test)
            raise Refused(
                "the test was reviewed or went on since this page opened it; look at it as it is now"
            )
        with Logbook(path, create=False) as book:
            assessment = write_review(book, opened.assessment, request)
            renewed = renew_files(assessment, book)
    except ConfigurationError as error:
        raise Refused(_in_words_of_the_page("; ".join(error.problems))) from None
    except (LashmapError, OSError) as error:
        raise Refused(without_folders(error, path)) from None
    finally:
        openings.forget(path, asked.test)
    return [f"{one.path.name} was written anew; before the review: {one.outdated.name}" for one in renewed]


def _in_words_of_the_page(text: str) -> str:
    """Without the names of options, which stand beside no field of the page."""
    return visible(_OPTION.sub(lambda found: _OPTIONS[found[0]], text))
