"""The matched-teeth reference in the count of a record: which whole range of a wrapped count it belongs to.

Before a record begins the encoder is followed from the marked teeth on; the record's own decoder begins anew
with the first bytes it keeps, within one range of the count. Both know the same angle but for whole ranges,
as long as the gear turned by less than half a range in between.
"""

from __future__ import annotations

from lashmap_daemon.events import MatchedTeethSet


def in_record_deg(matched: MatchedTeethSet, first_deg: float, range_deg: float | None) -> float:
    """The reference as the decoder of a record counts.

    Args:
        matched: As it was set.
        first_deg: First angle that the decoder of the record gives.
        range_deg: After which the count begins again; None when it never does.
    """
    if range_deg is None or matched.seen_deg is None:
        return matched.encoder_deg
    return matched.encoder_deg - range_deg * round((matched.seen_deg - first_deg) / range_deg)
