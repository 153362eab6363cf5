"""``lashmap review``: recompute, compare with what was stored, write what is asked for, show it all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import check_report_name, conclude, json_text, write_report
from lashmap_daemon.replay.review_book import ReviewRequest, write_review
from lashmap_daemon.screens.busy import busy
from lashmap_daemon.screens.lines import say
from lashmap_daemon.screens.review_map import print_map
from lashmap_daemon.screens.summary import print_review, print_summary
from lashmap_daemon.screens.terminal import print_json

if TYPE_CHECKING:
    from rich.console import Console


_WORDS = "Recomputing from the raw samples"


@dataclass(frozen=True, kw_only=True)
class ReviewOptions:
    """What the command was asked.

    Attributes:
        test: Which test; None is the newest.
        logbook: Where it is.
        as_json: Print the result document instead of words.
        report: Also write a report here.
        plain: Draw with plain letters.
        request: What is to be written.
    """

    test: str | None
    logbook: Path
    as_json: bool
    report: Path | None
    plain: bool
    request: ReviewRequest


def review(options: ReviewOptions, console: Console) -> None:
    """Run the command.

    Raises:
        ConfigurationError: What is asked for does not fit; nothing was written.
        LogbookError: The logbook cannot be used.
    """
    if options.report is not None:
        check_report_name(options.report)
    with Logbook(options.logbook, create=False) as book:
        with busy(console, _WORDS, quiet=options.as_json):
            assessment = conclude(book, options.test)
        if options.request.any or options.request.reversal is not None:
            assessment = write_review(book, assessment, options.request)
        moved = book.moved_to(assessment.record.identity.test)
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
