"""The box files that a service may test, and what a person adds to one of them when a test begins.

A file is read anew whenever a test begins: what is on the disk then is what the record holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from lashmap_drivers.profile import MM_PER_INCH
from pydantic import ValidationError

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile, MountingTable
from lashmap_daemon.setup.toml_file import FROM_FILE, problem_of

_SUFFIX = ".toml"
_LENGTHS = ("pinion_marked", "pinion_set", "gear_marked", "gear_set")
_MOST_NAMED = 200


class BoxFolder:
    """A folder of box files.

    Args:
        folder: Where they are.

    Raises:
        ConfigurationError: When there is no such folder.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        if not folder.is_dir():
            raise ConfigurationError(
                str(folder), ["--boxes: no such folder; name the one with the box files"]
            )

    def names(self) -> list[str]:
        """Their names without ``.toml``, in order."""
        try:
            return sorted(path.stem for path in self.folder.glob(f"*{_SUFFIX}") if path.is_file())[
                :_MOST_NAMED
            ]
        except OSError:
            return []

    def problems(self) -> list[str]:
        """What is wrong with any of them; a sentence each, beginning with the file."""
        found: list[str] = []
        for name in self.names():
            try:
                self.load(name)
            except ConfigurationError as error:
                found += error.lines
        return found

    def path(self, name: str) -> Path:
        """The file of a box.

        Raises:
            ConfigurationError: When the name is none of a file in this folder.
        """
        stem = name.removesuffix(_SUFFIX)
        if stem not in self.names():
            near = ", ".join(self.names()[:10]) or "none"
            raise ConfigurationError(
                f"{name!r:.80}", [f"no such box file in {self.folder}; there are: {near}"]
            )
        return self.folder / f"{stem}{_SUFFIX}"

    def load(self, name: str) -> BoxFile:
        """Read one of them.

        Raises:
            ConfigurationError: When there is none of that name, or it is wrong.
        """
        return toml_file.load(self.path(name), BoxFile)


def completed(box: BoxFile, settings: Mapping[str, str]) -> BoxFile:
    """A box with what a person says about its build, where the file is silent.

    Args:
        box: As its file has it.
        settings: By key: ``mounting.pinion_set_mm`` and its kind, or ending in ``_in``,
            ``mounting.bearings``, ``mounting.bearings_within_drawing`` (``true`` or ``false``).

    Raises:
        ConfigurationError: For a key that cannot be set or is in the file, or a value that does not fit.
    """
    values: dict[str, object] = {}
    problems: list[str] = []
    for key, text in settings.items():
        try:
            name, value = _setting(key, text)
        except ValueError as error:
            problems.append(str(error))
            continue
        if name in box.mounting.model_fields_set or name in values:
            problems.append(f"--set {key}: is given already; correct the box file instead")
        values[name] = value
    if problems:
        raise ConfigurationError(box.box.serial, problems)
    if not values:
        return box
    if "bearings_within_drawing" in values and not box.mounting.bearings:
        values.setdefault("bearings", "as reported at the start of the test")
    try:
        mounting = MountingTable.model_validate(
            box.mounting.model_dump(exclude_unset=True) | values, context=FROM_FILE
        )
    except ValidationError as error:
        raise ConfigurationError(
            box.box.serial,
            [problem_of(dict(one), before="--set mounting.") for one in error.errors()],
        ) from error
    return box.model_copy(update={"mounting": mounting})


def _setting(key: str, text: str) -> tuple[str, object]:
    table, _, name = key.partition(".")
    stem, _, unit = name.rpartition("_")
    if table == "mounting" and stem in _LENGTHS and unit in {"mm", "in"}:
        try:
            length = float(text.replace(",", "."))
        except ValueError:
            raise ValueError(f"--set {key}: {text!r:.40} is no number") from None
        return f"{stem}_mm", length * (MM_PER_INCH if unit == "in" else 1.0)
    if key == "mounting.bearings":
        return name, text
    if key == "mounting.bearings_within_drawing":
        if text not in {"true", "false"}:
            raise ValueError(f"--set {key}: {text!r:.40} is neither true nor false")
        return name, text == "true"
    lengths = ", ".join(f"mounting.{one}_mm" for one in _LENGTHS)
    raise ValueError(
        f"--set {key!r:.60}: cannot be set; {lengths} (or _in), mounting.bearings and "
        "mounting.bearings_within_drawing can"
    )
