"""How a stand is at one moment, for whoever monitors it: plain values, made where the stand is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, Self

from lashmap_drivers.errors import InstrumentWaits

if TYPE_CHECKING:
    from lashmap_daemon.testing.conductor import Conductor

STATES = ("idle", "preparing", "testing", "concluding", "ending")
_MOST_SOURCES = 4


@dataclass(frozen=True, kw_only=True)
class InstrumentHealth:
    """An instrument at one moment; ``age_s`` is None before its first value."""

    name: str
    heard: bool
    age_s: float | None
    bad_frames: int


@dataclass(frozen=True, kw_only=True)
class Health:
    """A stand at one moment.

    Attributes:
        state: One of `STATES`.
        source: Whose tally ``bad_frames`` is: a test, or what is between tests.
        done: Positions accepted.
        total: Positions asked for so far and still to come.
    """

    state: str
    source: str = ""
    instruments: tuple[InstrumentHealth, ...] = ()
    done: int = 0
    total: int = 0


@dataclass(frozen=True, kw_only=True)
class BusHealth:
    """The bus of a stand: the broker answers, and so many records wait (None while nobody has counted)."""

    connected: bool
    waiting: int | None

    @classmethod
    def of(cls, report: _Report) -> Self:
        """As the bus says it is."""
        return cls(connected=report.connected, waiting=report.waiting)


class _Report(Protocol):
    """Of the bus."""

    connected: bool
    waiting: int | None


def of_test(conductor: Conductor, test: str, now_s: float) -> Health:
    """A running test; for its own thread."""
    channels = conductor.channels
    done = len(conductor.story.accepted)
    return Health(
        state="testing",
        source=test,
        instruments=tuple(
            InstrumentHealth(
                name=name,
                heard=isinstance(monitor.problem(now_s), InstrumentWaits | None),
                age_s=monitor.age_s(now_s),
                bad_frames=monitor.parser.bad_frames,
            )
            for name, monitor in channels.monitors.items()
        ),
        done=done,
        total=max(conductor.state.asked, done),
    )


@dataclass
class Count:
    """A counter put together from tallies that begin anew, each known by its source.

    A counter of a test begins at 0 with it, while the one between tests stands still: counted is what was
    added, so that nothing is counted twice.
    """

    total: int = 0
    _last: dict[str, int] = field(default_factory=dict)

    def take(self, source: str, value: int) -> None:
        """The tally of a source stands here now."""
        before = self._last.pop(source, 0)
        self.total += value - before if value >= before else value
        self._last[source] = value
        while len(self._last) > _MOST_SOURCES:
            self._last.pop(next(iter(self._last)))
