"""The comparison as one HTML page in the look of the report: nothing fetched, nothing scripted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from lashmap_analysis.compare_chart import DASHES, difference_chart, letter, overlay_chart
from lashmap_analysis.compare_words import difference_words, runout_words
from lashmap_analysis.lengths import format_length, format_spread
from lashmap_analysis.report.chart_style import style_sheet
from lashmap_analysis.report.environment import page_template
from lashmap_analysis.report.moment import moment

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lashmap_analysis.compare import Build, Difference
    from lashmap_analysis.compare_tests import Pair
    from lashmap_analysis.record import Units


@dataclass(frozen=True, kw_only=True)
class TestCell:
    """One test in the head of the page.

    Attributes:
        letter: Its name in tables and pictures.
        figures: Names and texts.
        dash: Dash pattern of its curve.
    """

    __test__ = False

    letter: str
    test: str
    figures: tuple[tuple[str, str], ...]
    dash: str


@dataclass(frozen=True, kw_only=True)
class PairView:
    """One test against the first, as text and pictures."""

    letter: str
    rows: tuple[tuple[str, str], ...]
    budget: tuple[tuple[str, str, str, str, str], ...]
    picture: Markup | None
    shims: tuple[str, ...]
    cautions: tuple[str, ...]


def render_comparison(pairs: Sequence[Pair]) -> str:
    """Render a comparison.

    Args:
        pairs: From `compare_tests`, all with the same first test. Lengths are in the units of its paperwork.

    Returns:
        A whole HTML document.
    """
    builds = [pairs[0].first, *(pair.second for pair in pairs)]
    units = builds[0].assessment.record.units
    return page_template("compare.html.j2").render(
        tests=[_cell(n, build, units) for n, build in enumerate(builds)],
        pairs=[pair_view(pair, n, units) for n, pair in enumerate(pairs, 1)],
        overlay=overlay_chart(builds, units),
        dashes=enumerate(DASHES),
        units=units,
        style=style_sheet(),
    )


def pair_view(pair: Pair, number: int, units: Units) -> PairView:
    """What is shown of one pair, on the page and on a terminal alike.

    Args:
        pair: One test against the first.
        number: Of the second test, the first being 0.
        units: Of the lengths.
    """
    rows = [
        ("tight spot", difference_words(pair.tight_spot, units)),
        ("mean over the mesh cycle", difference_words(pair.mean, units)),
    ]
    rows += [(f"once per turn, {one.member}", runout_words(one, units)) for one in pair.runouts]
    if not pair.runouts:
        rows.append(("once per turn", "not compared: no member stands by itself in both tests"))
    return PairView(
        letter=letter(number),
        rows=tuple(rows),
        budget=_budget(pair.tight_spot, units),
        picture=difference_chart(pair, number, units),
        shims=pair.shim_sentences,
        cautions=pair.cautions,
    )


def figures(build: Build, units: Units) -> tuple[tuple[str, str], ...]:
    """The figures of one test, with their names."""
    assessment = build.assessment
    identity, stated, lash_map = assessment.record.identity, assessment.stated, assessment.lash_map
    found = [
        ("box", f"{identity.box}, serial {identity.serial}"),
        ("gear set", identity.set_number or "–"),
        ("started", moment(identity.started_utc) or "–"),
        ("verdict", assessment.verdict.outcome),
    ]
    if stated is not None:
        low, high = (format_length(end, units, with_unit=False) for end in stated.interval_mm)
        found.append(
            ("tight spot", f"{format_length(stated.normal_backlash_mm, units)} (95 %: {low} to {high})")
        )
        found.append(("engagement", str(stated.engagement)))
    if lash_map is not None:
        spread = format_spread(lash_map.mean_uncertainty_mm, units)
        found.append(("mean", f"{format_length(lash_map.mean_mm, units)} (u = {spread})"))
        for member in ("gear", "pinion"):
            runout = getattr(lash_map, f"{member}_runout")
            if runout is not None:
                size = format_length(runout.amplitude_mm, units)
                found.append((f"{member} once per turn", f"{size} at {runout.high_point_deg:.0f}°"))
    found.append(("analysis", assessment.version))
    found.append(("seal of the record", identity.seal or "none: the test is not sealed"))
    return tuple(found)


def _cell(number: int, build: Build, units: Units) -> TestCell:
    return TestCell(
        letter=letter(number),
        test=build.test,
        figures=figures(build, units),
        dash=DASHES[number % len(DASHES)],
    )


def _budget(difference: Difference | None, units: Units) -> tuple[tuple[str, str, str, str, str], ...]:
    def fine(size: float | None) -> str:
        return format_spread(size, units, with_unit=False)

    if difference is None:
        return ()
    return tuple(
        (
            one.quantity,
            fine(one.first_mm),
            fine(one.second_mm),
            fine(one.together_mm),
            "the same in both, cancels" if one.common else "independent",
        )
        for one in difference.contributions
    )
