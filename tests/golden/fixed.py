"""All that would change an output without a change of the program: fixed or masked here, and nowhere else.

Fixed: today's date and time, time zone, version of the program, width of the terminal and its colours, login
name, and the working folder (so that no path of a machine comes into a record). Masked: the seal, in results
of a test that was made anew, since it digests every digit of every number. Versions of packages are printed
nowhere.
"""

from __future__ import annotations

import datetime as dt
import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import Distribution
from pathlib import Path
from typing import Any

import pytest
import time_machine

NOW = dt.datetime(2026, 12, 1, 10, 0, tzinfo=dt.UTC)
VERSION = "0.0.0"
OURS = "lashmap"
_ENVIRONMENT = {
    "TZ": "UTC",
    "COLUMNS": "100",
    "LINES": "50",
    "TERM": "dumb",
    "NO_COLOR": "1",
    "LOGNAME": "golden",
}
_LEFT_OUT = ("FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE", "LASHMAP_LOGBOOK")
_SEAL = "seal"
_SHORT = 16  # digits of it that stand in sentences


@contextmanager
def fixed(folder: Path) -> Iterator[None]:
    """Work in this folder, at one moment, on one terminal."""
    with pytest.MonkeyPatch.context() as patch:
        for name, value in _ENVIRONMENT.items():
            patch.setenv(name, value)
        for name in _LEFT_OUT:
            patch.delenv(name, raising=False)
        patch.setattr(Distribution, "version", property(_version))
        patch.chdir(folder)
        time.tzset()
        with time_machine.travel(NOW, tick=False):
            yield
    time.tzset()


def _version(distribution: Distribution) -> str:
    return VERSION if distribution.name == OURS else distribution.metadata["Version"]


def without_seal(result: str) -> Any:  # noqa: ANN401 - any JSON
    """A result document whose seal is not compared; that it has one, or none, still is."""
    seal = json.loads(result)["identity"]["seal"]
    return json.loads(result.replace(seal[:_SHORT], _SEAL).replace(seal[_SHORT:], "") if seal else result)
