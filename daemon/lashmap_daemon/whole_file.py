"""A file that is handed over: written whole or not at all, so that a full disk leaves the one before it."""

from __future__ import annotations

from pathlib import Path

from lashmap_daemon.errors import ConfigurationError


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file under its name once all of it is on the disk; its folder is made if need be.

    Args:
        path: Where to; a link is followed.
        content: Text is written as UTF-8.

    Raises:
        ConfigurationError: It cannot be written; what stood under the name is untouched.
    """
    data = content if isinstance(content, bytes) else content.encode("utf-8")
    try:
        place = path.resolve()
        place.parent.mkdir(parents=True, exist_ok=True)
        if place.exists() and not place.is_file():  # a pipe, a device: nothing to keep, nothing to replace
            place.write_bytes(data)
            return
        waiting = place.with_name(f".{place.name}.unfinished")
        try:
            waiting.write_bytes(data)
            waiting.replace(place)
        finally:
            waiting.unlink(missing_ok=True)
    except OSError as error:
        problem = f"cannot be written ({error.strerror or error}); choose another place"
        raise ConfigurationError(str(path), [problem]) from error
