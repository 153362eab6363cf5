"""Angles that begin again each turn, and angles said not to. Reference for the turns: numpy.unwrap."""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.errors import BEYOND, JUMPED, LOST_COUNT
from lashmap_drivers.readings import Chunk, Chunks
from lashmap_drivers.timing.angles import AngleTurns
from lashmap_drivers.wire.ascii_line import LineProfile
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from pydantic import ValidationError

Floats = NDArray[np.float64]
KHZ: Floats = np.arange(1.0, 4001.0) * 1e-3


def turning(seed: int, *, below_zero: bool = False) -> tuple[Floats, Floats]:
    """Angle as sent, three decimals, and without an end; over some turns, to and fro."""
    rng = np.random.default_rng(seed)
    speed = np.cumsum(rng.normal(0.0, 0.02, 4000))
    true = np.round(200.0 + np.cumsum(np.clip(speed, -2.0, 2.0)), 3)
    sent = np.mod(true, 360.0)
    return np.round(sent - 360.0 * (sent >= 180.0) if below_zero else sent, 3), true


@given(seed=st.integers(0, 2**32 - 1), below_zero=st.booleans())
def test_an_angle_that_begins_again_goes_on(seed: int, below_zero: bool) -> None:  # noqa: FBT001 - drawn
    sent, true = turning(seed, below_zero=below_zero)
    marks: Counter[str] = Counter()
    found = AngleTurns(360.0, marks).follow(sent, KHZ)
    assert_allclose(found, np.unwrap(sent, period=360.0), rtol=0.0, atol=1e-8, equal_nan=False)
    assert_allclose(found - found[0], true - true[0], rtol=0.0, atol=1e-8, equal_nan=False)
    assert not marks


@given(
    cuts=st.lists(st.integers(1, 399), max_size=8),
    wraps_at_deg=st.sampled_from([None, 360.0]),
    odd=st.lists(st.tuples(st.integers(0, 399), st.sampled_from([np.nan, 0.0, 359.0, 500.0])), max_size=6),
)
def test_it_does_not_matter_how_the_samples_come(
    cuts: list[int], wraps_at_deg: float | None, odd: list[tuple[int, float]]
) -> None:
    sent = turning(3)[0][:400].copy()
    for at, value in odd:
        sent[at] = value
    edges = sorted({0, 400, *cuts})
    one, many = AngleTurns(wraps_at_deg, Counter()), AngleTurns(wraps_at_deg, Counter())
    in_pieces = np.concatenate([many.follow(sent[a:b], KHZ[a:b]) for a, b in pairwise(edges)])
    assert in_pieces.tobytes() == one.follow(sent, KHZ[:400]).tobytes()


def test_an_angle_that_goes_on_is_left_to_the_last_bit() -> None:
    true = turning(5)[1]
    assert AngleTurns(None, Counter()).follow(true, KHZ).tobytes() == true.tobytes()


def test_an_angle_that_begins_again_unsaid_ends_there() -> None:
    true = 350.0 + np.arange(4000.0) * 0.01  # over 360 at sample 1000
    marks: Counter[str] = Counter()
    turns = AngleTurns(None, marks)
    found = turns.follow(np.mod(true, 360.0), KHZ)
    assert np.array_equal(found[:1000], true[:1000])
    assert np.isnan(found[1000:]).all()
    assert marks == {JUMPED: 1}
    turns.pause()  # a break does not bring the turns back
    assert np.isnan(turns.follow(true[:10], 10.0 + KHZ[:10])).all()


@pytest.mark.parametrize("wraps_at_deg", [None, 360.0])
def test_one_or_two_wrong_angles_are_left_out_and_no_more(wraps_at_deg: float | None) -> None:
    sent = 100.0 + np.arange(100.0) * 0.01
    sent[[40, 60, 61]] = [280.0 + 0.4, 350.0, 350.0]
    marks: Counter[str] = Counter()
    found = AngleTurns(wraps_at_deg, marks).follow(sent, KHZ[:100])
    assert np.flatnonzero(np.isnan(found)).tolist() == [40, 60, 61]
    assert not marks


def test_samples_far_apart_may_be_any_angle_apart() -> None:
    # Five samples a second or fewer: the shaft may have turned so far meanwhile.
    sent = np.array([10.0, 200.0, 30.0, 300.0, 310.0])
    assert np.array_equal(AngleTurns(None, Counter()).follow(sent, np.arange(5.0) * 0.25), sent)


@pytest.mark.parametrize(
    ("wraps_at_deg", "gap_s", "lost"),
    # Half of 360 degrees is gone in 0.05 s at ten turns a second, half of 36,000 in 5 s.
    [(360.0, 0.049, False), (360.0, 0.051, True), (36_000.0, 4.9, False), (36_000.0, 5.1, True)],
)
def test_after_missing_samples_the_turn_is_lost_where_the_angle_may_have_gone_round(
    wraps_at_deg: float,
    gap_s: float,
    lost: bool,  # noqa: FBT001 - a table
) -> None:
    marks: Counter[str] = Counter()
    turns = AngleTurns(wraps_at_deg, marks)
    turns.follow(np.array([10.0, 11.0]), KHZ[:2])
    turns.pause()
    found = turns.follow(np.array([12.0]), KHZ[1:2] + gap_s)
    assert bool(np.isnan(found).all()) == lost
    assert marks == ({LOST_COUNT: 1} if lost else {})
    assert turns.jump is None


def test_an_angle_beyond_its_range_is_none_and_marked() -> None:
    marks: Counter[str] = Counter()
    found = AngleTurns(360.0, marks).follow(np.array([359.0, 360.0, 361.0]), KHZ[:3])
    assert np.isnan(found).tolist() == [False, False, True]
    assert marks == {BEYOND: 1}


def test_the_decoder_of_a_text_encoder_follows_it_in_its_own_sense() -> None:
    profile = LineProfile(
        kind="ascii line", unit="deg", pattern=r"(?P<value>\d+\.\d{3})", wraps_at_deg=360.0, terminator="\n"
    )
    decoder = Decoder.for_encoder(profile, counts_per_turn=1, sense=-1)
    assert decoder.range_deg == 360.0
    values = [
        decoder.feed(Chunks.of(Chunk(0.01 * read, b"%07.3f\n" % (read * 2.0 % 360.0)))).value
        for read in range(1000)
    ]
    found = np.concatenate(values)
    assert found - found[0] == pytest.approx(-2.0 * np.arange(999), abs=1e-8)  # the first may be half a line


@pytest.mark.parametrize(
    ("sent", "apart_s", "mark"),
    [
        ([0.0, 100.0, 200.0, 300.0, 300.0], 0.05, LOST_COUNT),  # two thousand degrees a second, then at rest
        ([0.0, 300.0, 240.0, 180.0], 1.0, LOST_COUNT),  # 300 degrees a second to and fro look alike
        ([0.0, 10.0, 20.0], 0.21, LOST_COUNT),
        ([0.0, 10.0, 20.0], 0.19, ""),
        ([0.0, *[math.nan] * 40, 1.0], 0.001, ""),  # 41 ms: less than half a turn at ten turns a second
        ([0.0, *[math.nan] * 60, 1.0], 0.001, LOST_COUNT),
        ([0.0, *[500.0] * 60, 1.0], 0.001, LOST_COUNT),
        ([0.0, 72.0, 0.0, 72.0, *[10.0] * 60], 0.001, ""),  # no hand turns so quickly: they are wrong ones
    ],
)
def test_turns_are_followed_over_close_samples_alone(sent: list[float], apart_s: float, mark: str) -> None:
    marks: Counter[str] = Counter()
    found = AngleTurns(360.0, marks).follow(np.array(sent), np.arange(1.0, len(sent) + 1.0) * apart_s)
    assert marks[LOST_COUNT] == bool(mark)
    assert math.isnan(found[-1]) == bool(mark)
    if not mark:
        assert found[-1] == sent[-1]


@pytest.mark.parametrize(
    ("wraps_deg", "rate_hz", "speed_deg_s"),
    [
        (360.0, 1000.0, 100.0),
        (360.0, 10.0, 610.0),
        (360.0, 20.0, 300.0),
        (180.0, 1000.0, 50.0),
        (90.0, 500.0, 50.0),
    ],
)
def test_an_angle_that_begins_again_unsaid_never_names_another_turn(
    wraps_deg: float, rate_hz: float, speed_deg_s: float
) -> None:
    time_s = np.arange(1.0, 20.0 * rate_hz) / rate_hz
    true = speed_deg_s * time_s
    marks: Counter[str] = Counter()
    found = AngleTurns(None, marks).follow(np.mod(true, wraps_deg), time_s)
    known = ~np.isnan(found)
    assert np.array_equal(found[known], true[known])
    assert marks == {JUMPED: 1}


def test_an_angle_may_be_anywhere_after_a_stretch_without_one() -> None:
    sent = np.array([10.0, *[math.nan] * 500, 250.0, 250.5])
    marks: Counter[str] = Counter()
    found = AngleTurns(None, marks).follow(sent, KHZ[: len(sent)])
    assert found[-2:].tolist() == [250.0, 250.5]
    assert not marks


def test_an_encoder_that_sends_on_its_button_cannot_be_followed() -> None:
    with pytest.raises(ValidationError, match="between two presses nobody can follow the angle"):
        LineProfile.model_validate(
            {
                "kind": "ascii line",
                "unit": "deg",
                "pattern": r"(?P<value>\d+)",
                "wraps_at_deg": 360,
                "sends": "on its button",
            }
        )


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_only_an_angle_wraps(unit: str) -> None:
    with pytest.raises(ValidationError, match=f"is for an angle in degrees, but unit is '{unit}'"):
        LineProfile.model_validate(
            {"kind": "ascii line", "unit": unit, "pattern": r"(?P<value>\d+)", "wraps_at_deg": 360}
        )
