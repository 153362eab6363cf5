"""The result document: strict JSON, every key documented, every figure the assessment's own."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any, get_args

import numpy as np
import pytest
from analysis.cycle.cycle_records import bench
from analysis.key_paths import key_paths
from analysis.made_assessment import Scenario, made_assessment
from analysis.made_review import reviewed
from lashmap_analysis.facts.result import KEYS, to_document
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.record.record import Encoder
from lashmap_analysis.runout.match import Remainder
from lashmap_analysis.tables import TABLES, columns_of, frame

POSITIONS = {"positions": TABLES["positions"]}
SCENARIOS: tuple[Scenario, ...] = get_args(Scenario)


def _strict(document: dict[str, Any]) -> Any:  # noqa: ANN401  (JSON is untyped)
    """Write and read as RFC 8259 JSON, which has no NaN and no infinity."""

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    return json.loads(json.dumps(document, allow_nan=False), parse_constant=refuse)


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_document_is_strict_json_and_comes_back_the_same(scenario: Scenario) -> None:
    document = to_document(made_assessment(scenario))
    assert _strict(document) == document


def test_every_key_is_documented_and_every_documented_key_is_written() -> None:
    assessment = made_assessment("not proven")
    lash_map = assessment.lash_map
    assert lash_map is not None
    merged = replace(lash_map, merged_runout=lash_map.gear_runout)
    sweep = assessment.sweeps[0]
    assert sweep.match is not None
    left = Remainder(amplitude_mm=0.003, high_point_deg=12.0, standard_uncertainty_mm=0.0005)
    swept = replace(sweep, match=replace(sweep.match, remainder=left))
    run = assess(bench().record()).cycle_run
    assert run is not None
    assert run.curve is not None
    run = replace(run, curve=replace(run.curve, merged_runout=run.curve.gear_runout))
    record = replace(assessment.record, pinion_encoder=Encoder(shaft="pinion", resolution_deg=0.018))
    whole = replace(reviewed(assessment), record=record, lash_map=merged, sweeps=(swept,), cycle_run=run)
    written = set(key_paths(to_document(whole)))
    assert written == set(KEYS)
    assert all(meaning.strip() for meaning in KEYS.values())


def test_keys_that_the_job_asks_for_are_there() -> None:
    # The least that a reader of the result may rely on, as promised to users.
    document = to_document(made_assessment())
    assert document["schema"] == 1
    assert set(document["positions"][0]) >= {
        "engagement",
        "gear_angle_deg",
        "reading_mm",
        "normal_backlash_mm",
        "standard_uncertainty_mm",
        "reversals",
        "flags",
    }
    for spot in ("measured", "predicted", "stated"):
        assert set(document["tight_spot"][spot]) >= {
            "engagement",
            "gear_tooth",
            "pinion_tooth",
            "gear_angle_deg",
            "normal_backlash_mm",
            "expanded_uncertainty_mm",
            "interval_low_mm",
            "interval_high_mm",
        }
    for member in ("gear", "pinion"):
        assert set(document["runout"][member]) >= {
            "amplitude_mm",
            "high_point_deg",
            "standard_uncertainty_mm",
            "fim_mm",
        }
    assert document["verdict"]["outcome"] in {"conforming", "nonconforming", "not proven"}
    assert document["tight_spot"]["confirmed"] is True


LIMITED = ("minimum", "maximum", "variation")


def test_units_stand_in_the_names_of_all_measured_values() -> None:
    unitless = {"engagement", "position", "attempt", "reversals", "degrees_of_freedom", "coverage_factor"}
    unitless |= {"gear_tooth", "pinion_tooth"}
    unitless |= {"schema", "contact_from_toe", "pinion_teeth", "gear_teeth", "add_engagements", "turns"}
    unitless |= {"gear_teeth_touched", "pinion_teeth_touched", "tooth_accuracy_grade"}
    unitless |= {"repeats_degrees_of_freedom", *(f"{one}_probability" for one in LIMITED)}
    document = to_document(made_assessment("not proven"))

    def walk(value: object, key: str) -> None:
        if isinstance(value, dict):
            for name, item in value.items():
                walk(item, name)
        elif isinstance(value, list):
            for item in value:
                walk(item, key)
        elif isinstance(value, int | float) and not isinstance(value, bool) and key not in unitless:
            assert key.endswith(
                ("_mm", "_deg", "_s", "_mm_per_s", "_c", "_nm", "_um_per_nm", "_um_per_m_k")
            ), key

    walk(document, "")


def test_lengths_stay_in_mm_when_the_paperwork_is_in_inches() -> None:
    metric, imperial = to_document(made_assessment()), to_document(made_assessment(units="in"))
    assert imperial["units"] == {"lengths": "mm", "angles": "deg", "times": "s", "paperwork": "in"}
    assert metric["positions"] == imperial["positions"]
    assert metric["tight_spot"] == imperial["tight_spot"]


def test_what_is_not_there_is_null() -> None:
    refused = to_document(made_assessment("not proven"))["positions"][3]
    assert refused["usable"] is False
    assert refused["reading_mm"] is None
    assert refused["normal_backlash_mm"] is None
    assert refused["flags"] == ["single flank"]
    assert refused["flag_details"][0]["disabling"] is True
    assert refused["flag_details"][0]["numbers"] == {"step_mm": 0.0007, "least_step_mm": 0.0016}
    empty = to_document(made_assessment("empty"))
    assert empty["tight_spot"]["stated"] is None
    assert empty["runout"] == {"gear": None, "pinion": None, "merged": None, "separable": None}
    assert empty["budget"] is None
    assert empty["closing"] == "stopped by the operator"


def test_what_a_refused_rock_would_have_read_is_null() -> None:
    # The rock itself was measured, and something else forbids its use: every figure is as plausible as ever.
    assessment = made_assessment(count=5)
    first = replace(assessment.positions[0], normal_backlash_mm=None, standard_uncertainty_mm=None)
    assert math.isfinite(first.rock.reading_mm)
    document = to_document(replace(assessment, positions=(first,)))["positions"][0]
    figures = ("reading_mm", "reading_standard_uncertainty_mm", "spread_mm", "peak_to_peak_mm")
    for name in (*figures, "degrees_of_freedom", "encoder_backlash_mm"):
        assert document[name] is None, name
    assert document["reversals"] == first.rock.reversals
    record = replace(assessment.record, traces=assessment.record.traces[:1])
    columns = columns_of(replace(assessment, positions=(first,), record=record), POSITIONS)
    assert columns["positions"]["reading_mm"] == [None]


def test_infinite_degrees_of_freedom_are_null() -> None:
    lines = to_document(made_assessment())["budget"]["lines"]
    assert [line["degrees_of_freedom"] for line in lines][:2] == [31.0, None]


def test_numpy_scalars_become_plain_numbers() -> None:
    assessment = made_assessment(count=5)
    first = replace(
        assessment.positions[0],
        engagement=np.int64(3),  # type: ignore[arg-type]  # what the analysis must not but may hand over
        normal_backlash_mm=float(np.float32(0.25)),
        gear_angle_deg=np.float64(math.nan),
        outlier=np.bool_(True),  # type: ignore[arg-type]  # as above
    )
    document = to_document(replace(assessment, positions=(first,)))
    assert _strict(document)["positions"][0]["engagement"] == 3
    assert document["positions"][0]["gear_angle_deg"] is None
    assert document["positions"][0]["outlier"] is True


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_table_is_tidy_and_agrees_with_the_document(scenario: Scenario) -> None:
    assessment = made_assessment(scenario)
    table = frame(TABLES["positions"], columns_of(assessment, POSITIONS)["positions"])
    positions = to_document(assessment)["positions"]
    assert len(table) == len(positions)
    for name in ("reading_mm", "normal_backlash_mm", "gear_angle_deg", "encoder_backlash_mm"):
        listed = [math.nan if p[name] is None else p[name] for p in positions]
        np.testing.assert_array_equal(table[name].to_numpy(), np.array(listed, dtype=np.float64))
    of_the_table_alone = {"test", "times_apart_standard_uncertainty_s", "typed"}
    assert all(f"positions[].{name}" in KEYS for name in table.columns if name not in of_the_table_alone)
