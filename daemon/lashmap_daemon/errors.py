"""Errors of the daemon a user can meet; each carries the exit status it ends a command with."""

from __future__ import annotations

from pathlib import Path

EXIT_CONFIGURATION = 2
EXIT_STAND = 3
EXIT_UNCHECKED = 4  # nothing is wrong in what was checked, but not all could be
EXIT_STOPPED = 130  # as a shell reports a command ended by Ctrl-C


class LashmapError(Exception):
    """Base of what this package reports instead of a traceback.

    Attributes:
        lines: The message; a text that is quoted in a line may hold anything, line breaks too.
    """

    exit_status = EXIT_CONFIGURATION

    def __init__(self, *lines: str) -> None:
        self.lines = lines
        super().__init__("\n".join(lines))


class ConfigurationError(LashmapError):
    """A file, key or argument is wrong.

    Attributes:
        file: The file, as the user named it.
        problems: One sentence each, beginning with the key.
    """

    def __init__(self, file: str, problems: list[str]) -> None:
        self.file = file
        self.problems = problems
        super().__init__(*(f"{file}: {problem}" for problem in problems))


class LogbookError(LashmapError):
    """A logbook cannot be opened, read or written."""

    exit_status = EXIT_STAND


class LogbookFull(LogbookError):
    """What was to be written found no room; nothing is lost, and writing can be tried again."""


class LogbookGone(LogbookError):
    """The file under the logbook's name is no longer the one that was opened.

    Attributes:
        path: The logbook.
        why: What became of the file.
        saved: Where everything that was recorded of the test is now; None where nothing was saved.
    """

    def __init__(self, path: Path, why: str, *, saved: Path | None = None, how_saved: str = "") -> None:
        self.path, self.why, self.saved = path, why, saved
        told = how_saved or "what is recorded from now on would be lost with it; bring it back, or begin anew"
        super().__init__(f"{path}: {why}; {told}")


class StandError(LashmapError):
    """The stand does not do what the test needs."""

    exit_status = EXIT_STAND


class GearTurns(StandError):
    """The gear turned while its angle was to be taken from it at rest."""


class ReferenceDisproved(StandError):
    """Encoder and marks disagree: nobody knows which teeth were measured, so the test cannot go on either."""
