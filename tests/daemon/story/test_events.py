"""What single events say of themselves."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from daemon.logbook.test_logbook import started
from lashmap_daemon.story import events
from lashmap_daemon.story.cause import Cause, Found, answer_of
from lashmap_daemon.story.recorded import ENCODER, PINION_ENCODER, OtherVersion, Setup
from pydantic import ValidationError


@pytest.mark.parametrize(
    ("difference_mm", "difference_deg", "agrees"),
    [
        (0.002, 0.5, True),  # just what can be explained
        (-0.002, -0.5, True),
        (0.0021, 0.0, False),
        (-0.0021, 0.0, False),
        (0.0, 0.51, False),
        (0.0, -0.51, False),
        (0.001, None, True),  # an angle that nobody knows says nothing
        (0.003, None, False),
    ],
)
def test_a_check_agrees_within_what_explains_length_and_angle(
    difference_mm: float, difference_deg: float | None, *, agrees: bool
) -> None:
    checked = events.CheckedAgain(
        number=4, of=2, difference_mm=difference_mm, allowed_mm=0.002, difference_deg=difference_deg,
        allowed_deg=0.5,
    )  # fmt: skip
    assert checked.agrees == agrees


@pytest.mark.parametrize("number", [2**53, -(2**53), 2**53 + 1, -(2**53) - 1])
def test_a_whole_number_that_a_float_does_not_hold_is_damage(number: int) -> None:
    # IEEE 754: beyond 2^53 not every whole number is a double
    for event in (
        events.RockStarted(number=number, engagement=0, start_s=0.0),
        events.PositionsSpared(numbers=(1, number)),
    ):
        kind, body = events.to_json(event)
        if abs(number) <= 2**53:
            assert events.from_json(kind, body) == event
        else:
            with pytest.raises(ValidationError, match="cannot be meant"):
                events.from_json(kind, body)


def test_photographs_are_numbered_from_one() -> None:
    first = events.PhotoTaken(number=1, words="", size=3, sha256="0" * 64, channel="photo 1")
    kind, body = events.to_json(first)
    assert events.from_json(kind, body) == first
    with pytest.raises(ValidationError, match="greater than or equal to 1"):
        events.from_json(kind, body.replace('"number":1', '"number":0'))


def test_only_a_start_may_be_of_another_version(tmp_path: Path) -> None:
    kind, body = events.to_json(started(tmp_path))
    told = json.loads(body)
    told["setup"] = {"version": 4}
    with pytest.raises(OtherVersion, match="of version 4, and this program reads version 3"):
        events.from_json(kind, json.dumps(told))
    with pytest.raises(ValidationError):
        events.from_json("NoteTaken", json.dumps(told))


@pytest.mark.parametrize(
    ("line", "cause", "words"),
    [
        ("1", "pinion", ""),
        (" Tip. ", "tip", ""),
        ("3:", "flanks", ""),
        ("5", "nothing", ""),
        ("4  oil\ton it", "other", "oil on it"),
        ("other " + 500 * "x", "other", 500 * "x"),
        ("other " + 501 * "x", None, ""),
        ("4", None, ""),  # what was it?
        ("1 loose", None, ""),
        ("6", None, ""),
        ("0", None, ""),
        ("", None, ""),
    ],
)
def test_an_answer_is_a_number_or_a_word_and_for_others_what_it_was(
    line: str, cause: Cause | None, words: str
) -> None:
    assert answer_of(line) == (None if cause is None else Found(cause=cause, words=words))


def test_a_reference_has_an_angle_of_each_encoder() -> None:
    found = events.MatchedTeethSet(
        encoder_deg=1.0, seen_deg=2.0, how="box file", pinion_encoder_deg=3.0, pinion_seen_deg=4.0
    )
    assert (found.of(ENCODER), found.of(PINION_ENCODER)) == ((1.0, 2.0), (3.0, 4.0))


def test_a_start_names_its_instruments(tmp_path: Path) -> None:
    start = started(tmp_path)
    stand, box = start.stand, start.box
    assert stand.encoder is not None
    assert stand.indicator is not None

    def with_stand(**changed: object) -> events.TestStarted:
        return replace(start, setup=Setup.of(box, replace(stand, **changed)))  # type: ignore[arg-type] # as named

    named = replace(stand.encoder, serial="E1", shaft="gear")
    dial = replace(stand.indicator, serial="D1")
    one = with_stand(encoder=named, indicator=dial)
    assert one.serials == ("D1", "E1")
    assert not one.is_counted
    assert one.gauge is None
    assert one.place == (stand.stand.name, stand.stand.remark)
    other = replace(named, serial="E2", shaft="pinion")
    two = {"pinion_encoder": other, "pinion_encoder_profile": stand.encoder_profile}
    assert with_stand(encoder=named, indicator=dial, **two).serials == ("D1", "E1 (gear), E2 (pinion)")
    unnamed = {"encoder": replace(named, serial=""), "indicator": dial}
    assert with_stand(**unnamed, **two).serials == ("D1", "E2 (pinion)")
    assert with_stand(encoder=named, indicator=None, indicator_profile=None).serials == ("", "E1")
    counted = with_stand(encoder=None, encoder_profile=None, indicator=dial)
    assert counted.serials == ("D1", "")
    assert counted.is_counted
