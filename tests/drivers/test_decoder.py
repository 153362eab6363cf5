from __future__ import annotations

import numpy as np
import pytest
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.profile import LineProfile
from lashmap_drivers.readings import Chunk
from pydantic import ValidationError

INDICATOR = LineProfile(kind="indicator line", pattern=r"(?P<value>[+-]?\d*\.\d+)", terminator="\n")
ENCODER = LineProfile(kind="encoder line", pattern=r"(?P<count>[+-]?\d+)", terminator="\n")


def decode(decoder: Decoder, text: str) -> list[float]:
    return [float(value) for value in decoder.feed(Chunk(1.0, f"\n{text}".encode())).value]


@pytest.mark.parametrize(
    ("unit", "mm"),
    # The inch is 25.4 mm exactly (international yard and pound agreement, 1959; NIST SP 811, B.8).
    [("mm", 0.125), ("um", 0.000125), ("in", 3.175)],
)
def test_units_become_mm(unit: str, mm: float) -> None:
    profile = INDICATOR.model_copy(update={"unit": unit})
    assert decode(Decoder.for_indicator(profile), "0.125\n") == pytest.approx([mm], rel=1e-15)


def test_sense_turns_the_sign_around() -> None:
    assert decode(Decoder.for_indicator(INDICATOR, sense=-1), "+0.5\n-.25\n") == [-0.5, 0.25]


def test_counts_become_degrees_over_many_turns() -> None:
    decoder = Decoder.for_encoder(ENCODER, counts_per_turn=14400, sense=-1)
    # 14400 counts a turn: one count is 1.5 minutes of arc; counted by hand.
    assert np.allclose(decode(decoder, "40\n-14400\n36000\n"), [-1.0, 360.0, -900.0])


@pytest.mark.parametrize(
    ("pattern", "complaint"),
    [("(?P<value>", "regular expression"), (r"\d+", "no group"), (r"(?P<count>\d+)", "no group")],
)
def test_a_profile_that_cannot_work_is_refused(pattern: str, complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        LineProfile(kind="indicator line", pattern=pattern)
