"""Files that travel with the program: examples, instruments, service and broker files, schemas."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from lashmap_daemon.errors import ConfigurationError


def shipped(name: str) -> Path:
    """Where a file or folder is that travels with the program, in a clone and when it was installed alike.

    Args:
        name: As in a clone: ``configs`` or ``docs/schemas`` and what is below them.

    Raises:
        ConfigurationError: It is not there; the installation is not whole.
    """
    package = Path(str(files("lashmap_daemon")))
    for root in (package / "shipped", package.parents[1]):  # in the wheel (pyproject.toml), in a clone
        if (root / name).exists():
            return root / name
    raise ConfigurationError(
        name, [f"did not come with the program in {package}; install it anew: pip install --force-reinstall"]
    )
