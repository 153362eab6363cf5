"""The result of a closed test as files, as ``lashmap run`` leaves it; made in a thread of its own."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from lashmap_daemon.errors import LashmapError
from lashmap_daemon.logbook import Logbook

if TYPE_CHECKING:
    from lashmap_analysis.assessment import Assessment

LOG = logging.getLogger("lashmap.result")


def write_result(
    logbook: Path, test: str, output: Path, also: Callable[[Assessment], None] = lambda _assessment: None
) -> str:
    """Judge a test from its raw samples and write JSON and report.

    Args:
        logbook: Where it is kept.
        test: Which.
        output: Folder for the files.
        also: Told the result as well.

    Returns:
        How it went, as part of a sentence; a failure is logged and named, never raised.
    """
    from lashmap_daemon.hand_over import hand_over  # noqa: PLC0415 - heavy, after a test

    again = f"lashmap review {test} --logbook {logbook} makes it"
    try:
        with Logbook(logbook, create=False) as book:
            done = hand_over(book, test, output)
        also(done.assessment)
    except LashmapError as error:
        LOG.error("no result was written: %s; %s", error, again)  # noqa: TRY400 - its message says all
        return f"no result was written ({error}); {again}"
    except Exception as error:
        LOG.exception("no result was written; %s", again)
        return f"no result was written ({type(error).__name__}, see the log); {again}"
    verdict = done.assessment.verdict.outcome
    LOG.info("verdict %s; result %s, report %s and %s", verdict, done.json, done.html, done.pdf)
    return f"verdict {verdict}, report {done.html}"
