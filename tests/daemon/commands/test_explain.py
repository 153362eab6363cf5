"""What a word means: nothing that the program says or asks for goes without an explanation."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any, get_args

import pytest
from lashmap_analysis.judge.verdict import Outcome
from lashmap_analysis.rock.flags import FlagName
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.screens.explain import explain, explanations
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import StandFile
from pydantic import BaseModel
from rich.console import Console


def said(*words: str) -> str:
    console = Console(file=io.StringIO(), width=80)
    explain(words, console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def tables_in(annotation: Any) -> Iterator[type[BaseModel]]:  # noqa: ANN401 - any type
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for one in get_args(annotation):
        yield from tables_in(one)


def keys(model: type[BaseModel], prefix: str = "") -> Iterator[str]:
    for name, info in model.model_fields.items():
        inner = list(tables_in(info.annotation))
        if inner:
            yield from keys(inner[0], f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}"


@pytest.mark.parametrize("flag", FlagName)
def test_every_flag_says_what_why_and_what_to_do(flag: FlagName) -> None:
    text = said(*flag.value.split())
    assert "(flags of a rock)" in text
    assert "why: " in text
    assert "do: " in text


@pytest.mark.parametrize("model", [BoxFile, StandFile], ids=["box", "stand"])
def test_every_key_is_explained(model: type[BaseModel]) -> None:
    known = {one.name for one in explanations()}
    wanted = {
        key.replace("parts.pinion.", "parts.")
        .replace("parts.gear.", "parts.")
        .replace("shims.gear.", "shims.")
        .replace("shims.pinion.", "shims.")
        .replace("pinion_encoder.", "encoder.")
        for key in keys(model)
    }
    assert len(wanted) > 30
    assert wanted <= known


@pytest.mark.parametrize("outcome", get_args(Outcome))
def test_every_verdict_is_explained(outcome: str) -> None:
    assert "(verdicts)" in said(outcome)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("mounting.pinion_set_in",), "mounting.pinion_set_mm"),
        (("face_width",), "gear_set.face_width_mm"),
        (("[tip]",), "tip.touch_radius_mm"),
        (("encoder.pinion.number",), "encoder.number"),
        (("shims.gear.fitted_mm",), "shims.fitted_mm"),
        (("NOT", "PROVEN"), "not proven"),
        (("calibration_due",), "encoder.calibration_due"),
    ],
)
def test_a_word_is_found_as_people_write_it(words: tuple[str, ...], expected: str) -> None:
    assert expected in said(*words)


@pytest.mark.parametrize(
    ("slip", "meant"), [("bakclash", "backlash"), ("slipp", "slip"), ("hunt", "hunting")]
)
def test_an_unknown_word_names_the_nearest(slip: str, meant: str) -> None:
    with pytest.raises(ConfigurationError, match=meant):
        said(slip)


def test_without_a_word_all_are_listed_by_group() -> None:
    text = said()
    assert all(one.name.split()[0] in text for one in explanations())
    assert max(map(len, text.splitlines())) <= 80


def test_explanations_are_sentences() -> None:
    for one in explanations():
        for words in (one.what, one.why, one.do):
            assert not words or words.endswith(".") or "  " in words, one
