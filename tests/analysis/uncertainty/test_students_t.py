"""Student's t against scipy, closed forms and the tables of the GUM."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest
import scipy.special
import scipy.stats
from hypothesis import example, given
from hypothesis import strategies as st
from lashmap_analysis.uncertainty.students_t import freedom_of, probability, quantile

FREEDOMS = st.floats(0, 6).map(lambda power: 10.0**power)


# Both sides of where the ratio of gamma functions is had in another way.
@example(99.999, 0.975)
@example(100.0, 0.975)
@example(1e6, 0.995)
@given(FREEDOMS, st.floats(0.5, 0.9995))
def test_quantiles_are_those_of_scipy(freedom: float, below: float) -> None:
    assert quantile(below, freedom) == pytest.approx(float(scipy.special.stdtrit(freedom, below)), rel=1e-10)


@given(FREEDOMS, st.floats(0, 1000))
def test_probabilities_are_those_of_scipy(freedom: float, t: float) -> None:
    assert probability(t, freedom) == pytest.approx(float(scipy.special.stdtr(freedom, t)), abs=1e-12)


@given(st.floats(0.5, 0.9995))
def test_one_and_two_degrees_of_freedom_have_closed_forms(below: float) -> None:
    # The Cauchy distribution's, tan π(p - 1/2); and (2p - 1) / √(2p(1 - p)), from integrating the density.
    assert quantile(below, 1) == pytest.approx(math.tan(math.pi * (below - 0.5)), rel=1e-10, abs=1e-13)
    closed = (2 * below - 1) / math.sqrt(2 * below * (1 - below))
    assert quantile(below, 2) == pytest.approx(closed, rel=1e-10, abs=1e-13)


@pytest.mark.parametrize(
    ("level", "factors"),
    [
        (68.27, (1.84, 1.32, 1.20, 1.14, 1.11, 1.05, 1.03, 1.01, 1.000)),
        (95, (12.71, 4.30, 3.18, 2.78, 2.57, 2.23, 2.09, 2.01, 1.960)),
        (99, (63.66, 9.92, 5.84, 4.60, 4.03, 3.17, 2.85, 2.68, 2.576)),
    ],
)
def test_quantiles_are_those_of_gum_table_g2(level: float, factors: tuple[float, ...]) -> None:
    # JCGM 100:2008, table G.2, columns 68.27, 95 and 99 %.
    freedoms = (1, 2, 3, 4, 5, 10, 20, 50, math.inf)
    for freedom, factor in zip(freedoms, factors, strict=True):
        digits = 2 if math.isfinite(freedom) else 3
        assert round(quantile((1 + level / 100) / 2, freedom), digits) == factor


def test_infinite_degrees_of_freedom_are_the_normal_distribution() -> None:
    for below in (0.5, 0.8, 0.975, 0.995):
        assert quantile(below, math.inf) == pytest.approx(float(scipy.special.ndtri(below)), rel=1e-12)


@given(st.floats(0, 5).map(lambda power: 10.0**power), st.sampled_from([0.8, 0.975, 0.995]))
def test_degrees_of_freedom_are_found_again(freedom: float, below: float) -> None:
    t = float(scipy.stats.t.ppf(below, freedom))
    assert freedom_of(below, t) == pytest.approx(freedom, rel=1e-8)


def test_degrees_of_freedom_stay_from_one_to_infinity() -> None:
    assert freedom_of(0.975, 1.5) == math.inf
    assert freedom_of(0.975, quantile(0.975, math.inf)) == math.inf
    assert freedom_of(0.975, 12.8) == 1.0


@pytest.mark.parametrize(
    ("below", "freedom"), [(0.4, 3.0), (1.0, 3.0), (0.9, 0.49), (0.9, -1.0), (0.9, math.nan), (math.nan, 3.0)]
)
def test_what_has_no_quantile_is_refused(below: float, freedom: float) -> None:
    with pytest.raises(ValueError, match="degrees of freedom or more"):
        quantile(below, freedom)


def test_a_judgement_loads_no_heavy_library() -> None:
    code = (
        "import sys, lashmap_analysis.judge.assess, lashmap_daemon.replay.conclude;"
        "from lashmap_analysis.uncertainty.budget import coverage_factor;"
        "coverage_factor(3.5);"
        "print([name for name in ('scipy', 'pandas', 'pymodbus') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
