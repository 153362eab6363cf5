"""What can go wrong between a cable and a reading; each message says where and what to do next."""

from __future__ import annotations

# What an instrument says beside its numbers (the marks of a parser).
OVERLOAD = "overload"
LOW_BATTERY = "low battery"
LOST_COUNT = "lost count"
JUMPED = "angle begins again"
BEYOND = "angle beyond wraps_at_deg"
FOR_GOOD = (LOST_COUNT, JUMPED)
"""Marks after which no angle is given any more: nobody knows the turns, and waiting does not help."""


class InstrumentError(Exception):
    """Base of all instrument failures.

    Attributes:
        instrument: Its role on the stand, ``indicator`` or ``encoder``.
        port: The port as the stand file names it.
    """

    def __init__(self, instrument: str, port: str, what: str, remedy: str) -> None:
        self.instrument = instrument
        self.port = port
        self.what = what
        self.remedy = remedy
        super().__init__(f"{instrument} on {port}: {what}. {remedy}")


class PortNotOpened(InstrumentError):
    """The port is absent, busy, or refuses the settings."""


class PortBusy(PortNotOpened):
    """Another program, or this one for another instrument, has the port open.

    Attributes:
        holders: Who, each as ``process 123 (command)``; empty when it cannot be told.
    """

    def __init__(self, instrument: str, port: str, holders: tuple[str, ...]) -> None:
        self.holders = holders
        who = ", ".join(holders) or "a program that cannot be looked into"
        super().__init__(
            instrument,
            port,
            f"cannot open the port: it is held by {who}",
            "Close that program first: two readers of one port take each other's bytes.",
        )


class InstrumentLost(InstrumentError):
    """The port stopped working while it was in use."""


class InstrumentSilent(InstrumentError):
    """The port is open and nothing comes."""

    def __init__(self, instrument: str, port: str, silent_s: float, *, asked: bool = False) -> None:
        self.silent_s = silent_s
        cause = "the request in its profile is the right one" if asked else "it is set to send by itself"
        super().__init__(
            instrument, port, f"no bytes for {silent_s:.1f} s", f"Check power and cable, and that {cause}."
        )


class InstrumentWaits(InstrumentError):
    """It sends when its button is pressed, and nobody pressed it yet."""

    def __init__(self, instrument: str, port: str, silent_s: float) -> None:
        super().__init__(
            instrument,
            port,
            f"it sends when its button is pressed, and nothing came in {silent_s:.0f} s",
            "Press its button; if nothing comes then, check power and cable.",
        )


class InstrumentGarbled(InstrumentError):
    """Bytes come, but none of them are a line of the profile."""

    def __init__(self, instrument: str, port: str, byte_count: int, sample: bytes, expected: str) -> None:
        self.byte_count = byte_count
        self.sample = sample
        self.expected = expected
        super().__init__(
            instrument,
            port,
            f"{byte_count} bytes and no line that fits the profile; the last bad frame was {sample[:40]!r}, "
            f"expected {expected!r}",
            "Check speed, parity and pattern in its profile, and that this is the right instrument. "
            "For lines of text, lashmap check STAND --profile-from-capture proposes a profile.",
        )


class InstrumentWithoutReading(InstrumentError):
    """Bytes still come, but no reading is in them.

    Attributes:
        said: What the instrument said instead (``overload``, ``lost count`` …); empty when frames are bad.
    """

    def __init__(
        self, instrument: str, port: str, silent_s: float, said: tuple[str, ...], sample: bytes
    ) -> None:
        self.silent_s = silent_s
        self.said = said
        self.sample = sample
        if LOST_COUNT in said:
            remedy = (
                "Its count goes round and could not be followed, so nobody knows the turns, and waiting "
                "does not help: bring the marked teeth together again and go on from there."
            )
        elif JUMPED in said:
            remedy = (
                "It jumped by half a turn and more where nobody can turn so quickly. If it begins again each "
                "turn, write wraps_at_deg = 360 in its profile; otherwise bring the marked teeth together "
                "again and go on from there."
            )
        elif BEYOND in said:
            remedy = "Its angle goes further than wraps_at_deg of its profile: correct that, or leave it out."
        elif said:
            remedy = "Look at its display: range, hold, battery."
        else:
            remedy = f"The last bad frame was {sample[:40]!r}. Check cable and plug."
        what = f"it sends, but there is no reading for {silent_s:.1f} s" + (
            f" ({', '.join(said)})" if said else ""
        )
        super().__init__(instrument, port, what, remedy)
