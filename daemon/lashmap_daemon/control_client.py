"""The other end of the local socket: one request to the service of a stand, and its answer."""

from __future__ import annotations

import os
import socket
from pathlib import Path

from pydantic import ValidationError

from lashmap_daemon.control_path import places_of
from lashmap_daemon.control_words import MOST_ANSWER_BYTES, Answer, Request, line_of
from lashmap_daemon.errors import StandError

ANSWER_S = 15.0  # a test that begins first listens to its instruments


def ask(stand: Path, logbook: Path, request: Request) -> Answer:
    """Send one request.

    Args:
        stand: Stand file that the service was started with.
        logbook: Beside it the socket may be.
        request: What to say.

    Raises:
        StandError: When no service answers, or its answer is not understood.
    """
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
            f"{barred[0]}: not allowed to speak to the service; run tell as the user of the service, for "
            "example with sudo -u lashmap"
        )
    looked = ", ".join(dict.fromkeys(str(place.parent) for place in places))
    raise StandError(
        f"no service of {stand} answers; looked in {looked}. Start it with lashmap serve {stand}, or "
        f"name its logbook: lashmap tell --logbook FILE {stand} …"
    )


def _talk(line: socket.socket, place: Path, request: Request) -> Answer:
    heard = bytearray()
    try:
        line.sendall(line_of(request))
        while not heard.endswith(b"\n"):
            data = line.recv(65_536)
            if not data:
                break
            heard += data
            if len(heard) > MOST_ANSWER_BYTES:
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
        return Answer.model_validate_json(bytes(heard))
    except ValidationError as error:
        raise StandError(
            f"{place}: the answer is not understood; use the lashmap that the service was started with"
        ) from error
