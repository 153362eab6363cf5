"""The bar for the size of a logbook: 1.3 times the values as floats, also where nothing deflates well."""

from __future__ import annotations

import random
from pathlib import Path

from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.pack import on_test_clock
from lashmap_drivers.readings import Chunk


def test_random_digits_at_two_kilohertz_stay_under_the_bar(tmp_path: Path) -> None:
    """Seven random digits, a sign and a line end in each line; reads of a millisecond, the most there are."""
    rng = random.Random(3)  # noqa: S311 - test data
    path = tmp_path / "book"
    seconds = 60
    with Logbook(path, create=True) as book:
        for turn in range(seconds * 50):
            for name in ("indicator", "encoder"):
                reads = [
                    Chunk(
                        7.0 + 0.02 * turn + 0.001 * at + rng.uniform(0.0, 5e-4),
                        b"%+09.4f\r\n" % rng.uniform(-999.0, 999.0),
                    )
                    for at in range(20)
                ]
                book.keep("t", name, [on_test_clock(chunk, 7.0) for chunk in reads])
    assert path.stat().st_size <= 1.3 * 8 * 2 * 1000 * seconds
