"""Every command as `cli` shows it: its help, then its arguments and options, each with help and default.

The command itself is given the values. Annotations are evaluated here once, not postponed: `cli` reads all of
them at every start.
"""

import getpass
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from pathlib import Path
from typing import Annotated, Literal, TypeVar, dataclass_transform

import typer

from lashmap_daemon.story.cause import Cause
from lashmap_daemon.story.method import Method

Kind = Literal["csv", "parquet", "json", "xlsx", "mat"]
Which = Literal["all", "rocks", "none"]
LOGBOOK = Path("lashmap.logbook")
_Options = TypeVar("_Options")
STAND_FILE = "stand.toml"  # of a simulated stand, in its folder


@dataclass_transform(kw_only_default=True, frozen_default=True)
def _options(kind: type[_Options]) -> type[_Options]:
    """A frozen dataclass with nothing that no command asks for: there are many, made at every start."""
    return dataclass(frozen=True, kw_only=True, eq=False, repr=False)(kind)


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
AskedOperatorOption = Annotated[
    str, typer.Option(help="Who runs the test; asked when left out, the login name where nobody is there.")
]
LockedOutOption = Annotated[
    bool, typer.Option("--locked-out", help="I have read the cautions; the drive is locked out.")
]
ClearToTurnOption = Annotated[
    bool,
    typer.Option(
        "--clear-to-turn",
        help="For the cycle run: the box may turn (guards on, nobody near); I lock it out again after.",
    ),
]
MethodOption = Annotated[
    Method | None,
    typer.Option(
        help="Rocks, a cycle run, or both; both where the stand has an encoder on each shaft.",
        show_default=False,
    ),
]
BrakeOption = Annotated[
    list[float] | None,
    typer.Option(
        metavar="TORQUE",
        help="Torque of the brake on the gear in a cycle run, in N m; twice, for the second pair of passes.",
        show_default=False,
        min=0.0,
        max=1000.0,
    ),
]
BellOption = Annotated[
    bool, typer.Option("--bell", help="Sound the terminal's bell: arrived, good, again, somebody is wanted.")
]
PageOption = Annotated[
    bool,
    typer.Option("--page", help="Show the test to a browser, as [page] of the stand file says."),
]
PagePortOption = Annotated[
    int | None,
    typer.Option(help="As --page, at this port; 0 takes a free one.", show_default=False, min=0, max=65535),
]
PlainOption = Annotated[bool, typer.Option("--plain", help="Plain lines instead of the live screen.")]
SeedOption = Annotated[int, typer.Option(help="The same seed makes the same gearbox.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the figures as JSON instead.")]
StudyArgument = Annotated[Path, typer.Argument(help="Study file (TOML).", show_default=False)]

NewFileArgument = Annotated[
    Path, typer.Argument(help="File to write; none that is there.", show_default=False)
]


@_options
class RunOptions:
    """Run a test: lead through the positions, confirm the tight spot, judge, report; or go on with one."""

    stand: Annotated[
        Path | None, typer.Argument(help="Stand file (TOML); none with --by-hand.", show_default=False)
    ] = None
    box: Annotated[
        Path | None, typer.Argument(help="Box file (TOML); none with --by-hand.", show_default=False)
    ] = None
    by_hand: Annotated[
        Path | None,
        typer.Option(
            metavar="BOX", help="Test this box file without any cable: count teeth, type what a dial shows."
        ),
    ] = None
    gauge: Annotated[
        Path | None, typer.Option(help="With --by-hand: file of the dial gauge; asked when left out.")
    ] = None
    sheet: Annotated[
        str | None,
        typer.Option(
            metavar="CODE", help="With --by-hand: type in a filled sheet (lashmap sheet), a line a position."
        ),
    ] = None
    logbook: LogbookOption = LOGBOOK
    output: OutputOption = None
    operator: AskedOperatorOption = ""
    locked_out: LockedOutOption = False
    plain: PlainOption = False
    bell: BellOption = False
    page: PageOption = False
    page_port: PagePortOption = None
    runout: Annotated[
        list[Member] | None,
        typer.Option(help="Also turn this member for its runout; may be given twice.", show_default=False),
    ] = None
    method: MethodOption = None
    brake_nm: BrakeOption = None
    clear_to_turn: ClearToTurnOption = False
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


@_options
class SheetOptions:
    """Make a sheet to print: a test by hand to be filled in at the bench, and typed in later."""

    box: BoxArgument
    gauge: Annotated[
        Path | None, typer.Option(help="File of the dial gauge; written down at the bench when left out.")
    ] = None
    rocks: Annotated[
        int | None,
        typer.Option(min=2, max=5, help="Rocks a line has boxes for; as the gauge file says, or 3."),
    ] = None
    lash: Annotated[
        bool, typer.Option("--lash", help="One box a rock, for its lash, instead of low and high.")
    ] = False
    output: Annotated[
        Path | None, typer.Option(help="File to write; BOX-sheet.pdf here when left out.", show_default=False)
    ] = None


@_options
class BuildOptions:
    """Keep the sheet of a build: shims, distances, bearings, contact pattern; begun or gone on with."""

    box: BoxArgument
    logbook: LogbookOption = LOGBOOK
    build: Annotated[
        str | None,
        typer.Option(help="Which build; the box's newest open one when left out.", show_default=False),
    ] = None
    answers: Annotated[
        Path | None,
        typer.Option(help="File of answers, one a line in the order of the questions.", show_default=False),
    ] = None
    show: Annotated[bool, typer.Option("--show", help="Only show the sheet.")] = False
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines instead of a table.")] = False


@_options
class BeginOptions:
    """Begin a test of a box."""

    box: Annotated[str, typer.Argument(help="Name of a box file in the service's folder.")]
    operator: OperatorOption = ""
    runout: Annotated[
        list[str] | None,
        typer.Option(help="Also turn this member (gear, pinion) for its runout.", show_default=False),
    ] = None
    method: MethodOption = None
    brake_nm: BrakeOption = None
    settings: Annotated[
        list[str] | None,
        typer.Option(
            "--set", help="What the box file leaves out: mounting.pinion_set_mm=79.375", show_default=False
        ),
    ] = None
    matched: Annotated[
        str, typer.Option(help="The marked teeth: together now, unknown, or reported later.")
    ] = "later"
    build: Annotated[
        str | None,
        typer.Option(
            help="Build that the box came from, or 'none'; its newest open one when left out.",
            show_default=False,
        ),
    ] = None
    locked_out: LockedOutOption = False


@_options
class ResumeOptions:
    """Go on with a test that ended early."""

    box: Annotated[str, typer.Argument(help="Name of its box file in the service's folder.")]
    test: Annotated[
        str | None, typer.Option(help="Which; the newest unfinished one of this box when left out.")
    ] = None
    operator: Annotated[
        str, typer.Option(help="Who goes on with it; the login name when left out.", callback=_or_login_name)
    ] = ""
    matched: Annotated[
        str, typer.Option(help="The marked teeth: together again now, unknown, or reported later.")
    ] = "later"
    locked_out: LockedOutOption = False


@_options
class ReviewOptions:
    """Recompute a test from its raw samples, show what changed, and review it.

    What a reviewer leaves out is kept beside the record with its reason; both results are shown.
    """

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
    photos: Annotated[
        Path | None, typer.Option(help="Also write the photographs of the test into this folder.")
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
    by: Annotated[str, typer.Option(help="Who reviews; needed with --exclude and --undo.")] = ""
    sign_off: Annotated[
        str | None, typer.Option(metavar="NAME", help="Sign for the reviewed result.", show_default=False)
    ] = None


@_options
class ImportOptions:
    """Take in a recording made elsewhere (CSV or Parquet): analyse, judge, report."""

    mapping: Annotated[Path, typer.Argument(help="Mapping file (TOML).", show_default=False)]
    logbook: LogbookOption = LOGBOOK
    output: OutputOption = None


BrokerOption = Annotated[
    str | None, typer.Option(help="mqtt://host:port or mqtts://host:port.", envvar="LASHMAP_BROKER")
]
UserOption = Annotated[str | None, typer.Option(help="User at the broker.")]
PasswordFileOption = Annotated[
    str | None, typer.Option(help="File with the password; or set LASHMAP_BUS_PASSWORD.")
]
AuthorityOption = Annotated[str | None, typer.Option(help="Authority that signed the broker's certificate.")]


@_options
class WatchOptions:
    """Watch stands over the bus: one as the person at it sees it, or many as a table. Read only."""

    stands: Annotated[
        list[str] | None,
        typer.Argument(help="Stand files or names on the bus; all when left out.", show_default=False),
    ] = None
    broker: BrokerOption = None
    user: UserOption = None
    password_file: PasswordFileOption = None
    ca_file: AuthorityOption = None
    once: Annotated[bool, typer.Option("--once", help="Print what is known now and end.")] = False
    page: Annotated[
        bool, typer.Option("--page", help="Show them in a browser, as the file's table [page] says.")
    ] = False
    page_port: Annotated[
        int | None, typer.Option(min=0, max=65535, help="The same, at this port; 0 is any free one.")
    ] = None


StoreArgument = Annotated[
    str, typer.Argument(help="Store: a folder, or s3://bucket/folder.", show_default=False)
]


@_options
class GatherOptions:
    """Bring the records of many stands together in one store, from a broker, from folders, or from both.

    From a broker it goes on until Ctrl-C or a signal; folders alone are read once.
    """

    store: StoreArgument
    sources: Annotated[
        list[str] | None,
        typer.Argument(
            help="Folders of logbooks and archives; a file with a table [bus] names the broker.",
            show_default=False,
        ),
    ] = None
    broker: BrokerOption = None
    user: UserOption = None
    password_file: PasswordFileOption = None
    ca_file: AuthorityOption = None
    name: Annotated[
        str, typer.Option(help="Of this gatherer; keep it, the broker keeps records for it while it is away.")
    ] = "1"
    group: Annotated[str, typer.Option(help="Gatherers of one group share the records.")] = "hall"
    every: Annotated[float, typer.Option(help="Seconds from one batch to the next.", min=0.5, max=60.0)] = 4.0
    keep_hours: Annotated[
        float,
        typer.Option(help="So long the broker keeps records for it while it is away.", min=0.0, max=2000.0),
    ] = 168.0
    once: Annotated[bool, typer.Option("--once", help="End when nothing more waits at the broker.")] = False


@_options
class QuestionsOptions:
    """List the questions that can be asked, or print one as SQL, to be copied."""

    question: Annotated[
        str | None, typer.Argument(help="Print this one; all by name when left out.", show_default=False)
    ] = None


SinceOption = Annotated[
    datetime | None, typer.Option(help="First day of tests that count.", formats=["%Y-%m-%d"])
]
UntilOption = Annotated[datetime | None, typer.Option(help="Last day.", formats=["%Y-%m-%d"])]
CsvOption = Annotated[
    Path | None, typer.Option(help="Write every row to this file instead.", show_default=False)
]


@_options
class AskOptions:
    """Ask a question of all tests in a store; the first rows as a table, all of them as CSV or JSON."""

    store: StoreArgument
    question: Annotated[str, typer.Argument(help="Name; see: lashmap fleet questions.", show_default=False)]
    since: SinceOption = None
    until: UntilOption = None
    check: Annotated[str, typer.Option(help="How serial numbers of check standards begin.")] = "CHECK-"
    rows: Annotated[int, typer.Option(help="Rows of the table.", min=1)] = 20
    csv: CsvOption = None
    as_json: JsonOption = False


@_options
class SqlOptions:
    """Ask in SQL of your own: at a prompt, or once with --query."""

    store: StoreArgument
    query: Annotated[str | None, typer.Option(help="SQL; at a prompt when left out.", show_default=False)] = (
        None
    )
    csv: CsvOption = None
    as_json: JsonOption = False


@_options
class JudgeOptions:
    """Judge the raw samples of all gathered tests anew, with this version; what was recorded stays beside it.

    Tests that this version has judged are passed over, so that an interrupted run goes on.
    """

    store: StoreArgument
    processes: Annotated[
        int | None, typer.Option(help="Of this machine; all its processors when left out.", min=1)
    ] = None
    scheduler: Annotated[
        str | None, typer.Option(help="A Dask cluster instead, as tcp://host:8786.", show_default=False)
    ] = None


@_options
class ExportOptions:
    """Export samples and results as documented tables."""

    test: TestArgument = None
    to: Annotated[Kind, typer.Option(help="Format.")]
    output: Annotated[Path, typer.Option(help="Folder (csv, parquet, json) or file (xlsx, mat).")]
    logbook: LogbookOption = LOGBOOK
    every: Annotated[bool, typer.Option("--all", help="Every test of the logbook instead of one.")] = False
    samples: Annotated[
        Which, typer.Option(help="Every sample, those of accepted rocks and sweeps, or none.")
    ] = "all"
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an export that is there.")] = False


@_options
class CompareOptions:
    """Set tests beside each other: what changed, how well that is known, and whether shims did their work."""

    tests: Annotated[list[str], typer.Argument(help="Two tests or more; the first is compared with.")]
    logbook: LogbookOption = LOGBOOK
    logbook2: Annotated[Path | None, typer.Option(help="Another logbook, such as that of another stand.")] = (
        None
    )
    report: Annotated[Path | None, typer.Option(help="Also write the page to this file, .html or .pdf.")] = (
        None
    )
    as_json: JsonOption = False
    independent: Annotated[
        bool, typer.Option("--independent", help="Let nothing cancel, not even the same certificate.")
    ] = False
    same_set_up: Annotated[
        bool, typer.Option("--same-set-up", help="The indicator was not touched between the tests.")
    ] = False


@_options
class ServeOptions:
    """Keep a stand always on; tests begin and end by `lashmap tell`."""

    stand: StandArgument
    boxes: Annotated[
        Path, typer.Option(help="Folder of the box files that may be tested.", show_default=False)
    ]
    logbook: LogbookOption = LOGBOOK
    output: OutputOption = None
    verbose: Annotated[bool, typer.Option("--verbose", help="Log more, to search for a fault.")] = False


@_options
class SimulateOptions:
    """Stand in for a powered test stand: two pseudo-terminals that speak as instruments do."""

    box: BoxArgument
    folder: Annotated[Path, typer.Option(help="Where the ports and the stand file appear.")] = Path(
        "simulated-stand"
    )
    seed: SeedOption = 1
    truth: Annotated[Path | None, typer.Option(help="Write the true backlash of every engagement here.")] = (
        None
    )
    rate: Annotated[float, typer.Option(help="Indicator lines a second.")] = 1000.0
    resolution_um: Annotated[float, typer.Option(help="Indicator resolution in micrometres.")] = 0.1
    shaft: Annotated[str, typer.Option(help="Shaft that carries the encoder: gear or pinion.")] = "gear"
    encoders: Annotated[
        str,
        typer.Option(
            help="one; apart: one on either shaft, each on a port of its own; or latched: both in one line."
        ),
    ] = "one"
    no_encoder: Annotated[
        bool, typer.Option("--no-encoder", help="A stand without one: whoever runs the test counts teeth.")
    ] = False
    no_indicator: Annotated[
        bool, typer.Option("--no-indicator", help="A stand without one: the encoder alone sees the rock.")
    ] = False
    fault: Annotated[str, typer.Option(help="What is wrong with the stand; 'list' names the choices.")] = (
        "none"
    )


@_options
class DemoOptions:
    """Run the whole job on a simulated stand and compare the result with its truth."""

    box: Annotated[Path | None, typer.Argument(help="Another box file.", show_default=False)] = None
    folder: Annotated[Path, typer.Option(help="Where logbook, JSON and report are left.")] = Path(
        "demo-output"
    )
    seed: SeedOption = 1
    plain: PlainOption = False
    short: Annotated[
        bool, typer.Option("--short", help="Few positions, in half a minute; the interval is wider.")
    ] = False
    cycle: Annotated[
        bool,
        typer.Option("--cycle", help="A cycle run with an encoder on each shaft, in about four minutes."),
    ] = False
    hall: Annotated[
        bool,
        typer.Option("--hall", help="An invented hall of 50 stands and a month, gathered and asked."),
    ] = False


@_options
class CheckOptions:
    """Check a stand (readings beside raw bytes, rate, age, bad frames) or, without a stand, a box file."""

    stand: Annotated[Path, typer.Argument(help="Stand file or box file (TOML).", show_default=False)]
    seconds: Annotated[float, typer.Option(min=0.0, help="How long; 0 goes on until Ctrl-C.")] = 0.0
    profile_from_capture: Annotated[
        bool,
        typer.Option("--profile-from-capture", help="Propose profiles from a few seconds of ASCII traffic."),
    ] = False


@_options
class PublishOptions:
    """Send what waits in a logbook to the broker of the stand, without a test; once is enough."""

    stand: StandArgument
    logbook: LogbookOption = LOGBOOK


@_options
class ListOptions:
    """List the tests in a logbook, and its builds, oldest first."""

    logbook: LogbookOption = LOGBOOK
    serial: Annotated[
        str | None,
        typer.Option(help="Only this serial number: its history, and first-pass yield.", show_default=False),
    ] = None


@_options
class DeskOptions:
    """Open logbooks in a browser: list, look at every rock, compare, review, sign, take reports and exports.

    It is read only to whoever does not know the token in the printed address.
    """

    logbooks: Annotated[list[Path], typer.Argument(help="Logbooks; one or more.", show_default=False)]
    host: Annotated[
        str, typer.Option(help="Address to serve at; 0.0.0.0 for whoever reaches this computer.")
    ] = "127.0.0.1"
    port: Annotated[int, typer.Option(help="Port; 0 takes a free one.", min=0, max=65535)] = 8461
    name: Annotated[
        list[str] | None,
        typer.Option(
            help="Name by which others reach this computer; may be given again.", show_default=False
        ),
    ] = None
    token_file: Annotated[
        Path | None, typer.Option(help="File with the token; it is made where it is missing.")
    ] = None
    certificate_file: Annotated[Path | None, typer.Option(help="Certificate, for https.")] = None
    key_file: Annotated[Path | None, typer.Option(help="Key of the certificate.")] = None
    read_only: Annotated[
        bool, typer.Option("--read-only", help="Nobody can exclude or sign, with the token neither.")
    ] = False


@_options
class ShimsOptions:
    """Say which shims bring the tight spot into the limits, or what to measure first."""

    test: TestArgument = None
    logbook: LogbookOption = LOGBOOK
    box: Annotated[
        Path | None, typer.Option(help="Box file whose shims to use instead of the recorded ones.")
    ] = None


@_options
class VerifyOptions:
    """Check a logbook against its digests: what was changed, what is missing, what is not sealed."""

    test: Annotated[
        str | None, typer.Argument(help="Test to check; all when left out.", show_default=False)
    ] = None
    logbook: LogbookOption = LOGBOOK
    expect: Annotated[
        str, typer.Option(help="Digest of a seal as printed on a report; 16 digits or more.")
    ] = ""


@_options
class RescueOptions:
    """Copy what can still be read of a damaged logbook into a new one."""

    damaged: Annotated[Path, typer.Argument(help="Damaged logbook; it is only read.", show_default=False)]
    new: Annotated[Path, typer.Argument(help="New logbook to make.", show_default=False)]


@_options
class ArchiveOptions:
    """Move raw samples of old closed tests to an archive; events and seals stay, nothing is deleted."""

    to: Annotated[Path, typer.Argument(help="Archive; made, or added to.", show_default=False)]
    older_than: Annotated[
        float, typer.Option(min=0.0, max=36500.0, help="Days since the test was closed.", show_default=False)
    ]
    logbook: LogbookOption = LOGBOOK


@_options
class ExamplesOptions:
    """Say where the example files are, to copy: cp -r "$(lashmap examples)" configs."""


@_options
class ExplainOptions:
    """Say what a flag, a key of a file, a term, a precondition or a verdict means, why, and what to do."""

    word: Annotated[
        list[str] | None,
        typer.Argument(help="The word; without it all words are listed.", show_default=False),
    ] = None


@_options
class NewBoxOptions:
    """Ask for a gearbox, with units and checks, from its drawing, and write a box file."""

    file: NewFileArgument


@_options
class NewStandOptions:
    """Ask for a stand, its ports and instruments, and write a stand file with their profiles beside it."""

    file: NewFileArgument


# lashmap tell STAND -------------------------------------------------------------------------------------


@_options
class TellOptions:
    """Speak to the service of a stand."""

    stand: Annotated[Path, typer.Argument(help="Stand file of the service.", show_default=False)]
    logbook: Annotated[
        Path, typer.Option(help="Its logbook, when its socket is beside it.", envvar="LASHMAP_LOGBOOK")
    ] = LOGBOOK


@_options
class StatusOptions:
    """Say what is awaited now, how the instruments are, what was refused."""

    as_json: Annotated[bool, typer.Option("--json", help="The whole answer as JSON instead.")] = False


@_options
class MatchedOptions:
    """Say that the marked teeth are together now: the prepared test begins, or the running one goes on."""

    unknown: Annotated[bool, typer.Option("--unknown", help="Their place is not known.")] = False


@_options
class ReadyOptions:
    """Say that the box may turn for the cycle run, or that it is locked out again, as the test asks."""


@_options
class CauseOptions:
    """Say why rocks were refused, after looking at the stand, when the test asks: then it goes on."""

    found: Annotated[
        Cause,
        typer.Argument(
            help="The pinion was not locked; tip, holder or base was loose; both flanks were not reached; "
            "something else; nothing was found.",
            show_default=False,
        ),
    ]
    words: Annotated[str, typer.Argument(help="After other: what it was.", show_default=False)] = ""


@_options
class RepeatOptions:
    """Measure the last position again, or the one that is being recorded."""


@_options
class SkipOptions:
    """Leave the asked position out."""


@_options
class NoteOptions:
    """Write something down with the running test."""

    text: Annotated[str, typer.Argument(help="Kept with the test, and on its report.")]


@_options
class StopOptions:
    """End the running test, or give up its preparation; what was recorded stays."""


# lashmap study ------------------------------------------------------------------------------------------


@_options
class PlanOptions:
    """Write a study file: every operator tests every box several times, in an order of chance."""

    file: StudyArgument
    part: Annotated[list[str], typer.Option(help="Serial number of a box; two or more.")]
    operator: Annotated[list[str], typer.Option(help="Who tests; two or more.")]
    repeats: Annotated[int, typer.Option(help="Tests of each box by each operator.", min=2, max=100)] = 3
    seed: Annotated[int, typer.Option(help="The same seed draws the same order.")] = 1


@_options
class NextOptions:
    """Say which test of the study comes next."""

    file: StudyArgument
    logbook: LogbookOption = LOGBOOK


@_options
class ReportOptions:
    """Analyse a complete study: what scatters, how much, and what that means for the stated uncertainty."""

    file: StudyArgument
    logbook: LogbookOption = LOGBOOK
    tolerance_mm: Annotated[
        float | None,
        typer.Option(
            help="Tolerance to compare with; the boxes' own limits when left out.", show_default=False
        ),
    ] = None
    as_json: JsonOption = False


@_options
class DriftOptions:
    """Say whether the tests of a check standard show that the stand has changed; status 3 when they do."""

    serial: Annotated[str, typer.Argument(help="Serial number of the check standard.", show_default=False)]
    logbook: LogbookOption = LOGBOOK
    stand: Annotated[
        str | None,
        typer.Option(help="Name of the stand; that of its newest test when left out.", show_default=False),
    ] = None
    baseline: Annotated[
        int | None,
        typer.Option(
            help="How many of the first tests make the limits; up to 20 when left out.", show_default=False
        ),
    ] = None
    as_json: JsonOption = False
