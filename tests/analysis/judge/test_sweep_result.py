"""Sweeps of a record: a surface written down here as a cosine must come back, from either shaft."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis.made_assessment import made_assessment
from lashmap_analysis.facts.result import to_document
from lashmap_analysis.judge.assess import member_angle_deg, sweep_result
from lashmap_analysis.record.record import RunoutTrace, Shaft, TestRecord
from lashmap_analysis.render import render_html

AMPLITUDE_MM, HIGH_DEG = 0.006, 75.0


def record_with(shaft: Shaft) -> TestRecord:
    record = made_assessment(count=5).record
    assert record.encoder is not None
    return replace(record, encoder=replace(record.encoder, shaft=shaft))


def swept(member: Shaft, record: TestRecord, turns: float = 2.2) -> RunoutTrace:
    """The member turns at an even speed; encoder and indicator are not sampled together."""
    gear_set = record.gear_set
    time_s = np.linspace(0.0, 10.0, 4001)
    encoder_s = np.linspace(-0.003, 10.002, 1500)

    def turned(seconds: np.ndarray) -> np.ndarray:
        return 360.0 * turns * seconds / 10.0 + 30.0

    teeth = {"gear": gear_set.gear_teeth, "pinion": gear_set.pinion_teeth}
    assert record.encoder is not None
    per_member = teeth[member] / teeth[record.encoder.shaft]
    return RunoutTrace(
        member=member,
        time_s=time_s,
        indicator_mm=AMPLITUDE_MM * np.cos(np.radians(turned(time_s) - HIGH_DEG)),
        encoder_time_s=encoder_s,
        encoder_deg=turned(encoder_s) * per_member,
    )


@pytest.mark.parametrize("member", ["gear", "pinion"])
@pytest.mark.parametrize("shaft", ["gear", "pinion"])
def test_the_runout_is_that_of_the_member_whatever_shaft_the_encoder_sits_on(
    member: Shaft, shaft: Shaft
) -> None:
    record = record_with(shaft)
    result = sweep_result(swept(member, record), record, None)
    assert result.sweep is not None
    assert result.sweep.once.amplitude_mm == pytest.approx(AMPLITUDE_MM, rel=1e-3)
    assert result.sweep.once.high_point_deg == pytest.approx(HIGH_DEG, abs=0.2)
    assert result.sweep.turns == 2
    assert result.match is not None
    assert result.match.explains is None  # there is no map to compare it with
    # Relation of DESIGN and handbooks (from memory): FIM F makes a lash amplitude of F sin 20°, F = 2 A.
    assert result.match.predicted_amplitude_mm == pytest.approx(2 * AMPLITUDE_MM * 0.3420, rel=2e-3)


def test_less_than_a_turn_and_a_silent_encoder_give_no_runout_and_say_why() -> None:
    record = record_with("gear")
    short = sweep_result(swept("gear", record, turns=0.9), record, None)
    assert short.sweep is None
    assert "full turn" in short.refusal
    silent = replace(swept("gear", record), encoder_time_s=np.empty(0), encoder_deg=np.empty(0))
    assert "encoder" in sweep_result(silent, record, None).refusal


def test_angles_between_encoder_samples_are_interpolated() -> None:
    record = record_with("gear")
    angle = member_angle_deg(swept("gear", record), record)
    assert np.allclose(np.diff(angle), 360.0 * 2.2 / 4000, atol=1e-9)


def test_high_points_are_compared_only_where_the_indicator_is_known_to_have_been() -> None:
    assessment = made_assessment(count=8)
    record, lash_map = assessment.record, assessment.lash_map
    assert lash_map is not None
    trace = swept("gear", record)
    unknown = sweep_result(trace, record, lash_map).match
    known = sweep_result(replace(trace, indicator_from_mesh_deg=90.0), record, lash_map).match
    assert unknown is not None
    assert known is not None
    assert unknown.high_point_difference_deg is None
    assert "nobody recorded" in unknown.sentence
    assert lash_map.gear_runout is not None
    expected = (lash_map.gear_runout.high_point_deg - (HIGH_DEG - 90.0) + 180.0) % 360.0 - 180.0
    assert known.high_point_difference_deg == pytest.approx(expected, abs=0.3)


@pytest.mark.parametrize(("turned", "words"), [(25.0, "25° past"), (-25.0, "25° before"), (0.2, "where the")])
def test_a_measured_high_point_is_placed_on_its_own_side_of_the_maps(turned: float, words: str) -> None:
    assessment = made_assessment(count=8)
    record, lash_map = assessment.record, assessment.lash_map
    assert lash_map is not None
    assert lash_map.gear_runout is not None
    # The surface is high at HIGH_DEG under the indicator, so at HIGH_DEG less its place at the mesh.
    sat_deg = (HIGH_DEG - lash_map.gear_runout.high_point_deg - turned) % 360.0
    match = sweep_result(
        replace(swept("gear", record), indicator_from_mesh_deg=sat_deg), record, lash_map
    ).match
    assert match is not None
    assert f"high point {words}" in match.sentence


def test_where_the_map_knows_only_the_sum_the_sentence_says_so() -> None:
    assessment = made_assessment(count=8)
    lash_map = assessment.lash_map
    assert lash_map is not None
    merged = replace(lash_map, gear_runout=None, pinion_runout=None, merged_runout=lash_map.gear_runout)
    match = sweep_result(swept("gear", assessment.record), assessment.record, merged).match
    assert match is not None
    assert match.explains is None
    assert "sum of both members" in match.sentence


def test_sweeps_are_in_the_report_and_in_the_document() -> None:
    assessment = made_assessment("not proven")
    page = render_html(assessment)
    assert "Runout of the gear over its mean turn" in page
    assert "less than one full turn" in page
    document = to_document(assessment)
    assert [sweep["member"] for sweep in document["sweeps"]] == ["gear", "pinion"]
    assert document["sweeps"][1]["fim_mm"] is None
    assert "Runout sweeps" not in render_html(made_assessment())
