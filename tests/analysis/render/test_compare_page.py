"""The comparison as a page: whole, escaped, self-contained, readable without colour."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from analysis.made_assessment import HOSTILE, made_assessment, with_every_text
from analysis.made_record import Bench
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.compare import Build
from lashmap_analysis.judge.comparison import compare_tests
from lashmap_analysis.render.comparison import render_comparison


@pytest.fixture(scope="module")
def builds() -> list[Build]:
    benches = (Bench(seed=1), Bench(seed=2, mean_mm=0.160), Bench(seed=3, mean_mm=0.155))
    made = []
    for number, bench in enumerate(benches, 1):
        assessment = assess(bench.record())
        identity = replace(assessment.record.identity, test=f"test-{number}")
        made.append(
            Build(assessment=replace(assessment, record=replace(assessment.record, identity=identity)))
        )
    return made


def test_three_tests_make_one_page_with_an_overlay_and_two_differences(builds: list[Build]) -> None:
    page = render_comparison(compare_tests(builds))
    assert page.count('role="img"') == 3
    assert re.findall(r"<h2 id=\"pair-\d\">(.) less A</h2>", page) == ["B", "C"]
    overlay = page[page.index('aria-labelledby="overlay-t') :]
    assert re.findall(r'class="curve c(\d)"', overlay)[:3] == ["0", "1", "2"]
    dashes = re.findall(r"\.c\d \{ stroke-dasharray: ([^;]+); \}", page)
    assert len(set(dashes)) == len(dashes) == 6  # no two curves alike in grey print
    for build in builds:
        assert build.test in page


def test_nothing_is_fetched_and_hostile_texts_stay_texts(builds: list[Build]) -> None:
    hostile = Build(assessment=with_every_text(made_assessment("not proven"), HOSTILE), indicator=HOSTILE)
    # A made assessment has a map made by hand, which has no posterior: put a fitted one into its place.
    fitted = builds[0].assessment
    assessment = replace(fitted, record=replace(fitted.record, identity=hostile.assessment.record.identity))
    page = render_comparison(compare_tests([Build(assessment=assessment), builds[1]]))
    assert "<script" not in page
    assert "<img" not in page
    assert "{{ 7*7 }}" in page
    assert "default-src &#39;none&#39;" in page or "default-src 'none'" in page
    assert not re.findall(r"(?:src|href)=\"", page)


def test_a_page_says_what_it_was_made_from_and_hides_nothing(builds: list[Build]) -> None:
    identity = replace(builds[0].assessment.record.identity, serial="7\u202e1-VNI\ud800", seal="ab12" * 16)
    record = replace(builds[0].assessment.record, identity=identity)
    first = Build(assessment=replace(builds[0].assessment, record=record))
    page = render_comparison(compare_tests([first, builds[1]]))
    assert "‹U+202E›" in page  # would turn the rest of the line around (Unicode Standard Annex 9)
    assert "‹U+D800›" in page
    page.encode()
    assert "ab12" * 16 in page
    assert "none: the test is not sealed" in page
    assert first.assessment.version in page


def test_inches_are_used_where_the_first_test_has_them(builds: list[Build]) -> None:
    inch = replace(builds[0].assessment, record=replace(builds[0].assessment.record, units="in"))
    page = render_comparison(compare_tests([Build(assessment=inch), builds[1]]))
    assert re.search(r"0\.00\d{3} in", page.replace("\N{NO-BREAK SPACE}", " "))
    assert "backlash, in" in page


def test_every_ring_of_a_tight_spot_stands_on_the_plate(builds: list[Build]) -> None:
    # A stated minimum far below every fitted curve, as with few positions.
    stated = builds[1].assessment.stated
    assert stated is not None
    low = replace(stated, normal_backlash_mm=stated.normal_backlash_mm - 0.05)
    changed = replace(builds[1], assessment=replace(builds[1].assessment, stated=low))
    builds = [builds[0], changed, *builds[2:]]
    page = render_comparison(compare_tests(builds))
    overlay = page[page.index('aria-labelledby="overlay-t') :].split("</svg>")[0]
    plate = re.search(r'<rect[^>]*class="plate"[^>]*>', overlay)
    assert plate is not None
    top, height = (float(re.search(rf' {key}="([\d.]+)"', plate[0])[1]) for key in ("y", "height"))  # type: ignore[index]
    rings = [float(y) for y in re.findall(r'<circle[^>]* cy="([\d.]+)"', overlay)]
    assert len(rings) == 3
    assert all(top <= y <= top + height for y in rings)


def test_figures_of_the_axis_in_inches_leave_room_for_its_name(builds: list[Build]) -> None:
    inches = [
        replace(b, assessment=replace(b.assessment, record=replace(b.assessment.record, units="in")))
        for b in builds
    ]
    page = render_comparison(compare_tests(inches))
    names = re.findall(r'<text[^>]*x="([\d.]+)"[^>]*rotate\(-90[^>]*>[^<]*, in<', page)
    figures = re.findall(r'<text[^>]*x="([\d.]+)"[^>]*text-anchor="end"[^>]*>(-?\d\.\d+)<', page)
    assert len(names) == 3
    assert max(len(figure) for _, figure in figures) >= 6  # such as 0.0085
    # The sheet sets 10.5 px sans-serif, whose digits are about 0.6 em wide (measured).
    starts = [float(x) - 6.3 * len(figure) for x, figure in figures]
    assert min(starts) > max(map(float, names)) + 5.25
