"""The command that advises on shims for a recorded test."""

from __future__ import annotations

from lashmap_analysis.judge.shims import ShimAdvice, shim_advice_for
from rich.console import Console

from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import judged
from lashmap_daemon.replay.replay import Replay, newest_test
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup.box_file import BoxFile


def advise(logbook: Logbook, test: str | None, box: BoxFile | None, console: Console) -> ShimAdvice | None:
    """Print the advice for a test; None when its tight spot was not found.

    Args:
        logbook: Holds the test.
        test: Which; the newest when None.
        box: A box file whose table of shims replaces the recorded one; None keeps the recorded one.
        console: Where to print.

    Raises:
        LogbookError: When the test cannot be read.
        ConfigurationError: When no stock of shims is known.
    """
    name = test or newest_test(logbook)
    with Replay(logbook, name) as replay:
        stocks = (box.recorded() if box else replay.started.box).shims.stocks()
        distances = replay.started.box.mounting.distances()
        if not stocks:
            missing = (
                "shims: no stock was recorded; add [shims.gear] or [shims.pinion] to a box file, name it: "
                "--box"
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
