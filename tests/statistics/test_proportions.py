"""Intervals for k of n against print, other libraries and their own symmetry.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from audits.statistics.proportions import exact_interval, jeffreys_interval, wilson_interval
from tests.statistics.printed import printed

INTERVALS = (wilson_interval, exact_interval, jeffreys_interval)

# Which examples, and their four printed decimals: Newcombe (1998), Stat Med 17:857-872, Table I (memory).
# Six decimals: R epitools 0.5-10.1, R prop.test and statsmodels 0.15.0 (independent).
NEWCOMBE = [
    (81, 263, ".2553 .3662", ".255289 .366210", ".252737 .367622", ".254522 .365647"),
    (15, 148, ".0624 .1605", ".062386 .160487", ".057844 .161650", ".060449 .157643"),
    (0, 20, ".0000 .1611", ".000000 .161125", ".000000 .168433", ".000000 .116639"),
    (1, 29, ".0061 .1718", ".006113 .171755", ".000873 .177644", ".003746 .150078"),
]
# R epitools 0.5-10.1 and statsmodels 0.15.0 (independent).
OTHERS = [
    (29, 29, ".883030 1", ".880555 1", ".917714 1"),
    (8, 10, ".490162 .943318", ".443905 .974789", ".497226 .955941"),
    (24, 30, ".626943 .904949", ".614333 .922864", ".633387 .911933"),
    (45, 60, ".627679 .842235", ".621404 .852814", ".630485 .846059"),
    (3, 3, ".438503 1", ".292402 1", ".464417 1"),
]


def ends(interval):
    return [interval.lower, interval.upper]


def counts(most=400):
    return st.integers(1, most).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


confidences = st.floats(0.5, 0.999)


@pytest.mark.parametrize(("k", "n", "wilson", "digits", "exact", "jeffreys"), NEWCOMBE)
def test_examples_of_newcombe(k, n, wilson, digits, exact, jeffreys):
    assert ends(wilson_interval(k, n)) == printed(wilson)
    assert ends(wilson_interval(k, n)) == printed(digits)
    assert ends(exact_interval(k, n)) == printed(exact)
    assert ends(jeffreys_interval(k, n)) == printed(jeffreys)


@pytest.mark.parametrize(("k", "n", "wilson", "exact", "jeffreys"), OTHERS)
def test_examples_of_other_libraries(k, n, wilson, exact, jeffreys):
    assert ends(wilson_interval(k, n)) == printed(wilson)
    assert ends(exact_interval(k, n)) == printed(exact)
    assert ends(jeffreys_interval(k, n)) == printed(jeffreys)


def test_newcombe_prints_the_exact_interval_to_four_places():
    # Newcombe (1998), Table I (memory).
    assert ends(exact_interval(81, 263)) == printed(".2527 .3676")
    assert ends(exact_interval(15, 148)) == printed(".0578 .1617")
    assert ends(exact_interval(0, 20)) == printed(".0000 .1684")
    assert ends(exact_interval(1, 29)) == printed(".0009 .1776")


def test_exact_interval_of_r_binom_test():
    # Output of R binom.test printed in statsmodels, test_proportion.py (quoted).
    assert ends(exact_interval(51, 235)) == printed(".1660633 .2752684")


def test_wilson_interval_of_a_statsmodels_test():
    # statsmodels, test_confint_proportion_wilson_clip (quoted).
    assert ends(wilson_interval(19, 38)) == printed(".3484993 .6515007")


@pytest.mark.parametrize("interval", INTERVALS)
def test_no_insertions_say_nothing(interval):
    assert ends(interval(0, 0)) == [0, 1]


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize("n", [1, 3, 20, 1000])
def test_none_and_all_reach_exactly_nought_and_one(interval, n):
    assert interval(0, n).lower == 0
    assert interval(n, n).upper == 1
    assert 0 < interval(0, n).upper < 1
    assert 0 < interval(n, n).lower < 1


@pytest.mark.parametrize("interval", INTERVALS)
def test_one_insertion_leaves_nearly_everything_open(interval):
    assert interval(1, 1).lower < 0.3
    assert interval(0, 1).upper > 0.7


@pytest.mark.parametrize("interval", INTERVALS)
def test_arrays_in_give_arrays_out_equal_to_one_by_one(interval):
    k, n = np.array([[0, 3, 8], [24, 45, 0]]), np.array([[20, 3, 10], [30, 60, 0]])
    found = interval(k, n)
    assert found.lower.shape == found.upper.shape == (2, 3)
    for place in np.ndindex(2, 3):
        one = interval(int(k[place]), int(n[place]))
        assert isinstance(one.lower, float)
        assert (found.lower[place], found.upper[place]) == (one.lower, one.upper)


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize(
    ("k", "n", "confidence", "message"),
    [
        (-1, 10, 0.95, "-1"),
        (11, 10, 0.95, "11 of 10"),
        (1.5, 10, 0.95, "1.5"),
        (1, 10.5, 0.95, "10.5"),
        (float("nan"), 10, 0.95, "nan"),
        (1, float("inf"), 0.95, "inf"),
        ([1, 2, 9], [3, 3, 8], 0.95, "9 of 8"),
        (1, 10, 0, "0"),
        (1, 10, 1, "1"),
        (1, 10, float("nan"), "nan"),
    ],
)
def test_bad_counts_are_refused_with_their_values(interval, k, n, confidence, message):
    with pytest.raises(ValueError, match=message):
        interval(k, n, confidence=confidence)


@given(counts(), confidences)
def test_wilson_equals_scipy(pair, confidence):
    k, n = pair
    other = stats.binomtest(k, n).proportion_ci(confidence, method="wilson")
    assert ends(wilson_interval(k, n, confidence=confidence)) == pytest.approx([other.low, other.high], abs=1e-9)


@given(counts(), confidences)
def test_exact_equals_scipy(pair, confidence):
    k, n = pair
    other = stats.binomtest(k, n).proportion_ci(confidence, method="exact")
    assert ends(exact_interval(k, n, confidence=confidence)) == pytest.approx([other.low, other.high], abs=1e-7)


@given(counts(), confidences)
def test_all_three_equal_statsmodels(pair, confidence):
    k, n = pair
    for interval, method in zip(INTERVALS, ("wilson", "beta", "jeffreys"), strict=True):
        low, high = proportion_confint(k, n, alpha=1 - confidence, method=method)
        found = interval(k, n, confidence=confidence)
        # statsmodels does not set Jeffreys's ends at 0 of n and n of n, so that those are left out.
        assert k == 0 or found.lower == pytest.approx(low, abs=1e-7)
        assert k == n or found.upper == pytest.approx(high, abs=1e-7)


@given(counts(), confidences)
def test_failures_mirror_successes(pair, confidence):
    k, n = pair
    for interval in INTERVALS:
        one, other = interval(k, n, confidence=confidence), interval(n - k, n, confidence=confidence)
        assert one.lower == pytest.approx(1 - other.upper, abs=1e-9)


@given(st.integers(1, 300), confidences)
def test_ends_rise_with_successes_and_hold_the_rate(n, confidence):
    k = np.arange(n + 1)
    for interval in INTERVALS:
        found = interval(k, np.full(n + 1, n), confidence=confidence)
        assert (np.diff(found.lower) > -1e-12).all()
        assert (np.diff(found.upper) > -1e-12).all()
        assert ((found.lower <= k / n + 1e-12) & (k / n - 1e-12 <= found.upper)).all()
        assert ((found.lower >= 0) & (found.upper <= 1)).all()


@pytest.mark.parametrize(
    ("interval", "n", "rate", "expected"),
    # Own earlier computation (exact binomial sums).
    [(exact_interval, 20, 0.8, ".978"), (wilson_interval, 20, 0.8, ".956"), (wilson_interval, 10, 0.98, ".984")],
)
def test_how_often_the_interval_holds_the_true_rate(interval, n, rate, expected):
    k = np.arange(n + 1)
    found = interval(k, np.full(n + 1, n))
    held = (found.lower <= rate) & (rate <= found.upper)
    assert stats.binom.pmf(k, n, rate)[held].sum() == printed(expected)
