"""Whether files of today say the same as before, key by key: of a test that goes on, of a stand in service.

What may differ is listed here, with why; everything else must be the same to the last digit, because the
record of a test has one geometry, one pair of instruments and one set of limits.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

from lashmap_analysis.record.lengths import in_units
from lashmap_analysis.record.record import Units

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, PINION_TABLE, Stand
from lashmap_daemon.story.recorded import Box, HandSetup, Setup

_BOX_MAY_DIFFER = (
    "box.remark",
    "plan.rock_seconds",  # how long to wait for a person says nothing about a number
    "plan.turn_seconds",
    "plan.tries",
    "shims",  # used by `lashmap shims` alone
)
_STAND_MAY_DIFFER = (
    "stand.remark",
    "stand.reconnect_seconds",
    "indicator.port",  # a cable moves to another plug
    "encoder.port",
    "indicator.profile",  # a file name; what is in it is compared
    "encoder.profile",
    "indicator.calibration_due",  # judged anew on the day of each part of the test
    "encoder.calibration_due",
    "indicator profile.description",
    "encoder profile.description",
    "indicator profile.port",  # speed and framing decide whether bytes come, not what they mean
    "encoder profile.port",
    *(
        f"pinion encoder{key}"
        for key in (".port", ".profile", ".calibration_due", " profile.description", " profile.port")
    ),
    "gauge.remark",
    "gauge.calibration_due",
    "gauge.rocks",
)
_MAY_CHANGE_IN_SERVICE = (
    "stand.remark",
    "stand.reconnect_seconds",
    "indicator.calibration_due",
    "indicator.calibration_uncertainty_mm",
    "indicator.hysteresis_mm",
    "indicator.correction",
    "encoder.calibration_due",
    "encoder.standard_uncertainty_deg",
    "encoder.pinion.calibration_due",
    "encoder.pinion.standard_uncertainty_deg",
    "prompts",
    "hands_free",
)


def differences(
    today: Setup | HandSetup, began: Setup | HandSetup, *, from_build: tuple[str, ...] = ()
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Compare the files of today with those of the start record.

    Args:
        today: Box and stand of today.
        began: Of the start record, answers of the operator included.
        from_build: Keys of the box that the test took from its build, whatever the file says.

    Returns:
        What must not differ and does, and what may differ and does; each as "key: before → now".
    """
    before, now = _flat(asdict(began.box)), _flat(asdict(today.box))
    for key in before:
        if key in from_build or (key.startswith("mounting.") and now[key] in {None, ""}):
            now[key] = before[key]  # it was asked for at the stand, and recorded
    of_the_box = _changes(before, now, began.box.box.units)
    of_the_stand = _changes(_flat_stand(began), _flat_stand(today), began.box.box.units)
    free = [key for key in of_the_box if _is_among(key, _BOX_MAY_DIFFER)]
    free += [key for key in of_the_stand if _is_among(key, _STAND_MAY_DIFFER)]
    every = of_the_box | of_the_stand
    return tuple(text for key, text in every.items() if key not in free), tuple(every[key] for key in free)


def with_changes(box: Box, of_box: Box) -> Box:
    """The recorded box with what may differ for the rest of the test taken from today's."""
    today = box.plan
    plan = replace(
        of_box.plan, rock_seconds=today.rock_seconds, turn_seconds=today.turn_seconds, tries=today.tries
    )
    return replace(of_box, plan=plan)


def accepted(old: Stand, new: Stand, name: str) -> list[str]:
    """The keys that change when a service takes over another stand file, called ``name``.

    Raises:
        ConfigurationError: Naming every key that cannot change while the service runs.
    """
    before, after = (
        _flat(stand.file.model_dump(by_alias=True))
        | {
            f"{name}.profile": None if profile is None else profile.model_dump()
            for name, profile in (
                (INDICATOR, stand.indicator_profile),
                (ENCODER, stand.encoder_profile),
                (PINION_TABLE, stand.pinion_encoder_profile),
            )
        }
        for stand in (old, new)
    )
    changed = sorted(key for key in before.keys() | after.keys() if before.get(key) != after.get(key))
    refused = [key for key in changed if not _is_among(key, _MAY_CHANGE_IN_SERVICE)]
    if refused:
        said = "cannot change while the service runs; nothing was changed, restart it"
        raise ConfigurationError(name, [f"{key}: {said}" for key in refused])
    return changed


def _changes(before: dict[str, object], now: dict[str, object], units: Units) -> dict[str, str]:
    return {
        key: _change(key, before.get(key), now.get(key), units)
        for key in sorted(before.keys() | now.keys())
        if before.get(key) != now.get(key)
    }


def _change(key: str, before: object, now: object, units: Units) -> str:
    """As "key: before → now"; lengths of a box in inches as its file may give them."""
    if units == "in" and key.endswith("_mm"):
        texts = [_text(_inches(before), 6), _text(_inches(now), 6)]
        if texts[0] != texts[1]:
            return f"{key.removesuffix('_mm')}_in: {texts[0]} → {texts[1]}"
    return f"{key}: {_text(before)} → {_text(now)}"


def _is_among(key: str, names: tuple[str, ...]) -> bool:
    return any(key == name or key.startswith(f"{name}.") for name in names)


def _inches(value: object) -> object:
    if isinstance(value, tuple):
        return tuple(_inches(one) for one in value)
    return in_units(value, "in") if isinstance(value, float) else value


def _text(value: object, digits: int | None = None) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(_text(one, digits) for one in value)}]"
    if digits is not None and isinstance(value, float):
        return f"{value:.{digits}g}"
    return "not given" if value in {None, ""} else str(value)


def _flat_stand(setup: Setup | HandSetup) -> dict[str, object]:
    if isinstance(setup, HandSetup):
        return _flat({"gauge": asdict(setup.gauge)})
    return _flat({name.replace("_", " "): table for name, table in asdict(setup.stand).items()})


def _flat(table: dict[str, Any], above: str = "") -> dict[str, object]:
    """Nested tables as one, with dotted keys; lists as their text, those of numbers as tuples."""
    flat: dict[str, object] = {}
    for key, value in table.items():
        if isinstance(value, dict):
            flat |= _flat(value, f"{above}{key}.")
        elif isinstance(value, list | tuple):
            are_numbers = all(isinstance(one, float) for one in value)
            flat[f"{above}{key}"] = tuple(value) if are_numbers else str(value)
        else:
            flat[f"{above}{key}"] = value
    return flat
