"""A hall in a terminal: all stands as a table, or one as the person at it sees it.

Every text is cleaned, and none is read as markup. An old value says so.
"""

from __future__ import annotations

from math import nan
from typing import TYPE_CHECKING

from lashmap_analysis.record.lengths import format_length
from rich.box import SIMPLE_HEAD
from rich.console import Group
from rich.table import Table
from rich.text import Text

from lashmap_daemon.clean_text import clean
from lashmap_daemon.hall.board import need
from lashmap_daemon.screens.cue import cue_of_phase
from lashmap_daemon.screens.layout import render
from lashmap_daemon.screens.view import FlagShown, Mark, RockShown, View

if TYPE_CHECKING:
    from rich.console import RenderableType

    from lashmap_daemon.bus import messages
    from lashmap_daemon.hall.hall import BrokerSeen, Hall, StandSeen

_KEYS = "q leave   (read only: nothing here acts on the stand)"
_LINES = 4
_BAD = "bold reverse"


def broker_line(broker: BrokerSeen, now_s: float) -> Text:
    """One line about the broker."""
    if not broker.problem:
        return Text(f"{broker.address}: connected", style="dim")
    gone = f"AWAY for {_duration(now_s - broker.since_s)}; the values shown are the last ones received."
    return Text(f"{broker.address}: {gone} {clean(broker.problem)}", style=_BAD)


def screen(
    hall: Hall, broker: BrokerSeen, now_s: float, *, height: int = 30, most: int | None = None
) -> RenderableType:
    """Everything: one stand large when only one is asked for, otherwise the table."""
    seen = next(iter(hall.stands.values())) if len(hall.wanted) == 1 and hall.stands else None
    if seen is not None and seen.state is not None:
        body: RenderableType = _one(seen, broker, now_s, height=height)
    else:
        body = table(hall, broker, now_s, most)
    return Group(broker_line(broker, now_s), body, *_remarks(hall))


def table(hall: Hall, broker: BrokerSeen, now_s: float, most: int | None = None) -> RenderableType:
    """One row for each stand, at most so many, what needs a person first."""
    if not hall.stands:
        asked = ", ".join(sorted(hall.wanted)) or "any stand"
        return Text(f"no message of {asked} below {hall.root}/ yet")
    # No more lines and minima than needed: 80 columns are few.
    rows = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for title in ("stand", "is", "last message", "box", "doing", "done", "tight spot"):
        rows.add_column(title, min_width=5, overflow="fold")
    rows.add_column("verdict", min_width=13, overflow="fold")  # a verdict is never cut
    in_order = sorted(hall.stands.values(), key=lambda seen: (need(seen), seen.stand))
    for seen in in_order[:most]:
        rows.add_row(*_cells(seen, now_s, away=bool(broker.problem)))
    left = len(in_order) - len(in_order[:most])
    if not left:
        return rows
    return Group(rows, Text(f"{left} more stands need less; lashmap watch --page shows all", style="dim"))


def _cells(seen: StandSeen, now_s: float, *, away: bool) -> list[Text]:
    state, result, age_s = seen.state, seen.result, seen.age_s(now_s)
    spot = state.tight_spot if state else None
    age = Text("not yet" if age_s is None else f"{_duration(age_s)} ago")
    if seen.silent(now_s):
        age = Text(f"{age.plain} SILENT", style=_BAD)
    return [
        Text(seen.name),
        Text("unknown" if away or seen.status is None else "online" if seen.online else "offline"),
        age,
        Text(clean(state.serial or state.box, 24) or "–" if state else "–"),
        _doing(seen),
        Text(f"{state.done}/{state.total}" if state and state.test else "–"),
        Text(format_length(spot.normal_backlash_mm, state.units) if state and spot else "–"),
        Text(_outcome(result, state) if result else "–"),
    ]


def _doing(seen: StandSeen) -> Text:
    """What a running test waits for; otherwise why there is none, and what a stand without one lacks."""
    state = seen.state
    if not seen.running or state is None:
        reason = seen.status.reason if seen.status and not seen.online else ""
        service = state.service if state and seen.online else None
        if service is None:
            return Text(clean(reason, 80) or "–", style="dim")
        lacks = [
            f"{clean(one.instrument, 20)} {one.state}" for one in service.instruments if one.state != "heard"
        ]
        return Text("\n".join([service.doing, *lacks]), style="bold" if lacks else "dim")
    at = f" {state.target.position}" if state.target else f": {state.sweep}" if state.sweep else ""
    text = Text(f"{state.phase}{at}")
    if seen.alarm:
        text.append(f"\n{clean(seen.alarm, 80)}", style="bold")
    return text


def _outcome(result: messages.Result, state: messages.State | None) -> str:
    """The newest verdict; with its box when another is on the stand now."""
    other = state is None or state.serial != result.serial
    return f"{result.outcome}, {clean(result.serial, 24)}" if other else result.outcome


def _remarks(hall: Hall) -> list[Text]:
    remarks = {
        "messages were not understood: another version of lashmap, or no stand's": hall.not_understood,
        "messages came from more stands than are shown": hall.too_many,
    }
    return [Text(f"{count} {remark}", style="dim") for remark, count in remarks.items() if count]


# One stand --------------------------------------------------------------------------------------------------


def _one(seen: StandSeen, broker: BrokerSeen, now_s: float, *, height: int) -> RenderableType:
    state = seen.state
    if state is None:
        return Text("–")
    test = f"test {state.test}" if state.test else "no test"
    title = Text(clean(" · ".join([seen.name, *([state.serial] if state.serial else []), test]), 100))
    if broker.problem:
        title.append(" · broker away", style=_BAD)
    elif not seen.online:
        reason = f"offline: {clean(seen.status.reason, 60)}" if seen.status else "not known to be online"
        title.append(f" · {reason}", style=_BAD)
    elif seen.silent(now_s):
        title.append(" · SILENT", style=_BAD)
    lines = [clean(line) for line in state.lines[-_LINES:]]
    if state.service is not None and not seen.running:
        lines = [*lines[1 - _LINES :], clean(f"{state.service.doing}; awaits {state.service.awaits}")]
    return render(view_of_stand(seen, now_s), title, lines, None, height=height - 2, keys=_KEYS)


def view_of_stand(seen: StandSeen, now_s: float) -> View:
    """What the stand's own screen would show, its ages counted on here.

    Raises:
        ValueError: When nothing is known of its state.
    """
    state, live = seen.state, seen.live
    if state is None:
        raise ValueError(f"no state of {seen.stand} was received")
    since_s = now_s - seen.live_s if seen.live_s is not None else 0.0
    current = live if live is not None and live.test == state.test else None
    return View(
        units=state.units,
        phase=state.phase,
        instruction=clean(state.instruction),
        cue=cue_of_phase(state.phase, clean(state.instruction)),
        indicator_mm=current.indicator_mm if current else None,
        indicator_age_s=_older(current.indicator_age_s if current else None, since_s),
        gear_deg=current.gear_angle_deg if current else None,
        encoder_age_s=_older(current.encoder_age_s if current else None, since_s),
        target_deg=state.target.gear_angle_deg if state.target else None,
        rock=_rock(state.rock),
        rock_s=current.rock_s if current and seen.running else None,
        swept_deg=current.swept_deg if current else None,
        reversals_wanted=state.rock.reversals_wanted if state.rock else 0,
        marks=tuple(Mark(mark.gear_angle_deg, mark.normal_backlash_mm, mark.purpose) for mark in state.marks),
        done=state.done,
        total=state.total,
        elapsed_s=current.time_s if current else None,
        left_s=current.left_s if current and seen.running else None,
        bad_frames=current.bad_frames if current else 0,
        tight_spot=(state.tight_spot.gear_angle_deg, state.tight_spot.normal_backlash_mm)
        if state.tight_spot
        else None,
    )


def _rock(rock: messages.Rock | None) -> RockShown | None:
    if rock is None:
        return None
    return RockShown(
        reversals=rock.reversals,
        usable=rock.usable and rock.reading_mm is not None,
        reading_mm=nan if rock.reading_mm is None else rock.reading_mm,
        standard_uncertainty_mm=nan if rock.standard_uncertainty_mm is None else rock.standard_uncertainty_mm,
        flags=tuple(FlagShown(clean(name, 60), disabling=not rock.usable) for name in rock.flags),
    )


def _older(age_s: float | None, by_s: float) -> float | None:
    return None if age_s is None else age_s + by_s


def _duration(seconds: float) -> str:
    if seconds < 99.5:
        return f"{seconds:.1f} s" if seconds < 9.95 else f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 100 else f"{minutes / 60.0:.0f} h"
