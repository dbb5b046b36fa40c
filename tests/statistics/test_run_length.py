"""Exact run lengths and signal probabilities.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

from math import ceil, exp

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audits.statistics.sequential import (
    Weights,
    adequacy_weights,
    cusum_path,
    limit_for_run_length,
    run_length,
    score_weights,
    signal_probability,
)
from audits.statistics.sequential.passage import exits
from tests.statistics.chains import lattice, pairs_run_length, signalled_within, solve
from tests.statistics.printed import printed

DEFAULT = score_weights(0.20, 0.35)


@pytest.mark.parametrize(
    ("reference", "limit", "expected"),
    # R surveillance 1.20.3, arlCusum(distr = "binomial", n = 1), at failure rates .05, .10, .20, .30 (independent).
    [
        (0.2, 3, ("19682.0814", "907.859803", "68.1077886", "24.5751797")),
        (0.2, 4, ("321629.583", "4279.94022", "115.766929", "34.4940157")),
        (0.1, 2, ("304.051379", "61.6374362", "18.5993423", "10.7767082")),
        (0.25, 3, ("64241.0267", "2505.40786", "124.643478", "34.1557574")),
        (0.5, 3, ("55177260", "747330", "9090", "686.680384")),
    ],
)
def test_run_lengths_of_a_count_cusum(reference, limit, expected):
    found = run_length([0.05, 0.10, 0.20, 0.30], weights=Weights(1 - reference, -reference), limit=limit)
    assert found.mean == pytest.approx([float(figure) for figure in expected], rel=1e-8)


def test_run_lengths_from_a_head_start():
    # Own earlier computation, by a linear system on the lattice; the mean from 0 as above (independent).
    weights = Weights(0.75, -0.25)
    found = run_length([0.10, 0.20, 0.35], weights=weights, limit=3, start=1.5)
    assert found.mean[0] == printed("2429.470")
    assert found.mean[1] == printed("103.9472")
    assert found.mean[2] == printed("15.15132")


def test_the_deviation_is_near_the_mean():
    # Own earlier computation. P(signal by the mean) is about 1 - 1/e, as for a geometric law.
    weights = Weights(0.75, -0.25)
    found = run_length(0.20, weights=weights, limit=3)
    assert found.deviation == printed("115.387")
    assert signal_probability(0.20, weights=weights, limit=3, attempts=124) == printed(".631")


# Own earlier computation by an exact chain; an independent simulation of 20,000 runs lay within two standard errors
# for three of the rows. Limit, mean run length and chance of a signal in 50 and 100 at either rate.
LOG_LIKELIHOOD = [
    (0.05, 0.10, 3, "1309.14 112.101", ".01269 .21270", ".04607 .55796"),
    (0.10, 0.20, 2.5, "341.36 42.062", ".10556 .71075", ".23203 .94485"),
    (0.10, 0.20, 3, "638.89 53.467", ".04662 .58638", ".12018 .89542"),
    (0.10, 0.20, 4, "1862.04 74.937", ".01044 .37057", ".03521 .77225"),
    (0.15, 0.30, 3, "400.53 33.459", ".09066 .82145", ".20087 .98145"),
    (0.15, 0.30, 4, "1190.12 46.990", ".02362 .65342", ".06413 .94036"),
    (0.20, 0.35, 2.5, "235.87 30.835", ".15980 .85023", ".32749 .98613"),
    (0.20, 0.35, 3, "427.34 38.728", ".08015 .75788", ".18535 .96709"),
    (0.20, 0.35, 4, "1281.36 54.796", ".01913 .56002", ".05660 .90348"),
    (0.20, 0.35, 4.5, "2159.85 62.868", ".00907 .46025", ".03097 .86125"),
    (0.20, 0.40, 4, "837.12 32.812", ".04025 .84413", ".09692 .98842"),
]


@pytest.mark.parametrize(("acceptable", "unacceptable", "limit", "means", "in_50", "in_100"), LOG_LIKELIHOOD)
def test_log_likelihood_cusums(acceptable, unacceptable, limit, means, in_50, in_100):
    weights = score_weights(acceptable, unacceptable)
    both = [acceptable, unacceptable]
    assert run_length(both, weights=weights, limit=limit).mean.tolist() == printed(means)
    assert signal_probability(both, weights=weights, limit=limit, attempts=50) == printed(in_50)
    assert signal_probability(both, weights=weights, limit=limit, attempts=100) == printed(in_100)


# Own earlier computation by an exact chain; an independent simulation of 400,000 runs agreed on one case.
LC_CUSUM = [
    (0.10, 0.20, 1.25, (".8450 .4233", ".9719 .6531", ".9996 .9026"), "20.33 48.20", 11),
    (0.10, 0.20, 2.0, (".4775 .1014", ".8014 .2343", ".9814 .4842"), "36.93 143.22", 17),
    (0.10, 0.20, 2.5, (".2589 .0258", ".6333 .0936", ".9377 .2502"), "50.53 287.12", 22),
    (0.15, 0.30, 2.0, (".7794 .1990", ".9492 .3598", ".9987 .6348"), "23.54 99.82", 11),
    (0.20, 0.35, 1.5, (".8833 .3866", ".9809 .5979", ".9998 .8602"), "17.92 54.70", 8),
    (0.20, 0.35, 2.0, (".7136 .1706", ".9206 .3180", ".9967 .5815"), "26.12 113.61", 10),
    (0.20, 0.35, 2.5, (".5333 .0699", ".8309 .1591", ".9860 .3472"), "34.59 213.64", 13),
    (0.20, 0.35, 3.0, (".3763 .0276", ".7161 .0777", ".9642 .1971"), "43.24 381.37", 15),
    (0.20, 0.40, 2.5, (".8273 .1485", ".9675 .2731", ".9995 .5105"), "21.22 136.55", 9),
    (0.10, 0.25, 2.0, (".8703 .2695", ".9793 .4561", None), None, 11),
    (0.25, 0.50, 2.0, (".9783 .4271", ".9989 .6269", None), None, 5),
]


@pytest.mark.parametrize(("adequate", "inadequate", "limit", "discoveries", "means", "straight"), LC_CUSUM)
def test_lc_cusum_discoveries_and_run_lengths(adequate, inadequate, limit, discoveries, means, straight):
    weights = adequacy_weights(adequate, inadequate)
    both = [adequate, inadequate]
    for attempts, expected in zip((30, 50, 100), discoveries, strict=True):
        if expected:
            assert signal_probability(both, weights=weights, limit=limit, attempts=attempts) == printed(expected)
    if means:
        assert run_length(both, weights=weights, limit=limit).mean == printed(means)
    assert cusum_path([0] * 30, weights=weights, limit=limit).signals[0] + 1 == straight
    assert run_length(0.0, weights=weights, limit=limit).mean == pytest.approx(straight, rel=1e-12)


def test_rounded_weights_reach_a_limit_that_exact_ones_do_not():
    # Own earlier computation; the warning is Webster and Pettitt's (2007), Commun Stat Simul Comput 36:471 (read).
    rounded = Weights(0.5596, -0.2076)
    assert 13 * rounded.failure + 23 * rounded.success >= 2.5 - 1e-9
    assert 13 * DEFAULT.failure + 23 * DEFAULT.success == printed("2.49930")
    assert run_length(0.20, weights=rounded, limit=2.5).mean == printed("234.40")
    assert run_length(0.20, weights=DEFAULT, limit=2.5).mean == printed("235.87")


def test_wald_without_overshoot_bounds_the_run_length():
    # Wald's approximation: 296.8 and 33.66 for .20/.35 at 3 (own earlier computation); overshoot makes both longer.
    found = run_length([0.20, 0.35], weights=DEFAULT, limit=3).mean
    for failure_rate, sign, wald, exact in ((0.20, 1, "296.8", found[0]), (0.35, -1, "33.66", found[1])):
        drift = abs(failure_rate * DEFAULT.failure + (1 - failure_rate) * DEFAULT.success)
        bound = abs(exp(sign * 3) - sign * 3 - 1) / drift
        assert bound == printed(wald)
        assert bound < exact < 1.5 * bound


@settings(deadline=None, max_examples=60)
@given(st.floats(0.02, 0.98), st.integers(1, 12), st.integers(1, 12), st.integers(1, 40))
def test_run_lengths_equal_a_plain_linear_solve_on_a_lattice(failure_rate, up, down, limit):
    found = run_length(failure_rate, weights=Weights(float(up), -float(down)), limit=float(limit))
    if found.mean > 1e8:
        # Beyond that the linear solve itself loses the digits.
        return
    mean, deviation = solve(lattice(failure_rate, up=up, down=down, limit=limit))
    assert found.mean == pytest.approx(mean[0], rel=1e-6)
    assert found.deviation == pytest.approx(deviation[0], rel=1e-6, abs=1e-5)


@settings(deadline=None, max_examples=40)
@given(st.floats(0.02, 0.98), st.integers(1, 9), st.integers(1, 9), st.data())
def test_head_starts_equal_a_plain_linear_solve(failure_rate, up, down, data):
    limit = data.draw(st.integers(2, 25))
    start = data.draw(st.integers(1, limit - 1))
    weights = Weights(float(up), -float(down))
    found = run_length(failure_rate, weights=weights, limit=float(limit), start=float(start))
    if found.mean > 1e7:
        return
    mean, deviation = solve(lattice(failure_rate, up=up, down=down, limit=limit))
    assert found.mean == pytest.approx(mean[start], rel=1e-6)
    assert found.deviation == pytest.approx(deviation[start], rel=1e-6, abs=1e-4)


@settings(deadline=None, max_examples=40)
@given(st.floats(0.05, 0.95), st.integers(1, 9), st.integers(1, 9), st.integers(1, 25), st.integers(0, 150))
def test_signal_probabilities_equal_the_powers_of_a_lattice(failure_rate, up, down, limit, attempts):
    expected = signalled_within(lattice(failure_rate, up=up, down=down, limit=limit), attempts)
    weights = Weights(float(up), -float(down))
    found = signal_probability(failure_rate, weights=weights, limit=float(limit), attempts=attempts)
    assert found == pytest.approx(expected, abs=1e-10)


@settings(deadline=None, max_examples=25)
@given(st.floats(0.05, 0.6), st.floats(0.05, 0.4), st.floats(0.1, 0.4), st.floats(0.3, 3))
def test_run_lengths_equal_a_plain_linear_solve_for_any_weights(failure_rate, acceptable, apart, limit):
    weights = score_weights(acceptable, acceptable + apart)
    found = run_length(failure_rate, weights=weights, limit=limit).mean
    if found > 1e7:
        return
    expected = pairs_run_length(
        failure_rate, failure=weights.failure, success=weights.success, limit=limit, longest=1500
    )
    assert found == pytest.approx(expected, rel=1e-6)


def test_simulated_runs_agree_within_four_standard_errors():
    draw = np.random.default_rng(20_260_103)
    lengths = []
    for _ in range(2000):
        path = cusum_path(draw.random(3000) < 0.35, weights=DEFAULT, limit=4)
        lengths.append(int(path.signals[0]) + 1)
    exact = run_length(0.35, weights=DEFAULT, limit=4)
    assert abs(np.mean(lengths) - exact.mean) < 4 * exact.deviation / np.sqrt(2000)
    chance = signal_probability(0.35, weights=DEFAULT, limit=4, attempts=50)
    seen = np.mean(np.array(lengths) <= 50)
    assert abs(seen - chance) < 4 * np.sqrt(chance * (1 - chance) / 2000)


def test_a_head_start_simulates_alike():
    draw = np.random.default_rng(20_260_104)
    first = []
    for _ in range(2000):
        height, steps = 2.0, 0
        while height < 4:
            height = max(0.0, height + (DEFAULT.failure if draw.random() < 0.35 else DEFAULT.success))
            steps += 1
        first.append(steps)
    exact = run_length(0.35, weights=DEFAULT, limit=4, start=2.0)
    assert abs(np.mean(first) - exact.mean) < 4 * exact.deviation / np.sqrt(2000)
    chance = signal_probability(0.35, weights=DEFAULT, limit=4, attempts=30, start=2.0)
    assert abs(np.mean(np.array(first) <= 30) - chance) < 4 * np.sqrt(chance * (1 - chance) / 2000)


def test_never_failing_never_signals_and_always_failing_signals_soonest():
    found = run_length([0.0, 1.0], weights=DEFAULT, limit=4)
    assert found.mean.tolist() == [np.inf, ceil(4 / DEFAULT.failure)]
    assert found.deviation.tolist() == [np.inf, 0]
    started = run_length([0.0, 1.0], weights=DEFAULT, limit=4, start=2.0)
    assert started.mean.tolist() == [np.inf, ceil(2 / DEFAULT.failure)]
    assert started.deviation.tolist() == [np.inf, 0]
    assert signal_probability([0.0, 1.0], weights=DEFAULT, limit=4, attempts=7).tolist() == [0, 0]
    assert signal_probability([0.0, 1.0], weights=DEFAULT, limit=4, attempts=8).tolist() == [0, 1]


def test_no_attempts_no_signal():
    assert signal_probability(0.35, weights=DEFAULT, limit=4, attempts=0) == 0
    assert signal_probability(0.35, weights=DEFAULT, limit=4, attempts=0, start=2.0) == 0


def test_a_limit_below_one_failure_waits_for_the_first_failure():
    # Geometric: mean 1/p, deviation sqrt(1 - p)/p.
    found = run_length(0.2, weights=DEFAULT, limit=0.5)
    assert found.mean == pytest.approx(5, rel=1e-12)
    assert found.deviation == pytest.approx(np.sqrt(0.8) / 0.2, rel=1e-12)


@given(st.floats(0.01, 0.99), st.floats(0.3, 3), st.floats(0.05, 1))
@settings(deadline=None, max_examples=40)
def test_run_lengths_rise_with_the_limit_and_fall_with_the_failure_rate(failure_rate, limit, more):
    rates = np.array([failure_rate, min(1.0, failure_rate + 0.01)])
    low = run_length(rates, weights=DEFAULT, limit=limit).mean
    high = run_length(rates, weights=DEFAULT, limit=limit + more).mean
    assert (high >= low * (1 - 1e-12)).all()
    assert low[1] <= low[0] * (1 + 1e-12)


@settings(deadline=None, max_examples=40)
@given(st.floats(0, 1), st.floats(0.1, 2), st.floats(0.1, 2), st.floats(0.2, 5))
def test_every_round_ends_somewhere(up_rate, up, down, limit):
    found = exits(up=up, down=down, lower=0.0, upper=limit, start=0.0)
    assert found.mass(np.asarray(up_rate)).sum() == pytest.approx(1, abs=1e-10)


def test_arrays_of_rates_keep_their_shape_and_single_rates_give_floats():
    grid = np.array([[0.1, 0.2], [0.3, 0.4]])
    found = run_length(grid, weights=DEFAULT, limit=3)
    chance = signal_probability(grid, weights=DEFAULT, limit=3, attempts=20)
    assert found.mean.shape == found.deviation.shape == chance.shape == (2, 2)
    for place in np.ndindex(2, 2):
        one = run_length(float(grid[place]), weights=DEFAULT, limit=3)
        assert isinstance(one.mean, float)
        assert found.mean[place] == pytest.approx(one.mean, rel=1e-14)


def test_a_signal_within_many_attempts_becomes_certain():
    found = signal_probability([0.2, 0.35], weights=DEFAULT, limit=3, attempts=20_000)
    assert found == pytest.approx([1, 1], abs=1e-9)


@pytest.mark.parametrize("wanted", [50, 250.5, 1000, 1281.3, 20_000])
@pytest.mark.parametrize(("acceptable", "unacceptable"), [(0.20, 0.35), (0.10, 0.20), (0.05, 0.15)])
def test_the_limit_for_a_run_length_is_the_smallest_that_gives_it(acceptable, unacceptable, wanted):
    weights = score_weights(acceptable, unacceptable)
    limit = limit_for_run_length(acceptable, unacceptable, run_length=wanted)
    assert limit == round(limit, 3)
    assert run_length(acceptable, weights=weights, limit=limit).mean >= wanted
    assert run_length(acceptable, weights=weights, limit=limit - 0.001).mean < wanted


def test_a_short_run_length_needs_next_to_no_limit():
    assert limit_for_run_length(0.20, 0.35, run_length=2) == 0.001


@pytest.mark.parametrize("wanted", [1, 0, -5, float("inf"), float("nan")])
def test_a_run_length_that_cannot_be_is_refused(wanted):
    with pytest.raises(ValueError, match="run_length"):
        limit_for_run_length(0.20, 0.35, run_length=wanted)


@pytest.mark.parametrize("ask", [run_length, lambda rate, **rest: signal_probability(rate, attempts=9, **rest)])
@pytest.mark.parametrize(
    ("rate", "weights", "limit", "start", "message"),
    [
        (-0.1, DEFAULT, 4, 0, "-0.1"),
        ([0.2, 1.1], DEFAULT, 4, 0, "1.1"),
        (float("nan"), DEFAULT, 4, 0, "nan"),
        (0.2, Weights(0.5, 0.2), 4, 0, "opposite signs.*0.5.*0.2"),
        (0.2, Weights(0.5, 0.0), 4, 0, "opposite signs"),
        (0.2, Weights(float("inf"), -1.0), 4, 0, "opposite signs"),
        (0.2, DEFAULT, 0, 0, "limit 0"),
        (0.2, DEFAULT, float("nan"), 0, "limit nan"),
        (0.2, DEFAULT, 4, 4, "start 4"),
        (0.2, DEFAULT, 4, -1, "start -1"),
        (0.2, Weights(1e-4, -1e-4), 50, 0, "too far apart"),
    ],
)
def test_impossible_questions_are_refused_with_their_values(ask, rate, weights, limit, start, message):
    with pytest.raises(ValueError, match=message):
        ask(rate, weights=weights, limit=limit, start=start)


@pytest.mark.parametrize("attempts", [-1, 2.5])
def test_attempts_must_be_whole(attempts):
    with pytest.raises(ValueError, match="attempts"):
        signal_probability(0.2, weights=DEFAULT, limit=4, attempts=attempts)
