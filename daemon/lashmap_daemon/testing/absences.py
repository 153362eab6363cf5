"""Instruments that are away in the middle of a test: noticed, waited for, and believed again or not.

Away is an instrument whose port stopped working, and just as well one whose port is open but gives no
reading any more: silent, or sending rubbish. It is back when it gives samples again. An encoder is believed
only when it shows the angle it showed before: one that begins its count anew, or whose shaft was turned
meanwhile, no longer knows the matched teeth, and the two cannot be told apart. Ports find their cables again
by themselves; nothing of that is done here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from lashmap_drivers.errors import FOR_GOOD, JUMPED, InstrumentError
from lashmap_drivers.errors import InstrumentLost as Lost

from lashmap_daemon.errors import StandError
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from lashmap_daemon.testing.channels import Channels


@dataclass(frozen=True, kw_only=True)
class _Away:
    """What was known when it went."""

    since_s: float
    reason: str
    by_port: bool
    gear_deg: float | None


class Absences:
    """Keeps the book of who is away.

    Args:
        channels: Of the test.
        patience_s: How long to wait for an instrument, in seconds.
        near_deg: Change of the gear angle up to which an encoder that was away is believed.
        go_on: The command that goes on with the test after it was closed.
    """

    def __init__(self, channels: Channels, *, patience_s: float, near_deg: float, go_on: str) -> None:
        self._go_on = go_on
        self._channels = channels
        self._patience_s = patience_s
        self._near_deg = near_deg
        self._away: dict[str, _Away] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """Who is away."""
        return tuple(self._away)

    @property
    def why(self) -> str:
        """Who was lost, and the reason; empty when everyone is there."""
        return " and ".join(f"the {name} was lost ({away.reason})" for name, away in self._away.items())

    def update(
        self, now_s: float, lost: Mapping[str, str], *, since_s: float = 0.0
    ) -> Iterator[events.Event]:
        """What changed: `events.InstrumentLost`, `events.InstrumentBack` and notes.

        Args:
            now_s: Seconds since the test started.
            lost: Instruments whose port does not work now, with the reason.
            since_s: Since when samples are taken; silence before that counts for nothing.

        Raises:
            InstrumentError: When one stays away too long.
            StandError: When an encoder came back with another angle, or lost its count for good.
        """
        self._refuse_lost_count(lost, now_s)
        for name in (INDICATOR, ENCODER):
            dumb = None if name in lost else self._channels.failure(name, now_s, since_s)
            reason = lost.get(name) or (dumb.what if dumb else None)
            away = self._away.get(name)
            if away is None and reason is not None:
                yield self._leave(name, reason, now_s, dumb)
            elif away is not None and reason is None and self._speaks(name, away):
                del self._away[name]
                yield from self._return(name, away, now_s)
            away = self._away.get(name)
            if away is not None and now_s - away.since_s >= self._patience_s:
                raise self._too_long(name, away, dumb, works=name not in lost)

    def _refuse_lost_count(self, lost: Mapping[str, str], now_s: float) -> None:
        """An encoder that does not know its turns any more is not waited for: nothing brings them back."""
        marks = self._channels.marks(ENCODER)
        mark = next((one for one in FOR_GOOD if marks.get(one)), None)
        if mark is None and not (ENCODER in lost and self._channels.may_have_gone_round(now_s)):
            return
        todo = "Bring"
        if ENCODER in lost:
            what = (
                f"its port stopped working ({lost[ENCODER]}), and its count, which goes round, went on unseen"
            )
            todo = "Plug the cable in again, bring"
        elif mark == JUMPED:
            what = "its angle jumped further than anybody turns"
            # Another profile is another test: what was recorded with the old one cannot be mixed with it.
            todo = (
                "If the angle begins again each turn, write wraps_at_deg = 360 in its profile and begin a "
                "new test. Otherwise bring"
            )
        else:
            what = "its count goes round, and a jump or a gap in it was too long to be followed"
        raise StandError(
            f"encoder on {self._channels.port(ENCODER)}: {what}. So it is not known which teeth are "
            f"together, and waiting does not help. What was recorded is kept. {todo} the marked teeth "
            f"together again and go on with: {self._go_on}"
        )

    def _speaks(self, name: str, away: _Away) -> bool:
        latest_s = self._channels.latest_s(name)
        return latest_s is not None and latest_s > away.since_s

    def _leave(
        self, name: str, reason: str, now_s: float, dumb: InstrumentError | None
    ) -> events.InstrumentLost:
        latest = self._channels.latest_gear_deg
        gear_deg = latest[1] if latest is not None and name == ENCODER else None
        self._away[name] = _Away(since_s=now_s, reason=reason, by_port=dumb is None, gear_deg=gear_deg)
        return events.InstrumentLost(
            instrument=name,
            port=self._channels.port(name),
            reason=reason,
            patience_s=self._patience_s,
            remedy="See to its cable and power." if dumb is None else dumb.remedy,
        )

    def _return(self, name: str, away: _Away, now_s: float) -> Iterator[events.Event]:
        port = self._channels.port(name)
        yield events.InstrumentBack(instrument=name, port=port, away_s=now_s - away.since_s)
        latest = self._channels.latest_gear_deg
        if name != ENCODER or away.gear_deg is None or latest is None:
            return
        moved_deg = latest[1] - away.gear_deg
        if abs(moved_deg) > self._near_deg:
            raise StandError(
                f"encoder on {port}: was lost and came back with the gear {abs(moved_deg):.1f}° from where "
                "it was. Either the gear was turned meanwhile or the count began anew, so the matched teeth "
                "are no longer known. What was recorded is kept. Bring the marked teeth together again and "
                f"go on with: {self._go_on}"
            )
        yield events.NoteTaken(
            text=f"The encoder was away for {now_s - away.since_s:.0f} s and came back with the same angle; "
            "that it kept its count is taken for granted."
        )

    def _too_long(
        self, name: str, away: _Away, dumb: InstrumentError | None, *, works: bool
    ) -> InstrumentError:
        if dumb is not None and not away.by_port:
            return dumb
        end = "gave no sample that can be used" if works else "did not come back"
        return Lost(
            name,
            self._channels.port(name),
            f"the port stopped working ({away.reason}) and {end} within {self._patience_s:.0f} s",
            "What was recorded is kept; stand.reconnect_seconds in the stand file sets how long to wait. "
            f"Plug the cable in again and go on with: {self._go_on}",
        )
