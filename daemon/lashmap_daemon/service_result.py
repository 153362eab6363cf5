"""The result of a closed test as files, as ``lashmap run`` leaves it; made in a thread of its own."""

from __future__ import annotations

import logging
from pathlib import Path

from lashmap_daemon.errors import LashmapError
from lashmap_daemon.logbook import Logbook

LOG = logging.getLogger("lashmap.result")


def write_result(logbook: Path, test: str, output: Path) -> str:
    """Judge a test from its raw samples and write JSON and report.

    Returns:
        How it went, as part of a sentence; a failure is logged and named, never raised.
    """
    from lashmap_daemon.conclude import conclude, write_json, write_report  # noqa: PLC0415 - heavy, after a test

    json_path, report_path = output / f"{test}.json", output / f"{test}.html"
    again = f"lashmap review {test} --logbook {logbook} makes it"
    try:
        with Logbook(logbook, create=False) as book:
            assessment = conclude(book, test)
        write_json(assessment, json_path)
        write_report(assessment, report_path)
    except LashmapError as error:
        LOG.error("no result was written: %s; %s", error, again)  # noqa: TRY400 - its message says all
        return f"no result was written ({error}); {again}"
    except Exception as error:
        LOG.exception("no result was written; %s", again)
        return f"no result was written ({type(error).__name__}, see the log); {again}"
    LOG.info("verdict %s; result %s, report %s", assessment.verdict.outcome, json_path, report_path)
    return f"verdict {assessment.verdict.outcome}, report {report_path}"
