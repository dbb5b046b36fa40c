"""Poisson intervals, observed to expected, Poisson-binomial.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from audits.statistics.rates import observed_to_expected, poisson_binomial, poisson_interval
from tests.statistics.printed import printed

RISKS = [0.05, 0.1, 0.1, 0.2, 0.3, 0.4, 0.15, 0.25]


def ends(interval):
    return [interval.lower, interval.upper]


@pytest.mark.parametrize(
    ("events", "expected"),
    # R epitools pois.exact and scipy (independent); at 1 scipy, because epitools' .0252896 is iterative.
    [
        (0, "0.000000 3.688879"),
        (1, ".025318 5.571643"),
        (2, ".242209 7.224688"),
        (3, ".618672 8.767273"),
        (5, "1.623486 11.668332"),
        (10, "4.795389 18.390356"),
        (20, "12.216520 30.888378"),
        (50, "37.110964 65.918767"),
    ],
)
def test_garwood_intervals(events, expected):
    assert ends(poisson_interval(events)) == printed(expected)


def test_garwood_interval_of_a_published_output():
    # R DescTools output printed in statsmodels, test_rates_poisson.py (quoted).
    assert ends(poisson_interval(15, 400)) == printed(".0209884653 .0618505472")


@pytest.mark.parametrize(
    ("events", "byar"),
    # Byar's approximation, R epitools pois.byar (independent). What statsmodels quotes from DescTools as Byar's for
    # 15 in 400 (.0219084, .0602934) is the narrower mid-P form, taken at 15.5, and so not compared.
    [(1, ".013072 5.563756"), (5, "1.611348 11.668164"), (10, "4.78745 18.391459")],
)
def test_byars_approximation_is_near(events, byar):
    low, high = (float(figure) for figure in byar.split())
    found = poisson_interval(events)
    assert [found.lower, found.upper] == pytest.approx([low, high], abs=0.02)


def test_welsh_nickel_workers():
    # 137 seen, 24.19893 expected: help data of R biostat3 (quoted); interval R (independent). E is itself rounded.
    assert printed("5.661407") == 137 / 24.19893
    assert ends(poisson_interval(137, 24.19893)) == pytest.approx([4.753124, 6.692710], abs=1e-6)


def test_the_example_of_liddell():
    # Inputs: Liddell (1984), J Epidemiol Community Health 38:85 (quoted); figures R poisson.test (independent).
    assert ends(poisson_interval(8, 3.59, confidence=0.9)) == printed("1.108864 4.020794")


def test_rates_in_thousand_catheter_days():
    # Own earlier computation.
    assert ends(poisson_interval(4, 1.25)) == printed(".871892 8.193271")
    assert ends(poisson_interval(0, 0.5)) == printed("0.000000 7.377759")


def test_no_exposure_gives_no_figure():
    found = poisson_interval([0, 4], [0, 1.25])
    assert np.isnan([found.lower[0], found.upper[0]]).all()
    assert found.lower[1] == printed(".871892")
    assert np.isnan(poisson_interval(0, 0).upper)


@given(st.integers(0, 500), st.floats(0.01, 1e4), st.floats(0.5, 0.999))
def test_garwood_equals_chi_square_quantiles(events, exposure, confidence):
    tail = (1 - confidence) / 2
    low = stats.chi2.ppf(tail, 2 * events) / 2 if events else 0
    high = stats.chi2.isf(tail, 2 * events + 2) / 2
    found = poisson_interval(events, exposure, confidence=confidence)
    assert ends(found) == pytest.approx([low / exposure, high / exposure], rel=1e-7)


@pytest.mark.parametrize(
    ("events", "exposure", "message"),
    [(-1, 1, "-1"), (1.5, 1, "1.5"), (1, -2, "-2"), (1, float("inf"), "inf"), (1, float("nan"), "nan")],
)
def test_bad_counts_and_exposures_are_refused(events, exposure, message):
    with pytest.raises(ValueError, match=message):
        poisson_interval(events, exposure)


def test_poisson_binomial_of_eight_risks():
    # R PoissonBinomial 1.2.5 (independent).
    assert poisson_binomial(RISKS).tolist() == printed(
        ".164826900 .351064125 .302962050 .138373425 .036537250 .005699975 .00051175 .000024075 .00000045"
    )


def test_observed_to_expected_of_eight_risks():
    # R PoissonBinomial 1.2.5 (independent). The tail is below .05 while the interval holds 1: as expected.
    found = observed_to_expected(4, RISKS)
    assert found.expected == pytest.approx(1.55, abs=1e-12)
    assert found.ratio == printed("2.580645")
    assert ends(found.interval) == printed(".703139 6.607477")
    assert found.tail == printed(".0427735")
    assert found.interval.lower < 1 < found.interval.upper


@settings(deadline=None)
@given(st.lists(st.floats(0, 1), max_size=9))
def test_poisson_binomial_equals_every_outcome_added_up(chances):
    expected = np.zeros(len(chances) + 1)
    for outcome in product((0, 1), repeat=len(chances)):
        share = np.prod([c if hit else 1 - c for c, hit in zip(chances, outcome, strict=True)])
        expected[sum(outcome)] += share
    assert poisson_binomial(chances) == pytest.approx(expected, abs=1e-12)


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(0.001, 0.999), min_size=1, max_size=120))
def test_poisson_binomial_equals_scipy(chances):
    found = poisson_binomial(chances)
    assert found.sum() == pytest.approx(1, abs=1e-12)
    assert found == pytest.approx(stats.poisson_binom.pmf(np.arange(len(chances) + 1), chances), abs=1e-9)


def test_equal_chances_are_binomial_down_to_the_smallest_tail():
    found = poisson_binomial([0.1] * 150)
    assert found == pytest.approx(stats.binom.pmf(np.arange(151), 150, 0.1), rel=1e-9, abs=0)


def test_no_cases_and_no_risk_give_no_ratio():
    for risks in ([], [0.0, 0.0]):
        found = observed_to_expected(0, risks)
        assert (found.expected, found.ratio, found.interval, found.tail) == (0, None, None, 1)
    assert observed_to_expected(1, [0.0, 0.0]).tail == 0


def test_none_seen_and_all_seen():
    none, every = observed_to_expected(0, RISKS), observed_to_expected(8, RISKS)
    assert (none.ratio, none.interval.lower, none.tail) == (0, 0, pytest.approx(1, abs=1e-12))
    assert every.tail == pytest.approx(float(np.prod(RISKS)), rel=1e-12)


@pytest.mark.parametrize(
    ("observed", "risks", "message"),
    [(9, RISKS, "9 of 8"), (-1, RISKS, "-1"), (1.5, RISKS, "1.5"), (1, [0.2, 1.2], "1.2"), (1, [[0.2]], r"\(1, 1\)")],
)
def test_impossible_cases_are_refused_with_their_values(observed, risks, message):
    with pytest.raises(ValueError, match=message):
        observed_to_expected(observed, risks)
