"""Readings that a person typed: held against a calculation by hand after the GUM, and their flags."""

from __future__ import annotations

import math

import pytest
from lashmap_analysis.record.record import TypedReadings
from lashmap_analysis.rock.flags import FlagName
from lashmap_analysis.rock.rock import RockReading
from lashmap_analysis.rock.typed import (
    measure_typed,
    pooled_mm,
    rounded_alike,
    scale_uncertainty_mm,
    shown_step_mm,
)


def typed(*rocks_mm: tuple[float, float]) -> TypedReadings:
    return TypedReadings(rocks_mm=rocks_mm)


def measured(one: TypedReadings, *others: TypedReadings, step_mm: float = 0.005) -> RockReading:
    return measure_typed(one, others, step_mm=step_mm, most_mm=1.5)


def names(reading: RockReading) -> dict[FlagName, bool]:
    return {flag.name: flag.disabling for flag in reading.flags}


def test_the_calculation_by_hand() -> None:
    """A dial with hundredths read to half a division, three rocks here and two at another position.

    Source: JCGM 100:2008, 4.2.1 to 4.2.4 (mean, experimental and pooled standard deviation), 4.3.7
    (rectangular), 5.1.2 (sum of squares), G.4.1 (degrees of freedom), worked with paper and pencil:

    lashes 0.120, 0.125, 0.120: mean 0.121667; squares about it 16.667e-6
    lashes 0.140, 0.150: mean 0.145; squares about it 50e-6
    s² = 66.667e-6 / (2 + 1) = 22.222e-6, s = 4.714 µm, s / √3 = 2.7217 µm
    one reading: a = 2.5 µm, a / √3 = 1.4434 µm; two of them 2.0412 µm
    u = √(2.7217² + 2.0412²) = 3.4021 µm; ν = 3 · (3.4021 / 2.7217)⁴ = 7.324
    """
    reading = measured(
        typed((0.030, 0.150), (0.030, 0.155), (0.035, 0.155)), typed((0.10, 0.24), (0.095, 0.245))
    )
    assert reading.reading_mm == pytest.approx(0.1216667, abs=1e-7)
    assert reading.standard_uncertainty_mm == pytest.approx(0.0034021, abs=1e-7)
    assert reading.degrees_of_freedom == pytest.approx(7.324, abs=1e-3)
    assert reading.spread_mm == pytest.approx(0.005)
    assert reading.reversals == 3
    assert names(reading) == {FlagName.READ_BY_EYE: False}


def test_the_same_value_again_and_again_is_not_known_without_doubt() -> None:
    # source: JCGM 100:2008, F.2.2.1: 0.29 of the step, here for two readings
    same = typed(*[(0.0, 0.125)] * 5)
    reading = measured(same, same, same)
    assert reading.standard_uncertainty_mm == pytest.approx(math.sqrt(2) * 0.005 / math.sqrt(12))
    assert math.isinf(reading.degrees_of_freedom)
    assert scale_uncertainty_mm(0.005) == pytest.approx(0.00204124, abs=1e-8)


def test_flanks_in_either_order_give_one_lash() -> None:
    assert measured(typed((0.1, 0.22), (0.22, 0.1))).reading_mm == pytest.approx(0.12)


def test_whoever_reads_whole_divisions_alone_is_taken_at_that() -> None:
    # source: counting; ten readings on the coarser grid come by chance once in a thousand times
    whole = typed(*[(0.01 * n, 0.01 * n + 0.12) for n in range(1, 6)])
    assert shown_step_mm((whole,), 0.005) == 0.01
    assert shown_step_mm((whole, typed((0.015, 0.13))), 0.005) == 0.005
    assert shown_step_mm((typed((0.01, 0.12)),), 0.005) == 0.005
    # the finer step is believed once it was seen
    assert shown_step_mm((typed(*[(0.0, 0.12)] * 9),), 0.005) == 0.01
    assert shown_step_mm((typed(*[(0.0, 0.12)] * 8, (0.0, 0.125)),), 0.005) == 0.005


def test_the_pooled_scatter_is_that_of_the_handbook() -> None:
    # source: ISO 5725-2:2019, 7.4 (from memory); positions with one rock say nothing
    scatter, freedom = pooled_mm((typed((0, 1), (0, 3)), typed((0, 4)), typed((0, 1), (0, 2), (0, 3))))
    assert scatter == pytest.approx(math.sqrt((2 + 2) / 3))
    assert freedom == 3
    assert pooled_mm((typed((0, 1)),)) == (0.0, 0)


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (typed((0.0, 0.12)), {FlagName.TOO_FEW_ROCKS: True}),
        (typed(), {FlagName.TOO_FEW_ROCKS: True}),
        (typed((0.1, 0.1), (0.1, 0.1)), {FlagName.OUT_OF_RANGE: True}),
        (typed((0.0, 1.6), (0.0, 1.6)), {FlagName.OUT_OF_RANGE: True}),
        (typed((0.0, 0.12), (0.0, 0.12), (0.0, 1.2)), {FlagName.UNEVEN_ROCKS: True}),
        (typed((0.0, 0.12), (0.0, 0.14)), {FlagName.UNEVEN_ROCKS: False}),
        (typed((0.0, 0.12), (0.0, 0.13)), {}),
    ],
)
def test_what_cannot_be_is_refused_and_what_is_odd_is_said(
    given: TypedReadings, expected: dict[FlagName, bool]
) -> None:
    found = measured(given, typed((0.0, 0.12), (0.0, 0.12)))
    found_names = names(found)
    found_names.pop(FlagName.READ_BY_EYE, None)
    assert found_names == expected
    assert found.usable is (True not in expected.values())


def test_uneven_rocks_count_with_their_own_scatter() -> None:
    even = [typed((0.0, 0.125), (0.0, 0.125), (0.0, 0.125))] * 8
    uneven = measured(typed((0.0, 0.125), (0.0, 0.145)), *even)
    own = 0.02 / math.sqrt(2)  # two values: their difference over √2 (JCGM 100:2008, 4.2.2)
    assert uneven.standard_uncertainty_mm >= own / math.sqrt(2)


def test_readings_that_are_no_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="finite readings"):
        measured(typed((0.0, math.nan), (0.0, 0.1)))


def test_readings_come_back_from_their_text_to_the_last_bit() -> None:
    given = typed((0.1, 0.30000000000000004), (0.0, 1 / 3))
    assert TypedReadings.from_text(given.as_text) == given
    assert TypedReadings.from_text("") is None


def test_lashes_within_a_few_steps_may_all_be_rounded_alike() -> None:
    # source: a quiet gear under a dial set to 0 shows one value everywhere, however often it is read
    quiet = [typed((0.0, 0.125), (0.0, 0.125)), typed((0.0, 0.130), (0.0, 0.130))]
    assert rounded_alike(quiet, 0.005)
    assert not rounded_alike([*quiet, typed((0.0, 0.15))], 0.005)
    assert rounded_alike([], 0.005)
