"""A page that is signed names no key of a file."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import lashmap_analysis
import lashmap_daemon
import pytest
from lashmap_analysis.facts.in_words import without_keys

# How a key looks to a reader: a table, a point, and a name with an underscore; or a table in brackets.
KEY = re.compile(r"\b[a-z_]+\.[a-z.]+_[a-z_]+|\bencoder\.absolute|\bteeth = |\[[a-z]+\.")
ROOMS = ("judge", "uncertainty", "rock", "lash_map", "runout")


def sentences(file: Path) -> set[str]:
    """Texts of a module that a reader may meet: what has a key and a space in it; docstrings are left out."""
    tree = ast.parse(file.read_text("utf-8"))
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    found = (node for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in docs)
    texts = (node.value for node in found if isinstance(node.value, str))
    return {text for text in texts if " " in text and KEY.search(text)}


def test_no_sentence_of_the_analysis_keeps_a_key() -> None:
    room = Path(lashmap_analysis.__file__).parent
    files = [file for name in ROOMS for file in (room / name).glob("*.py")]
    replay = Path(lashmap_daemon.__file__).parent / "replay" / "preconditions.py"
    told = {text for file in (*files, replay) for text in sentences(file)}
    assert len(told) > 6  # the search finds what it looks for
    assert not [without_keys(text) for text in told if KEY.search(without_keys(text))]


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("Record mounting.tolerance_mm from the drawing.", "Record the tolerance of the mounting distances "),
        ("Measure it and record it as mounting.gear_marked_in and mounting.gear_set_in.", "and record it."),
        ('Plan every tooth (teeth = "every"), or measure 3.', "Plan every tooth, or measure 3."),
        (
            "rock twice and record both (torque.second_nm, torque.second_adds_mm)",
            "rock twice and record both",
        ),
        (
            "the box file has no [parts.gear], [shims.gear]",
            "measured parts of the gear, stock of shims for",
        ),
        ("look at shims.pinion.thicker_moves", "look at which way a thicker pack moves the pinion"),
        (
            "counts for an absolute encoder alone (encoder.absolute in the stand file).",
            "counts for an absolute encoder alone.",
        ),
        (
            "Record gauge.calibration_due in the gauge file.",
            "Record until when the gauge's calib",
        ),
        ("Record indicator.calibration_due in the stand file.", "Record until when the indicator's calibrat"),
        (
            "Record encoder.pinion.calibration_due in the stand file.",
            "Record until when the calibration of the pinion's encoder is valid in",
        ),
        ("since it is not declared absolute (encoder.gear.absolute)", "since it is not declared absolute"),
    ],
)
def test_what_is_meant_stays(said: str, shown: str) -> None:
    assert shown in without_keys(said)


@pytest.mark.parametrize(
    "typed",
    [
        "see tip.jpg",
        "preload 1.1 N m (drawing 12.a)",
        "imported from bench_recording.csv",
        "51.6 mm (u = 0.1 mm)",
    ],
)
def test_other_words_are_left_alone(typed: str) -> None:
    assert without_keys(typed) == typed
