"""From a logbook to what a closed test leaves: assessment, stored result, review, and JSON, HTML and PDF.

Decided here: which requests of a reviewer are refused, and what each leaves in the logbook. What a review
shows is decided in the analysis.
"""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashmap_analysis.facts.result import to_document
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.assessment import Review, TightSpotResult
from lashmap_analysis.judge.review import ReviewError, review, window_of

from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.check import check_rows
from lashmap_daemon.logbook.logbook import stamped_of
from lashmap_daemon.replay.replay import Replay, newest_test
from lashmap_daemon.setup.toml_file import MOST_IN_LABEL, MOST_IN_REMARK, complaint
from lashmap_daemon.story import events
from lashmap_daemon.story.events import (
    ExclusionUndone,
    FilesLeft,
    PositionExcluded,
    ResultStored,
    SignedOff,
    Stamped,
)
from lashmap_daemon.story.story import Story, story_of
from lashmap_daemon.whole_file import write_whole

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.judge.assessment import Assessment
    from lashmap_analysis.record.record import TestRecord

    from lashmap_daemon.logbook.logbook import Logbook


@dataclass(frozen=True, kw_only=True)
class ReviewRequest:
    """What a reviewer asks for in one go.

    ``reversal`` excludes only that reversal of the position. ``reason`` is for both, or a remark when
    somebody only signs; ``by`` leaves out or takes back.
    """

    exclude: int | None = None
    reversal: int | None = None
    undo: int | None = None
    reason: str = ""
    by: str = ""
    sign_off: str = ""

    @property
    def changes(self) -> bool:
        """Whether anything is to be left out or taken back."""
        return self.exclude is not None or self.undo is not None

    @property
    def any(self) -> bool:
        """Whether anything is to be written."""
        return self.changes or bool(self.sign_off)


def store_result(logbook: Logbook, stream: Sequence[Stamped], assessment: Assessment) -> Stamped:
    """Keep the figures of a result that is handed over, with the version of the analysis.

    ``stream`` is as it was read for the assessment; returns what was added to it.

    Raises:
        LogbookError: When it cannot be written.
    """
    return _append(
        logbook,
        stream,
        assessment,
        ResultStored(
            analysis_version=assessment.version,
            outcome=assessment.verdict.outcome,
            **_figures(assessment.stated),
            confirmed=assessment.confirmed,
            positions=len(assessment.positions),
            usable=sum(one.normal_backlash_mm is not None for one in assessment.positions),
        ),
    )


def with_review(stream: Sequence[Stamped], assessment: Assessment) -> Assessment:
    """Put beside an assessment what was stored when the test ran, and what reviewers did.

    ``stream`` holds the events as they were read for the assessment, and what was added since.
    """
    story = story_of(stream)
    reviewed = review(
        assessment,
        stored=story.stored,
        exclusions=tuple(story.exclusions.values()),
        sign_offs=story.sign_offs,
    )
    return replace(assessment, review=reviewed)


def write_review(logbook: Logbook, assessment: Assessment, request: ReviewRequest) -> Assessment:
    """Write what a reviewer asks for, all of it or nothing, and return the assessment with its new review.

    Raises:
        ConfigurationError: What is asked for does not fit the test; nothing was written.
        LogbookError: It cannot be written, or was changed since the assessment.
    """
    test = assessment.record.identity.test
    stream = _checked_events(logbook, assessment)
    story = story_of(stream)
    problems = _problems(request, story, assessment)
    if problems:
        raise ConfigurationError(f"test {test}", problems)
    for event in _changes(request, story, assessment):
        stream.append(_append(logbook, stream, assessment, event))
    seen = with_review(stream, assessment)
    if request.sign_off and seen.review is not None:
        stream.append(_append(logbook, stream, assessment, _signature(request, seen, seen.review)))
        seen = with_review(stream, assessment)
    return seen


def _checked_events(logbook: Logbook, assessment: Assessment) -> list[Stamped]:
    """The events as they stand now, others may have reviewed meanwhile, and every digest and seal fits them.

    Raises:
        LogbookError: When they do not fit, and the assessment knows nothing of that.
    """
    rows, check = check_rows(logbook.path, assessment.record.identity.test)
    if check.problems and not assessment.record.damage:
        raise LogbookError(
            f"{logbook.path}: test {check.test} was changed since it was read ({check.problems[0]}); nothing "
            f"was written. See what is wrong with: lashmap verify --logbook {logbook.path}"
        )
    return [stamped_of(row, logbook.path) for row in rows]


def _problems(request: ReviewRequest, story: Story, assessment: Assessment) -> list[str]:
    """Everything that speaks against the request, at once."""
    found = []
    if story.closed is None:
        found.append(
            "it has no closing record and may still be running; only a closed test can be reviewed. "
            "lashmap review without --exclude, --undo and --sign-off shows what there is"
        )
    if request.reversal is not None and request.exclude is None:
        found.append(
            "--reversal: says which reversal of the position to exclude; give --exclude POSITION too"
        )
    if request.changes and not request.reason.strip():
        found.append("--reason: say why; it is kept with the record")
    if request.changes and not request.by.strip():
        found.append("--by: say who; it is kept with the record")
    texts = (
        ("--reason", request.reason, MOST_IN_REMARK),
        ("--by", request.by, MOST_IN_LABEL),
        ("--sign-off", request.sign_off, MOST_IN_LABEL),
    )
    found += [f"{option}: {wrong}" for option, text, most in texts if (wrong := complaint(text, most))]
    if request.undo is not None:
        found += _undo_problems(request.undo, story)
    if request.exclude is not None:
        try:
            window_of(assessment, request.exclude, request.reversal)
        except ReviewError as error:
            found.append(f"--exclude: {error}")
        for one in story.exclusions.values():
            same = one.position == request.exclude and one.reversal in {None, request.reversal}
            if same and one.undone is None and one.number != request.undo:
                found.append(f"--exclude: {one.what} is left out already (exclusion {one.number})")
    return found


def _undo_problems(number: int, story: Story) -> list[str]:
    one = story.exclusions.get(number)
    if one is not None and one.undone is None:
        return []
    holding = ", ".join(str(n) for n, other in story.exclusions.items() if other.undone is None) or "none"
    gone = "was undone already" if one is not None else "is not in the record"
    return [f"--undo: exclusion {number} {gone}; those that hold: {holding}"]


def _changes(request: ReviewRequest, story: Story, assessment: Assessment) -> Sequence[events.Event]:
    found: list[events.Event] = []
    if request.undo is not None:
        found.append(ExclusionUndone(exclusion=request.undo, reason=request.reason, by=request.by))
    if request.exclude is not None:
        window = window_of(assessment, request.exclude, request.reversal)
        found.append(
            PositionExcluded(
                exclusion=max(story.exclusions, default=0) + 1,
                position=request.exclude,
                reversal=request.reversal,
                start_s=window[0] if window else None,
                end_s=window[1] if window else None,
                reason=request.reason,
                by=request.by,
            )
        )
    return found


def _signature(request: ReviewRequest, seen: Assessment, reviewed: Review) -> SignedOff:
    signed = reviewed.reviewed or seen
    return SignedOff(
        by=request.sign_off,
        analysis_version=seen.version,
        outcome=signed.verdict.outcome,
        recorded_outcome=seen.verdict.outcome,
        exclusions=tuple(one.number for one in reviewed.holding),
        remark="" if request.changes else request.reason,
        **_figures(signed.stated),
    )


def _figures(spot: TightSpotResult | None) -> dict[str, Any]:
    """Of a stated tight spot, as events keep them."""
    low_mm, high_mm = (None, None) if spot is None else spot.interval_mm
    return {
        "engagement": None if spot is None else spot.engagement,
        "normal_backlash_mm": None if spot is None else spot.normal_backlash_mm,
        "low_mm": low_mm,
        "high_mm": high_mm,
    }


def _append(
    logbook: Logbook, stream: Sequence[Stamped], assessment: Assessment, event: events.Event
) -> Stamped:
    """Write an event after all others; UTC says when, since no monotonic clock outlives the test."""
    utc = f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"
    stamped = Stamped(time_s=story_of(stream).end_s, utc=utc, event=event)
    logbook.append(assessment.record.identity.test, stamped)
    return stamped


_SUFFIXES = ("json", "html", "pdf")
REPORT_SUFFIXES = (".html", ".htm", ".pdf")


def conclude(logbook: Logbook, test: str | None) -> Assessment:
    """Assess a test from its raw samples, its review beside it; the newest one when ``test`` is None.

    Raises:
        LogbookError: When it cannot be read.
    """
    with Replay(logbook, test or newest_test(logbook)) as replay:
        return judged(replay.record(), replay.events)


def judged(record: TestRecord, stream: Sequence[Stamped]) -> Assessment:
    """Assess a record that was read from a logbook, its review beside it."""
    return with_review(stream, assess(record))


def json_text(assessment: Assessment) -> str:
    """The result document as text."""
    return json.dumps(to_document(assessment), indent=2, allow_nan=False, ensure_ascii=False) + "\n"


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


@dataclass(frozen=True, kw_only=True)
class Renewed:
    """A file of a result that a review has outdated."""

    path: Path
    outdated: Path


def renew_files(assessment: Assessment, logbook: Logbook) -> tuple[Renewed, ...]:
    """Name the files that `hand_over` left as outdated, and write each anew with its review.

    Args:
        assessment: With the review as it stands now.
        logbook: Says where the test left them; a file that is not there any more is not made.

    Returns:
        What was written; nothing where no file was.

    Raises:
        ConfigurationError: When one cannot be written; those before it are.
    """
    test, found = assessment.record.identity.test, []
    left = story_of(logbook.events(test)).folders
    folders = dict.fromkeys((logbook.path.parent / one).resolve() for one in ("", *left))
    for path in (folder / f"{test}.{suffix}" for folder in folders for suffix in _SUFFIXES):
        if path.is_symlink() or not path.is_file():
            continue
        numbers = (path.with_name(f"{test}.outdated-{n}{path.suffix}") for n in range(1, 10_000))
        outdated = next(one for one in numbers if not one.exists())
        try:
            path.rename(outdated)
        except OSError as error:
            problem = f"cannot be named as outdated ({error.strerror}), and does not show the newest review"
            raise ConfigurationError(str(path), [problem]) from error
        if path.suffix == ".json":
            write_whole(path, json_text(assessment))
        else:
            write_report(assessment, path)
        found.append(Renewed(path=path, outdated=outdated))
    return tuple(found)


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
    home, folder = logbook.path.parent.resolve(), output.resolve()
    if folder != home:
        left = str(folder.relative_to(home) if folder.is_relative_to(home) else folder)
        _append(logbook, (*replay.events, stored), assessment, FilesLeft(folder=left))
    files = {suffix: output / f"{test}.{suffix}" for suffix in _SUFFIXES}
    write_whole(files["json"], json_text(assessment))
    write_report(assessment, files["html"])
    write_report(assessment, files["pdf"])
    return HandedOver(assessment=assessment, **files)
