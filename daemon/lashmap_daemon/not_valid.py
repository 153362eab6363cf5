"""What pydantic found wrong, in our words: its own prefixes say nothing to whoever reads the message.

The command line's own checks of its options use pydantic too, so the sentences come through here as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

# Before the text of a ValueError that a check raised; added by pydantic 2.
_OF_A_CHECK = "Value error, "
_OF_A_TYPE = "Input should be "


def in_our_words(message: str) -> str:
    """The sentence of one problem without pydantic's prefixes."""
    if message.startswith(_OF_A_TYPE):
        return f"expected {message.removeprefix(_OF_A_TYPE)}"
    return message.removeprefix(_OF_A_CHECK)


def problem_of(detail: Mapping[str, object], *, before: str = "") -> str:
    """Key and sentence of one problem.

    Args:
        detail: One of `pydantic.ValidationError.errors`.
        before: Stands before the key, such as the option that it was given with.
    """
    where = detail["loc"]
    key = ".".join(str(part) for part in where) if isinstance(where, tuple) else ""
    sentence = in_our_words(str(detail["msg"]))
    return f"{before}{key}: {sentence}" if before or key else sentence
