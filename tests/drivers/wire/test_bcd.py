"""Packed digits: frames packed by hand from the shipped profile's own description."""

from __future__ import annotations

import math
import tomllib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.wire.bcd import BcdProfile
from pydantic import ValidationError

SHIPPED = Path(__file__).parents[3] / "configs" / "instruments" / "indicator-bcd.toml"
TREE = tomllib.loads(SHIPPED.read_text("utf-8"))


def profile(**frame: object) -> BcdProfile:
    return BcdProfile.model_validate({**TREE, "frame": {**TREE["frame"], **frame}})


def read(one: BcdProfile, *frames: str) -> list[float]:
    """Readings of single frames: four of each, which is what it takes to be believed."""
    return [one.make_parser().feed(bytes.fromhex(text) * 4)[0] for text in frames]


def packed(number: Decimal, places: int) -> bytes:
    digits = f"{abs(int(number.scaleb(places))):06d}"
    return bytes.fromhex(f"FFFF{8 if number < 0 else 0}{digits}{places}00")


def test_the_example_of_the_shipped_profile() -> None:
    # FF FF 80 12 34 53 00: sign 8, digits 012345, three decimal places, unit mm.
    assert read(profile(), "FFFF8012345300") == [-12.345]


@given(number=st.integers(-999_999, 999_999), places=st.integers(0, 6))
def test_every_number_comes_back_as_written(number: int, places: int) -> None:
    written = Decimal(number).scaleb(-places)
    parser = profile().make_parser()
    assert parser.feed(packed(written, places) * 4) == [float(written)] * 4


def test_inches_become_the_unit_of_the_profile() -> None:
    assert read(profile(), "FFFF0001000310") == [25.4]  # 1.000 inch, 25.4 mm by definition


@pytest.mark.parametrize(
    "text",
    [
        "FFFF0A12345300",  # a digit that is none
        "FFFF3012345300",  # a sign that is none
        "FFFF0012345320",  # a unit that is none
        "FFFF0012345700",  # more decimal places than digits
    ],
)
def test_what_cannot_be_is_a_bad_frame(text: str) -> None:
    parser = profile().make_parser()
    assert parser.feed(bytes.fromhex(text) * 5) == []
    assert parser.good_frames == 0
    assert parser.bad_frames > 0


def test_low_nibble_first_fixed_places_and_marks() -> None:
    one = profile(
        nibble_order="low first",
        decimal_place_nibble=None,
        decimal_places=3,
        unit_nibble=None,
        units=None,
        overload=[[12, 15]],
        low_battery=[[13, 1]],
    )
    parser = one.make_parser()
    # Nibbles F F F F 8 0 1 2 3 4 5 0 0 1, each pair swapped in its byte: -012.345, low battery.
    assert parser.feed(bytes.fromhex("FFFF0821430510") * 4) == [-12.345] * 4
    assert parser.marks == {"low battery": 4}
    numbers = parser.feed(bytes.fromhex("FFFF082143050F"))
    assert math.isnan(numbers[0])
    assert parser.marks["overload"] == 1


@pytest.mark.parametrize(
    ("frame", "complaint"),
    [
        ({"digits": [5, 6, 14]}, "nibble 14 lies behind the end"),
        ({"digits": [5, 5]}, "named twice"),
        ({"decimal_places": 3}, "either decimal_places or decimal_place_nibble"),
        ({"units": None}, "belong together"),
        ({"units": {"16": "mm"}}, "nibble values"),
        ({"negative": [0]}, "both negative and positive"),
        ({"sign": 5}, "nibble 5 is named as something else"),
        ({"decimal_place_nibble": 10}, "nibble 10 is named as something else"),
        ({"negative": []}, "frame.negative"),
        ({"sign": None, "negative": [9]}, "belong to sign"),
        ({"start": ""}, "where a frame begins"),
    ],
)
def test_a_frame_that_cannot_be_is_refused(frame: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        profile(**frame)
