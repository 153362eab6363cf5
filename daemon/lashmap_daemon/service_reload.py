"""What of a stand file may change while a service runs, and what may not.

All or nothing: a calibration date that came with another instrument must not be taken for the one that still
hangs there, so a file with any change that needs a restart is refused whole.
"""

from __future__ import annotations

from typing import Any

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.stand_file import Stand

_CHANGEABLE = frozenset(
    {
        "stand.remark",
        "stand.reconnect_seconds",
        "indicator.calibration_due",
        "indicator.calibration_uncertainty_mm",
        "encoder.calibration_due",
        "encoder.standard_uncertainty_deg",
        "prompts.file",
        "prompts",
        "hands_free",
    }
)


def changes(old: Stand, new: Stand) -> list[str]:
    """Keys that differ, as the stand file has them; profiles by the key that names them."""
    before, after = _flat(old), _flat(new)
    return sorted(key for key in before.keys() | after.keys() if before.get(key) != after.get(key))


def accepted(old: Stand, new: Stand, name: str) -> list[str]:
    """The keys that change with ``new``.

    Raises:
        ConfigurationError: Naming every key that cannot change while the service runs.
    """
    changed = changes(old, new)
    refused = [key for key in changed if key not in _CHANGEABLE and not key.startswith("hands_free.")]
    if refused:
        raise ConfigurationError(
            name,
            [
                f"{key}: cannot change while the service runs; nothing was changed, restart it"
                for key in refused
            ],
        )
    return changed


def _flat(stand: Stand) -> dict[str, object]:
    flat: dict[str, object] = {}
    _walk("", stand.file.model_dump(), flat)
    flat["indicator.profile"] = stand.indicator_profile.model_dump()
    flat["encoder.profile"] = stand.encoder_profile.model_dump()
    return flat


def _walk(prefix: str, table: dict[str, Any], flat: dict[str, object]) -> None:
    for key, value in table.items():
        if isinstance(value, dict):
            _walk(f"{prefix}{key}.", value, flat)
        else:
            flat[f"{prefix}{key}"] = value
