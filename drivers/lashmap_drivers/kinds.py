"""Which kinds of instrument there are: those here, and those that other packages bring.

A package brings a kind by an entry point in the group ``lashmap.instruments``: its name is the ``kind`` that
profiles write, its object a subclass of `InstrumentProfile`. Entry points are looked at only when a profile
names a kind that is not built in. The program's own kind ``logbook replay`` comes this way too, since the
drivers know no logbook.
"""

from __future__ import annotations

from importlib.metadata import entry_points
from typing import Annotated, Any

from pydantic import BeforeValidator, SerializeAsAny

from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.wire.ascii_line import LineProfile
from lashmap_drivers.wire.bcd import BcdProfile
from lashmap_drivers.wire.counter_board import CounterBoardProfile
from lashmap_drivers.wire.modbus import ModbusProfile
from lashmap_drivers.wire.recorded_file import RecordedFileProfile

ENTRY_POINTS = "lashmap.instruments"
BUILT_IN: dict[str, type[InstrumentProfile]] = {
    "ascii line": LineProfile,
    "bcd frame": BcdProfile,
    "modbus rtu": ModbusProfile,
    "counter board": CounterBoardProfile,
    "recorded file": RecordedFileProfile,
}


def find_kind(kind: object) -> type[InstrumentProfile]:
    """The profile class of a kind.

    Raises:
        ValueError: When there is none, or the package that brings it is broken; the message says which.
    """
    if isinstance(kind, str) and kind in BUILT_IN:
        return BUILT_IN[kind]
    brought = entry_points(group=ENTRY_POINTS)
    if not isinstance(kind, str) or kind not in brought.names:
        known = ", ".join(sorted({*BUILT_IN, *brought.names}))
        raise ValueError(f"kind: expected one of {known}, got {kind!r}")
    point = brought[kind]
    package = point.dist.name if point.dist is not None else point.value
    try:
        found = point.load()
    except Exception as error:  # whatever foreign code raises while it loads
        raise ValueError(
            f"kind: the package {package}, which brings {kind!r}, does not load: {error}"
        ) from error
    if not (isinstance(found, type) and issubclass(found, InstrumentProfile)):
        raise ValueError(  # noqa: TRY004 - to whoever wrote the profile it is a wrong value
            f"kind: the package {package} brings {kind!r}, but not as an InstrumentProfile"
        )
    return found


def build(profile: Any) -> Any:  # noqa: ANN401 - whatever stands in a file
    """A profile from its keys; anything but a table is left to pydantic to refuse.

    Raises:
        ValueError: When kind or keys are wrong.
    """
    if not isinstance(profile, dict):
        return profile
    return find_kind(profile.get("kind")).model_validate(profile)


AnyProfile = Annotated[SerializeAsAny[InstrumentProfile], BeforeValidator(build)]
