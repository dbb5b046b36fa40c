"""Beta-binomial shrinkage: steadier estimates for clinicians or units with few insertions.

For the order of a list to look through and for display beside raw counts, never for a flag: it draws everybody with
few insertions towards the middle, the poor performers too.
"""

from dataclasses import dataclass
from typing import Any, Generic, overload

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from audits.statistics import demands
from audits.statistics.shapes import Floats, Many, T, plain

FIXED_SIZE = 20.0
SMALLEST_SIZE, LARGEST_SIZE = 5.0, 500.0
FEWEST_CLINICIANS, FEWEST_TRIALS = 20, 10


@dataclass(frozen=True)
class Prior:
    """Beta(mean * size, (1 - mean) * size): the rate that is usual, worth `size` insertions (infinite: all alike)."""

    mean: float
    size: float


@dataclass(frozen=True)
class Fit:
    """A fitted prior and its log-likelihood, without the binomial coefficients."""

    prior: Prior
    log_likelihood: float


@dataclass(frozen=True)
class Posterior(Generic[T]):
    """Shrunken rate with its interval, of the shape of the counts."""

    mean: T
    lower: T
    upper: T


def fit_beta_binomial(successes: ArrayLike, trials: ArrayLike) -> Fit:
    """Prior by maximum likelihood of the beta-binomial distribution.

    Parameters
    ----------
    successes, trials : one of each for a clinician; those without insertions say nothing and are left out

    Returns
    -------
    Fit; the size is infinite where clinicians differ no more than chance allows.

    Raises
    ------
    ValueError for counts out of range, fewer than two clinicians with insertions, or a pool that is all success or
    all failure: no prior can be fitted then, use a fixed one (`usual_prior` does).

    Notes
    -----
    The size is barely identified from few clinicians (the 18 players of Efron and Morris: 368 by moments, some 793 by
    likelihood), and intervals made from it leave its uncertainty out.

    References
    ----------
    Griffiths (1973), Biometrics 29:637-648. Checked against R optim.
    """
    k, n = _pool(successes, trials)
    # How many clinicians have more than 0, 1, 2, ... successes, failures, trials: the likelihood needs no more.
    more = [(x[:, np.newaxis] > np.arange(x.max())).sum(axis=0) for x in (k, n - k, n)]
    start = moments_prior(k, n)
    found = optimize.minimize(
        _loss,
        # From a size of nearly 0 the surface is so flat that the search would not move.
        (start.mean, 1 / max(start.size, 1.0)),
        args=tuple(more),
        jac=True,
        method="L-BFGS-B",
        bounds=((1e-9, 1 - 1e-9), (0, None)),
        options={"ftol": 0, "gtol": 1e-9, "maxiter": 1000},
    )
    mean, spread = (float(value) for value in found.x)
    return Fit(Prior(mean, 1 / spread if spread > 1e-9 else np.inf), -float(found.fun))


def moments_prior(successes: ArrayLike, trials: ArrayLike) -> Prior:
    """Prior by the method of moments, clinicians weighted by their insertions.

    mu = sum k/sum n, S = sum n (k/n - mu)^2, rho = (S/(mu(1 - mu)) - (I - 1))/(N - sum n^2/N - (I - 1)), not below 0,
    size (1 - rho)/rho. Parameters and errors as `fit_beta_binomial`; infinite size where rho is 0.

    References
    ----------
    Kleinman (1973), J Am Stat Assoc 68:46-54 (form from memory).
    """
    k, n = _pool(successes, trials)
    total, others = n.sum(), len(n) - 1
    mean = k.sum() / total
    spread = (n * (k / n - mean) ** 2).sum() / (mean * (1 - mean)) - others
    room = total - (n**2).sum() / total - others
    rho = spread / room if room > 0 else 0.0
    if rho <= 0:
        return Prior(float(mean), np.inf)
    rho = min(rho, 1 - 1e-9)
    return Prior(float(mean), float((1 - rho) / rho))


def usual_prior(successes: ArrayLike, trials: ArrayLike, *, target: float) -> Prior:
    """The prior to use: fitted where there are enough clinicians, else the target worth 20 insertions.

    Fitted by likelihood from 20 clinicians with at least 10 insertions each, its size kept within 5 to 500. Fewer, or a
    pool that is all success or all failure: the fixed prior.

    Raises
    ------
    ValueError for counts out of range or a target not between 0 and 1.
    """
    k, n = demands.counts_of(successes, trials)
    fixed = Prior(demands.inside("target", target), FIXED_SIZE)
    enough = n >= FEWEST_TRIALS
    if enough.sum() < FEWEST_CLINICIANS or k.sum() in (0, n.sum()):
        return fixed
    fitted = fit_beta_binomial(k, n).prior
    return Prior(fitted.mean, float(np.clip(fitted.size, SMALLEST_SIZE, LARGEST_SIZE)))


@overload
def posterior(successes: float, trials: float, *, prior: Prior, confidence: float = ...) -> Posterior[float]: ...
@overload
def posterior(successes: Many, trials: Many | float, *, prior: Prior, confidence: float = ...) -> Posterior[Floats]: ...
def posterior(successes: ArrayLike, trials: ArrayLike, *, prior: Prior, confidence: float = 0.95) -> Posterior[Any]:
    """Rate shrunken towards the prior's mean: (mu M + k)/(M + n), with Beta quantiles around it.

    Parameters
    ----------
    successes, trials : counts of any one shape; no insertions gives the prior itself
    prior : from `usual_prior`, `fit_beta_binomial` or fixed

    Raises
    ------
    ValueError for counts out of range, a prior mean not between 0 and 1 or size not above 0, or a confidence out of
    range.

    References
    ----------
    Efron and Morris (1975), J Am Stat Assoc 70:311-319, for what shrinkage does.
    """
    k, n = demands.counts_of(successes, trials)
    mean, size = demands.inside("prior mean", prior.mean), prior.size
    tail = (1 - demands.inside("confidence", confidence)) / 2
    if not size > 0:
        raise ValueError(f"prior size must be above 0, got {size!r}")
    if np.isinf(size):
        all_alike = plain(np.full(k.shape, mean))
        return Posterior(all_alike, all_alike, all_alike)
    a, b = mean * size + k, (1 - mean) * size + n - k
    return Posterior(plain(a / (a + b)), plain(special.betaincinv(a, b, tail)), plain(special.betainccinv(a, b, tail)))


def _pool(successes: ArrayLike, trials: ArrayLike) -> tuple[Floats, Floats]:
    k, n = (np.ravel(array) for array in demands.counts_of(successes, trials))
    k, n = k[n > 0], n[n > 0]
    if len(n) < 2:
        raise ValueError(f"a prior is fitted to at least two clinicians with insertions, got {len(n)}")
    if k.sum() in (0, n.sum()):
        raise ValueError(f"a prior cannot be fitted to a pool of {k.sum():g} successes in {n.sum():g}")
    return k, n


def _loss(place: Floats, successes: Floats, failures: Floats, trials: Floats) -> tuple[float, Floats]:
    """Minus the log-likelihood at (mean, 1/size), and its slope; at 1/size = 0 this is the plain binomial."""
    mean, spread = place
    made, missed, tried = (spread * np.arange(len(x)) for x in (successes, failures, trials))
    loss = (
        (trials * np.log1p(tried)).sum()
        - (successes * np.log(mean + made)).sum()
        - (failures * np.log(1 - mean + missed)).sum()
    )
    by_made, by_missed, by_tried = successes / (mean + made), failures / (1 - mean + missed), trials / (1 + tried)
    slope_spread = sum(
        sign * (by * np.arange(len(by))).sum() for sign, by in ((1, by_tried), (-1, by_made), (-1, by_missed))
    )
    return float(loss), np.array([by_missed.sum() - by_made.sum(), slope_spread])
