"""From samples to the answer: a box whose runout is known, swept, must be explained by just that runout."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from analysis.made_assessment import made_assessment
from analysis.made_record import GEAR_SET, Bench
from analysis.page_reading import read_page
from lashmap_analysis.facts.result import to_document
from lashmap_analysis.judge.assess import assess, sweep_result
from lashmap_analysis.judge.assessment import Assessment, SweepResult
from lashmap_analysis.record.record import RunoutTrace, Shaft, Units, moment
from lashmap_analysis.render import render_html

BENCH = Bench()
HIGH_RAD: dict[Shaft, float] = {"gear": 2.0, "pinion": 4.0}  # as in the bench's truth
LASH_MM: dict[Shaft, float] = {"gear": BENCH.gear_mm, "pinion": BENCH.pinion_mm}
PLACE_DEG = 90.0


def sweep_of(member: Shaft, scale: float = 1.0, *, place_deg: float | None = PLACE_DEG) -> RunoutTrace:
    """A member turned 2.3 times, its surface high where the bench's truth has least backlash.

    Lash amplitude over indicator amplitude is 2 sin 20° (handbook relation, from memory).
    """
    time_s = np.linspace(100.0, 108.0, 4001)
    member_deg = 360.0 * 2.3 * (time_s - 100.0) / 8.0 - 50.0
    surface_mm = scale * LASH_MM[member] / (2 * math.sin(math.radians(20.0)))
    noise_mm = np.random.default_rng(5).normal(0.0, 0.0003, time_s.size)
    at_indicator = np.radians(member_deg - PLACE_DEG) - HIGH_RAD[member]
    ratio = 1.0 if member == "gear" else GEAR_SET.pinion_teeth / GEAR_SET.gear_teeth
    return RunoutTrace(
        member=member,
        time_s=time_s,
        indicator_mm=0.2 + surface_mm * np.cos(at_indicator) + noise_mm,
        encoder_time_s=time_s,
        encoder_deg=member_deg * ratio,
        indicator_from_mesh_deg=place_deg,
    )


def assessed(*sweeps: RunoutTrace, units: Units = "mm") -> Assessment:
    return assess(replace(BENCH.record(), sweeps=sweeps, units=units))


@pytest.fixture(scope="module")
def both() -> Assessment:
    return assessed(sweep_of("gear"), sweep_of("pinion"))


def test_the_boxs_own_runout_explains_its_lash(both: Assessment) -> None:
    for member, result in zip(("gear", "pinion"), both.sweeps, strict=True):
        assert result.member == member
        assert result.match is not None
        assert result.match.explains is True
        assert result.match.predicted_amplitude_mm == pytest.approx(LASH_MM[result.member], rel=0.01)
        assert result.match.mesh_high_point_deg == pytest.approx(math.degrees(HIGH_RAD[result.member]), abs=1)
        assert result.sweep is not None
        assert result.sentence.startswith(f"FIM {result.sweep.fim_mm:.4f}\N{NO-BREAK SPACE}mm")


def test_what_it_takes_at_the_tight_spot_is_the_truths_own(both: Assessment) -> None:
    lash_map = both.lash_map
    assert lash_map is not None
    engagement = lash_map.tight_spot.engagement
    for result, teeth in zip(both.sweeps, (GEAR_SET.gear_teeth, GEAR_SET.pinion_teeth), strict=True):
        # From the truth: mean minus backlash there, this member's cosine alone.
        turned = 2 * math.pi * engagement / teeth
        true = LASH_MM[result.member] * math.cos(turned - HIGH_RAD[result.member])
        assert result.tight_spot_part_mm == pytest.approx(true, abs=0.0003)
    # Both cosines and little else make the dip (teeth scatter by 0.3 µm).
    dip = BENCH.mean_mm - BENCH.tightest()[1]
    parts = [one.tight_spot_part_mm or 0.0 for one in both.sweeps]
    assert sum(parts) == pytest.approx(dip, abs=0.0015)
    assert both.sweeps[0].tight_spot_depth_mm == pytest.approx(dip, abs=0.001)
    share = round(100 * parts[0] / (both.sweeps[0].tight_spot_depth_mm or math.nan))
    assert f"{share} %" in both.sweeps[0].sentence


def test_half_the_runout_does_not_explain_it_and_twice_does_not_either() -> None:
    half, double = assessed(sweep_of("gear", 0.5), sweep_of("gear", 2.0)).sweeps
    for result in (half, double):
        assert result.match is not None
        assert result.match.explains is False
    assert "wobble" in half.sentence
    assert "Less reaches the mesh" in double.sentence


def test_runout_that_gives_at_the_tight_spot_is_not_said_to_have_put_it_there() -> None:
    trace = sweep_of("gear")
    (result,) = assessed(replace(trace, indicator_mm=0.4 - trace.indicator_mm)).sweeps
    assert result.match is not None
    assert result.match.explains is False
    assert result.tight_spot_part_mm is not None
    assert result.tight_spot_part_mm < 0
    assert "it did not put it there" in result.sentence
    assert " %" not in result.sentence


def test_without_the_place_nothing_is_said_about_the_tight_spot() -> None:
    (result,) = assessed(sweep_of("gear", place_deg=None)).sweeps
    assert result.tight_spot_part_mm is None
    assert "tight spot" not in result.sentence
    assert "may explain" in result.sentence


def drop(trace: RunoutTrace, first: int, count: int) -> RunoutTrace:
    """The encoder is silent for a while."""
    kept = np.r_[0:first, first + count : len(trace.encoder_time_s)]
    return replace(trace, encoder_time_s=trace.encoder_time_s[kept], encoder_deg=trace.encoder_deg[kept])


def measured(trace: RunoutTrace) -> SweepResult:
    return sweep_result(trace, BENCH.record(), None)


def test_drop_outs_are_left_out_and_large_ones_refused() -> None:
    whole = measured(sweep_of("gear"))
    lost = sweep_of("gear")
    lost.indicator_mm[::7] = np.nan
    lost.indicator_mm[1500:1510] = np.inf
    short = measured(drop(lost, 2000, 60))  # 12 degrees of encoder
    assert whole.sweep is not None
    assert short.sweep is not None
    assert short.sweep.once.amplitude_mm == pytest.approx(whole.sweep.once.amplitude_mm, abs=2e-5)
    # 0.2 degrees a sample: 400 samples are 83 degrees, over which nobody knows how evenly it turned.
    long = measured(drop(sweep_of("gear"), 2000, 400))
    assert long.sweep is None
    assert long.sentence == long.refusal
    assert "all around each turn" in long.refusal


def test_samples_outside_the_encoders_time_are_left_out() -> None:
    trace = sweep_of("gear")
    trace = replace(trace, encoder_time_s=trace.encoder_time_s[200:], encoder_deg=trace.encoder_deg[200:])
    trace.indicator_mm[:200] = 50.0  # would be taken at the first angle known, were it not left out
    result = measured(trace)
    assert result.sweep is not None
    assert result.sweep.fim_mm < 0.04


@pytest.mark.parametrize("units", ["mm", "in"])
def test_page_one_says_it_in_a_line_and_the_evidence_in_a_table(units: Units) -> None:
    assessment = assessed(sweep_of("gear"), units=units)
    (result,) = assessment.sweeps
    assert result.sweep is not None
    root = read_page(render_html(assessment))
    scale, digits = (25.4, 5) if units == "in" else (1.0, 4)  # NIST SP 811: an inch is 25.4 mm exactly
    fim = f"{result.sweep.fim_mm / scale:.{digits}f}"
    front = root.all("section", kind="front")[0].text
    assert f"Gear sweep: FIM {fim} {units}, explains the gear's part of the map." in front
    table = next(t for t in root.all("table") if f"Runout of the gear, {units}" in t.text)
    cells = [[c.text for c in row.all("th", "td")] for row in table.all("tr")]
    assert cells[1][:2] == ["FIM of the mean turn", fim]
    once = result.sweep.once
    assert cells[2][3] == f"{once.high_point_deg:.0f}° (u = {once.high_point_uncertainty_deg:.1f}°)"
    picture = next(s for s in root.all("svg") if "Runout of the gear" in s.text)
    dashed, full = picture.all("polyline", kind="minimum"), picture.all("polyline", kind="curve")
    assert len(dashed) == len(full) == 1
    first, last = full[0].attributes["points"].split()[0], full[0].attributes["points"].split()[-1]
    assert first.split(",")[1] == last.split(",")[1]  # a turn meets itself


def test_a_report_without_sweeps_does_not_speak_of_them() -> None:
    body = read_page(render_html(made_assessment())).all("body")[0]
    assert "sweep" not in body.text.lower()
    refused = read_page(render_html(made_assessment("not proven"))).all("section", kind="front")[0].text
    assert "Pinion sweep: gave no runout" in refused


def test_the_document_has_the_sweeps_figures(both: Assessment) -> None:
    gear = to_document(both)["sweeps"][0]
    assert gear["explains"] is True
    assert gear["mesh_high_point_deg"] == pytest.approx(math.degrees(2.0), abs=1)
    assert gear["lash_amplitude_mm"] == pytest.approx(BENCH.gear_mm, rel=0.01)
    assert gear["other_member"] is None
    assert gear["sentence"] == both.sweeps[0].sentence


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("2026-11-25T08:00:00Z", "2026-11-25 08:00 UTC"),
        ("2026-11-25T09:30:59.123+01:00", "2026-11-25 08:30 UTC"),
        ("2026-11-25T08:00", "2026-11-25 08:00 UTC"),
        ("2026-11-25", "2026-11-25"),
        ("last Tuesday, 8:00", "last Tuesday, 8:00"),
        ("", ""),
    ],
)
def test_a_moment_is_written_for_people(given: str, shown: str) -> None:
    assert moment(given) == shown
