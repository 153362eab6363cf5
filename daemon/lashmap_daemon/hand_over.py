"""What a closed test leaves: its result in the logbook, and JSON, HTML and PDF beside it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lashmap_analysis.assess import assess

from lashmap_daemon.conclude import write_json, write_report
from lashmap_daemon.replay import Replay
from lashmap_daemon.review_book import store_result, with_review

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment

    from lashmap_daemon.logbook import Logbook


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
