"""``lashmap review``: recompute, compare with what was stored, write what is asked for, show it all."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lashmap_daemon.builds.dossier import check_dossier_name, write_dossier
from lashmap_daemon.commands.compare import compared
from lashmap_daemon.commands.options import ReviewOptions, login_name
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import check_report_name, conclude, json_text, write_report
from lashmap_daemon.replay.review_book import ReviewRequest, write_review
from lashmap_daemon.screens.review_map import print_map
from lashmap_daemon.screens.summary import print_review, print_summary
from lashmap_daemon.screens.terminal import busy, print_json, say

if TYPE_CHECKING:
    from rich.console import Console


_WORDS = "Recomputing from the raw samples"


def review(options: ReviewOptions, console: Console) -> None:
    """Run the command.

    Raises:
        ConfigurationError: What is asked for does not fit; nothing was written.
        LogbookError: The logbook cannot be used.
    """
    request = _request_of(options)
    if options.report is not None:
        check_report_name(options.report)
    if options.dossier is not None:
        check_dossier_name(options.dossier)
    with Logbook(options.logbook, create=False) as book:
        with busy(console, _WORDS, quiet=options.as_json):
            assessment = conclude(book, options.test)
        if request.any or request.reversal is not None:
            assessment = write_review(book, assessment, request)
        moved = book.moved_to(assessment.record.identity.test)
        if options.dossier is not None:
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
    if options.report is not None:
        say(console, f"report   {options.report}")
    if options.dossier is not None:
        say(console, f"dossier  {options.dossier}")


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
        by=options.by.strip() or signer or login_name(),
        sign_off=signer,
    )
