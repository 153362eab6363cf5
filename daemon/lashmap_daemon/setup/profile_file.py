"""An instrument profile file becomes a profile of the kind that it names."""

from __future__ import annotations

from pathlib import Path

from lashmap_drivers.kinds import find_kind
from lashmap_drivers.profile import InstrumentProfile
from pydantic import BaseModel, ConfigDict

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file


class _AnyKind(BaseModel):
    """The one key that says how the others are read."""

    model_config = ConfigDict(extra="allow", defer_build=True)

    kind: str


def load_profile(path: Path) -> InstrumentProfile:
    """Read an instrument profile.

    Raises:
        ConfigurationError: When the file is missing, its kind is unknown, or a key is wrong.
    """
    kind = toml_file.load(path, _AnyKind).kind
    try:
        found = find_kind(kind)
    except ValueError as error:
        raise ConfigurationError(str(path), [str(error)]) from error
    return toml_file.load(path, found)
