"""Every file that lashmap writes itself: made exclusively, no link followed, whole under its name or absent.

In a folder where others may write, somebody can plant a symbolic link under a name that lashmap is about to
use. A file that is handed over is therefore made under a random name that was free, and moved to its place,
where it replaces a link and not what the link points at. A file that stays under its name (lock, prompts) is
refused where a link stands. A database is made here before SQLite opens it.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
import tempfile
from pathlib import Path

from lashmap_daemon.errors import ConfigurationError

_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
_NAME_LETTERS = 40  # of a name in the name of its unfinished file: at most 160 bytes of 255
_STREAMS = (Path("/dev"), Path("/proc"))  # /dev/stdout and /dev/fd/63 are links, and nobody plants one there
_MEMORY = Path("/dev/shm")  # noqa: S108 - files of anybody, like any other folder


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file under its name once all of it is on the disk; its folder is made if need be.

    Args:
        path: Where to. A link is replaced by the file; what it points at is untouched.
        content: Text is written as UTF-8.

    Raises:
        ConfigurationError: It cannot be written; what stood under the name is untouched.
    """
    try:
        replace_whole(path, content)
    except OSError as error:
        problem = f"cannot be written ({error.strerror or error}); choose another place"
        raise ConfigurationError(str(path), [problem]) from error


def replace_whole(path: Path, content: str | bytes) -> None:
    """As `write_whole`.

    Raises:
        OSError: It cannot be written; what stood under the name is untouched.
    """
    data = content if isinstance(content, bytes) else content.encode("utf-8")
    if _is_stream(path):  # a pipe, a device: nothing to keep, nothing to replace
        with os.fdopen(os.open(path, os.O_WRONLY | _no_link(path)), "wb") as file:
            file.write(data)
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    waiting = path.with_name(f".{path.name[:_NAME_LETTERS]}.{secrets.token_hex(8)}.unfinished")
    try:
        with os.fdopen(create_new(waiting), "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        waiting.replace(path)
    finally:
        waiting.unlink(missing_ok=True)


def create_new(path: Path) -> int:
    """Make a file that was not there; returns its descriptor, to read and write.

    Raises:
        FileExistsError: Something stands under the name, be it a link to nowhere.
        OSError: It cannot be made.
    """
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | _NO_LINK, 0o666)


def open_own(path: Path, flags: int) -> int:
    """Open a file of ours that stays under its name, or make it; returns its descriptor.

    Args:
        path: The file.
        flags: How to open it, as of `os.open`; it is made when absent, and nothing is cut off.

    Raises:
        OSError: It cannot be opened, is a symbolic link, or has a second name somewhere else.
    """
    try:
        descriptor = os.open(path, flags | os.O_CREAT | _no_link(path), 0o666)
    except OSError as error:
        if error.errno == errno.ELOOP:
            raise OSError(errno.ELOOP, "it is a symbolic link, which is not followed; remove it") from error
        raise
    found = os.fstat(descriptor)
    if stat.S_ISREG(found.st_mode) and found.st_nlink > 1:
        os.close(descriptor)
        raise OSError(errno.EMLINK, "it has another name elsewhere (a hard link); remove it")
    return descriptor


def new_folder_beside(place: Path) -> Path:
    """Make a folder of a random name beside ``place``, for us alone; for what takes more than one write.

    Raises:
        OSError: It cannot be made.
    """
    place.parent.mkdir(parents=True, exist_ok=True)
    name = tempfile.mkdtemp(
        prefix=f".{place.name[:_NAME_LETTERS]}.", suffix=".unfinished", dir=place.parent.absolute()
    )
    return Path(name)


def _is_system(path: Path) -> bool:
    place = path.absolute()
    return any(place.is_relative_to(one) for one in _STREAMS) and not place.is_relative_to(_MEMORY)


def _no_link(path: Path) -> int:
    return 0 if _is_system(path) else _NO_LINK


def _is_stream(path: Path) -> bool:
    """True where bytes go to whoever reads, and no file stands to be replaced."""
    if _is_system(path):
        return True
    try:
        mode = path.lstat().st_mode
    except OSError:
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISLNK(mode) or stat.S_ISDIR(mode))
