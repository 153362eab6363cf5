"""What all commands share: the application they hang on, common arguments, how errors reach a person."""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from dataclasses import MISSING, fields
from functools import wraps
from inspect import Parameter, Signature, signature
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer
from lashmap_drivers.errors import InstrumentError
from typer.core import TyperGroup

from lashmap_daemon.clean_text import visible
from lashmap_daemon.errors import EXIT_CONFIGURATION, EXIT_STAND, EXIT_STOPPED, LashmapError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from rich.console import Console


class _Commands(TyperGroup):
    """All commands; a wrong value of an option is explained in our words."""

    def invoke(self, ctx: Any) -> Any:  # noqa: ANN401 - its type is private to typer
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            from lashmap_daemon.setup.toml_file import in_our_words  # noqa: PLC0415

            error.message = in_our_words(error.message)
            raise


app = typer.Typer(
    cls=_Commands,
    help="Record the rock of a right-angle (bevel) gearbox at many positions, find its tight spot, judge it.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # the plain help starts in half the time
    context_settings={"help_option_names": ["-h", "--help"]},
)


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


def options_of(options: type[Any]) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """The fields of ``options`` are the arguments and options of a command, with their help and defaults.

    The command is given an instance of it, and whatever else it asks for by name.
    """
    names = [field.name for field in fields(options)]

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        @wraps(command)
        def called(**values: object) -> None:
            given = options(**{name: values.pop(name) for name in names})
            command(given, **values)

        _, *others = signature(command).parameters.values()
        hints = get_type_hints(command) | get_type_hints(options, include_extras=True)
        parameters = [
            Parameter(
                field.name,
                Parameter.KEYWORD_ONLY,
                default=Parameter.empty if field.default is MISSING else field.default,
                annotation=hints[field.name],
            )
            for field in fields(options)
        ]
        vars(called).update(__signature__=Signature([*others, *parameters]))
        called.__annotations__ = hints
        del called.__wrapped__  # it has another signature
        return called

    return decorate


@contextmanager
def reported() -> Iterator[Console]:
    """A console, and every foreseen error as its message and exit status."""
    from lashmap_daemon.screens.terminal import TerminalConsole  # noqa: PLC0415

    try:
        yield TerminalConsole()
    except LashmapError as error:
        complain(error.lines)
        raise typer.Exit(error.exit_status) from None
    except InstrumentError as error:
        complain([str(error)])
        raise typer.Exit(EXIT_STAND) from None
    except BrokenPipeError:
        # The reader of our output went away; whatever ran has closed its record already.
        sys.stderr.close()
        raise typer.Exit(EXIT_STAND) from None
    except OSError as error:
        if error.filename is None:
            raise
        complain([f"{os.fsdecode(error.filename)}: {error.strerror}; check the path and its permissions"])
        raise typer.Exit(EXIT_CONFIGURATION) from None
    except KeyboardInterrupt:
        complain(["stopped"])
        raise typer.Exit(EXIT_STOPPED) from None


def complain(lines: Sequence[str]) -> None:
    """Say on standard error what is wrong; a line break in a quoted text cannot begin another line."""
    for line in lines:
        typer.echo(f"lashmap: {visible(line)}", err=True)
