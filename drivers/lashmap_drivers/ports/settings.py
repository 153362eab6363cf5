"""How a port is set, and how an instrument that sends nothing by itself is asked: request, pace, whole reply.

Decided here is only the shape. The bytes of a request come from the profile, the port carries the transaction
out, and the reply is parsed like anything else that arrives.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

Seconds = Annotated[float, Field(ge=0.001, le=60, allow_inf_nan=False)]  # less would only turn in circles


class PortSettings(BaseModel):
    """How the port is set.

    Attributes:
        baud: Bits a second.
        data_bits: Of a character.
        parity: Of a character.
        stop_bits: Of a character.
        flow_control: Who may hold the other side back.
        dtr: State of that line while the port is open; None leaves it as the system sets it.
        rts: State of that line while the port is open; None leaves it as the system sets it.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    baud: Annotated[int, Field(ge=50, le=20_000_000)] = 115200
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "rts/cts", "xon/xoff"] = "none"
    dtr: bool | None = None
    rts: bool | None = None

    @model_validator(mode="after")
    def _one_owner_of_a_line(self) -> Self:
        if self.flow_control == "rts/cts" and self.rts is not None:
            raise ValueError("rts cannot be set while flow_control is 'rts/cts', which works that line")
        return self


class Polling(BaseModel):
    """How often an instrument is asked, and how long it may take.

    Attributes:
        interval_s: From one request to the next, in seconds.
        timeout_s: Until a reply counts as missing, in seconds.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    interval_s: Seconds
    timeout_s: Seconds = 1.0


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
