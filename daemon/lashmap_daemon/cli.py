"""The command line: which command is which function of `commands`, and how errors reach a person.

A module of `commands` is imported when its command runs, so that ``--help`` stays quick.
"""

from __future__ import annotations

import io
import os
import sys
from contextlib import contextmanager
from dataclasses import MISSING, fields
from importlib import import_module
from inspect import Parameter, Signature
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer
from lashmap_drivers.errors import InstrumentError
from typer.core import TyperGroup

from lashmap_daemon.clean_text import CleanStream, visible
from lashmap_daemon.commands import options
from lashmap_daemon.errors import EXIT_CONFIGURATION, EXIT_STAND, EXIT_STOPPED, LashmapError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from rich.console import Console


# Where a command stands in the help.
PANELS = {
    "At the stand": ("new", "check", "build", "run", "sheet", "serve", "tell", "study", "demo", "simulate"),
    "For the file": (
        *("list", "desk", "review", "compare", "shims", "export", "import", "verify", "rescue", "archive"),
        *("explain", "examples"),
    ),
    "Of many stands": ("publish", "watch", "gather", "fleet"),
}


_WHOLE = 1_000  # letters of a first sentence: it is wrapped, never cut


class _Commands(TyperGroup):
    """Commands, those of the program in groups; a wrong value of an option is explained in our words."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401, ARG002 - as typer calls it
        widest = max(map(len, self.commands))
        for title, names in PANELS.items() if "run" in self.commands else [("Commands", self.commands)]:
            with formatter.section(title):
                formatter.write_dl(
                    [(f"{name:<{widest}}", self.commands[name].get_short_help_str(_WHOLE)) for name in names]
                )

    def invoke(self, ctx: Any) -> Any:  # noqa: ANN401 - its type is private to typer
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            from lashmap_daemon.setup.toml_file import in_our_words  # noqa: PLC0415 - only a mistake needs it

            error.message = in_our_words(error.message)
            raise


# The plain help starts in half the time.
_PLAIN: dict[str, Any] = {
    "no_args_is_help": True,
    "rich_markup_mode": None,
    "context_settings": {"help_option_names": ["-h", "--help"]},
}
app = typer.Typer(
    cls=_Commands,
    help="Record the rock of a right-angle (bevel) gearbox at many positions, find its tight spot, judge it.",
    add_completion=True,
    pretty_exceptions_enable=False,
    **_PLAIN,
)
_tell = typer.Typer(
    cls=_Commands,
    help="Speak to the service of a stand: begin a test, ask how it is, repeat, skip, note, stop.",
    **_PLAIN,
)
_study = typer.Typer(
    cls=_Commands,
    help="Study the stand itself: repeatability and reproducibility, and drift of a check standard.",
    **_PLAIN,
)
_fleet = typer.Typer(
    cls=_Commands,
    help="Ask what gathered records say: drift of stands, runout by lot, first-pass yield, and more.",
    **_PLAIN,
)
_new = typer.Typer(cls=_Commands, help="Make a box or stand file by answering questions.", **_PLAIN)

# Each with its options, and its function in a module of `commands`; in the order of the help.
_COMMANDS: dict[tuple[typer.Typer, str], tuple[type[Any], str]] = {
    (app, "run"): (options.RunOptions, "run:run"),
    (app, "sheet"): (options.SheetOptions, "by_hand:sheet"),
    (app, "build"): (options.BuildOptions, "by_hand:build"),
    (app, "check"): (options.CheckOptions, "check:check"),
    (app, "serve"): (options.ServeOptions, "serve:serve"),
    (app, "publish"): (options.PublishOptions, "bus:publish"),
    (app, "watch"): (options.WatchOptions, "bus:watch"),
    (app, "gather"): (options.GatherOptions, "fleet:gather"),
    (app, "list"): (options.ListOptions, "logbook:list_tests"),
    (app, "desk"): (options.DeskOptions, "review:desk"),
    (app, "review"): (options.ReviewOptions, "review:review"),
    (app, "compare"): (options.CompareOptions, "compare:compare"),
    (app, "shims"): (options.ShimsOptions, "review:shims"),
    (app, "export"): (options.ExportOptions, "exchange:export"),
    (app, "import"): (options.ImportOptions, "exchange:import_recording"),
    (app, "verify"): (options.VerifyOptions, "logbook:verify"),
    (app, "rescue"): (options.RescueOptions, "logbook:rescue_logbook"),
    (app, "archive"): (options.ArchiveOptions, "logbook:archive_old"),
    (app, "explain"): (options.ExplainOptions, "new:explain"),
    (_new, "box"): (options.NewBoxOptions, "new:new_box"),
    (_new, "stand"): (options.NewStandOptions, "new:new_stand"),
    (app, "demo"): (options.DemoOptions, "run:demo"),
    (app, "examples"): (options.ExamplesOptions, "simulate:examples"),
    (app, "simulate"): (options.SimulateOptions, "simulate:simulate"),
    (_tell, "status"): (options.StatusOptions, "tell:status"),
    (_tell, "begin"): (options.BeginOptions, "tell:begin"),
    (_tell, "resume"): (options.ResumeOptions, "tell:resume"),
    (_tell, "matched"): (options.MatchedOptions, "tell:matched"),
    (_tell, "ready"): (options.ReadyOptions, "tell:ready"),
    (_tell, "cause"): (options.CauseOptions, "tell:cause"),
    (_tell, "repeat"): (options.RepeatOptions, "tell:repeat"),
    (_tell, "skip"): (options.SkipOptions, "tell:skip"),
    (_tell, "note"): (options.NoteOptions, "tell:note"),
    (_tell, "stop"): (options.StopOptions, "tell:stop"),
    (_study, "plan"): (options.PlanOptions, "study:plan"),
    (_study, "next"): (options.NextOptions, "study:next_test"),
    (_study, "report"): (options.ReportOptions, "study:report"),
    (_study, "drift"): (options.DriftOptions, "study:drift"),
    (_fleet, "questions"): (options.QuestionsOptions, "fleet:print_questions"),
    (_fleet, "ask"): (options.AskOptions, "fleet:ask"),
    (_fleet, "sql"): (options.SqlOptions, "fleet:sql"),
    (_fleet, "judge"): (options.JudgeOptions, "fleet:judge"),
}


def _say_version(asked: bool) -> None:  # noqa: FBT001 - as typer calls it
    if asked:
        from importlib.metadata import version  # noqa: PLC0415 - reads files; not on every start

        typer.echo(f"lashmap {version('lashmap')}")
        raise typer.Exit


@app.callback()
def whole(
    *,
    version: Annotated[
        bool,
        typer.Option("--version", help="Say which version.", callback=_say_version, is_eager=True),
    ] = False,
) -> None:
    """What stands before every command."""


def _with_options(kind: type[Any], command: Callable[[typer.Context, Any], None]) -> Callable[..., None]:
    """As typer takes a command: the fields of ``kind`` are its arguments, the text of ``kind`` its help."""

    def called(context: typer.Context, **values: object) -> None:
        command(context, kind(**values))

    hints = get_type_hints(kind, include_extras=True)
    parameters = [
        Parameter(
            field.name,
            Parameter.KEYWORD_ONLY,
            default=Parameter.empty if field.default is MISSING else field.default,
            annotation=hints[field.name],
        )
        for field in fields(kind)
    ]
    context = Parameter("context", Parameter.POSITIONAL_OR_KEYWORD, annotation=typer.Context)
    vars(called).update(__signature__=Signature([context, *parameters]))
    called.__doc__ = kind.__doc__
    called.__annotations__ = {"context": typer.Context, **hints}
    return called


def _calls(place: str) -> Callable[[typer.Context, Any], None]:
    """Call a function of `commands` with the options, a console, and what stands before its command."""

    def command(context: typer.Context, given: Any) -> None:  # noqa: ANN401 - options of any command
        module, _, name = place.partition(":")
        with reported() as console:
            function = getattr(import_module(f"lashmap_daemon.commands.{module}"), name)
            before = () if context.obj is None else (context.obj,)
            made = function(given, console, *before)
            raise typer.Exit(made if isinstance(made, int) else 0)

    return command


def _keep(context: typer.Context, given: options.TellOptions) -> None:
    context.obj = given


for (_group, _name), (_kind, _place) in _COMMANDS.items():
    _group.command(_name)(_with_options(_kind, _calls(_place)))
_tell.callback()(_with_options(options.TellOptions, _keep))
app.add_typer(_new, name="new")
app.add_typer(_tell, name="tell")
app.add_typer(_study, name="study")
app.add_typer(_fleet, name="fleet")


@contextmanager
def reported() -> Iterator[Console]:
    """A console, and every foreseen error as its message and exit status."""
    from lashmap_daemon.screens.terminal import TerminalConsole  # noqa: PLC0415 - slow; no help needs it

    try:
        yield TerminalConsole()
    except LashmapError as error:
        _complain(error.lines)
        raise typer.Exit(error.exit_status) from None
    except InstrumentError as error:
        _complain([str(error)])
        raise typer.Exit(EXIT_STAND) from None
    except BrokenPipeError:
        # The reader of our output went away; whatever ran has closed its record already.
        sys.stderr.close()
        raise typer.Exit(EXIT_STAND) from None
    except OSError as error:
        if error.filename is None:
            raise
        _complain([f"{os.fsdecode(error.filename)}: {error.strerror}; check the path and its permissions"])
        raise typer.Exit(EXIT_CONFIGURATION) from None
    except KeyboardInterrupt:
        _complain(["stopped"])
        raise typer.Exit(EXIT_STOPPED) from None


def _complain(lines: Sequence[str]) -> None:
    """Say on standard error what is wrong; a line break in a quoted text cannot begin another line."""
    for line in lines:
        typer.echo(f"lashmap: {visible(line)}", err=True)


def _compute_in_one_thread() -> None:
    """Have linear algebra compute in the thread that asks, unless the environment says otherwise.

    Before numpy is imported. Our arrays are small: threads of its own made a dot product of 12,000 numbers
    take 8 ms instead of 3 µs on two busy cores, and the order of a sum would be that of the machine.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
        os.environ.setdefault(name, "1")


def main() -> None:
    """Entry point of the ``lashmap`` command."""
    _compute_in_one_thread()
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal without our letters shows ? instead of failing
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr = CleanStream.over(sys.stderr)
    app()
