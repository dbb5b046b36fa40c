"""Beta-binomial shrinkage.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from audits.statistics.shrinkage import Prior, fit_beta_binomial, moments_prior, posterior, usual_prior
from tests.statistics.printed import printed

TEN = ([9, 24, 11, 40, 5, 28, 18, 3, 55, 33], [10, 30, 20, 45, 5, 40, 20, 6, 60, 50])
# Efron and Morris (1975), J Am Stat Assoc 70:311-319, as listed with R pscl (quoted): hits in 45 at-bats.
HITS = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]


def likelihood(k, n, mean, size):
    return stats.betabinom.logpmf(k, n, mean * size, (1 - mean) * size).sum()


def test_priors_of_ten_clinicians():
    # Moments: Kleinman (1973) (form from memory), own earlier computation. Likelihood: R optim (independent).
    moments = moments_prior(*TEN)
    assert (moments.mean, moments.size) == (printed(".790210"), printed("10.798713"))
    fit = fit_beta_binomial(*TEN)
    assert fit.prior.mean == printed(".782423")
    assert fit.prior.size == printed("14.25389")
    assert fit.log_likelihood == printed("-142.39739")


def test_posterior_means_of_ten_clinicians():
    # From R optim's prior (independent): 9/10, 11/20, 5/5, 3/6, 33/50.
    prior = fit_beta_binomial(*TEN).prior
    found = posterior([9, 11, 5, 3, 33], [10, 20, 5, 6, 50], prior=prior)
    assert found.mean.tolist() == printed(".8309 .646717 .838925 .698758 .687158")


def test_priors_of_efron_and_morris():
    # Moments: own earlier computation. Likelihood: R optim (independent), where the size is flat: about 793.2.
    moments = moments_prior(HITS, [45] * 18)
    assert (moments.mean, moments.size) == (printed(".265432"), printed("367.99"))
    fit = fit_beta_binomial(HITS, [45] * 18)
    assert fit.prior.mean == printed(".265433")
    assert fit.prior.size == pytest.approx(793.2, rel=1e-3)
    assert fit.log_likelihood == printed("-468.70249")


def test_shrinkage_of_efron_and_morris_is_near_james_and_stein():
    # James-Stein factor .211653 (own earlier computation; .212 and .294 for Clemente as published are from memory).
    rates = np.array(HITS) / 45
    middle = rates.mean()
    factor = 1 - 15 * middle * (1 - middle) / 45 / ((rates - middle) ** 2).sum()
    assert factor == printed(".211653")
    assert middle + factor * (rates[0] - middle) == printed(".2939")
    # 45/(45 + size) by likelihood shrinks still more than James and Stein.
    shrunk = posterior(18, 45, prior=fit_beta_binomial(HITS, [45] * 18).prior).mean
    assert middle < shrunk < 0.2939


def test_a_fixed_prior():
    # scipy betaincinv, own earlier computation.
    found = posterior([18, 3], [20, 10], prior=Prior(0.80, 20))
    assert found.mean == printed(".850000 .633333")
    assert found.lower == printed(".725701 .456694")
    assert found.upper == printed(".941376 .793131")


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.integers(3, 40), st.floats(0.1, 0.9), st.floats(2, 40))
def test_no_neighbour_is_likelier_than_the_fit(seed, clinicians, mean, size):
    draw = np.random.default_rng(seed)
    n = draw.integers(1, 80, clinicians)
    k = draw.binomial(n, draw.beta(mean * size, (1 - mean) * size, clinicians))
    if k.sum() in (0, n.sum()):
        return
    fit = fit_beta_binomial(k, n)
    coefficients = (stats.binom.logpmf(k, n, 0.5) + n * np.log(2)).sum()
    if np.isinf(fit.prior.size):
        best = stats.binom.logpmf(k, n, fit.prior.mean).sum()
        assert likelihood(k, n, fit.prior.mean, 1e4) <= best + 1e-9
    else:
        best = likelihood(k, n, fit.prior.mean, fit.prior.size)
        for shift in (-1e-3, 1e-3):
            assert likelihood(k, n, fit.prior.mean + shift * fit.prior.mean, fit.prior.size) <= best + 1e-7
            assert likelihood(k, n, fit.prior.mean, fit.prior.size * (1 + 10 * shift)) <= best + 1e-7
    assert fit.log_likelihood == pytest.approx(best - coefficients, abs=1e-6)


@given(st.integers(0, 300), st.integers(0, 300), st.floats(0.01, 0.99), st.floats(0.5, 500), st.floats(0.5, 0.99))
def test_posterior_equals_the_beta_law(k, more, mean, size, confidence):
    found = posterior(k, k + more, prior=Prior(mean, size), confidence=confidence)
    law = stats.beta(mean * size + k, (1 - mean) * size + more)
    assert found.mean == pytest.approx(law.mean(), abs=1e-12)
    assert [found.lower, found.upper] == pytest.approx(list(law.interval(confidence)), abs=1e-7)


def test_no_insertions_give_the_prior_back():
    found = posterior(0, 0, prior=Prior(0.8, 20))
    assert found.mean == pytest.approx(0.8)
    assert [found.lower, found.upper] == pytest.approx(list(stats.beta(16, 4).interval(0.95)), abs=1e-9)


def test_two_of_two_is_not_the_best():
    found = posterior([2, 58], [2, 60], prior=Prior(0.8, 20))
    assert found.mean[0] < found.mean[1]


def test_clinicians_who_differ_by_chance_alone_share_one_rate():
    for fitted in (moments_prior([8, 8, 8], [10, 10, 10]), fit_beta_binomial([8, 8, 8], [10, 10, 10]).prior):
        assert fitted.mean == pytest.approx(0.8)
        assert np.isinf(fitted.size)
    found = posterior([2, 10], [10, 10], prior=Prior(0.8, np.inf))
    assert found.mean.tolist() == found.lower.tolist() == found.upper.tolist() == [0.8, 0.8]


def test_single_insertions_cannot_show_a_difference():
    assert np.isinf(fit_beta_binomial([1, 0, 1], [1, 1, 1]).prior.size)
    assert np.isinf(moments_prior([1, 0, 1], [1, 1, 1]).size)


def test_clinicians_without_insertions_are_left_out():
    assert fit_beta_binomial([*TEN[0], 0], [*TEN[1], 0]) == fit_beta_binomial(*TEN)


def test_the_usual_prior_is_fixed_until_there_are_enough_clinicians():
    fixed = Prior(0.85, 20)
    assert usual_prior(*TEN, target=0.85) == fixed
    assert usual_prior([], [], target=0.85) == fixed
    assert usual_prior([9] * 30, [9] * 30, target=0.85) == fixed
    assert usual_prior([12] * 30, [12] * 30, target=0.85) == fixed
    assert usual_prior([0] * 30, [12] * 30, target=0.85) == fixed


def test_the_usual_prior_is_fitted_from_twenty_and_kept_within_bounds():
    draw = np.random.default_rng(11)
    n = draw.integers(10, 60, 40)
    k = draw.binomial(n, draw.beta(16, 4, 40))
    fitted = usual_prior(k, n, target=0.5)
    assert fitted == fit_beta_binomial(k, n).prior
    assert usual_prior([8] * 20, [10] * 20, target=0.5).size == 500
    assert usual_prior([10, 0] * 10, [10] * 20, target=0.5).size == 5


@pytest.mark.parametrize("fit", [fit_beta_binomial, moments_prior])
@pytest.mark.parametrize(
    ("k", "n", "message"),
    [
        ([], [], "got 0"),
        ([3], [4], "got 1"),
        ([3, 0], [4, 0], "got 1"),
        ([4, 6], [4, 6], "10 successes in 10"),
        ([0, 0], [4, 6], "0 successes in 10"),
        ([5, 6], [4, 6], "5 of 4"),
    ],
)
def test_pools_that_say_nothing_are_refused(fit, k, n, message):
    with pytest.raises(ValueError, match=message):
        fit(k, n)


@pytest.mark.parametrize("prior", [Prior(0, 20), Prior(1, 20), Prior(0.8, 0), Prior(0.8, -1), Prior(0.8, float("nan"))])
def test_priors_without_meaning_are_refused(prior):
    with pytest.raises(ValueError, match="prior"):
        posterior(3, 4, prior=prior)
