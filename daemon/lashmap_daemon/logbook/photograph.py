"""Photographs in a logbook, byte for byte: packs of their own, and an event that names and digests them.

Their packs are digested and chained as those of an instrument, so that `lashmap verify` covers them.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from pathlib import Path

from lashmap_drivers.ports.regular_file import FileRefused, read_regular
from lashmap_drivers.readings import Chunk

from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.story.events import PhotoTaken
from lashmap_daemon.whole_file import write_whole

MOST_BYTES = 12_000_000
MOST = 40
"""Photographs of one test or build."""
_PIECE = 1 << 18  # so that no pack of the logbook is large
_KINDS = {b"\xff\xd8\xff": ".jpg", b"\x89PNG\r\n\x1a\n": ".png"}


def ending_of(data: bytes) -> str:
    """What a file of these bytes ends with; empty when they are neither a JPEG nor a PNG picture."""
    return next((ending for mark, ending in _KINDS.items() if data.startswith(mark)), "")


def new_channel(number: int) -> str:
    """A name for the packs of a photograph; what an earlier try left behind has another one."""
    return f"photo {number} {secrets.token_hex(4)}"


def pieces_of(data: bytes, time_s: float) -> list[Chunk]:
    """The bytes as chunks that arrived at ``time_s``."""
    return [Chunk(time_s, data[start : start + _PIECE]) for start in range(0, len(data), _PIECE)]


def read_photo(path: Path) -> bytes:
    """The bytes of a photograph.

    Raises:
        ConfigurationError: When it is not there, is too large, or is neither JPEG nor PNG.
    """
    try:
        data = read_regular(path, MOST_BYTES)
    except FileRefused as error:
        why = str(error)
        if "larger" in why:
            why = (
                f"is larger than {MOST_BYTES / 1e6:g} MB. A logbook is copied, checked and archived "
                "whole, and a pattern is seen in a smaller one: save it at a lower quality"
            )
        raise ConfigurationError(str(path), [why]) from None
    if not ending_of(data):
        problem = "is neither a JPEG nor a PNG picture; save the photograph as one of them"
        raise ConfigurationError(str(path), [problem])
    return data


def photo(logbook: Logbook, name: str, number: int, channel: str, sha256: str) -> bytes:
    """The bytes of a photograph of a test or build, as they were.

    Raises:
        LogbookError: When they cannot be read, or are not what its event says.
    """
    data = b"".join(chunk.data for chunk in logbook.raw(name, channel))
    if hashlib.sha256(data).hexdigest() != sha256:
        raise LogbookError(
            f"{logbook.path}: {name}: photograph {number} is not as it was taken in; "
            f"find out what is damaged with: lashmap verify {name} --logbook {logbook.path}"
        )
    return data


def write_photos(logbook: Logbook, test: str, photos: Iterable[PhotoTaken], folder: Path) -> list[Path]:
    """Write the photographs of a test as files of their own; returns where.

    Raises:
        ConfigurationError: When the folder cannot be made, or a file not be written.
        LogbookError: As `photo`.
    """
    read = [(one, photo(logbook, test, one.number, one.channel, one.sha256)) for one in photos]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = f"the folder cannot be made ({error.strerror}); name another one"
        raise ConfigurationError(str(folder), [problem]) from None
    paths = [folder / f"{test}-photo-{one.number}{ending_of(data)}" for one, data in read]
    for path, (_, data) in zip(paths, read, strict=True):
        write_whole(path, data)
    return paths
