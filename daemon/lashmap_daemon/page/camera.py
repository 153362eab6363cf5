"""A photograph from the page goes into the record of the running test."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from lashmap_daemon.logbook.photograph import MOST, new_channel
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events

if TYPE_CHECKING:
    from lashmap_daemon.page.orders import Pending
    from lashmap_daemon.testing.conductor import Conductor


def keep_photo(conductor: Conductor, pending: Pending) -> str:
    """Keep it with the test; returns why not, or nothing. One that is there already is not kept twice."""
    photos, data = conductor.story.photos, pending.photo
    sha256 = hashlib.sha256(data).hexdigest()
    if any(one.sha256 == sha256 for one in photos):
        return ""
    if conductor.state.phase in {Phase.PAUSED, Phase.CLOSED}:
        return "nothing is recorded now; try again when the test goes on"
    if len(photos) >= MOST:
        return f"the test holds {MOST} photographs, the most"
    number = len(photos) + 1
    taken = events.PhotoTaken(
        number=number,
        words=" ".join(pending.order.words.split()),
        size=len(data),
        sha256=sha256,
        channel=new_channel(number),
    )
    conductor.keep_photo(taken, data)
    return ""
