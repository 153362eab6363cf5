"""A running test as messages: snapshots are taken in the test's thread, messages made in the bus's."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

from lashmap_daemon.bus import messages
from lashmap_daemon.screens.view import Mark, RockShown, View, view_of
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.story import events
from lashmap_daemon.story.story import BEGINNING, Sweep, apply
from lashmap_daemon.story.wording import sentence

if TYPE_CHECKING:
    from lashmap_analysis.judge.assessment import Assessment
    from lashmap_analysis.record.record import Shaft, Units

    from lashmap_daemon.story.recorded import BoxName
    from lashmap_daemon.story.story import Target
    from lashmap_daemon.testing.conductor import Conductor


_LINES = 10
_QUESTIONS = (
    events.MarksAsked
    | events.CountAsked
    | events.CauseAsked
    | events.PositionAsked
    | events.SweepAsked
    | events.ReadyAsked
    | events.PassAsked
)
_EARLY_S = 0.016  # half a tick of the test, so that a turn is on average on time rather than half a tick late
_MOST_MARKS = 2000


@dataclass(frozen=True, kw_only=True)
class Snapshot:
    """One moment of a running test, by value."""

    number: int
    utc: dt.datetime
    time_s: float
    view: View
    target: Target | None
    sweep: Shaft | None
    lines: tuple[str, ...]


class SnapshotTaker:
    """Takes snapshots of one test, in its thread, ``interval_s`` apart."""

    def __init__(self, started: events.TestStarted, interval_s: float) -> None:
        self._units: Units = started.box.box.units
        self._teeth = started.box.gear_set
        self._interval_s = interval_s
        self._story = BEGINNING
        self._lines: tuple[str, ...] = ()
        self._due_s = -math.inf
        self._number = 0
        self._last: Snapshot | None = None

    def hear(self, stamped: events.Stamped) -> None:
        """Take an event into what the person at the stand is shown."""
        self._story = apply(self._story, stamped)
        text = sentence(stamped.event, self._units, self._teeth)
        if text is None:
            return
        if not isinstance(stamped.event, _QUESTIONS):
            self._lines = (*self._lines, text.strip())[-_LINES:]
        self._due_s = -math.inf  # what happened is not kept waiting for the next turn

    def take(self, conductor: Conductor, now_s: float) -> Snapshot | None:
        """A snapshot when one is due; called at every tick of the test."""
        if now_s < self._due_s - _EARLY_S:
            return None
        late = now_s - self._due_s > self._interval_s
        self._due_s = now_s + self._interval_s if late else self._due_s + self._interval_s
        self._number += 1
        turn = conductor.state.turn
        self._last = Snapshot(
            number=self._number,
            utc=dt.datetime.now(dt.UTC),
            time_s=now_s,
            view=view_of(conductor, now_s, self._instruction()),
            target=conductor.state.target,
            sweep=turn.member if isinstance(turn, Sweep) else None,
            lines=self._lines,
        )
        return self._last

    def closed(self) -> Snapshot | None:
        """The last snapshot as the end of the test leaves it; None when there was none."""
        if self._last is None:
            return None
        view = replace(self._last.view, phase=Phase.CLOSED, instruction=self._instruction())
        return replace(self._last, view=view, target=None, sweep=None, lines=self._lines)

    def _instruction(self) -> str:
        awaited = self._story.awaited
        return "" if awaited is None else (sentence(awaited, self._units, self._teeth) or "").strip()


def live(snapshot: Snapshot, stand: str, test: str) -> messages.Live:
    """The values of a moment."""
    view = snapshot.view
    return messages.Live(
        stand=stand,
        test=test,
        number=snapshot.number,
        utc=f"{snapshot.utc:%Y-%m-%dT%H:%M:%S}.{snapshot.utc.microsecond // 1000:03d}Z",
        time_s=snapshot.time_s,
        indicator_mm=_finite(view.indicator_mm),
        indicator_age_s=_finite(view.indicator_age_s),
        gear_angle_deg=_finite(view.gear_deg),
        encoder_age_s=_finite(view.encoder_age_s),
        rock_s=_finite(view.rock_s),
        swept_deg=_finite(view.swept_deg),
        left_s=_finite(view.left_s),
        bad_frames=view.bad_frames,
    )


@dataclass(frozen=True, kw_only=True)
class Standing:
    """A stand that is always on, and the box of a test that waits there for its marked teeth."""

    service: messages.Service
    prepared: BoxName | None = None


def idle(standing: Standing, stand: str, name: str) -> messages.State:
    """What is awaited while there is no test to speak of."""
    box = standing.prepared
    return messages.State(
        stand=stand,
        name=name[:200],
        service=standing.service,
        test="",
        started_utc="",
        box=box.type[:200] if box else "",
        serial=box.serial[:200] if box else "",
        units=box.units if box else "mm",
        phase=Phase.CLOSED,
        instruction=standing.service.awaits,
        target=None,
        sweep=None,
        rock=None,
        done=0,
        total=0,
        tight_spot=None,
        marks=[],
        lines=[],
    )


def state(
    snapshot: Snapshot,
    stand: str,
    name: str,
    started: events.TestStarted,
    started_utc: str,
    *,
    service: messages.Service | None = None,
) -> messages.State:
    """What is awaited at a moment."""
    view, target = snapshot.view, snapshot.target
    spot = view.tight_spot
    return messages.State(
        stand=stand,
        name=name[:200],
        service=service,
        test=started.test[:200],
        started_utc=started_utc,
        box=started.box.box.type[:200],
        serial=started.box.box.serial[:200],
        units=view.units,
        phase=view.phase,
        instruction=view.instruction[:2000],
        target=messages.Target(
            position=target.number,
            engagement=target.engagement,
            gear_angle_deg=view.target_deg or 0.0,
            purpose=target.purpose,
            attempt=target.attempt,
        )
        if target
        else None,
        sweep=snapshot.sweep,
        rock=_rock(view.rock, view.reversals_wanted) if view.rock else None,
        done=view.done,
        total=view.total,
        tight_spot=messages.TightSpot(gear_angle_deg=spot[0], normal_backlash_mm=spot[1]) if spot else None,
        marks=_marks(view.marks[:_MOST_MARKS]),
        lines=[line[:2000] for line in snapshot.lines],
    )


def result(assessment: Assessment, stand: str, identifier: str, utc: str) -> messages.Result:
    """What was concluded, with the figures of the result document."""
    from lashmap_analysis.facts.result import to_document  # noqa: PLC0415 - only a test that ended pays for it

    document = to_document(assessment)
    identity, verdict, spots = document["identity"], document["verdict"], document["tight_spot"]
    return messages.Result(
        stand=stand,
        id=identifier,
        test=document["test"],
        utc=utc,
        started_utc=identity["started_utc"],
        box=identity["box"][:200],
        serial=identity["serial"][:200],
        set_number=identity["set_number"][:200],
        operator=identity["operator"][:200],
        closing=document["closing"][:2000],
        analysis_version=document["analysis_version"],
        outcome=verdict["outcome"],
        reasons=_sentences(verdict["reasons"]),
        would_settle=_sentences(verdict["would_settle"]),
        cautions=_sentences(verdict["cautions"]),
        tight_spot_stated=_spot(spots["stated"]),
        tight_spot_measured=_spot(spots["measured"]),
        tight_spot_predicted=_spot(spots["predicted"]),
        confirmed=spots["confirmed"],
        cause=document["tight_spot"]["cause"][:2000],
        positions=len(document["positions"]),
        sweeps=[
            messages.SweptRunout(
                member=sweep["member"],
                fim_mm=_finite(sweep["fim_mm"]),
                fim_standard_uncertainty_mm=_finite(sweep["fim_standard_uncertainty_mm"]),
                sentence=sweep["sentence"][:2000],
            )
            for sweep in document["sweeps"][:20]
        ],
        lash=_lash(document),
        runout=_runout(document),
        gear_teeth=assessment.record.gear_set.gear_teeth,
        pinion_teeth=assessment.record.gear_set.pinion_teeth,
        preconditions=[
            messages.Precondition(name=one.name[:200], state=one.state, detail=one.detail[:2000])
            for one in assessment.record.preconditions[:100]
        ],
    )


def _judged(document: dict[str, Any]) -> tuple[Literal["rocks", "cycle run"], dict[str, Any]] | None:
    """What the verdict comes from, with its figures; None when there is neither."""
    run, lash_map = document["cycle_run"], document["lash_map"]
    if run is not None and run["judges"] and run["lash"] is not None:
        return "cycle run", run["lash"]
    return ("rocks", lash_map) if lash_map is not None else None


def _lash(document: dict[str, Any]) -> messages.Lash | None:
    judged = _judged(document)
    if judged is None:
        return None
    way, found = judged
    names = messages.Lash.model_fields.keys() - {"judged"}
    return messages.Lash(judged=way, **{name: _finite(found.get(name)) for name in names})


def _runout(document: dict[str, Any]) -> messages.Runout | None:
    """Each member's part of what was judged; where only the sum of both is known, that sum beside them."""
    judged = _judged(document)
    if judged is None:
        return None
    way, found = judged
    if way == "cycle run":  # it sees every engagement: what stands by itself is there, and nothing is merged
        parts = {name: found[f"{name}_runout"] for name in ("gear", "pinion", "merged")}
        words = {"sentence": "", "remedy": ""}
    else:
        parts, words = document["runout"], document["runout"]["separable"] or {}
    named = [("gear", parts["gear"]), ("pinion", parts["pinion"])]
    named += [("both", parts["merged"])] if parts["merged"] is not None else []
    return messages.Runout(
        members=[_member(name, part) for name, part in named],
        sentence=words.get("sentence", "")[:2000],
        remedy=words.get("remedy", "")[:2000],
    )


def _member(name: str, part: dict[str, Any] | None) -> messages.MemberRunout:
    figures = messages.MemberRunout.model_fields.keys() - {"member", "separable"}
    known = {one: _finite((part or {}).get(one)) for one in figures}
    return messages.MemberRunout.model_validate({"member": name, "separable": part is not None, **known})


@lru_cache(maxsize=8)
def _marks(marks: tuple[Mark, ...]) -> list[messages.Mark]:
    """They change once a position, and are sent ten times a second."""
    return [
        messages.Mark(
            gear_angle_deg=mark.gear_angle_deg,
            normal_backlash_mm=_finite(mark.normal_backlash_mm),
            purpose=mark.purpose,
        )
        for mark in marks
    ]


def _rock(rock: RockShown, wanted: int) -> messages.Rock:
    return messages.Rock(
        reversals=rock.reversals,
        reversals_wanted=wanted,
        usable=rock.usable,
        reading_mm=_finite(rock.reading_mm) if rock.usable else None,
        standard_uncertainty_mm=_finite(rock.standard_uncertainty_mm) if rock.usable else None,
        flags=[str(flag.name) for flag in rock.flags][:50],
    )


def _spot(spot: dict[str, int | float | None] | None) -> messages.Spot | None:
    """A figure without which a spot would say nothing makes it none."""
    if spot is None or spot["gear_angle_deg"] is None or spot["normal_backlash_mm"] is None:
        return None
    return messages.Spot.model_validate(
        {key: value if isinstance(value, int) else _finite(value) for key, value in spot.items()}
    )


def _sentences(texts: list[str]) -> list[str]:
    return [text[:2000] for text in texts[:100]]


def _finite(value: float | None) -> float | None:
    """A plain number, or None for what JSON has no word for."""
    return None if value is None or not math.isfinite(value) else float(value)
