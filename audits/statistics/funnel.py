"""Funnel limits: how far a unit's rate may lie from a target by chance alone, given its number of insertions.

For units, drawn around a target, in alphabetical or any other order but never ranked.
"""

from dataclasses import dataclass
from typing import Any, Generic, overload

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from audits.statistics import demands
from audits.statistics.shapes import Floats, Interval, Many, T, plain

FEWEST_UNITS = 10
TIE = 1e-12


@dataclass(frozen=True)
class IntegerLimits(Generic[T]):
    """Counts of successes: `low` or fewer is low, `high` or more is high. -1, or trials + 1, where no count can be."""

    low: T
    high: T


@dataclass(frozen=True)
class Overdispersion:
    """How much more units differ than chance allows: ratio phi (1 = chance alone), and variance tau^2 between units."""

    ratio: float
    between: float


@overload
def funnel_limits(trials: float, target: float, *, coverage: float, between: float = ...) -> Interval[float]: ...
@overload
def funnel_limits(trials: Many, target: float, *, coverage: float, between: float = ...) -> Interval[Floats]: ...
def funnel_limits(trials: ArrayLike, target: float, *, coverage: float, between: float = 0.0) -> Interval[Any]:
    """Limits for the rate of a unit that is exactly on target.

    Exact binomial limits, interpolated: with r the q-quantile of Binomial(n, target), (r - (F(r) - q)/f(r))/n at
    q = (1 - coverage)/2 and 1 - q. With a variance `between` units (from `overdispersion`): target -+ z
    sqrt(target (1 - target)/n + between).

    Parameters
    ----------
    trials : insertions of each unit, any shape
    target : rate of success, between 0 and 1
    coverage : .95 for the alert, .998 for the action limits
    between : tau^2, 0 for chance alone

    Returns
    -------
    Interval of the shape of trials, within [0, 1]; (0, 1) for no trials, which a chart leaves out.

    Raises
    ------
    ValueError for a target or coverage not between 0 and 1, trials not whole, or a negative variance.

    Notes
    -----
    For few insertions the interpolated line is finer than any count can show: use `integer_limits` for the verdict.

    References
    ----------
    Spiegelhalter (2005), Stat Med 24:1185-1202 (the interpolation of its appendix: from memory; digits checked
    against R qbinom, pbinom, dbinom).
    """
    n = demands.counts("trials", trials)
    demands.inside("target", target)
    tail = (1 - demands.inside("coverage", coverage)) / 2
    if not (np.isfinite(between) and between >= 0):
        raise ValueError(f"between must be 0 or above, got {between!r}")
    tried = np.maximum(n, 1)
    if between:
        half = -stats.norm.ppf(tail) * np.sqrt(target * (1 - target) / tried + between)
        low, high = target - half, target + half
    else:
        low, high = _interpolated(tried, target, tail), _interpolated(tried, target, 1 - tail)
    return Interval(plain(np.where(n == 0, 0.0, np.clip(low, 0, 1))), plain(np.where(n == 0, 1.0, np.clip(high, 0, 1))))


@overload
def integer_limits(trials: float, target: float, *, coverage: float) -> IntegerLimits[float]: ...
@overload
def integer_limits(trials: Many, target: float, *, coverage: float) -> IntegerLimits[Floats]: ...
def integer_limits(trials: ArrayLike, target: float, *, coverage: float) -> IntegerLimits[Any]:
    """The honest rule for small numbers: low if P(K <= k) <= (1 - coverage)/2 on target, high if P(K >= k) is.

    Parameters and errors as `funnel_limits`. A probability equal to the tail counts as low, or high.

    Returns
    -------
    IntegerLimits of the shape of trials; with 10 trials at .8 and .95 there is no high count: high = 11.
    """
    n = demands.counts("trials", trials)
    demands.inside("target", target)
    tail = (1 - demands.inside("coverage", coverage)) / 2 * (1 + TIE)
    law = stats.binom(n, target)
    first = law.ppf(tail)
    # The quantile is the first count whose probability reaches the tail: low itself if it is the tail, else past it.
    low = np.where(law.cdf(first) <= tail, first, first - 1)
    return IntegerLimits(plain(low), plain(law.isf(tail) + 1))


def overdispersion(
    successes: ArrayLike, trials: ArrayLike, *, target: float, winsorised: float = 0.10
) -> Overdispersion:
    """How much more the units differ from the target than chance allows.

    With z = (rate - target)/s, s^2 = target (1 - target)/n, w = 1/s^2: z is drawn in to its `winsorised` and
    1 - `winsorised` quantiles, phi = mean z^2, and tau^2 = (I phi - (I - 1))/(sum w - sum w^2/sum w), not below 0.

    Parameters
    ----------
    successes, trials : one of each for a unit, at least ten units with at least one insertion each
    target : between 0 and 1
    winsorised : share drawn in at each end, 0 to below .5 (quantiles by linear interpolation: packages differ)

    Raises
    ------
    ValueError for fewer than ten units, a unit without insertions, or values out of range.

    Notes
    -----
    Off by default: wider limits can hide a real problem that many units share.

    References
    ----------
    Spiegelhalter (2005), Stat Med 24:1185-1202; DerSimonian and Laird (1986), Control Clin Trials 7:177-188.
    """
    k, n = demands.counts_of(successes, trials)
    demands.inside("target", target)
    if k.ndim != 1 or len(k) < FEWEST_UNITS:
        raise ValueError(f"overdispersion needs a row of at least {FEWEST_UNITS} units, got shape {k.shape}")
    if (n == 0).any():
        raise ValueError(f"overdispersion needs insertions in every unit, got 0 in {int((n == 0).sum())} of {len(n)}")
    if not 0 <= winsorised < 0.5:
        raise ValueError(f"winsorised must lie from 0 to below .5, got {winsorised!r}")
    weight = n / (target * (1 - target))
    z = (k / n - target) * np.sqrt(weight)
    ratio = float(np.mean(np.clip(z, *np.quantile(z, (winsorised, 1 - winsorised))) ** 2))
    units = len(n)
    between = (units * ratio - (units - 1)) / (weight.sum() - (weight**2).sum() / weight.sum())
    return Overdispersion(ratio, max(0.0, float(between)))


def _interpolated(n: Floats, target: float, quantile: float) -> Floats:
    law = stats.binom(n, target)
    r = law.ppf(quantile)
    return np.asarray((r - (law.cdf(r) - quantile) / law.pmf(r)) / n)
