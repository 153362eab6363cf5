"""The command that serves the reviewer's desk until it is interrupted."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from pydantic import ValidationError
from rich.console import Console

from lashmap_daemon.commands.options import DeskOptions
from lashmap_daemon.errors import ConfigurationError, LogbookError, StandError
from lashmap_daemon.logbook.index import Index
from lashmap_daemon.page.join import needed_packages
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.setup.toml_file import problem_of


def desk(options: DeskOptions, console: Console) -> None:
    """Serve until Ctrl-C.

    Raises:
        ConfigurationError: A wrong option, no such logbook, a place that is taken, packages that are not
            installed.
        LogbookError: None of the files can be listed.
        StandError: The server does not come up, or ended.
    """
    logbooks = tuple(dict.fromkeys(options.logbooks))
    for path in logbooks:
        if not path.is_file():
            what = (
                "is a folder; name the logbook in it" if path.is_dir() else "no such logbook; check the name"
            )
            raise ConfigurationError(str(path), [what])
    table = _table_of(options)
    with needed_packages():
        from lashmap_daemon.desk.desk import PageEnded, ServedDesk  # noqa: PLC0415 - optional and slow
    _one_can_be_listed(logbooks)
    try:
        with _in_our_options(), ServedDesk(table, logbooks, writes=not options.read_only) as served:
            for line in served.invitation():
                say(console, line)
            say(console, "Ctrl-C ends it.")
            served.wait()
    except PageEnded as error:
        raise StandError(f"the desk is not served: {error}") from None
    except KeyboardInterrupt:
        return  # leaving is no failure


def _one_can_be_listed(logbooks: Sequence[Path]) -> None:
    """See that there is anything to show; beside a good logbook the desk lists a bad one with its reason.

    Raises:
        LogbookError: When there is none.
    """
    reasons: list[str] = []
    for path in logbooks:
        try:
            Index.of(path)
        except LogbookError as error:
            reasons += error.lines
        else:
            return
    raise LogbookError(*reasons)


def _table_of(options: DeskOptions) -> PageTable:
    given = {
        "host": options.host,
        "port": options.port,
        "names": options.name or [],
        "token_file": _text(options.token_file),
        "certificate_file": _text(options.certificate_file),
        "key_file": _text(options.key_file),
    }
    try:
        return PageTable.model_validate(given)
    except ValidationError as error:
        details = error.errors(include_input=False, include_url=False)
        raise ConfigurationError("desk", [problem_of(dict(one)) for one in details]) from None


@contextmanager
def _in_our_options() -> Iterator[None]:
    """Complaints about the table of a page in a stand file, as complaints about our options."""
    try:
        yield
    except ConfigurationError as error:
        problems = [_OPTION.sub(_option, problem) for problem in error.problems]
        raise ConfigurationError("desk" if error.file == "page" else error.file, problems) from None


_OPTION = re.compile(r"page\.port, or give --page-port|page\.([a-z_]+)")


def _option(found: re.Match[str]) -> str:
    return f"--{(found[1] or 'port').replace('_', '-')}"


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path)
