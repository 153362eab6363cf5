"""What may be said to commands that have much to say: each word once, with its meaning and its default.

`command_line` makes a command's words of the fields; the meaning is the help that a person reads.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import typer

Kind = Literal["csv", "parquet", "json", "xlsx", "mat"]
Which = Literal["all", "rocks", "none"]
LOGBOOK = Path("lashmap.logbook")
LogbookOption = Annotated[
    Path, typer.Option(help="Logbook file.", envvar="LASHMAP_LOGBOOK", show_default=True)
]
BoxArgument = Annotated[Path, typer.Argument(help="Box file (TOML).", show_default=False)]
StandArgument = Annotated[Path, typer.Argument(help="Stand file (TOML).", show_default=False)]
TestArgument = Annotated[
    str | None, typer.Argument(help="Test to open; the newest when left out.", show_default=False)
]
OutputOption = Annotated[
    Path | None, typer.Option(help="Folder for report and JSON; the logbook's own when left out.")
]


@dataclass(frozen=True, kw_only=True)
class ExportOptions:
    """Words of ``lashmap export``."""

    test: TestArgument = None
    to: Annotated[Kind, typer.Option(help="Format.")]
    output: Annotated[Path, typer.Option(help="Folder (csv, parquet, json) or file (xlsx, mat).")]
    logbook: LogbookOption = LOGBOOK
    every: Annotated[bool, typer.Option("--all", help="Every test of the logbook instead of one.")] = False
    samples: Annotated[
        Which, typer.Option(help="Every sample, those of accepted rocks and sweeps, or none.")
    ] = "all"
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an export that is there.")] = False


@dataclass(frozen=True, kw_only=True)
class CompareOptions:
    """Words of ``lashmap compare``."""

    tests: Annotated[list[str], typer.Argument(help="Two tests or more; the first is compared with.")]
    logbook: LogbookOption = LOGBOOK
    logbook2: Annotated[Path | None, typer.Option(help="Another logbook, such as that of another stand.")] = (
        None
    )
    report: Annotated[Path | None, typer.Option(help="Also write an HTML page to this file.")] = None
    as_json: Annotated[bool, typer.Option("--json", help="Print the figures as JSON instead.")] = False
    independent: Annotated[
        bool, typer.Option("--independent", help="Let nothing cancel, not even the same certificate.")
    ] = False
    same_set_up: Annotated[
        bool, typer.Option("--same-set-up", help="The indicator was not touched between the tests.")
    ] = False


@dataclass(frozen=True, kw_only=True)
class ServeOptions:
    """Words of ``lashmap serve``."""

    stand: StandArgument
    boxes: Annotated[
        Path, typer.Option(help="Folder of the box files that may be tested.", show_default=False)
    ]
    logbook: LogbookOption = LOGBOOK
    output: OutputOption = None
    verbose: Annotated[bool, typer.Option("--verbose", help="Log more, to search for a fault.")] = False


@dataclass(frozen=True, kw_only=True)
class SimulateOptions:
    """Words of ``lashmap simulate``."""

    box: BoxArgument
    folder: Annotated[Path, typer.Option(help="Where the ports and the stand file appear.")] = Path(
        "simulated-stand"
    )
    seed: Annotated[int, typer.Option(help="The same seed makes the same gearbox.")] = 1
    truth: Annotated[Path | None, typer.Option(help="Write the true backlash of every engagement here.")] = (
        None
    )
    rate: Annotated[float, typer.Option(help="Indicator lines a second.")] = 1000.0
    resolution_um: Annotated[float, typer.Option(help="Indicator resolution in micrometres.")] = 0.1
    shaft: Annotated[str, typer.Option(help="Shaft that carries the encoder: gear or pinion.")] = "gear"
    fault: Annotated[str, typer.Option(help="What is wrong with the stand; 'list' names the choices.")] = (
        "none"
    )
