"""The client's end of the local socket: where the socket of a stand is, one request, and its answer.

The service takes the first folder that there is: ``RUNTIME_DIRECTORY`` (systemd makes it), a folder in
``XDG_RUNTIME_DIR``, a folder beside the logbook. The client searches all of these, and those that systemd
makes for system services.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import socket
import stat
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

from pydantic import ValidationError

from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.service.words import MOST_ANSWER_BYTES, Answer, Request, line_of
from lashmap_daemon.system import is_own, need_local_sockets

MOST_BYTES = 107 if sys.platform == "linux" else 103  # unix(7): sun_path holds 108 with its final zero
_SYSTEM = Path("/run/lashmap")
_BESIDE = ".lashmap"
_DIGEST = 12
_STEM = 24


def socket_name(stand: Path) -> str:
    """Name of a stand's socket: readable, and its own for every stand file."""
    whole = stand.resolve()
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", whole.stem)[:_STEM].strip("-") or "stand"
    digest = hashlib.sha256(os.fsencode(whole)).hexdigest()[:_DIGEST]
    return f"{stem}-{digest}.sock"


def place_for(stand: Path, logbook: Path, environment: Mapping[str, str]) -> Path:
    """Where a service opens its socket; the folder is made, for its owner only.

    Raises:
        ConfigurationError: When the path is too long for a socket.
        StandError: When the folder cannot be made, or belongs to somebody else.
    """
    folder = next(_own_folders(logbook, environment))
    path = folder / socket_name(stand)
    length = len(os.fsencode(path))
    if length > MOST_BYTES:
        raise ConfigurationError(
            str(path),
            [
                (
                    f"is {length} bytes long and a Unix socket holds {MOST_BYTES}; set RUNTIME_DIRECTORY to "
                    "a folder with a shorter name, for the service and for tell"
                )
            ],
        )
    _make_private(folder)
    return path


def places_of(stand: Path, logbook: Path, environment: Mapping[str, str]) -> list[Path]:
    """Everywhere a service of this stand may have opened its socket, the likeliest first."""
    name = socket_name(stand)
    folders = [*_own_folders(logbook, environment), _SYSTEM]
    with contextlib.suppress(OSError):  # no such folder, or not ours to read
        folders += sorted(path for path in _SYSTEM.iterdir() if path.is_dir())
    return [folder / name for folder in folders]


def _own_folders(logbook: Path, environment: Mapping[str, str]) -> Iterator[Path]:
    # systemd.exec(5): several folders are separated by colons.
    given = environment.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        yield Path(given)
    personal = environment.get("XDG_RUNTIME_DIR", "")
    if personal and Path(personal).is_dir():
        yield Path(personal) / "lashmap"
    yield logbook.resolve().parent / _BESIDE


def _make_private(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
        if not stat.S_ISDIR(found.st_mode) or not is_own(found):
            raise StandError(f"{folder}: is not a folder of ours, so no socket is opened in it; remove it")
        folder.chmod(0o700)
    except OSError as error:
        raise StandError(
            f"{folder}: cannot be made for the local socket ({error.strerror}); set RUNTIME_DIRECTORY to a "
            "folder that can be written"
        ) from error


ANSWER_S = 15.0  # a test that begins first waits for its instruments


def ask(stand: Path, logbook: Path, request: Request) -> Answer:
    """Send one request.

    Raises:
        StandError: When no service answers, or its answer is not understood.
    """
    need_local_sockets()
    places = places_of(stand, logbook, os.environ)
    barred: list[str] = []
    for place in places:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(ANSWER_S)
            try:
                line.connect(str(place))
            except PermissionError:
                barred.append(str(place))
            except OSError:
                continue  # no socket, or one that a killed service left behind
            else:
                return _talk(line, place, request)
    if barred:
        raise StandError(
            f"{barred[0]}: no permission to use the socket of the service; run tell as the user of the "
            "service, for example with sudo -u lashmap"
        )
    searched = ", ".join(dict.fromkeys(str(place.parent) for place in places))
    raise StandError(
        f"no service of {stand} answers; searched: {searched}. Start it with lashmap serve {stand}, or "
        f"name its logbook: lashmap tell --logbook FILE {stand} …"
    )


def _talk(line: socket.socket, place: Path, request: Request) -> Answer:
    received = bytearray()
    try:
        line.sendall(line_of(request))
        while not received.endswith(b"\n"):
            data = line.recv(65_536)
            if not data:
                break
            received += data
            if len(received) > MOST_ANSWER_BYTES:
                raise StandError(f"{place}: the answer does not end; is this another program's socket?")
    except TimeoutError as error:
        raise StandError(
            f"{place}: the service took the request and did not answer within {ANSWER_S:g} s; see its log"
        ) from error
    except OSError as error:
        raise StandError(
            f"{place}: the connection broke ({error.strerror}); see the service's log"
        ) from error
    try:
        return Answer.model_validate_json(bytes(received))
    except ValidationError as error:
        raise StandError(
            f"{place}: the answer is not understood; use the lashmap that the service was started with"
        ) from error
