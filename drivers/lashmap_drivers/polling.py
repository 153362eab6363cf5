"""What it takes to ask an instrument that sends nothing by itself: request, pace, and when a reply is whole.

Decided here is only the shape of a poll. The bytes come from the profile, the port carries the transaction
out, and the reply is parsed like anything else that arrives.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Poll:
    """How a polled instrument is asked.

    Attributes:
        request: Bytes written for each reading.
        interval_s: From the start of one request to the start of the next, in seconds, greater than 0; a
            reply that takes longer delays the next request, requests are never piled up.
        timeout_s: How long a reply may take before it counts as missing, in seconds, greater than 0.
        complete: Says whether the bytes received so far are the whole reply; called after every read, so it
            must be cheap and must not keep state.

    Raises:
        ValueError: When a time is not positive or the request is empty.
    """

    request: bytes
    interval_s: float
    timeout_s: float
    complete: Callable[[bytes], bool]

    def __post_init__(self) -> None:
        """Refuse what could not be carried out."""
        if not self.request:
            raise ValueError("a poll needs a request of at least one byte")
        if not (self.interval_s > 0.0 and self.timeout_s > 0.0):
            raise ValueError("interval_s and timeout_s must be greater than 0")
