"""From a logbook to what is handed over: assessment, JSON result, HTML report."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from lashmap_analysis.assess import assess
from lashmap_analysis.result import to_document

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.replay import newest_test, read_record

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment

    from lashmap_daemon.logbook import Logbook


def conclude(logbook: Logbook, test: str | None) -> Assessment:
    """Assess a test from its raw samples; the newest one when ``test`` is None.

    Raises:
        LogbookError: When it cannot be read.
    """
    return assess(read_record(logbook, test or newest_test(logbook)))


def json_text(assessment: Assessment) -> str:
    """The result document as text."""
    return json.dumps(to_document(assessment), indent=2, allow_nan=False, ensure_ascii=False) + "\n"


def write_json(assessment: Assessment, path: Path) -> None:
    """Write the result document.

    Raises:
        ConfigurationError: When the file cannot be written.
    """
    _write(path, json_text(assessment))


def write_report(assessment: Assessment, path: Path) -> None:
    """Write the HTML report.

    Raises:
        ConfigurationError: When the file cannot be written.
    """
    from lashmap_analysis.report import render_html  # noqa: PLC0415 - templates load only when asked for

    _write(path, render_html(assessment))


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigurationError(
            str(path), [f"cannot be written ({error.strerror}); choose another place"]
        ) from error
