"""A test of a logbook as a comparison wants it: recomputed, with what it asks of the set-up."""

from __future__ import annotations

from lashmap_analysis.judge.compare import Build
from lashmap_analysis.judge.shims import shim_advice_for

from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import judged
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.story.events import TestStarted
from lashmap_daemon.story.recorded import Indicator


def compared(book: Logbook, test: str) -> Build:
    """A test recomputed, with what a comparison asks of its set-up.

    Raises:
        LogbookError: When it cannot be read.
    """
    with Replay(book, test) as replay:
        assessment = judged(replay.record(), replay.events)
    started = replay.started
    mounting = started.box.mounting
    certificate = _certificate(started)
    stocks = started.box.shims.stocks()
    advice = shim_advice_for(assessment, stocks, mounting.distances()) if stocks else None
    return Build(
        assessment=assessment,
        indicator=certificate,
        gear_at_mm=mounting.gear_set_mm,
        pinion_at_mm=mounting.pinion_set_mm,
        advice=advice,
    )


def _certificate(started: TestStarted) -> str:
    """Names the calibration of what measured the lash; empty where nothing does.

    A serial number and the date of a certificate together name one; either alone does not.
    """
    read = started.gauge or started.stand.indicator
    if read is None:
        encoder = started.stand.encoder
        known = encoder is not None and encoder.serial and encoder.calibration_due
        return f"{encoder.serial}, {encoder.calibration_due}, encoder" if encoder and known else ""
    curve = read.correction if isinstance(read, Indicator) else None
    figures = f"{read.calibration_uncertainty_mm!r}, {read.hysteresis_mm!r}, {curve!r}"
    return f"{read.serial}, {read.calibration_due}, {figures}" if read.serial and read.calibration_due else ""
