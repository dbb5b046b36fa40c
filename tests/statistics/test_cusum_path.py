"""Weights, and the line they draw.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

from math import ceil, exp, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audits.statistics.sequential import (
    Weights,
    adequacy_weights,
    cusum_path,
    risk_adjusted_weights,
    score_weights,
)
from tests.statistics.printed import printed

rates = st.floats(0.01, 0.9)


@st.composite
def weighted(draw):
    low, high = sorted((draw(rates), draw(rates)))
    return score_weights(low, min(0.95, high + 0.02))


def plain_loop(failures, weights, limit, restart):
    values, signals, height = [], [], 0.0
    for place, failed in enumerate(failures):
        before = height
        height = max(0.0, height + (weights.failure if failed else weights.success))
        values.append(height)
        if height >= limit - 1e-9 and (restart or before < limit - 1e-9):
            signals.append(place)
        if restart and height >= limit - 1e-9:
            height = 0.0
    return values, signals


@pytest.mark.parametrize(
    ("acceptable", "unacceptable", "failure", "success"),
    # Closed forms, own earlier computation.
    [
        (0.05, 0.10, ".693147", "-.054067"),
        (0.10, 0.20, ".693147", "-.117783"),
        (0.15, 0.30, ".693147", "-.194156"),
        (0.20, 0.35, ".559616", "-.207639"),
        (0.20, 0.40, ".693147", "-.287682"),
    ],
)
def test_log_likelihood_weights(acceptable, unacceptable, failure, success):
    weights = score_weights(acceptable, unacceptable)
    assert weights.failure == printed(failure)
    assert weights.success == printed(success)


@pytest.mark.parametrize(
    ("acceptable", "on_lattice", "steps"),
    # Reynolds and Stoumbos (1999), doi 10.1080/00224065.1999.11979900, .01 to .025 (summary read); the others own
    # earlier computation. A success steps 1 down where a failure steps m - 1 up.
    [(0.01, "0.025011", 61), (0.10, "0.194358", 7), (0.20, "0.304899", 4), (0.15, "0.257187", 5)],
)
def test_rates_whose_weights_stand_on_a_lattice(acceptable, on_lattice, steps):
    weights = score_weights(acceptable, float(on_lattice))
    assert -weights.failure / weights.success == pytest.approx(steps - 1, rel=5e-5)


def test_lc_cusum_weights_are_the_drift_weights_upside_down():
    drift, learning = score_weights(0.2, 0.35), adequacy_weights(0.2, 0.35)
    assert (learning.failure, learning.success) == pytest.approx((-drift.failure, -drift.success), abs=1e-15)
    assert learning.failure < 0 < learning.success


@pytest.mark.parametrize("make", [score_weights, adequacy_weights])
@pytest.mark.parametrize(
    ("low", "high"), [(0.2, 0.2), (0.35, 0.2), (0.0, 0.2), (0.2, 1.0), (-0.1, 0.2), (0.2, 1.2), (float("nan"), 0.2)]
)
def test_rates_out_of_order_are_refused_with_their_values(make, low, high):
    with pytest.raises(ValueError, match=f"{low!r}.*{high!r}"):
        make(low, high)


@pytest.mark.parametrize(
    ("score", "odds_ratio", "success", "failure", "rounded"),
    # Logit of the risk -3.68 + .077 score. Rounded: Steiner and others (2000), Biostatistics 1:441-452, p. 446 (.67,
    # -.43, .26), and Steiner (2014), p. 234, three decimals, both quoted in R vlad, test-llr_score.R.
    # Six decimals: own earlier computation.
    [
        (0, 2, "-.024305", ".668843", ("-.024", ".669")),
        (50, 2, "-.433338", ".259809", ("-.433", ".260")),
        (0, 0.5, ".012378", "-.680770", (".012", "-.681")),
        (50, 0.5, ".316355", "-.376793", (".316", "-.377")),
    ],
)
def test_risk_adjusted_weights_of_steiner(score, odds_ratio, success, failure, rounded):
    risk = 1 / (1 + exp(3.68 - 0.077 * score))
    weights = risk_adjusted_weights(risk, odds_ratio=odds_ratio)
    assert weights.success == printed(success)
    assert weights.failure == printed(failure)
    assert weights.success == printed(rounded[0])
    assert weights.failure == printed(rounded[1])


@given(st.floats(0.001, 0.999), st.floats(0.1, 10).filter(lambda ratio: abs(ratio - 1) > 1e-3))
def test_risk_adjusted_weights_follow_their_definition(risk, ratio):
    weights = risk_adjusted_weights(risk, odds_ratio=ratio)
    assert weights.failure == pytest.approx(log(ratio / (1 - risk + ratio * risk)), abs=1e-9)
    assert weights.success == pytest.approx(log(1 / (1 - risk + ratio * risk)), abs=1e-9)
    # The likelihood ratio of the alternative: its mean under the null is 1.
    assert risk * exp(weights.failure) + (1 - risk) * exp(weights.success) == pytest.approx(1, abs=1e-9)


def test_one_risk_for_all_gives_the_drift_weights():
    odds = (0.35 / 0.65) / (0.2 / 0.8)
    adjusted, plain = risk_adjusted_weights(0.2, odds_ratio=odds), score_weights(0.2, 0.35)
    assert (adjusted.failure, adjusted.success) == pytest.approx((plain.failure, plain.success), abs=1e-12)


def test_risks_are_clipped_and_arrays_stay_arrays():
    weights = risk_adjusted_weights([0.0, 0.001, 0.5, 0.999, 1.0], odds_ratio=2)
    assert weights.failure.shape == weights.success.shape == (5,)
    assert weights.failure[0] == weights.failure[1]
    assert weights.success[3] == weights.success[4]


@pytest.mark.parametrize("ratio", [1, 0, -2, float("inf"), float("nan")])
def test_odds_ratios_without_meaning_are_refused(ratio):
    with pytest.raises(ValueError, match="odds_ratio"):
        risk_adjusted_weights(0.2, odds_ratio=ratio)


def test_risks_outside_nought_and_one_are_refused():
    with pytest.raises(ValueError, match=r"1\.2"):
        risk_adjusted_weights([0.2, 1.2], odds_ratio=2)


def test_drift_path_restarts_at_its_signal():
    # Own earlier computation by hand and by a plain loop.
    failures = [int(mark) for mark in "0100110100011100"]
    path = cusum_path(failures, weights=score_weights(0.20, 0.35), limit=2)
    assert path.values == printed(
        "0.000000 .559616 .351976 .144337 .703953 1.263569 1.055929 1.615545 1.407906 1.200266 .992627 1.552243 "
        "2.111859 .559616 .351976 .144337"
    )
    assert path.signals.tolist() == [12]


def test_lc_cusum_path_signals_at_the_seventeenth_and_restarts():
    # Own earlier computation.
    failures = [int(mark) for mark in "10100010000000000000"]
    path = cusum_path(failures, weights=adequacy_weights(0.20, 0.35), limit=2)
    assert path.values[:7] == printed("0.000000 .207639 0.000000 .207639 .415279 .622918 .063302")
    assert path.signals.tolist() == [16]
    assert path.values[16] == printed("2.139696")
    assert path.values[17] == printed(".207639")


def test_without_restart_the_line_runs_on_and_signals_each_time_it_crosses():
    weights = Weights(1.0, -1.0)
    path = cusum_path([1, 1, 1, 1, 0, 0, 0, 1, 1], weights=weights, limit=2, restart=False)
    assert path.values.tolist() == [1, 2, 3, 4, 3, 2, 1, 2, 3]
    assert path.signals.tolist() == [1, 7]


def test_no_insertions_give_an_empty_path():
    for restart in (True, False):
        path = cusum_path([], weights=score_weights(0.2, 0.35), limit=4, restart=restart)
        assert path.values.size == path.signals.size == 0


def test_all_success_stays_at_nought():
    path = cusum_path([0] * 500, weights=score_weights(0.2, 0.35), limit=4)
    assert not path.values.any()
    assert not path.signals.size


@given(weighted(), st.floats(0.5, 6))
def test_all_failure_signals_as_soon_as_the_weights_allow(weights, limit):
    path = cusum_path([1] * 2000, weights=weights, limit=limit)
    soonest = ceil((limit - 1e-9) / weights.failure)
    assert path.signals[0] == soonest - 1 if soonest <= 2000 else not path.signals.size


def test_one_insertion():
    assert cusum_path([1], weights=score_weights(0.2, 0.35), limit=0.5).signals.tolist() == [0]
    assert cusum_path([0], weights=score_weights(0.2, 0.35), limit=0.5).values.tolist() == [0]


def test_standing_exactly_on_the_limit_is_a_signal():
    # .1 added three times is not .3 in floats: the tolerance decides.
    path = cusum_path([1, 1, 1], weights=Weights(0.1, -0.1), limit=0.3)
    assert path.signals.tolist() == [2]


def test_insertions_of_one_moment_in_another_order_draw_another_line():
    # Which is why the order has a tie-breaker that does not depend on arrival.
    weights = score_weights(0.2, 0.35)
    one, other = (cusum_path(series, weights=weights, limit=4).values[-1] for series in ([0, 1], [1, 0]))
    assert one != other


@given(st.lists(st.booleans(), max_size=300), weighted(), st.floats(0.3, 6), st.booleans())
def test_the_path_equals_a_plain_loop(failures, weights, limit, restart):
    values, signals = plain_loop(failures, weights, limit, restart)
    path = cusum_path(failures, weights=weights, limit=limit, restart=restart)
    assert path.values == pytest.approx(np.array(values), abs=1e-9)
    assert path.signals.tolist() == signals


def test_a_long_series_with_rare_signals_equals_a_plain_loop():
    failures = np.random.default_rng(3).random(20_000) < 0.2
    weights = score_weights(0.2, 0.35)
    values, signals = plain_loop(failures, weights, 4, True)
    path = cusum_path(failures, weights=weights, limit=4)
    assert path.values == pytest.approx(np.array(values), abs=1e-9)
    assert path.signals.tolist() == signals
    assert signals


@given(st.lists(st.tuples(st.booleans(), st.floats(0, 1)), min_size=1, max_size=80))
def test_each_insertion_can_have_weights_of_its_own(series):
    failures, risks = zip(*series, strict=True)
    weights = risk_adjusted_weights(risks, odds_ratio=2)
    height, expected = 0.0, []
    for failed, up, down in zip(failures, weights.failure, weights.success, strict=True):
        height = max(0.0, height + (up if failed else down))
        expected.append(height)
    path = cusum_path(failures, weights=weights, limit=1000)
    assert path.values == pytest.approx(np.array(expected), abs=1e-9)


@pytest.mark.parametrize(
    ("failures", "message"), [([0, 2], "2"), ([0, -1], "-1"), ([0.5], "0.5"), ([[0, 1]], r"\(1, 2\)")]
)
def test_anything_but_failures_and_successes_is_refused(failures, message):
    with pytest.raises(ValueError, match=message):
        cusum_path(failures, weights=score_weights(0.2, 0.35), limit=4)


@pytest.mark.parametrize("limit", [0, -1, float("nan")])
def test_a_limit_of_nought_or_less_is_refused(limit):
    with pytest.raises(ValueError, match="limit"):
        cusum_path([0, 1], weights=score_weights(0.2, 0.35), limit=limit)


def test_weights_of_another_length_are_refused():
    with pytest.raises(ValueError, match=r"\(3,\).*\(2,\)"):
        cusum_path([0, 1], weights=risk_adjusted_weights([0.1, 0.2, 0.3], odds_ratio=2), limit=4)
