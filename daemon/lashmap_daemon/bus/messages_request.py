"""Requests and their answers, as types; what else is said is in `messages`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from lashmap_daemon.bus.messages import Message, Sentence, Word


class Command(Message):
    """A request to a stand; there is none that starts or stops a drive."""

    id: Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[!-~]+$")] = Field(
        description="Chosen by the sender; a second request with the same one is answered, not obeyed, again."
    )
    utc: Annotated[str, Field(max_length=40)] = Field(description="When it was sent; old ones are refused.")
    test: Word = Field(description="The running test; a request for another one is refused.")
    command: Literal["note", "repeat", "skip", "stop"]
    text: Annotated[str, Field(max_length=500)] = Field(default="", description="The note.")
    by: Annotated[str, Field(min_length=1, max_length=100)] = Field(
        description="Who asks; it is written into the logbook."
    )


class Answer(Message):
    """What became of a request."""

    id: Word | None = Field(description="Of the request; None when it could not be read.")
    test: Word | None = Field(description="The running test.")
    utc: Word
    accepted: bool = Field(description="True once the running test has taken it.")
    reason: Sentence = Field(description="Why it was refused; empty when it was accepted.")
