"""Who holds a port: read from the process table, where there is one (Linux), and only when it matters."""

from __future__ import annotations

import os
from pathlib import Path

_PROC = Path("/proc")
_LOCK_FOLDERS = (Path("/run/lock"), Path("/var/lock"))
_MOST_COMMAND = 80


def lockers(device: str, *, proc: Path = _PROC) -> list[str]:
    """Who holds a lock on ``device``, each as ``process 123 (command)``; this program may be among them.

    Args:
        device: Path of the device; links are followed.
        proc: The process table; another one in tests.
    """
    try:
        status = Path(device).stat()
        lines = (proc / "locks").read_text("ascii").splitlines()
    except OSError:
        return []
    # 1: FLOCK  ADVISORY  WRITE 708 00:13:4 0 EOF — process, then device and inode (proc(5)).
    target = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    found = {int(words[4]) for line in lines if len(words := line.split()) > 5 and words[5] == target}
    return [_named(process, proc) for process in sorted(found)]


def holders(device: str, *, proc: Path = _PROC) -> list[str]:
    """Other processes that have ``device`` open, each as ``process 123 (command)``.

    Processes of other users can usually not be looked into and are then not seen; an empty list is no proof.

    Args:
        device: Path of the device; links are followed.
        proc: The process table; another one in tests.
    """
    target = os.path.realpath(device)
    try:
        processes = sorted(int(entry.name) for entry in proc.iterdir() if entry.name.isdigit())
    except OSError:
        return []
    return [
        _named(process, proc)
        for process in processes
        if process != os.getpid() and _has_open(proc / str(process) / "fd", target)
    ]


def lock_file_holder(
    device: str, *, proc: Path = _PROC, folders: tuple[Path, ...] = _LOCK_FOLDERS
) -> str | None:
    """The living process named in a lock file ``LCK..name``, which terminal programs leave; None without.

    Such files hold the process number as text (Filesystem Hierarchy Standard 3.0, 5.9).
    """
    for folder in folders:
        try:
            process = int((folder / f"LCK..{Path(os.path.realpath(device)).name}").read_text("ascii"))
        except (OSError, ValueError):
            continue
        if process != os.getpid() and (proc / str(process)).is_dir():
            return _named(process, proc)
    return None


def _named(process: int, proc: Path) -> str:
    if process == os.getpid():
        return "this program itself, for another instrument"
    return f"process {process} ({_command(proc / str(process))})"


def _has_open(descriptors: Path, target: str) -> bool:
    try:
        return any(_points_at(entry) == target for entry in descriptors.iterdir())
    except OSError:  # another user's, or gone meanwhile
        return False


def _points_at(descriptor: Path) -> str:
    try:
        return str(descriptor.readlink())
    except OSError:
        return ""


def _command(process: Path) -> str:
    try:
        words = (process / "cmdline").read_bytes().split(b"\0")
    except OSError:
        return "its command cannot be read"
    text = b" ".join(words).decode("utf-8", "replace").strip()
    return text if len(text) <= _MOST_COMMAND else f"{text[:_MOST_COMMAND]}…"
