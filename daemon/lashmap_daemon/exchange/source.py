"""A recording with its mapping, as bytes and as a stand that decodes it.

Decided here: how the instruments of a recording are described, so that the decoders of the drivers turn the
texts of its cells into samples as they do with what comes over a cable.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from lashmap_drivers.errors import BEYOND, JUMPED, LOST_COUNT
from lashmap_drivers.ports.regular_file import MOST_RECORDING_BYTES, FileRefused, read_regular
from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.readings import Chunk, Floats
from lashmap_drivers.timing.angles import CLOSE_S, AngleTurns
from lashmap_drivers.wire.recorded_file import RecordedFileProfile

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.rocks import Signals
from lashmap_daemon.exchange.table import Column, Recording, number
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.mapping_file import Mapping
from lashmap_daemon.setup.stand_file import Stand, StandFile

_OF_THE_COLUMN = {"column", "unit", "matched_deg", "wraps_at_deg"}  # what the stand file says nothing of


@dataclass(frozen=True, kw_only=True)
class Source:
    """What is imported, as bytes and as read."""

    path: Path
    data: bytes
    mapping_path: Path
    mapping_data: bytes
    mapping: Mapping
    box: BoxFile

    @property
    def digest(self) -> str:
        """SHA-256 of the recording."""
        return hashlib.sha256(self.data).hexdigest()

    @property
    def mapping_digest(self) -> str:
        """SHA-256 of the mapping file."""
        return hashlib.sha256(self.mapping_data).hexdigest()

    @property
    def origin(self) -> str:
        """Where the samples come from, in words."""
        return f"imported from {self.path.name}, {len(self.data):,} bytes, SHA-256 {self.digest}"


def read_source(mapping_path: Path) -> Source:
    """Read a mapping and the files it names.

    Raises:
        ConfigurationError: When one is missing or wrong.
    """
    mapping = toml_file.load(mapping_path, Mapping)
    path, box = (mapping_path.parent / name for name in (mapping.file.path, mapping.file.box))
    try:
        data = read_regular(path, MOST_RECORDING_BYTES)
        mapping_data = read_regular(mapping_path, toml_file.MOST_BYTES)
    except FileRefused as error:
        problem = f"file.path: {path} {error}. It is relative to the mapping file"
        raise ConfigurationError(str(mapping_path), [problem]) from error
    return Source(
        path=path,
        data=data,
        mapping_path=mapping_path,
        mapping_data=mapping_data,
        mapping=mapping,
        box=toml_file.load(box, BoxFile),
    )


def stand_of(source: Source) -> Stand:
    """The instruments of the recording as a stand: what decodes the texts of its samples."""
    mapping, decimal = source.mapping, source.mapping.decimal
    indicator, encoder = mapping.indicator, mapping.encoder
    common = {"port": source.path.name, "profile": source.mapping_path.name}
    file = StandFile.model_validate(
        {
            "stand": {"name": mapping.test.stand or "not recorded", "remark": ""},
            "indicator": {
                **common,
                **indicator.model_dump(exclude={"column", "unit"}),
            },
            "encoder": {**common, **encoder.model_dump(exclude=_OF_THE_COLUMN)}
            if encoder
            else {**common, "counts_per_turn": 1},
        }
    )
    return Stand(
        file=file,
        indicator_profile=RecordedFileProfile(
            kind="recorded file",
            description="imported",
            time_column=mapping.time.column,
            value_column=indicator.column,
            unit=indicator.unit,
            decimal=decimal,
            separator=mapping.file.separator,
        ),
        encoder_profile=RecordedFileProfile(
            kind="recorded file",
            description="imported" if encoder else "none was recorded",
            time_column=mapping.time.column,
            value_column=encoder.column if encoder else "none",
            unit=encoder.unit if encoder else "deg",
            wraps_at_deg=encoder.wraps_at_deg if encoder else None,
            decimal=decimal,
            separator=mapping.file.separator,
        ),
    )


def chunks(column: Column) -> list[Chunk]:
    """Each sample as the text of the file, at its time."""
    return [
        Chunk(time_s, text.encode() + b"\n")
        for time_s, text in zip(column.time_s.tolist(), column.texts, strict=True)
    ]


def signals_of(source: Source, recording: Recording, stand: Stand) -> Signals:
    """The samples as numbers, for finding rocks: unit, sense and turns as the decoders apply them.

    Raises:
        ConfigurationError: When the angle cannot be followed over its turns.
    """
    decimal, file = source.mapping.decimal, stand.file

    def values(column: Column, factor: float) -> Floats:
        return np.asarray(np.array([number(text, decimal) for text in column.texts]) * factor)

    counts = 360.0 / file.encoder.counts_per_turn if stand.encoder_profile.unit == "count" else 1.0
    turned = recording.encoder
    time_s, angle_deg = np.empty(0), np.empty(0)
    if turned is not None:
        time_s, angle_deg = turned.time_s, values(turned, counts * file.encoder.sense)
        if len(time_s):
            angle_deg = _followed(source.mapping_path, stand.encoder_profile, angle_deg, time_s)
            time_s, angle_deg = time_s[~np.isnan(angle_deg)], angle_deg[~np.isnan(angle_deg)]
    return Signals(
        time_s=recording.indicator.time_s,
        indicator_mm=values(recording.indicator, stand.indicator_profile.mm_per_unit * file.indicator.sense),
        encoder_time_s=time_s,
        encoder_deg=angle_deg,
    )


def _followed(path: Path, profile: InstrumentProfile, angle_deg: Floats, time_s: Floats) -> Floats:
    """The angle as the decoder will follow it; nan where it has none."""
    marks: Counter[str] = Counter()
    wraps_at_deg = profile.wraps_at_deg
    turns = AngleTurns(wraps_at_deg, marks, in_degrees=profile.unit == "deg")
    found = turns.follow(angle_deg, time_s)
    problem = ""
    if turns.jump is not None and wraps_at_deg is None:
        if JUMPED in marks and abs(turns.jump.step_deg) > 180.0:
            return angle_deg  # it begins again unsaid: `exchange.rocks` tells that from all of it
        last_s = float(time_s[~np.isnan(found)][-1])
        problem = (
            f"it jumped by {turns.jump.step_deg:+.1f}° within {turns.jump.wait_s * 1e3:.0f} ms after "
            f"{last_s:.3f} s, and no shaft turns so quickly: it is not known which teeth were measured after "
            "that. Import the part before it"
        )
    elif BEYOND in marks and wraps_at_deg is not None:
        problem = f"the angle goes further than wraps_at_deg = {wraps_at_deg:g}; correct it, or leave it out"
    elif LOST_COUNT in marks:
        last_s = float(time_s[~np.isnan(found)][-1])
        problem = (
            f"its turns cannot be followed beyond {last_s:.3f} s: there samples are missing or too far "
            f"apart, or the angle goes too far between them. Samples must come every {CLOSE_S:g} s or "
            "sooner; import such a recording, or one whose angle goes on over all turns"
        )
    if problem:
        raise ConfigurationError(str(path), [f"encoder: {problem}"])
    return found
