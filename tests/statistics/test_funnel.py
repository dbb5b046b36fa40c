"""Funnel limits.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from audits.statistics.funnel import funnel_limits, integer_limits, overdispersion
from tests.statistics.printed import printed

# Formula: Spiegelhalter (2005), Stat Med 24:1185-1202, appendix (memory). Figures: R qbinom, pbinom, dbinom
# (independent), target .8. Trials, exact 95% and 99.8%, whole-count 95% and 99.8% (None: no count can be).
LIMITS = [
    (10, ".470506 .976717", ".302464 .999069", (4, None), (3, None)),
    (20, ".583885 .938316", ".460746 .995663", (11, 20), (9, None)),
    (30, ".632059 .918995", ".534814 .973074", (18, 29), (16, None)),
    (50, ".672906 .895595", ".600856 .945224", (33, 46), (30, 49)),
    (100, ".713524 .870258", ".663234 .909022", (71, 89), (66, 92)),
]

TEN_UNITS = ([9, 24, 11, 40, 5, 28, 18, 3, 55, 33], [10, 30, 20, 45, 5, 40, 20, 6, 60, 50])
POOLED = sum(TEN_UNITS[0]) / sum(TEN_UNITS[1])


def test_the_pooled_target_of_the_ten_units():
    assert printed(".790210") == POOLED


@pytest.mark.parametrize(("n", "alert", "action", "whole_alert", "whole_action"), LIMITS)
def test_exact_and_whole_count_limits(n, alert, action, whole_alert, whole_action):
    for coverage, exact, whole in ((0.95, alert, whole_alert), (0.998, action, whole_action)):
        line = funnel_limits(n, 0.8, coverage=coverage)
        assert [line.lower, line.upper] == printed(exact)
        count = integer_limits(n, 0.8, coverage=coverage)
        assert (count.low, count.high) == (whole[0], whole[1] or n + 1)


def test_the_line_at_five_is_finer_than_counts_can_show():
    # R qbinom, pbinom, dbinom (independent).
    line = funnel_limits(5, 0.8, coverage=0.95)
    assert [line.lower, line.upper] == printed(".2714 .9847")
    assert integer_limits(5, 0.8, coverage=0.95).high == 6


@pytest.mark.parametrize(
    ("n", "low", "high"),
    # Target -+ z sqrt(target (1 - target)/n): what not to use; above 1 at 10. Own earlier computation.
    [(10, "0.5521", "1.0479"), (20, ".6247", ".9753"), (30, ".6569", ".9431"), (50, ".6891", ".9109"),
     (100, ".7216", ".8784")],
)  # fmt: skip
def test_normal_limits_are_too_narrow_below_for_few_insertions(n, low, high):
    half = stats.norm.isf(0.025) * np.sqrt(0.8 * 0.2 / n)
    assert (0.8 - half, 0.8 + half) == (printed(low), printed(high))
    assert funnel_limits(n, 0.8, coverage=0.95).lower < 0.8 - half


@given(st.integers(1, 400), st.floats(0.05, 0.95), st.floats(0.5, 0.999))
def test_whole_counts_are_the_last_within_the_tail(n, target, coverage):
    tail = (1 - coverage) / 2
    found = integer_limits(n, target, coverage=coverage)
    k = np.arange(n + 1)
    low = k[stats.binom.cdf(k, n, target) <= tail * (1 + 1e-12)]
    high = k[stats.binom.sf(k - 1, n, target) <= tail * (1 + 1e-12)]
    assert found.low == (low.max() if low.size else -1)
    assert found.high == (high.min() if high.size else n + 1)


@given(st.integers(1, 400), st.floats(0.05, 0.95), st.floats(0.5, 0.999))
def test_the_line_lies_within_one_count_of_the_whole_count_rule(n, target, coverage):
    line, whole = funnel_limits(n, target, coverage=coverage), integer_limits(n, target, coverage=coverage)
    assert whole.low / n - 1e-9 <= line.lower <= (whole.low + 1) / n + 1e-9
    assert (whole.high - 1) / n - 1e-9 <= line.upper + 1 / n
    assert line.upper <= whole.high / n + 1e-9
    assert 0 <= line.lower <= line.upper <= 1


def test_a_count_exactly_on_the_tail_is_low_or_high():
    # P(0 of 3 at a half) is 1/8, the tail of 75%.
    found = integer_limits(3, 0.5, coverage=0.75)
    assert (found.low, found.high) == (0, 3)
    # 1 - .7 is a little more than .3 in floats.
    assert integer_limits(1, 0.7, coverage=0.4).low == 0
    assert integer_limits(1, 0.3, coverage=0.4).high == 1


def test_units_without_insertions_have_no_limits():
    line = funnel_limits([0, 10], 0.8, coverage=0.95)
    assert (line.lower[0], line.upper[0]) == (0, 1)
    assert line.lower[1] == funnel_limits(10, 0.8, coverage=0.95).lower
    assert integer_limits(0, 0.8, coverage=0.95).low == -1


def test_one_insertion_can_be_neither_low_nor_high():
    found = integer_limits(1, 0.8, coverage=0.95)
    assert (found.low, found.high) == (-1, 2)


@pytest.mark.parametrize("limits", [funnel_limits, integer_limits])
@pytest.mark.parametrize(
    ("n", "target", "coverage", "message"),
    [(10, 0, 0.95, "target"), (10, 1, 0.95, "target"), (10, 0.8, 1, "coverage"), (10.5, 0.8, 0.95, "10.5")],
)
def test_bad_limits_are_refused_with_their_values(limits, n, target, coverage, message):
    with pytest.raises(ValueError, match=message):
        limits(n, target, coverage=coverage)


def test_overdispersion_of_ten_units():
    # Own earlier computation; the rule for drawing in the extremes differs between packages.
    plain = overdispersion(*TEN_UNITS, target=POOLED, winsorised=0)
    assert plain.ratio == printed("2.904367")
    assert plain.between == printed(".0135354")
    drawn_in = overdispersion(*TEN_UNITS, target=POOLED)
    assert drawn_in.ratio == printed("2.448327")
    assert drawn_in.between == printed(".0104558")


def test_units_that_differ_by_chance_alone_have_no_variance_between():
    found = overdispersion([8] * 12, [10] * 12, target=0.8)
    assert (found.ratio, found.between) == (pytest.approx(0, abs=1e-20), 0)


def test_limits_with_variance_between_units_are_wider():
    line = funnel_limits([20, 200], 0.8, coverage=0.95, between=0.01)
    half = stats.norm.isf(0.025) * np.sqrt(0.16 / np.array([20, 200]) + 0.01)
    assert line.lower == pytest.approx(0.8 - half, abs=1e-12)
    assert line.upper == pytest.approx(np.minimum(0.8 + half, 1), abs=1e-12)


@pytest.mark.parametrize(
    ("k", "n", "target", "winsorised", "message"),
    [
        ([8] * 9, [10] * 9, 0.8, 0.1, r"\(9,\)"),
        ([8] * 11, [10] * 10 + [7], 0.8, 0.1, "8 of 7"),
        ([8] * 10 + [0], [10] * 10 + [0], 0.8, 0.1, "0 in 1 of 11"),
        ([8] * 11, [10] * 11, 1.0, 0.1, "target"),
        ([8] * 11, [10] * 11, 0.8, 0.5, "winsorised"),
    ],
)
def test_overdispersion_refuses_what_it_cannot_judge(k, n, target, winsorised, message):
    with pytest.raises(ValueError, match=message):
        overdispersion(k, n, target=target, winsorised=winsorised)


def test_a_negative_variance_is_refused():
    with pytest.raises(ValueError, match="between"):
        funnel_limits(10, 0.8, coverage=0.95, between=-0.1)
