"""The charts: ticks are round, thinning keeps extremes, and marks stand where their figures say."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from analysis.made_assessment import made_assessment
from analysis.page_reading import Element, read_page
from hypothesis import assume, given
from hypothesis import strategies as st
from lashmap_analysis.charts.lash_map import Limit, Spot, lash_view, map_chart, polar_chart, whole_cycle
from lashmap_analysis.charts.limits import limits_chart
from lashmap_analysis.charts.svg import LashRange, extremes, lash_range, round_ticks, stretches, tick_decimals
from lashmap_analysis.render import render_html

spans = st.floats(min_value=1e-5, max_value=1e5)


@given(low=st.floats(min_value=-1e3, max_value=1e3), span=spans, most=st.integers(5, 15))
def test_ticks_are_multiples_of_a_round_step_inside_the_range(low: float, span: float, most: int) -> None:
    assume(span > 1e-9 * abs(low) * 1e3)
    ticks = round_ticks(low, low + span, most)
    assert 2 <= ticks.size <= most + 1
    assert ticks.min() >= low - 1e-6 * span
    assert ticks.max() <= low + span + 1e-6 * span
    if ticks.size > 1:
        step = float(ticks[1] - ticks[0])
        mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
        assert min(abs(mantissa - round_) for round_ in (1, 2, 5, 10)) < 1e-3
        labels = [f"{tick:.{tick_decimals(ticks)}f}" for tick in ticks]
        assert len(set(labels)) == ticks.size
        assert max(abs(float(label) - tick) for label, tick in zip(labels, ticks, strict=True)) < 0.01 * step


@given(st.lists(st.floats(min_value=-1, max_value=1, width=32), min_size=1, max_size=300), st.integers(1, 40))
def test_thinning_keeps_the_extremes_of_every_column(samples: list[float], per_column: int) -> None:
    values = np.array(samples, dtype=np.float64)
    columns = np.arange(values.size) // per_column
    kept = extremes(columns, values)
    assert np.all(np.diff(kept) > 0)
    for column in np.unique(columns):  # brute force, one column at a time
        mine = values[kept[columns[kept] == column]]
        assert 1 <= mine.size <= 2
        assert mine.min() == values[columns == column].min()
        assert mine.max() == values[columns == column].max()


def test_a_gap_and_a_missing_sample_break_the_line() -> None:
    time_s = np.array([0.0, 0.1, 0.2, 1.2, 1.3, 1.4, 1.5])
    values = np.array([0.0, 0.0, 0.0, 1.0, np.nan, 1.0, 1.0])
    assert stretches(time_s, values).tolist() == [0, 0, 0, 1, 1, 2, 2]


def test_limits_far_away_do_not_flatten_the_map() -> None:
    near = lash_range([0.10, 0.12], [0.09, 0.15])
    assert near is not None
    assert near.beyond == ()
    assert near.low < 0.09
    assert near.high > 0.15
    far = lash_range([0.10, 0.12], [0.09, 0.90, None])
    assert far is not None
    assert far.beyond == (0.90,)
    assert far.high < 0.2
    assert lash_range([], [None]) is None


def drawn(root: Element, name: str) -> Element:
    return next(s for s in root.all("svg") if s.attributes.get("aria-labelledby", "").startswith(f"{name}-t"))


def heights(svg: Element) -> np.poly1d:
    """Recover the backlash axis from grid lines and their labels, as a reader with a ruler would."""
    lines = [float(line.attributes["d"].split("L")[0].split()[1]) for line in svg.all("path", kind="grid")]
    labels = [float(t.text) for t in svg.all("text") if re.fullmatch(r"0\.\d+", t.text)]
    assert len(lines) == len(labels) >= 3
    return np.poly1d(np.polyfit(lines, labels, 1))


@pytest.mark.parametrize("units", ["mm", "in"])
def test_marks_stand_where_the_ticks_say(units: str) -> None:
    inches = units == "in"
    assessment = made_assessment(units="in" if inches else "mm")
    straight = drawn(read_page(render_html(assessment)), "straight")
    height_of = heights(straight)
    marks = straight.all("circle", kind="m-planned")
    # Engagement 0 is drawn at both ends of the mesh cycle.
    seen = sorted(height_of(float(m.attributes["cy"])) for m in marks)
    backlash = [p.normal_backlash_mm or 0.0 for p in assessment.positions if p.purpose == "planned"]
    scale = 25.4 if inches else 1.0  # NIST SP 811: an inch is 25.4 mm exactly
    expected = sorted(b / scale for b in [*backlash, backlash[0]])
    # Pixels are written to a tenth, which is worth less than a tenth of a micrometre in this picture.
    np.testing.assert_allclose(seen, expected, atol=0.0001 / scale)


def test_polar_marks_stand_at_the_angle_of_their_tooth() -> None:
    assessment = made_assessment()
    polar = drawn(read_page(render_html(assessment)), "polar")
    centre = float(polar.attributes["viewbox"].split()[2]) / 2
    marks = polar.all("circle", kind="m-planned")
    planned = [p for p in assessment.positions if p.purpose == "planned"]
    for mark, position in zip(marks, planned, strict=True):
        x, y = float(mark.attributes["cx"]) - centre, centre - float(mark.attributes["cy"])
        apart = (math.degrees(math.atan2(x, y)) - position.engagement * 360 / 40 + 180) % 360 - 180
        assert abs(apart) < 0.2


def test_shape_tells_marks_apart_without_colour() -> None:
    root = read_page(render_html(made_assessment("not proven")))
    polar = drawn(root, "polar")
    kinds = {
        kind: {e.name for e in polar.all(kind=kind)} for kind in ("m-planned", "m-confirming", "m-tight")
    }
    assert kinds == {"m-planned": {"circle"}, "m-confirming": {"path"}, "m-tight": {"circle"}}
    radii = {kind: polar.all(kind=kind)[0].attributes["r"] for kind in ("m-planned", "m-open", "m-tight")}
    assert len(set(radii.values())) == 3
    assert [t.text for t in polar.all("text") if t.text == "×"] == ["×"]


@pytest.mark.parametrize("shift", [-0.35, -0.2, -0.05, 0.0, 0.05, 0.2, 0.35])
def test_labels_of_the_limits_on_the_rail_never_meet(shift: float) -> None:
    """Wherever the interval lies: 23 of 680 pixels are the letters of the narrowest page, 0.7 wide."""
    spot = Spot(engagement=0, backlash=0.09 + shift, low=0.08 + shift, high=0.10 + shift)
    limits = (Limit(value=0.06, name="minimum"), Limit(value=0.12, name="maximum"))
    for units in ("mm", "in"):
        page = read_page(str(limits_chart(spot, limits, units, name="rail", description="")))
        reach = []
        for label in page.all("text", kind="strong"):
            x, wide = float(label.attributes["x"]), 0.7 * 23 * len("min 0.06")
            ends = label.attributes.get("text-anchor") == "end"
            reach.append((x - wide, x) if ends else (x, x + wide))
            assert reach[-1][0] > -10.0
            assert reach[-1][1] < 690.0
        (low, high) = sorted(reach)
        assert low[1] < high[0]


@pytest.mark.parametrize("minimum", np.linspace(0.09, 0.13, 21).tolist())
def test_no_line_of_a_limit_crosses_the_words_at_the_tight_spot(minimum: float) -> None:
    view = lash_view(made_assessment())
    assert view is not None
    assert view.spot is not None
    view = replace(
        view,
        range=LashRange(low=0.08, high=0.16, beyond=()),
        limits=(Limit(value=minimum, name="minimum"),),
        spot=replace(view.spot, backlash=0.12),
    )
    page = read_page(str(map_chart(view, whole_cycle(view), name="m", title="t", description="d")))
    (line,) = [one.attributes["d"] for one in page.all("path", kind="minimum")]
    limit_at = float(re.split("[ L]", line)[1])
    for words in (one for one in page.all("text") if one.text == "tight spot"):
        stands_on = float(words.attributes["y"])
        assert not stands_on - 8.0 < limit_at < stands_on + 3.0  # capitals and descenders of 10.7 pixels


@pytest.mark.parametrize("minimum", np.linspace(0.06, 0.13, 15).tolist())
def test_a_figure_around_the_gear_stands_off_the_circles_of_the_limits(minimum: float) -> None:
    view = lash_view(made_assessment())
    assert view is not None
    covered = LashRange(low=0.05, high=0.15, beyond=())
    view = replace(view, range=covered, limits=(Limit(value=minimum, name="minimum"),))
    page = read_page(str(polar_chart(view, name="polar", title="t", description="d")))
    (ring,) = [float(one.attributes["r"]) for one in page.all("circle", kind="minimum")]
    centre = float(page.all("svg")[0].attributes["viewbox"].split()[2]) / 2
    figures = [one for one in page.all("text", kind="halo") if re.fullmatch(r"0\.\d+", one.text)]
    assert len(figures) >= 4
    for one in figures:
        x, y = float(one.attributes["x"]) - centre, float(one.attributes["y"]) - 4 - centre
        assert abs(math.hypot(x, y) - ring) > 5.5  # half of 10.7 pixels


def test_dwells_are_marked_on_every_usable_trace() -> None:
    assessment = made_assessment(count=6)
    root = read_page(render_html(assessment))
    for position in assessment.positions:
        picture = drawn(root, f"trace-{position.position}")
        assert len(picture.all("path", kind="dwell")) == len(position.rock.dwells)
        assert len(picture.all("path", kind="samples")) == 1


def test_a_hand_rocked_trace_shows_its_few_samples() -> None:
    assessment = made_assessment(count=5)
    trace = assessment.record.traces[0]
    sparse = replace(trace, time_s=trace.time_s[::125], indicator_mm=trace.indicator_mm[::125])
    record = replace(assessment.record, traces=(sparse, *assessment.record.traces[1:]))
    picture = drawn(read_page(render_html(replace(assessment, record=record))), "trace-1")
    assert len(picture.all("circle", kind="sample")) == sparse.time_s.size == 16


@pytest.mark.parametrize("samples", [0, 1, 2])
def test_traces_with_next_to_nothing_are_drawn(samples: int) -> None:
    assessment = made_assessment(count=5)
    trace = assessment.record.traces[0]
    short = replace(trace, time_s=trace.time_s[:samples], indicator_mm=trace.indicator_mm[:samples] * np.nan)
    record = replace(assessment.record, traces=(short, *assessment.record.traces[1:]))
    picture = drawn(read_page(render_html(replace(assessment, record=record))), "trace-1")
    assert "no samples" in picture.text


def test_transverse_limits_are_drawn_as_normal_backlash() -> None:
    # ISO 23509:2016, eq. 211 with eqs 202-204: j_en = j_et cos(alpha_n) cos(beta_e), all at the outer end;
    # without a cutter radius beta_e is taken as beta_m.
    assessment = made_assessment()
    limits = replace(assessment.record.limits, kind="transverse")
    view = lash_view(replace(assessment, record=replace(assessment.record, limits=limits)))
    assert view is not None
    factor = math.cos(math.radians(20)) * math.cos(math.radians(35))
    assert [limit.value for limit in view.limits] == pytest.approx([0.10 * factor, 0.18 * factor], rel=1e-12)


def test_positions_beyond_the_mesh_cycle_are_folded_into_it() -> None:
    assessment = made_assessment(pinion_teeth=20, gear_teeth=40, count=8)
    view = lash_view(assessment)
    assert view is not None
    assert view.cycle == 40
    beyond = replace(assessment.positions[0], engagement=-3)
    folded = lash_view(replace(assessment, positions=(beyond,)))
    assert folded is not None
    assert folded.points[0].engagement == 37
