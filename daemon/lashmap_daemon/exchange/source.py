"""A recording with its mapping: its bytes, its columns, and a stand that decodes them.

Decided here: what is read and what is refused (every time is later than the one before, every cell a number
or missing), and how the instruments are described, so that the decoders of the drivers turn the texts of
cells into samples as they do with what comes over a cable. A refusal names file, row and column; nothing is
repaired, since a repaired recording would no longer be what was recorded.
"""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import hashlib
import io
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from lashmap_drivers.errors import BEYOND, JUMPED, LOST_COUNT
from lashmap_drivers.ports.regular_file import MOST_RECORDING_BYTES, FileRefused, read_regular
from lashmap_drivers.readings import Chunk, Floats
from lashmap_drivers.timing.angles import CLOSE_S, AngleTurns
from lashmap_drivers.wire.recorded_file import RecordedFileProfile

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.arrow import arrow
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.mapping_file import EncoderTable, Mapping
from lashmap_daemon.setup.stand_file import ENCODER, PINION_TABLE, Stand, StandFile
from lashmap_daemon.setup.written_text import NoText, text_of

SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0}
SHORTEST_S = 1.0  # of a recording
SLOWEST_S = 1.0  # between samples; a dwell of a hand-rocked test holds no more than a few seconds
_MOST_ROWS = 10_000_000  # a few packed bytes can stand for all the memory there is
_MOST_ABOVE = 50  # lines among which the one that names the columns is looked for
_SEPARATORS = {";": '";"', ",": '","', "\t": '"\\t"', "|": '"|"', " ": '" "'}
_NUMBER = re.compile(r"\s*[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?\s*")
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


@dataclass(frozen=True, kw_only=True)
class Column:
    """The samples of one instrument.

    Attributes:
        time_s: Shape (n,), seconds since the recording began.
        texts: The n numbers as they stand in the file.
    """

    time_s: Floats
    texts: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Recording:
    """What was read.

    Attributes:
        first_s: Time of the first row on the file's own axis, in seconds; nan for ISO 8601.
        time_s: Shape (n,), of every row, seconds since the first.
        encoder: Its samples; None without an encoder.
        pinion: Samples of a second encoder, on the pinion; None without one.
        engagements: Shape (n,), of every row, nan between rocks; None when no column names them.
    """

    first_s: float
    time_s: Floats
    indicator: Column
    encoder: Column | None
    pinion: Column | None
    engagements: Floats | None


@dataclass(frozen=True, kw_only=True)
class Signals:
    """The instruments' samples as numbers, as the decoders of the logbook give them.

    Attributes:
        time_s: Indicator's times, shape (n,).
        indicator_mm: Shape (n,).
        encoder_time_s: Shape (m,); empty without an encoder.
        encoder_deg: Shape (m,), of its shaft, its own zero.
        pinion_time_s: Shape (k,), of a second encoder; empty without one.
        pinion_deg: Shape (k,), of the pinion's shaft, its own zero.
    """

    time_s: Floats
    indicator_mm: Floats
    encoder_time_s: Floats
    encoder_deg: Floats
    pinion_time_s: Floats
    pinion_deg: Floats


def refusal(path: Path, problem: str) -> ConfigurationError:
    """One thing that is wrong with a file."""
    return ConfigurationError(str(path), [problem])


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
        raise refusal(
            mapping_path, f"file.path: {path}: {error}. It is relative to the mapping file"
        ) from error
    return Source(
        path=path,
        data=data,
        mapping_path=mapping_path,
        mapping_data=mapping_data,
        mapping=mapping,
        box=toml_file.load(box, BoxFile),
    )


def read(path: Path, data: bytes, mapping: Mapping) -> Recording:
    """Read the columns of a recording; of ``path`` only the name is used.

    Raises:
        ConfigurationError: When it cannot be read, lacks a column, its times do not increase, or a cell is
            neither a number nor declared missing.
    """
    wanted = [mapping.time.column, mapping.indicator.column]
    wanted += [one.column for one in mapping.encoders.values()]
    wanted += [mapping.positions.engagement_column] if mapping.positions.engagement_column else []
    by_name, rows = (
        _parquet(path, data, wanted) if path.suffix == ".parquet" else _text(path, data, wanted, mapping)
    )
    if len(rows) < 2:
        raise refusal(path, f"holds {len(rows)} rows of samples; check file.path and file.skip_lines")
    missing = frozenset(mapping.file.missing)
    first_s, time_s = _times(path, by_name[mapping.time.column], rows, mapping)

    def column(name: str) -> Column:
        decimal = mapping.decimal
        for cell, row in zip(by_name[name], rows, strict=True):
            if cell not in missing and math.isnan(number(cell, decimal)):
                remedy = _mark(cell, mapping) or (
                    "; where it means that there was no sample, add it to file.missing"
                )
                raise refusal(path, f"row {row}, column {name}: {cell!r} is no number{remedy}")
        kept = [at for at, cell in enumerate(by_name[name]) if cell not in missing]
        if not kept:
            raise refusal(path, f"column {name}: holds no number at all")
        return Column(time_s=time_s[kept], texts=tuple(by_name[name][at] for at in kept))

    labels = mapping.positions.engagement_column
    return Recording(
        first_s=first_s,
        time_s=time_s,
        indicator=column(mapping.indicator.column),
        encoder=column(mapping.encoder.column) if mapping.encoder else None,
        pinion=column(mapping.pinion_encoder.column) if mapping.pinion_encoder else None,
        engagements=_engagements(path, labels, by_name[labels], rows, missing) if labels else None,
    )


def _mark(cell: str, mapping: Mapping) -> str:
    """What to write where the cell is a number with the other decimal mark; empty otherwise."""
    other = "." if mapping.decimal == "," else ","
    if math.isnan(number(cell, other)):
        return ""
    named = "comma" if other == "," else "point"
    return f'; its decimal mark is a {named}: write decimal = "{other}" in the mapping\'s table [file]'


def number(text: str, decimal: str) -> float:
    """The value of a cell; nan when it holds no plain, finite number."""
    other = "." if decimal == "," else ","  # may divide thousands, so that 1.234 would mean 1234: not guessed
    if not _NUMBER.fullmatch(text) or other in text:
        return math.nan
    value = float(text.replace(decimal, "."))
    return value if math.isfinite(value) else math.nan


def stand_of(source: Source) -> Stand:
    """The instruments of the recording as a stand: what decodes the texts of its samples."""
    mapping, decimal = source.mapping, source.mapping.decimal
    indicator, encoder, pinion = mapping.indicator, mapping.encoder, mapping.pinion_encoder
    common = {"port": source.path.name, "profile": source.mapping_path.name}
    file = StandFile.model_validate(
        {
            "stand": {"name": mapping.test.stand or "not recorded", "remark": ""},
            "indicator": {**common, **indicator.model_dump(exclude={"column", "unit"})},
            "encoder": {**common, **encoder.model_dump(exclude=_OF_THE_COLUMN)}
            if encoder
            else {**common, "counts_per_turn": 1},
            "pinion_encoder": pinion and {**common, **pinion.model_dump(exclude=_OF_THE_COLUMN)},
        }
    )

    def profile_of(turned: EncoderTable | None) -> RecordedFileProfile:
        return RecordedFileProfile(
            kind="recorded file",
            description="imported" if turned else "none was recorded",
            time_column=mapping.time.column,
            value_column=turned.column if turned else "none",
            unit=turned.unit if turned else "deg",
            wraps_at_deg=turned.wraps_at_deg if turned else None,
            decimal=decimal,
            separator=mapping.file.separator,
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
        encoder_profile=profile_of(encoder),
        pinion_encoder_profile=profile_of(pinion) if pinion else None,
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

    def angles(turned: Column | None, name: str) -> tuple[Floats, Floats]:
        encoder = source.mapping.encoders.get(name)
        if turned is None or encoder is None:
            return np.empty(0), np.empty(0)
        counts = 360.0 / encoder.counts_per_turn if encoder.unit == "count" else 1.0
        if encoder.unit == "count":
            _refuse_parts_of_a_count(source, turned, name)
        found = values(turned, counts * encoder.sense)
        found = _followed(source.mapping_path, name, encoder, found, turned.time_s)
        return turned.time_s[~np.isnan(found)], found[~np.isnan(found)]

    of_gear = next(iter(source.mapping.encoders), ENCODER)
    (time_s, angle_deg), (pinion_s, pinion_deg) = (
        angles(recording.encoder, of_gear),
        angles(recording.pinion, PINION_TABLE),
    )
    indicator = file.indicator
    if indicator is None or stand.indicator_profile is None:
        raise RuntimeError("an import without an indicator")
    return Signals(
        time_s=recording.indicator.time_s,
        indicator_mm=values(recording.indicator, stand.indicator_profile.mm_per_unit * indicator.sense),
        encoder_time_s=time_s,
        encoder_deg=angle_deg,
        pinion_time_s=pinion_s,
        pinion_deg=pinion_deg,
    )


def _refuse_parts_of_a_count(source: Source, column: Column, name: str) -> None:
    part = next((one for one in column.texts if number(one, source.mapping.decimal) % 1.0), None)
    if part is not None:
        problem = f'{name}.unit: {part!r} is no whole number of counts; an angle in degrees has unit = "deg"'
        raise refusal(source.mapping_path, problem)


def _followed(path: Path, name: str, encoder: EncoderTable, angle_deg: Floats, time_s: Floats) -> Floats:
    """The angle as the decoder will follow it; nan where it has none."""
    marks: Counter[str] = Counter()
    wraps_at_deg = encoder.wraps_at_deg
    turns = AngleTurns(wraps_at_deg, marks, in_degrees=encoder.unit == "deg")
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
        raise refusal(path, f"{name}: {problem}")
    return found


def _text(
    path: Path, data: bytes, wanted: list[str], mapping: Mapping
) -> tuple[dict[str, list[str]], Sequence[int]]:
    table = mapping.file
    try:
        text = text_of(data)
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=table.separator))
    except NoText as error:
        raise refusal(path, str(error)) from error
    except csv.Error as error:
        raise refusal(path, f"cannot be read ({error}); check file.path and file.separator") from error
    header = [cell.strip() for cell in (lines[table.skip_lines] if len(lines) > table.skip_lines else [])]
    _check_columns(path, header, wanted, _where_columns_are(text, lines, wanted, mapping))
    first = table.skip_lines + 1 + table.skip_after
    _refuse_to_skip_samples(path, lines[:first], header, wanted[:2], mapping)
    kept = [(at + 1, row) for at, row in enumerate(lines[first:], first) if any(cell.strip() for cell in row)]
    for at, row in kept:
        if len(row) != len(header):
            raise refusal(path, f"row {at}: has {len(row)} columns, the header has {len(header)}; correct it")
    places = {name: header.index(name) for name in wanted}
    return (
        {name: [row[place].strip() for _, row in kept] for name, place in places.items()},
        [at for at, _ in kept],
    )


def _parquet(path: Path, data: bytes, wanted: list[str]) -> tuple[dict[str, list[str]], Sequence[int]]:
    if arrow() is None:
        problem = "reading Parquet needs the package pyarrow; install it with: pip install 'lashmap[export]'"
        raise refusal(path, problem)
    import pyarrow as pa  # noqa: PLC0415 - heavy, and not everybody has it
    from pyarrow import parquet  # noqa: PLC0415 - as above

    try:
        described = parquet.ParquetFile(pa.BufferReader(data))
        _check_columns(path, list(described.schema_arrow.names), wanted)
        if described.metadata.num_rows > _MOST_ROWS:
            raise refusal(
                path,
                f"holds {described.metadata.num_rows} rows, at most {_MOST_ROWS} are read; import a part",
            )
        table = described.read(columns=sorted(set(wanted)))
    except (OSError, pa.ArrowException) as error:
        raise refusal(path, f"cannot be read as Parquet: {error}") from error

    def shown(value: object) -> str:
        if value is None:
            return ""
        return value.isoformat() if isinstance(value, dt.datetime) else str(value)

    cells = {name: [shown(value) for value in table.column(name).to_pylist()] for name in set(wanted)}
    return cells, range(1, table.num_rows + 1)


def _refuse_to_skip_samples(
    path: Path, lines: list[list[str]], header: list[str], wanted: list[str], mapping: Mapping
) -> None:
    places = [header.index(name) for name in wanted]
    for at, row in enumerate(lines[mapping.file.skip_lines + 1 :], mapping.file.skip_lines + 2):
        if len(row) == len(header) and not any(
            math.isnan(number(row[place].strip(), mapping.decimal)) for place in places
        ):
            problem = (
                f"row {at} holds samples and would be left out; file.skip_after in the mapping is too large"
            )
            raise refusal(path, problem)


def _where_columns_are(text: str, lines: list[list[str]], wanted: list[str], mapping: Mapping) -> str:
    """What to write in the mapping so that all wanted columns are found; empty when that is not known."""
    names, table = set(wanted), mapping.file
    for at, row in enumerate(lines[:_MOST_ABOVE]):
        if at != table.skip_lines and names <= {cell.strip() for cell in row}:
            return f"row {at + 1} names the columns; write skip_lines = {at} in the mapping's table [file]"
    rows = text.splitlines()[:_MOST_ABOVE]
    for separator, shown in _SEPARATORS.items():
        split = [{one.strip(' "') for one in row.split(separator)} for row in rows]
        found = [at for at, cells in enumerate(split) if names <= cells]
        if separator != table.separator and found:
            at = found[0]
            right = f"separator = {shown}" + (f" and skip_lines = {at}" if at != table.skip_lines else "")
            return f"its columns are divided otherwise; write {right} in the mapping's table [file]"
    return ""


def _check_columns(path: Path, header: list[str], wanted: list[str], remedy: str = "") -> None:
    problems = []
    if not header:
        raise refusal(path, "holds no line that names columns; check file.path and file.skip_lines")
    missing = [name for name in dict.fromkeys(wanted) if name not in header]
    if remedy and missing:
        raise refusal(path, f"has no column {missing[0]!r}: {remedy}")
    for name in dict.fromkeys(wanted):
        count = header.count(name)
        if count > 1:
            problems.append(f"has {count} columns named {name!r}; name them apart")
        elif not count:
            near = difflib.get_close_matches(name, header, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}?" if near else f"it has: {', '.join(header) or 'none'}"
            problems.append(f"has no column {name!r}; {hint}")
    if problems:
        raise ConfigurationError(str(path), problems)


def _times(path: Path, cells: list[str], rows: Sequence[int], mapping: Mapping) -> tuple[float, Floats]:
    unit = mapping.time.unit
    if unit == "iso 8601":
        moments = [_moment(path, cell, row) for cell, row in zip(cells, rows, strict=True)]
        first, since = math.nan, np.array([(moment - moments[0]).total_seconds() for moment in moments])
    else:
        own = np.array([number(cell, mapping.decimal) for cell in cells])
        bad = np.flatnonzero(np.isnan(own))
        if bad.size:
            at = int(bad[0])
            problem = f"row {rows[at]}, column {mapping.time.column}: {cells[at]!r} is no time"
            problem += _mark(cells[at], mapping)
            units = "; where that row names units, write skip_after = 1 in the mapping's table [file]"
            raise refusal(path, problem + (units if not at and not any(map(str.isdigit, cells[at])) else ""))
        first, since = float(own[0]) * SECONDS[unit], (own - own[0]) * SECONDS[unit]
    later = np.diff(since)
    if not np.all(later > 0):
        at = int(np.flatnonzero(later <= 0)[0]) + 1
        raise refusal(
            path,
            f"row {rows[at]}: its time {cells[at]} is not later than {cells[at - 1]} before it; times "
            "must increase. Sort the rows or remove the doubled ones",
        )
    if float(since[-1]) < SHORTEST_S:
        raise refusal(
            path,
            f"all of it would last {float(since[-1]):.3g} s, and one rock lasts longer; time.unit says "
            f"{unit!r}: is that right?",
        )
    if float(np.median(later)) > SLOWEST_S:
        raise refusal(
            path,
            f"samples would be {float(np.median(later)):.3g} s apart, too far to see a rock; time.unit says "
            f"{unit!r}: is that right?",
        )
    return first, since


def _moment(path: Path, cell: str, row: int) -> dt.datetime:
    try:
        moment = dt.datetime.fromisoformat(cell)
    except ValueError:
        raise refusal(path, f"row {row}: {cell!r} is no ISO 8601 time; change time.unit") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC)


def _engagements(
    path: Path, name: str, cells: list[str], rows: Sequence[int], missing: frozenset[str]
) -> Floats:
    def whole(cell: str, row: int) -> float:
        value = number(cell, ".")
        if math.isnan(value) or value != round(value):
            raise refusal(path, f"row {row}, column {name}: {cell!r} is no whole number of gear teeth")
        return value

    return np.array(
        [
            math.nan if cell in missing or not cell else whole(cell, row)
            for cell, row in zip(cells, rows, strict=True)
        ]
    )
