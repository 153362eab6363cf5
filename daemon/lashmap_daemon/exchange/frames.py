"""A test from a logbook as the tables of an export, and as pandas frames.

`frames` gives what `lashmap_analysis.tables` gives after an export, without the files between. The
split: the analysis knows the tables (`tables.py`), fills all that follow from an assessment
(`tables.py`) and reads exported files (`tables.py`), for a notebook that has no logbook; what
needs a logbook (samples as received, events) is added here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from lashmap_analysis.tables import SAMPLES, TABLES, as_columns, columns_of, frame

from lashmap_daemon.exchange.samples import Block, Coded, Column, Which, read_samples
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import judged
from lashmap_daemon.replay.replay import Replay, newest_test
from lashmap_daemon.story import events

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from lashmap_analysis.judge.assessment import Assessment

    from lashmap_daemon.story.events import Stamped


def small_tables(assessment: Assessment, stream: Sequence[Stamped]) -> dict[str, dict[str, list[Any]]]:
    """Every table but the samples, as columns.

    Args:
        assessment: Of a test.
        stream: Its events, as they were read with it.
    """
    test = assessment.record.identity.test
    rows = []
    for number, stamped in enumerate(stream, 1):
        kind, body = events.to_json(stamped.event)
        rows.append(
            {
                "test": test,
                "number": number,
                "time_s": stamped.time_s,
                "utc": stamped.utc,
                "kind": kind,
                "body": body,
            }
        )
    return {**columns_of(assessment), "events": as_columns(TABLES["events"], rows)}


def frames(logbook: Logbook, test: str | None, *, samples: Which = "all") -> dict[str, pd.DataFrame]:
    """A test as pandas frames, by table.

    Args:
        logbook: Holds the test.
        test: Which; the newest when None.
        samples: Which samples; they are held in memory here.

    Raises:
        LogbookError: When the test cannot be read.
    """
    import pandas as pd  # noqa: PLC0415  (slow to import)

    parts = [frame(SAMPLES, {column.name: [] for column in SAMPLES.columns})]

    def take(block: Block) -> None:
        columns = block.columns()
        parts.append(frame(SAMPLES, {name: _for_pandas(column) for name, column in columns.items()}))

    with Replay(logbook, test or newest_test(logbook)) as replay:
        assessment = judged(read_samples(replay, samples, take), replay.events)
    tables = small_tables(assessment, replay.events)
    found = {name: frame(TABLES[name], columns) for name, columns in tables.items()}
    return {**found, "samples": pd.concat(parts[1:] or parts, ignore_index=True)}


def _for_pandas(column: Column) -> Any:  # noqa: ANN401 - what pandas takes
    import pandas as pd  # noqa: PLC0415  (slow to import)

    if isinstance(column, Coded):
        return np.array(column.words, dtype=object)[column.codes]
    if isinstance(column, np.ma.MaskedArray):
        return pd.arrays.IntegerArray(column.data, np.ma.getmaskarray(column))
    return column
