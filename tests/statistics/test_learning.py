"""The learning curve and its verdict.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

from math import log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audits.statistics.sequential import LearningLimits, learning_limits, learning_outcomes, learning_verdict
from tests.statistics.printed import printed

DEFAULT = learning_limits(0.20, 0.35, alpha=0.1, beta=0.1)

# Closed forms, own earlier computation; .15 and 2.71 for .10/.20 are widely printed (memory). Sets in use: .05/.10 and
# .10/.20, Kestin (1995), Br J Anaesth 75:805 (read); .20/.35, HPB 2009;11:565 (read); .35/.45, Drake and others (2015),
# Br J Anaesth 114:951 (read).
LIMITS = [
    (0.05, 0.10, 0.1, 0.1, ".072358", "2.940554", "2.940554", 41, 4),
    (0.10, 0.20, 0.1, 0.1, ".145244", "2.709511", "2.709511", 19, 4),
    (0.10, 0.25, 0.1, 0.1, ".165956", "2.000000", "2.000000", 13, 3),
    (0.15, 0.30, 0.1, 0.1, ".218816", "2.476295", "2.476295", 12, 4),
    (0.20, 0.35, 0.1, 0.1, ".270626", "2.863747", "2.863747", 11, 4),
    (0.20, 0.35, 0.05, 0.20, ".270626", "2.030804", "3.613646", 8, 5),
    (0.20, 0.40, 0.1, 0.1, ".293305", "2.240170", "2.240170", 8, 4),
    (0.35, 0.45, 0.1, 0.1, ".399299", "5.251888", "5.251888", 14, 9),
]


@pytest.mark.parametrize(("p0", "p1", "alpha", "beta", "step", "accept", "reject", "straight", "wrong"), LIMITS)
def test_step_and_lines(p0, p1, alpha, beta, step, accept, reject, straight, wrong):
    limits = learning_limits(p0, p1, alpha=alpha, beta=beta)
    assert limits.step == printed(step)
    assert -limits.accept == printed(accept)
    assert limits.reject == printed(reject)
    passed, failed = learning_verdict([0] * 60, limits), learning_verdict([1] * 60, limits)
    assert (passed.decision, passed.decided_after) == ("acceptable", straight)
    assert (failed.decision, failed.decided_after) == ("unacceptable", wrong)


def test_lines_of_an_easy_case_are_exact():
    # ln 9/ln 3 = 2.
    limits = learning_limits(0.10, 0.25, alpha=0.1, beta=0.1)
    assert (limits.accept, limits.reject) == pytest.approx((-2, 2), abs=1e-12)


@pytest.mark.parametrize(
    ("p0", "p1", "errors", "straight"),
    # Kestin (1995) saw 29 insertions for the quickest epidural trainee: his errors, not printed in what was read, must
    # have been larger than .10, with which at least 41 are needed. 26: own earlier computation.
    [(0.05, 0.10, 0.1, 41), (0.05, 0.10, 0.2, 26), (0.10, 0.20, 0.1, 19)],
)
def test_the_quickest_that_anybody_can_pass(p0, p1, errors, straight):
    limits = learning_limits(p0, p1, alpha=errors, beta=errors)
    assert learning_verdict([0] * 60, limits).decided_after == straight


def test_a_curve_that_turns_unacceptable_at_the_fourteenth():
    # Own earlier computation.
    verdict = learning_verdict([int(mark) for mark in "0100110100011100"], DEFAULT)
    assert verdict.values[12] == printed("2.481859")
    assert verdict.values[13] == printed("3.211233")
    assert (verdict.decision, verdict.decided_after) == ("unacceptable", 14)
    # The line runs on for display; the verdict stands.
    assert verdict.values[15] == printed("2.669980")


def test_the_first_line_met_decides_for_good():
    verdict = learning_verdict([0] * 11 + [1] * 40, DEFAULT)
    assert (verdict.decision, verdict.decided_after) == ("acceptable", 11)
    assert verdict.values[-1] > DEFAULT.reject


def test_no_insertions_and_few_are_undecided():
    for series in ([], [0], [1], [0, 1, 0, 0, 1]):
        verdict = learning_verdict(series, DEFAULT)
        assert (verdict.decision, verdict.decided_after) == ("undecided", None)
        assert len(verdict.values) == len(series)


# Exact dynamic programming, own earlier computation; a simulation in R agreed.
OUTCOMES = [
    (0.10, 0.20, 0.05, ".998278", ".001722", "29.07"),
    (0.10, 0.20, 0.10, ".922416", ".077584", "51.58"),
    (0.10, 0.20, 0.15, ".465848", ".534152", "67.31"),
    (0.10, 0.20, 0.20, ".096603", ".903397", "45.35"),
    (0.20, 0.35, 0.20, ".919320", ".080680", "35.34"),
    (0.20, 0.35, 0.275, ".479184", ".520816", "47.66"),
    (0.20, 0.35, 0.35, ".092871", ".907129", "32.72"),
]


@pytest.mark.parametrize(("p0", "p1", "true", "accept", "reject", "mean"), OUTCOMES)
def test_how_the_learning_curve_ends(p0, p1, true, accept, reject, mean):
    found = learning_outcomes(true, learning_limits(p0, p1, alpha=0.1, beta=0.1))
    assert found.acceptable == printed(accept)
    assert found.unacceptable == printed(reject)
    assert found.mean_attempts == printed(mean)
    assert found.undecided == 0


def test_a_fifth_are_undecided_after_fifty():
    # Own earlier computation.
    found = learning_outcomes(0.20, DEFAULT, attempts=50)
    assert found.acceptable == printed(".729667")
    assert found.unacceptable == printed(".065638")
    assert found.undecided == printed(".2047")


def by_hand(failure_rate, limits, attempts):
    """Forward over the number of failures: open, accepted, rejected, insertions used."""
    here, accepted, rejected, used = {0: 1.0}, 0.0, 0.0, 0.0
    for n in range(1, attempts + 1):
        used += sum(here.values())
        then = {}
        for failed, mass in here.items():
            for more, chance in ((1, failure_rate), (0, 1 - failure_rate)):
                height = failed + more - n * limits.step
                if height <= limits.accept + 1e-9:
                    accepted += mass * chance
                elif height >= limits.reject - 1e-9:
                    rejected += mass * chance
                else:
                    then[failed + more] = then.get(failed + more, 0.0) + mass * chance
        here = then
    return accepted, rejected, sum(here.values()), used


@settings(deadline=None, max_examples=40)
@given(
    st.floats(0, 1), st.floats(0.05, 0.4), st.floats(0.05, 0.4), st.floats(0.05, 0.3), st.floats(0.05, 0.3),
    st.integers(0, 80),
)  # fmt: skip
def test_outcomes_equal_a_plain_forward_pass(true, p0, apart, alpha, beta, attempts):
    limits = learning_limits(p0, p0 + apart, alpha=alpha, beta=beta)
    found = learning_outcomes(true, limits, attempts=attempts)
    got = (found.acceptable, found.unacceptable, found.undecided, found.mean_attempts)
    assert got == pytest.approx(by_hand(true, limits, attempts), abs=1e-9)


def test_outcomes_at_the_ends_and_for_many_rates():
    found = learning_outcomes(np.array([0.0, 0.2, 1.0]), DEFAULT)
    assert found.acceptable[[0, 2]] == pytest.approx([1, 0], abs=1e-12)
    assert found.mean_attempts[[0, 2]] == pytest.approx([11, 4], abs=1e-9)
    assert found.acceptable[1] == pytest.approx(learning_outcomes(0.2, DEFAULT).acceptable, abs=1e-14)


def test_standing_exactly_on_a_line_decides():
    limits = LearningLimits(step=0.1, accept=-0.3, reject=1.8)
    assert learning_verdict([0, 0, 0], limits).decided_after == 3
    assert learning_verdict([1, 1], limits).decided_after == 2
    found = learning_outcomes([0.0, 1.0], limits)
    assert found.mean_attempts == pytest.approx([3, 2])
    assert found.acceptable == pytest.approx([1, 0])


@settings(deadline=None, max_examples=25)
@given(st.floats(0.05, 0.5), st.floats(0.05, 0.4), st.floats(0.01, 0.45), st.floats(0.01, 0.45))
def test_errors_stay_within_walds_bounds(p0, apart, alpha, beta):
    # Wald (1945): with these lines P(reject | p0) <= alpha/(1 - beta) and P(accept | p1) <= beta/(1 - alpha).
    limits = learning_limits(p0, p0 + apart, alpha=alpha, beta=beta)
    assert limits.accept < 0 < limits.reject
    spread = log((p0 + apart) / p0) + log((1 - p0) / (1 - p0 - apart))
    assert -limits.accept * spread == pytest.approx(log((1 - alpha) / beta), abs=1e-9)
    assert learning_outcomes(p0, limits, attempts=300).unacceptable <= alpha / (1 - beta) + 1e-12
    assert learning_outcomes(p0 + apart, limits, attempts=300).acceptable <= beta / (1 - alpha) + 1e-12


@pytest.mark.parametrize(
    ("p0", "p1", "alpha", "beta", "message"),
    [
        (0.35, 0.20, 0.1, 0.1, "acceptable 0.35"),
        (0.20, 0.20, 0.1, 0.1, "acceptable 0.2"),
        (0.0, 0.20, 0.1, 0.1, "acceptable 0.0"),
        (0.2, 1.0, 0.1, 0.1, "unacceptable 1.0"),
        (0.2, 0.35, 0.0, 0.1, "0.0 and 0.1"),
        (0.2, 0.35, 0.1, -0.1, "0.1 and -0.1"),
        (0.2, 0.35, 0.5, 0.5, "0.5 and 0.5"),
    ],
)
def test_impossible_tests_are_refused_with_their_values(p0, p1, alpha, beta, message):
    with pytest.raises(ValueError, match=message):
        learning_limits(p0, p1, alpha=alpha, beta=beta)


def test_verdicts_and_outcomes_refuse_bad_input():
    with pytest.raises(ValueError, match="2"):
        learning_verdict([0, 2], DEFAULT)
    with pytest.raises(ValueError, match=r"1\.5"):
        learning_outcomes(1.5, DEFAULT)
    with pytest.raises(ValueError, match="attempts"):
        learning_outcomes(0.5, DEFAULT, attempts=-1)
