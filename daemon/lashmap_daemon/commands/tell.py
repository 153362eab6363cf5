"""Commands that speak to a running service: a person's words become a request, its answer is printed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import ValidationError

from lashmap_daemon.errors import ConfigurationError, LashmapError
from lashmap_daemon.screens.terminal import print_json, say
from lashmap_daemon.service import words
from lashmap_daemon.service.client import ask
from lashmap_daemon.setup.toml_file import problem_of

if TYPE_CHECKING:
    from rich.console import Console

    from lashmap_daemon.commands import options as given


def status(options: given.StatusOptions, console: Console, service: given.TellOptions) -> None:
    """Say how the service is."""
    _tell(words.Status(), console, service, as_json=options.as_json)


def begin(options: given.BeginOptions, console: Console, service: given.TellOptions) -> None:
    """Begin a test, once the cautions are confirmed."""
    lists = {
        "runout": options.runout or [],
        "settings": _settings(options.settings or []),
        "brake_nm": options.brake_nm or [],
    }
    _tell(_confirmed(words.Begin, vars(options) | lists, console), console, service)


def resume(options: given.ResumeOptions, console: Console, service: given.TellOptions) -> None:
    """Go on with a test, once the cautions are confirmed."""
    _tell(_confirmed(words.Resume, vars(options), console), console, service)


def matched(options: given.MatchedOptions, console: Console, service: given.TellOptions) -> None:
    """Say that the marked teeth are together."""
    _tell(words.Matched(known=not options.unknown), console, service)


def ready(_: given.ReadyOptions, console: Console, service: given.TellOptions) -> None:
    """Say that the stand is ready for what the test asks."""
    _tell(words.Ready(), console, service)


def cause(options: given.CauseOptions, console: Console, service: given.TellOptions) -> None:
    """Say why rocks were refused."""
    _tell(_request(words.Cause, {"found": options.found, "words": options.words}), console, service)


def repeat(_: given.RepeatOptions, console: Console, service: given.TellOptions) -> None:
    """Ask for a position again."""
    _tell(words.Repeat(), console, service)


def skip(_: given.SkipOptions, console: Console, service: given.TellOptions) -> None:
    """Leave a position out."""
    _tell(words.Skip(), console, service)


def note(options: given.NoteOptions, console: Console, service: given.TellOptions) -> None:
    """Write something down."""
    _tell(_request(words.Note, vars(options)), console, service)


def stop(_: given.StopOptions, console: Console, service: given.TellOptions) -> None:
    """End the test."""
    _tell(words.Stop(), console, service)


def _request(kind: type[words.Request], values: dict[str, object]) -> words.Request:
    try:
        return kind.model_validate(values)
    except ValidationError as error:
        raise ConfigurationError("tell", [problem_of(dict(one)) for one in error.errors()]) from error


def _tell(
    request: words.Request, console: Console, service: given.TellOptions, *, as_json: bool = False
) -> None:
    answer = ask(service.stand, service.logbook, request)
    lines = [line.replace("tell STAND", f"tell {service.stand}") for line in answer.say]
    if as_json and answer.status is not None:
        print_json(console, answer.status.model_dump_json(indent=2))
        lines = []
    if answer.exit_status:
        refused = LashmapError(*lines)
        refused.exit_status = answer.exit_status
        raise refused
    for line in lines:
        say(console, line)


def _settings(given: list[str]) -> dict[str, str]:
    settings: dict[str, str] = {}
    for one in given:
        key, is_set, value = one.partition("=")
        if not is_set or not key or not value or key in settings:
            raise ConfigurationError(
                "--set", [f"expected a key and its value once, as mounting.pinion_set_mm=79.375, got {one!r}"]
            )
        settings[key] = value
    return settings


def _confirmed(kind: type[words.Request], values: dict[str, object], console: Console) -> words.Request:
    """The request, after the cautions were shown and confirmed, on a terminal or by the option.

    Raises:
        CautionsNotConfirmed: When nobody did.
        ConfigurationError: When an option does not fit.
    """
    from lashmap_daemon.screens.plain import person_at  # noqa: PLC0415
    from lashmap_daemon.testing.opening import confirm_cautions  # noqa: PLC0415

    others = dict(values)
    cautions = confirm_cautions(person_at(console), confirmed_before=bool(others.pop("locked_out")))
    return _request(kind, {**others, "confirmed": cautions.how})
