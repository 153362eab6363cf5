"""The first page: what a busy person reads and signs.

Decided here: which figures stand on it. Their words are the sections', where they stand is the template's.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from lashmap_analysis.charts.lash_map import LashView, lash_view, map_chart, whole_cycle
from lashmap_analysis.charts.limits import limits_chart, seal
from lashmap_analysis.charts.polar import polar_chart
from lashmap_analysis.facts.given import limit_line, limit_words
from lashmap_analysis.facts.lash_map import why_no_map
from lashmap_analysis.facts.review import ReviewOnFront, review_on_front
from lashmap_analysis.facts.section import Block
from lashmap_analysis.facts.sweeps import sweep_lines
from lashmap_analysis.facts.tight_spot import MEASURAND, confirmation, interval_words, spot_blocks
from lashmap_analysis.facts.verdict import judged_line
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.verdict import Outcome
from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.moment import moment
from lashmap_analysis.render.brief import Brief, brief


@dataclass(frozen=True, kw_only=True)
class Sheet(Brief):
    """What the first page shows, as text and pictures: the words that were cut for it, and beside them.

    Attributes:
        outcome: Of the verdict.
        seal: Its sign.
        headline: Tightest backlash, without its unit; empty when none is stated.
        interval: Its 95 % interval in words; a minimum's is not symmetric, so no ± stands beside it.
        headline_name: What the headline is.
        measurand: The same in one whole sentence.
        rail: Interval against limits; None without a figure.
        confirmation: Whether it was gone to and measured.
        spots: Stated, predicted, measured; nothing without any.
        polar: Lash map around the gear.
        straight: Lash map against engagement.
        beyond: Limits that the charts cannot show.
        no_map: Why there is no lash map.
        review: What reviewers did, in short; None when there is nothing to see.
        started: When, for people.
    """

    outcome: Outcome
    seal: Markup
    headline: str
    interval: str
    headline_name: str
    measurand: str
    rail: Markup | None
    confirmation: str
    spots: tuple[Block, ...]
    polar: Markup | None
    straight: Markup | None
    beyond: tuple[str, ...]
    no_map: str
    review: ReviewOnFront | None
    started: str


def sheet(assessment: Assessment) -> Sheet:
    """Gather the first page."""
    record, stated = assessment.record, assessment.stated
    units = record.units
    view = lash_view(assessment)
    words = brief(
        assessment,
        limits=limit_line(assessment),
        judged=judged_line(assessment),
        sweeps=sweep_lines(assessment),
    )
    return Sheet(
        **vars(words),
        outcome=assessment.verdict.outcome,
        seal=seal(assessment.verdict.outcome),
        headline=format_length(stated.normal_backlash_mm, units, with_unit=False) if stated else "",
        interval=interval_words(stated, units, short=True) if stated else "",
        headline_name="Tightest normal backlash, outer end",
        measurand=MEASURAND,
        rail=_rail(view, assessment),
        confirmation=confirmation(assessment),
        spots=spot_blocks(assessment),
        polar=_polar(view) if view else None,
        straight=_straight(view) if view else None,
        beyond=_beyond(view) if view else (),
        no_map=why_no_map(assessment),
        review=review_on_front(assessment),
        started=moment(words.identity.started_utc),
    )


def _rail(view: LashView | None, assessment: Assessment) -> Markup | None:
    if view is None or view.spot is None or assessment.stated is None:
        return None
    units = assessment.record.units
    named = " and ".join(f"{name} {words}" for name, words in limit_words(assessment)[:2])
    return limits_chart(
        view.spot,
        view.limits,
        units,
        name="rail",
        description=f"95 % interval {interval_words(assessment.stated, units, short=True)}; {named}.",
    )


def _described(view: LashView) -> str:
    parts = [f"{len(view.points)} measured positions on a {view.pinion_teeth}:{view.gear_teeth} set."]
    if view.spot is not None:
        parts.append(
            f"Tight spot at engagement {view.spot.engagement}: {view.spot.backlash:.4g} {view.units}, "
            f"95 % interval {view.spot.low:.4g} to {view.spot.high:.4g}."
        )
    parts += [f"Limit: {limit.name} {limit.value:.4g} {view.units}." for limit in view.limits]
    if view.curve is None:
        parts.append("No curve could be fitted.")
    return " ".join(parts)


def _polar(view: LashView) -> Markup:
    return polar_chart(view, name="polar", title="Lash map around the gear", description=_described(view))


def _straight(view: LashView) -> Markup:
    return map_chart(
        view,
        whole_cycle(view),
        name="straight",
        title="Lash map against engagement over the mesh cycle",
        description=_described(view),
    )


def _beyond(view: LashView) -> tuple[str, ...]:
    return tuple(
        f"The {limit.name}, {limit.value:.4g} {view.units}, lies outside the charts."
        for limit in view.limits
        if limit.value in view.range.beyond
    )
