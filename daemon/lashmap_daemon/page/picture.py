"""What the page shows, as plain JSON in parts: what is now, the map of the gear, the rock, what was told.

Made from the snapshot that the terminal draws (`screens/view.py`), so that both show the same. Parts change
at different pace, and only one that changed travels. Words that can be translated go as keys with figures,
lengths as texts in the unit of the box, ages in seconds; sentences that stand in a record go as they stand
there.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from lashmap_analysis.gears.tooth_names import tooth_number
from lashmap_analysis.record.lengths import format_given, format_length, format_spread

from lashmap_daemon.clean_text import clean
from lashmap_daemon.screens.cue import Cue, Kind, angle_phrase
from lashmap_daemon.screens.phrases import Phrase, as_keys
from lashmap_daemon.screens.view import STALE_S, RockTrace, View
from lashmap_daemon.sequence.sequence import Phase

if TYPE_CHECKING:
    from lashmap_analysis.record.record import Units

    from lashmap_daemon.screens.view import Mark, RockShown

Part = Literal["now", "map", "trace", "told"]
Parts = dict[Part, dict[str, Any]]
_MOST_TEXT = 2000
_LINES = 6
_DIGITS = 5  # of a length in mm: 10 nm, below what any indicator shows


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """An instrument between tests; ``problem`` is empty where nothing is wrong with it."""

    name: str
    reading: str
    age_s: float | None
    problem: str = ""


@dataclass(frozen=True, kw_only=True)
class Running:
    """A running test at one moment.

    Attributes:
        view: The snapshot, its trace included.
        lines: Messages, the newest last.
        test: Its name.
        place: What it asks for: a request names both back, and is refused when the test has gone on.
        doing: What happens just now that calls for a tone, with its number: ``arrived``, ``good``…
    """

    view: View
    lines: Sequence[str]
    test: str
    place: str
    doing: tuple[int, str] = (0, "")


def of_test(shown: Running) -> Parts:
    """The picture of a running test."""
    view = shown.view
    now = {
        "testing": view.phase is not Phase.CLOSED,
        "live": view.phase is not Phase.CLOSED,
        "test": shown.test,
        "place": shown.place,
        "tone": list(shown.doing),
        "phase": view.phase.value,
        **_cue(view.cue),
        "value": _value(view),
        "gear": _gear(view),
        "rock": _rock(view.rock, view),
        "done": view.done,
        "total": view.total,
        "gone_s": _whole(view.elapsed_s),
        "left_s": None if view.phase is Phase.CLOSED else _whole(view.left_s),
        "damaged": clean(view.damaged),
        "bad_lines": view.bad_frames,
    }
    parts: Parts = {"now": now, "map": _map(view), "told": {"lines": _texts(shown.lines)}}
    if view.trace is not None:
        parts["trace"] = _trace(view.trace, view.units)
    return parts


def of_no_test(cue: Cue, lines: Sequence[str], instruments: Iterable[Instrument]) -> Parts:
    """The picture between tests: what is awaited, and the values of the instruments.

    Without any it is not live: it holds for as long as a person at the terminal takes.
    """
    heard = [
        {
            "name": clean(one.name),
            "text": clean(one.reading),
            "age_s": _tenths(one.age_s),
            "stale": one.age_s is None or one.age_s > STALE_S,
            "problem": clean(one.problem),
        }
        for one in instruments
    ]
    now = {"testing": False, "live": bool(heard), **_cue(cue), "instruments": heard}
    return {"now": now, "told": {"lines": _texts(lines)}}


def no_test(why: str = "") -> Cue:
    """What is to be done while there is no test."""
    return Cue(
        kind=Kind.END, words=Phrase.of("cue.no_test"), details=(Phrase.of("cue.begin_at_stand"),), why=why
    )


def preparing(why: str = "") -> Cue:
    """What is to be done while a test is prepared."""
    return Cue(
        kind=Kind.WAIT, words=Phrase.of("cue.make_ready"), details=(Phrase.of("cue.see_terminal"),), why=why
    )


def as_bytes(parts: Parts) -> dict[str, bytes]:
    """Each part as it travels, made once for all who look."""
    return {
        name: json.dumps(part, ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode()
        for name, part in parts.items()
    }


def _cue(cue: Cue) -> dict[str, Any]:
    return {
        "kind": cue.kind.value,
        "words": as_keys(cue.words),
        "details": [as_keys(one) for one in cue.details],
        "why": clean(cue.why.replace("\n", " "), _MOST_TEXT),
    }


def _texts(lines: Sequence[str]) -> list[str]:
    return [clean(line.strip(), _MOST_TEXT) for line in lines[-_LINES:]]


def _value(view: View) -> dict[str, Any]:
    age_s = view.indicator_age_s
    return {
        "name": "arc" if view.is_by_angle else "indicator",
        "text": None
        if view.indicator_mm is None
        else format_length(view.indicator_mm, view.units, signed=True),
        "age_s": _tenths(age_s),
        "stale": view.phase is not Phase.CLOSED and (age_s is None or age_s > STALE_S),
    }


def _gear(view: View) -> dict[str, Any] | None:
    if view.is_counted:
        return None
    age_s = view.encoder_age_s
    return {
        "text": None if view.gear_deg is None else as_keys(angle_phrase(view.gear_deg, decimals=2)),
        "deg": None if view.gear_deg is None else round(view.gear_deg % 360.0, 2),
        "target_deg": None if view.target_deg is None else round(view.target_deg % 360.0, 2),
        "stale": view.phase is not Phase.CLOSED and (age_s is None or age_s > STALE_S),
    }


def _rock(rock: RockShown | None, view: View) -> dict[str, Any] | None:
    if rock is None:
        return None
    return {
        "reversals": rock.reversals,
        "wanted": view.reversals_wanted,
        "reading": format_length(rock.reading_mm, view.units) if rock.usable else None,
        "spread": format_spread(rock.standard_uncertainty_mm, view.units) if rock.usable else None,
        "flags": [{"name": flag.name, "disabling": flag.disabling} for flag in rock.flags],
    }


def _map(view: View) -> dict[str, Any]:
    least, most = view.limits_mm
    tight = None
    if view.tight_spot is not None and view.tight_teeth is not None:
        gear_deg, lash_mm = view.tight_spot
        tight = {
            "deg": round(gear_deg % 360.0, 2),
            "gear": view.tight_teeth.gear_tooth,
            "pinion": view.tight_teeth.pinion_tooth,
            "lash": format_length(lash_mm, view.units),
        }
    return {
        "teeth": view.gear_teeth,
        "marks": [_mark(mark, view) for mark in view.marks],
        "least": _limit(least, view.units),
        "most": _limit(most, view.units),
        "tight": tight,
    }


def _limit(limit_mm: float | None, units: Units) -> dict[str, Any] | None:
    if limit_mm is None:
        return None
    return {"mm": round(limit_mm, _DIGITS), "text": format_given(limit_mm, units)}


def _mark(mark: Mark, view: View) -> dict[str, Any]:
    lash_mm, teeth = mark.normal_backlash_mm, view.gear_teeth
    tooth = None if teeth is None else tooth_number(round(mark.gear_angle_deg / 360.0 * teeth), teeth)
    return {
        "deg": round(mark.gear_angle_deg % 360.0, 2),
        "tooth": tooth,
        "mm": None if lash_mm is None else round(lash_mm, _DIGITS),
        "lash": None if lash_mm is None else format_length(lash_mm, view.units),
        "confirming": mark.purpose == "confirming",
    }


def _trace(trace: RockTrace, units: Units) -> dict[str, Any]:
    seen = np.flatnonzero(np.isfinite(trace.low_mm))
    end = int(seen[-1]) + 1 if len(seen) else 0
    flanks = (
        (level, format_length(level, units, with_unit=False, signed=trace.is_rock))
        for level in trace.flanks_mm
    )
    return {
        "what": "rock" if trace.is_rock else "pass",
        "number": trace.number,
        "parts": len(trace.low_mm),
        "low": _lengths(trace.low_mm[:end]),
        "high": _lengths(trace.high_mm[:end]),
        "flanks": [{"mm": round(level, _DIGITS), "text": text} for level, text in flanks],
    }


def _lengths(values_mm: np.ndarray) -> list[float | None]:
    return [round(one, _DIGITS) if isfinite(one) else None for one in values_mm.tolist()]


def _tenths(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 1)


def _whole(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds)
