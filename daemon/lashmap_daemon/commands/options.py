"""Arguments and options of the commands that have many: each once, with its help and its default.

`command_line` makes the arguments and options of a command from the fields; a command is given the values.
"""

from __future__ import annotations

import getpass
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Annotated, Literal

import typer

Kind = Literal["csv", "parquet", "json", "xlsx", "mat"]
Which = Literal["all", "rocks", "none"]
LOGBOOK = Path("lashmap.logbook")


class Member(Enum):
    """A member of the gear set."""

    GEAR = "gear"
    PINION = "pinion"


def login_name() -> str:
    """Who is logged in, for the record."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such user in a container; ImportError on Windows
        return "not recorded"


def _or_login_name(given: str) -> str:
    return given or login_name()


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
OperatorOption = Annotated[
    str, typer.Option(help="Who runs the test; the login name when left out.", callback=_or_login_name)
]
LockedOutOption = Annotated[
    bool, typer.Option("--locked-out", help="I have read the cautions; the drive is locked out.")
]
PlainOption = Annotated[bool, typer.Option("--plain", help="Plain lines instead of the live screen.")]


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """Options of ``lashmap run``."""

    stand: StandArgument
    box: BoxArgument
    logbook: LogbookOption = LOGBOOK
    output: OutputOption = None
    operator: OperatorOption = ""
    locked_out: LockedOutOption = False
    plain: PlainOption = False
    runout: Annotated[
        list[Member] | None,
        typer.Option(help="Also turn this member for its runout; may be given twice.", show_default=False),
    ] = None
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with a test that was broken off, stopped or failed.")
    ] = False
    test: Annotated[
        str | None,
        typer.Option(help="With --resume: which test; the box's newest unfinished one when left out."),
    ] = None
    build: Annotated[
        str | None,
        typer.Option(
            help="Build that the box came from, or 'none'; its newest open one when left out.",
            show_default=False,
        ),
    ] = None

    @property
    def sweeps(self) -> tuple[Literal["gear", "pinion"], ...]:
        """Members to turn for their runout."""
        return tuple(member.value for member in self.runout or ())


@dataclass(frozen=True, kw_only=True)
class BeginOptions:
    """Options of ``lashmap tell STAND begin``."""

    box: Annotated[str, typer.Argument(help="Name of a box file in the service's folder.")]
    operator: OperatorOption = ""
    runout: Annotated[
        list[str] | None,
        typer.Option(help="Also turn this member (gear, pinion) for its runout.", show_default=False),
    ] = None
    settings: Annotated[
        list[str] | None,
        typer.Option(
            "--set", help="What the box file leaves out: mounting.pinion_set_mm=79.375", show_default=False
        ),
    ] = None
    matched: Annotated[
        str, typer.Option(help="The marked teeth: together now, unknown, or reported later.")
    ] = "later"
    locked_out: LockedOutOption = False


@dataclass(frozen=True, kw_only=True)
class ResumeOptions:
    """Options of ``lashmap tell STAND resume``."""

    box: Annotated[str, typer.Argument(help="Name of its box file in the service's folder.")]
    test: Annotated[
        str | None, typer.Option(help="Which; the newest unfinished one of this box when left out.")
    ] = None
    operator: Annotated[
        str,
        typer.Option(help="Who goes on with it; the login name when left out.", callback=_or_login_name),
    ] = ""
    matched: Annotated[
        str, typer.Option(help="The marked teeth: together again now, unknown, or reported later.")
    ] = "later"
    locked_out: LockedOutOption = False


@dataclass(frozen=True, kw_only=True)
class ReviewOptions:
    """Options of ``lashmap review``."""

    test: TestArgument = None
    logbook: LogbookOption = LOGBOOK
    as_json: Annotated[bool, typer.Option("--json", help="Print the result as JSON instead.")] = False
    report: Annotated[
        Path | None, typer.Option(help="Also write the report to this file, .html or .pdf.")
    ] = None
    dossier: Annotated[
        Path | None,
        typer.Option(help="Also write the dossier of its build (sheet, photographs, tests) to this .pdf."),
    ] = None
    plain: Annotated[bool, typer.Option("--plain", help="Draw the lash map with plain letters.")] = False
    exclude: Annotated[
        int | None, typer.Option(help="Leave this position out of the reviewed result.", show_default=False)
    ] = None
    reversal: Annotated[
        int | None, typer.Option(help="Of that position only this reversal, from 1.", show_default=False)
    ] = None
    undo: Annotated[
        int | None, typer.Option(help="Take back the exclusion of this number.", show_default=False)
    ] = None
    reason: Annotated[str, typer.Option(help="Why; needed with --exclude and --undo.")] = ""
    by: Annotated[str, typer.Option(help="Who reviews; the login name when left out.")] = ""
    sign_off: Annotated[
        str | None, typer.Option(metavar="NAME", help="Sign for the reviewed result.", show_default=False)
    ] = None


@dataclass(frozen=True, kw_only=True)
class ImportOptions:
    """Options of ``lashmap import``."""

    mapping: Annotated[Path, typer.Argument(help="Mapping file (TOML).", show_default=False)]
    logbook: LogbookOption = LOGBOOK
    output: OutputOption = None


@dataclass(frozen=True, kw_only=True)
class WatchOptions:
    """Options of ``lashmap watch``; what is given of the broker replaces what the stand file says."""

    stands: Annotated[
        list[str] | None,
        typer.Argument(help="Stand files or names on the bus; all when left out.", show_default=False),
    ] = None
    broker: Annotated[
        str | None, typer.Option(help="mqtt://host:port or mqtts://host:port.", envvar="LASHMAP_BROKER")
    ] = None
    user: Annotated[str | None, typer.Option(help="User at the broker.")] = None
    password_file: Annotated[
        str | None, typer.Option(help="File with the password; or set LASHMAP_BUS_PASSWORD.")
    ] = None
    ca_file: Annotated[str | None, typer.Option(help="Authority that signed the broker's certificate.")] = (
        None
    )
    once: Annotated[bool, typer.Option("--once", help="Print what is known now and end.")] = False


@dataclass(frozen=True, kw_only=True)
class ExportOptions:
    """Options of ``lashmap export``."""

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
    """Options of ``lashmap compare``."""

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
    """Options of ``lashmap serve``."""

    stand: StandArgument
    boxes: Annotated[
        Path, typer.Option(help="Folder of the box files that may be tested.", show_default=False)
    ]
    logbook: LogbookOption = LOGBOOK
    output: OutputOption = None
    verbose: Annotated[bool, typer.Option("--verbose", help="Log more, to search for a fault.")] = False


@dataclass(frozen=True, kw_only=True)
class SimulateOptions:
    """Options of ``lashmap simulate``."""

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
