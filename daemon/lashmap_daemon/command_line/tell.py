"""The command that speaks to a running service: a person's words become a request, its answer is printed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lashmap_daemon.command_line.app import complain, options_of, reported
from lashmap_daemon.commands.options import LOGBOOK, BeginOptions, ResumeOptions

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.console import Console

    from lashmap_daemon.service.words import Request


app = typer.Typer(
    help="Speak to the service of a stand: begin a test, ask how it is, repeat, skip, note, stop.",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@dataclass(frozen=True)
class _Service:
    """The arguments before the command."""

    stand: Path
    logbook: Path


@app.callback()
def tell(
    context: typer.Context,
    stand: Annotated[Path, typer.Argument(help="Stand file of the service.", show_default=False)],
    logbook: Annotated[
        Path, typer.Option(help="Its logbook, when its socket is beside it.", envvar="LASHMAP_LOGBOOK")
    ] = LOGBOOK,
) -> None:
    """Speak to the service of a stand."""
    context.obj = _Service(stand, logbook)


@app.command()
def status(
    context: typer.Context,
    *,
    as_json: Annotated[bool, typer.Option("--json", help="The whole answer as JSON instead.")] = False,
) -> None:
    """Say what is awaited now, how the instruments are, what was refused."""
    from lashmap_daemon.service.words import Status  # noqa: PLC0415

    _say(context, Status(), as_json=as_json)


@app.command()
@options_of(BeginOptions)
def begin(options: BeginOptions, context: typer.Context) -> None:
    """Begin a test of a box."""
    from lashmap_daemon.service.words import Begin  # noqa: PLC0415

    with reported() as console:
        lists = {"runout": options.runout or [], "settings": _settings(options.settings or [])}
        request = _confirmed(Begin, vars(options) | lists, console)
    _say(context, request)


@app.command()
@options_of(ResumeOptions)
def resume(options: ResumeOptions, context: typer.Context) -> None:
    """Go on with a test that ended early."""
    from lashmap_daemon.service.words import Resume  # noqa: PLC0415

    with reported() as console:
        request = _confirmed(Resume, vars(options), console)
    _say(context, request)


@app.command()
def matched(
    context: typer.Context,
    *,
    unknown: Annotated[bool, typer.Option("--unknown", help="Their place is not known.")] = False,
) -> None:
    """Say that the marked teeth are together now: the prepared test begins, or the running one goes on."""
    from lashmap_daemon.service.words import Matched  # noqa: PLC0415

    _say(context, Matched(known=not unknown))


@app.command()
def repeat(context: typer.Context) -> None:
    """Measure the last position again, or the one that is being recorded."""
    from lashmap_daemon.service.words import Repeat  # noqa: PLC0415

    _say(context, Repeat())


@app.command()
def skip(context: typer.Context) -> None:
    """Leave the asked position out."""
    from lashmap_daemon.service.words import Skip  # noqa: PLC0415

    _say(context, Skip())


@app.command()
def note(
    context: typer.Context,
    text: Annotated[str, typer.Argument(help="Kept with the test, and on its report.")],
) -> None:
    """Write something down with the running test."""
    from lashmap_daemon.service.words import Note  # noqa: PLC0415

    with reported():
        request = _request(Note, text=text)
    _say(context, request)


@app.command()
def stop(context: typer.Context) -> None:
    """End the running test, or give up its preparation; what was recorded stays."""
    from lashmap_daemon.service.words import Stop  # noqa: PLC0415

    _say(context, Stop())


def _request(kind: type[Request], **values: object) -> Request:
    from pydantic import ValidationError  # noqa: PLC0415

    from lashmap_daemon.errors import ConfigurationError  # noqa: PLC0415
    from lashmap_daemon.setup.toml_file import problem_of  # noqa: PLC0415

    try:
        return kind.model_validate(values)
    except ValidationError as error:
        raise ConfigurationError("tell", [problem_of(dict(one)) for one in error.errors()]) from error


def _say(context: typer.Context, request: Request, *, as_json: bool = False) -> None:
    with reported() as console:
        from lashmap_daemon.screens.terminal import print_json, say  # noqa: PLC0415
        from lashmap_daemon.service.client import ask  # noqa: PLC0415

        answer = ask(context.obj.stand, context.obj.logbook, request)
        lines = [line.replace("tell STAND", f"tell {context.obj.stand}") for line in answer.say]
        if as_json and answer.status is not None:
            print_json(console, answer.status.model_dump_json(indent=2))
        elif answer.exit_status:
            complain(lines)
        else:
            for line in lines:
                say(console, line)
        raise typer.Exit(answer.exit_status)


def _settings(given: list[str]) -> dict[str, str]:
    from lashmap_daemon.errors import ConfigurationError  # noqa: PLC0415

    settings: dict[str, str] = {}
    for one in given:
        key, is_set, value = one.partition("=")
        if not is_set or not key or not value or key in settings:
            raise ConfigurationError(
                "--set", [f"expected a key and its value once, as mounting.pinion_set_mm=79.375, got {one!r}"]
            )
        settings[key] = value
    return settings


def _confirmed(kind: type[Request], values: Mapping[str, object], console: Console) -> Request:
    """The request, after the cautions were shown and confirmed, on a terminal or by the option.

    Raises:
        CautionsNotConfirmed: When nobody did.
        ConfigurationError: When an option does not fit.
    """
    from lashmap_daemon.screens.plain import person_at  # noqa: PLC0415
    from lashmap_daemon.testing.opening import confirm_cautions  # noqa: PLC0415

    others = dict(values)
    cautions = confirm_cautions(person_at(console), confirmed_before=bool(others.pop("locked_out")))
    return _request(kind, **others, confirmed=cautions.how)
