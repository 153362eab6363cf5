"""The command ``lashmap build``: the sheet of a build, begun or gone on with, shown and filled in."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from lashmap_daemon.builds import events, questions
from lashmap_daemon.builds.book import BuildBook, begin, given_by, its_tests, newest_open, read
from lashmap_daemon.builds.questions import Asked, Left, NoMoreAnswers, Person
from lashmap_daemon.builds.sheet import Row, State, heading, next_step, rows
from lashmap_daemon.builds.steps import Session
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.schema import must_have_place
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile

_STYLES: dict[State, str] = {"done": "green", "open": "", "look": "bold red"}


@dataclass(frozen=True, kw_only=True)
class BuildRequest:
    """What is asked for.

    Attributes:
        box: The box file.
        logbook: Where the build is kept.
        build: Which build to go on with; None is the newest open one of the serial number, else a new one.
        answers: A file of answers instead of a person.
        show: Only show the sheet.
        plain: Lines of text instead of a table.
    """

    box: Path
    logbook: Path
    build: str | None = None
    answers: Path | None = None
    show: bool = False
    plain: bool = False


def keep_sheet(request: BuildRequest, person: Person, console: Console, *, answers_itself: bool) -> None:
    """Show the sheet of a build and lead through its open steps.

    Args:
        request: What is asked for.
        person: Sees it, and answers.
        console: Where the sheet is printed.
        answers_itself: There is a person at the keyboard.

    Raises:
        ConfigurationError: A wrong file, argument or answer.
        LogbookError: When the logbook cannot be used.
    """
    box = toml_file.load(request.box, BoxFile)
    if not (request.show or request.answers or answers_itself):
        problem = (
            "the sheet asks questions, and nobody is at the keyboard; run it in a terminal, give --answers "
            "FILE, or only look at it with --show"
        )
        raise ConfigurationError("build", [problem])
    if not request.show:
        must_have_place(request.logbook)
    asked = Asked(person, request.answers)
    with Logbook(request.logbook, create=not request.show) as logbook:
        book = _found(logbook, request, given_by(box))
        if request.show:
            if book is None:
                problem = f"no open build of serial number {box.box.serial}; begin one without --show"
                raise ConfigurationError(str(request.logbook), [problem])
            _print_sheet(book, console, plain=request.plain)
            return
        try:
            _work(logbook, book, box, asked, console, plain=request.plain)
        except NoMoreAnswers:
            say(console, "The file of answers has ended; everything before is kept.")
        except Left:
            pass


def _found(logbook: Logbook, request: BuildRequest, given: events.Given) -> BuildBook | None:
    """The build that is gone on with; None for a new one."""
    if request.build is None:
        record = newest_open(logbook, given.serial)
        return None if record is None else BuildBook(logbook, record.name, record.build)
    record = read(logbook, request.build)
    of = record.build.given
    if of is not None and of.serial != given.serial:
        problem = f"{record.name} is the build of serial number {of.serial}, the box file has {given.serial}"
        raise ConfigurationError("--build", [f"{problem}; name the other box file, or another build"])
    if record.build.closed is not None and not request.show:
        problem = f"{record.name} is closed, so nothing can be entered"
        raise ConfigurationError("--build", [f"{problem}; look at it with --show, or leave --build out"])
    return BuildBook(logbook, record.name, record.build)


def _work(
    logbook: Logbook,
    book: BuildBook | None,
    box: BoxFile,
    asked: Asked,
    console: Console,
    *,
    plain: bool,
) -> None:
    given, by = given_by(box), asked.question("Who enters this (name)", questions.name)
    if book is None:
        book = begin(logbook, given, by)
        asked.show(f"New build {book.name}")
    elif book.build.given != given:
        book.append(events.BoxRead(by=by, local=book.local, given=given))
        asked.show("The box file says something else than before; the sheet goes by what it says now.")
    session = Session(book, asked, by, box.recorded())
    _print_sheet(book, console, plain=plain)
    while True:
        made = _rows(book)
        due = next_step(made)
        chosen = asked.question(_choice_text(due), partial(_chosen, made=made, due=due))
        if chosen == "close":
            if session.close():
                _print_sheet(book, console, plain=plain)
                return
        elif chosen == "sheet":
            _print_sheet(book, console, plain=plain)
        else:
            _do(session, chosen, console)


def _do(session: Session, chosen: Row | str, console: Console) -> None:
    """Go through a step, and show what is recorded of it then."""
    try:
        if not isinstance(chosen, Row):
            session.note()
            return
        session.ask(chosen.key)
    except NoMoreAnswers:
        raise
    except Left:
        session.asked.show("Left; what was entered before is kept.")
        return
    made = _rows(session.book)
    row = next(one for one in made if one.key == chosen.key)
    _print_row(made.index(row) + 1, row, console)


def _choice_text(due: Row | None) -> str:
    enter = "" if due is None else f"; Enter = {due.title}"
    return f"Step (number), sheet, note, close, q to leave{enter}"


def _chosen(answer: str, made: tuple[Row, ...], due: Row | None) -> Row | str:
    if not answer and due is not None:
        return due
    if answer.casefold() in {"sheet", "note", "close"}:
        return answer.casefold()
    if answer.isdecimal() and 1 <= int(answer) <= len(made):
        return made[int(answer) - 1]
    raise questions.Wrong(f"Write a number from 1 to {len(made)}, sheet, note, close, or q to leave")


def _rows(book: BuildBook) -> tuple[Row, ...]:
    return rows(book.build, its_tests(book))


def _print_sheet(book: BuildBook, console: Console, *, plain: bool) -> None:
    for line in heading(book.name, book.build, its_tests(book)):
        say(console, line)
    made = _rows(book)
    if plain or not console.is_terminal:
        for number, row in enumerate(made, start=1):
            _print_row(number, row, console)
    else:
        table = Table(show_lines=True)
        for title in ("", "step", "state", "recorded"):
            table.add_column(title, no_wrap=title == "state")
        for number, row in enumerate(made, start=1):
            state = Text(row.state, style=_STYLES[row.state])
            table.add_row(str(number), Text(row.title), state, Text("\n".join(row.lines)))
        console.print(table)
    for note in book.build.notes:
        say(console, f"note: {note.text} ({note.by}, {note.local})")


def _print_row(number: int, row: Row, console: Console) -> None:
    say(console, f"{number:>2} {row.title}: {row.state}", _STYLES[row.state])
    for line in row.lines:
        say(console, f"     {line}")
