"""From a logbook to what a closed test leaves: assessment, stored result, and JSON, HTML and PDF."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lashmap_analysis.facts.result import to_document
from lashmap_analysis.judge.assess import assess

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.replay.replay import Replay, newest_test
from lashmap_daemon.replay.review_book import store_result, with_review
from lashmap_daemon.whole_file import write_whole

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.judge.assessment import Assessment
    from lashmap_analysis.record.record import TestRecord

    from lashmap_daemon.logbook.logbook import Logbook
    from lashmap_daemon.story.events import Stamped


REPORT_SUFFIXES = (".html", ".htm", ".pdf")


def conclude(logbook: Logbook, test: str | None) -> Assessment:
    """Assess a test from its raw samples, its review beside it; the newest one when ``test`` is None.

    Raises:
        LogbookError: When it cannot be read.
    """
    with Replay(logbook, test or newest_test(logbook)) as replay:
        return judged(replay.record(), replay.events)


def judged(record: TestRecord, stream: Sequence[Stamped]) -> Assessment:
    """Assess a record that was read from a logbook, its review beside it.

    Args:
        record: Of a test.
        stream: Its events, as they were read with it.
    """
    return with_review(stream, assess(record))


def json_text(assessment: Assessment) -> str:
    """The result document as text."""
    return json.dumps(to_document(assessment), indent=2, allow_nan=False, ensure_ascii=False) + "\n"


def write_json(assessment: Assessment, path: Path) -> None:
    """Write the result document.

    Raises:
        ConfigurationError: When the file cannot be written.
    """
    write_whole(path, json_text(assessment))


def write_report(assessment: Assessment, path: Path) -> None:
    """Write the report as its name says: ``.html`` or ``.pdf``.

    Raises:
        ConfigurationError: When the name says neither, or the file cannot be written.
    """
    from lashmap_analysis.render import (  # noqa: PLC0415 - templates and typst load when asked for
        PdfError,
        render_html,
        render_pdf,
    )

    check_report_name(path)
    if path.suffix.lower() != ".pdf":
        write_whole(path, render_html(assessment))
        return
    try:
        made = render_pdf(assessment)
    except PdfError as error:
        raise ConfigurationError(str(path), [f"{error}; write the report as .html instead"]) from error
    write_whole(path, made)


def check_report_name(path: Path) -> None:
    """See that a report can be written under this name.

    Raises:
        ConfigurationError: When it cannot.
    """
    if path.suffix.lower() not in REPORT_SUFFIXES:
        ending = f"ends in {path.suffix!r}" if path.suffix else "has no ending"
        raise ConfigurationError(str(path), [f"{ending}; name a report .html or .pdf"])


@dataclass(frozen=True, kw_only=True)
class HandedOver:
    """The result and its files."""

    assessment: Assessment
    json: Path
    html: Path
    pdf: Path


def hand_over(logbook: Logbook, test: str, output: Path) -> HandedOver:
    """Judge a closed test from its raw samples, store the result beside the record and write its files.

    Raises:
        LogbookError: When the logbook cannot be read or written.
        ConfigurationError: When a file cannot be written.
    """
    with Replay(logbook, test) as replay:
        assessment = assess(replay.record())
    stored = store_result(logbook, replay.events, assessment)
    assessment = with_review((*replay.events, stored), assessment)
    files = {suffix: output / f"{test}.{suffix}" for suffix in ("json", "html", "pdf")}
    write_json(assessment, files["json"])
    write_report(assessment, files["html"])
    write_report(assessment, files["pdf"])
    return HandedOver(assessment=assessment, **files)
