"""Commands of a reviewer: recompute and review a test, say which shims would correct it, serve the desk."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import ValidationError
from rich.console import Console

from lashmap_daemon.commands.options import DeskOptions, ReviewOptions, ShimsOptions
from lashmap_daemon.errors import ConfigurationError, LogbookError, StandError
from lashmap_daemon.logbook.index import Index
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.page.join import needed_packages
from lashmap_daemon.replay.conclude import (
    Renewed,
    ReviewRequest,
    check_report_name,
    conclude,
    json_text,
    judged,
    renew_files,
    write_report,
    write_review,
)
from lashmap_daemon.replay.replay import Replay, newest_test
from lashmap_daemon.screens.next_step import print_next_step
from lashmap_daemon.screens.result import print_map, print_review, print_summary
from lashmap_daemon.screens.terminal import busy, print_json, say
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.setup.toml_file import problem_of
from lashmap_daemon.story.story import story_of

if TYPE_CHECKING:
    from lashmap_analysis.judge.shims import ShimAdvice


_WORDS = "Recomputing from the raw samples"


def review(options: ReviewOptions, console: Console) -> None:
    """Run the command.

    Raises:
        ConfigurationError: What is asked for does not fit; nothing was written.
        LogbookError: The logbook cannot be used.
    """
    request = _request_of(options)
    renewed: tuple[Renewed, ...] = ()
    if options.report is not None:
        check_report_name(options.report)
    if options.dossier is not None:
        from lashmap_daemon.builds.dossier import check_dossier_name  # noqa: PLC0415 - a review needs it not

        check_dossier_name(options.dossier)
    with Logbook(options.logbook, create=False) as book:
        with busy(console, _WORDS, quiet=options.as_json):
            assessment = conclude(book, options.test)
        if request.any or request.reversal is not None:
            assessment = write_review(book, assessment, request)
            with busy(console, _WORDS, quiet=options.as_json):
                renewed = renew_files(assessment, book)
        moved = book.moved_to(assessment.record.identity.test)
        photos = _photos(book, assessment.record.identity.test, options.photos)
        if options.dossier is not None:
            from lashmap_daemon.builds.dossier import write_dossier  # noqa: PLC0415 - as above
            from lashmap_daemon.replay.compared import compared  # noqa: PLC0415 - as above

            with busy(console, _WORDS, quiet=options.as_json):
                write_dossier(book, assessment.record.identity.test, options.dossier, compared)
    if options.report is not None:
        with busy(console, _WORDS, quiet=options.as_json):
            write_report(assessment, options.report)
    if options.as_json:
        print_json(console, json_text(assessment))
        return
    print_summary(assessment, console, positions=True)
    print_map(assessment, console, plain=options.plain)
    print_review(assessment, console)
    if moved is not None:
        say(console, moved.sentence)
    for one in renewed:
        say(console, f"written  {one.path} anew; before the review: {one.outdated.name}")
    if options.report is not None:
        say(console, f"report   {options.report}")
    if options.dossier is not None:
        say(console, f"dossier  {options.dossier}")
    for path in photos:
        say(console, f"photo    {path}")
    print_next_step(assessment, options.logbook, console, reviewed=True)


def _photos(book: Logbook, test: str, folder: Path | None) -> list[Path]:
    """The photographs of a test, written into a folder where one is named."""
    if folder is None:
        return []
    taken = story_of(book.events(test)).photos
    if not taken:
        raise ConfigurationError("--photos", [f"test {test} holds no photograph; leave it out"])
    from lashmap_daemon.logbook.photograph import write_photos  # noqa: PLC0415 - as above

    return write_photos(book, test, taken, folder)


def _request_of(options: ReviewOptions) -> ReviewRequest:
    signer = (options.sign_off or "").strip()
    if options.sign_off is not None and not signer:
        raise ConfigurationError(
            "review", ["--sign-off: no name is given, so nothing was signed; name who signs"]
        )
    return ReviewRequest(
        exclude=options.exclude,
        reversal=options.reversal,
        undo=options.undo,
        reason=options.reason.strip(),
        by=options.by.strip() or signer,
        sign_off=signer,
    )


def shims(options: ShimsOptions, console: Console) -> None:
    """Print the advice on shims for a test; `advise` says what can go wrong."""
    box = None if options.box is None else toml_file.load(options.box, BoxFile)
    with Logbook(options.logbook, create=False) as book:
        advise(book, options.test, box, console)


def advise(logbook: Logbook, test: str | None, box: BoxFile | None, console: Console) -> ShimAdvice | None:
    """Print the advice for a test; None when its tight spot was not found.

    The newest test when ``test`` is None; shims of ``box`` replace the recorded ones.

    Raises:
        LogbookError: When the test cannot be read.
        ConfigurationError: When no stock of shims is known.
    """
    from lashmap_analysis.judge.shims import shim_advice_for  # noqa: PLC0415 - a review needs it not

    name = test or newest_test(logbook)
    with Replay(logbook, name) as replay:
        stocks = (box.recorded() if box else replay.started.box).shims.stocks()
        distances = replay.started.box.mounting.distances()
        if not stocks:
            remedy = shlex.join(("lashmap", "shims", name, "--box", "BOX", "--logbook", str(logbook.path)))
            missing = (
                "shims: no stock was recorded. Add [shims.gear] or [shims.pinion] to the box file, then "
                f"type: {remedy}"
            )
            raise ConfigurationError(f"test {name}", [missing])
        assessment = judged(replay.record(), replay.events)
    record = assessment.record
    if record.damage:
        raise LogbookError(
            f"{logbook.path}: test {name} is not as it was written ({record.damage[0]}), so nothing "
            f"is advised from it; find out more with: lashmap verify {name} --logbook {logbook.path}"
        )
    advice = shim_advice_for(assessment, stocks, distances)
    if advice is None:
        say(console, "No tight spot was found in this test, so there is nothing to correct.")
        say(console, assessment.cause)
        return None
    say(console, f"SHIMS: {advice.answer.upper()}", "bold")
    for sentence in advice.sentences:
        say(console, f"  - {sentence}")
    if assessment.review is not None and assessment.review.holding:
        say(
            console,
            f"  note: A reviewer took positions or reversals out of {name}; this advice is from the result "
            f"as recorded, with all of them. Look first: lashmap review {name} --logbook {logbook.path}",
        )
    for caution in advice.cautions:
        say(console, f"  note: {caution}", "dim")
    return advice


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
