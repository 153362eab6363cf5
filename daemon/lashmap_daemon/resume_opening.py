"""Before the first position of a test that goes on: what is proven anew, and what its first records say."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace

from lashmap_analysis.record import Precondition

from lashmap_daemon import events
from lashmap_daemon.live_test import Opening
from lashmap_daemon.logbook import Logbook
from lashmap_daemon.opening import Person, matched_teeth
from lashmap_daemon.preconditions import collect
from lashmap_daemon.replay import end_of_encoder
from lashmap_daemon.resume import Unfinished
from lashmap_daemon.resume_matched import Reference, find_again
from lashmap_daemon.stand_file import ENCODER


def reference_of(unfinished: Unfinished, logbook: Logbook) -> Reference | None:
    """What the record says of the matched teeth; None when the test ended before there was a reference.

    Decodes the whole record of the encoder.

    Raises:
        LogbookError: When it cannot be read.
    """
    if unfinished.matched is None:
        return None
    started = unfinished.started
    reference_deg, end_deg, jump_deg = end_of_encoder(logbook, unfinished.test, unfinished.recorded.stand)
    return Reference(
        encoder_deg=reference_deg,
        end_deg=end_deg,
        gear_set=started.box.gear_set.gear_set(),
        shaft=started.stand.file.encoder.shaft,
        range_deg=started.stand.decoders()[ENCODER].range_deg,
        jump_deg=jump_deg,
    )


def open_again(
    unfinished: Unfinished,
    reference: Reference | None,
    *,
    person: Person,
    cautions: events.CautionsConfirmed,
    rates_hz: dict[str, float],
    encoder_deg: Callable[[], float],
    followed: bool,
    operator: str,
    version: str,
    now: dt.datetime,
) -> Opening:
    """Have the marked teeth brought together again and put together what the test goes on with.

    Args:
        unfinished: The test.
        reference: What its record says of the matched teeth (`reference_of`).
        person: Who is asked.
        cautions: Confirmed anew.
        rates_hz: Samples a second as heard, by channel.
        encoder_deg: Reads the encoder now.
        followed: It follows a count that wraps from one call to the next.
        operator: Who goes on with it.
        version: Of this program.
        now: By the wall clock.
    """
    started = unfinished.started
    moved_deg: float | None = None
    proven: tuple[Precondition, ...] = ()
    if reference is None:
        how, matched = matched_teeth(started.box, person, encoder_deg=encoder_deg)
    else:
        found, moved_deg = find_again(reference, person, encoder_deg=encoder_deg, followed=followed)
        how, matched, proven = found.matched.how, found.matched, (found.precondition,)
    today = now.astimezone().date()
    others = collect(started.box, started.stand, matched=how, today=today, locked_out=True)
    names = {one.name for one in proven}
    return Opening(
        started=started,
        cautions=cautions,
        preconditions=(*(one for one in others if one.name not in names), *proven),
        matched=matched,
        rates_hz=rates_hz,
        resumed=unfinished.resumed(operator=operator, version=version, now=now, encoder_moved_deg=moved_deg),
        resumption=replace(unfinished.resumption, same_reference=how == "assumed"),
    )
