"""Intervals for a rate of k successes in n trials.

Wilson is the one to show beside a rate. The exact interval is for 'at least 95%', and is wider. The plain normal
interval is not here: Vollset (1993), Stat Med 12:809-824, discourages it strongly, and at 3 of 3 it has no width.
"""

from typing import Any, overload

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from audits.statistics import demands
from audits.statistics.shapes import Floats, Interval, Many, plain

__all__ = ["Interval", "exact_interval", "jeffreys_interval", "wilson_interval"]


@overload
def wilson_interval(successes: float, trials: float, *, confidence: float = ...) -> Interval[float]: ...
@overload
def wilson_interval(successes: Many, trials: Many | float, *, confidence: float = ...) -> Interval[Floats]: ...
def wilson_interval(successes: ArrayLike, trials: ArrayLike, *, confidence: float = 0.95) -> Interval[Any]:
    """Score interval for a proportion, two-sided.

    With z the normal quantile of 1 - (1 - confidence)/2, the centre is (k + z^2/2)/(n + z^2) and the half-width
    z/(n + z^2) sqrt(k(n - k)/n + z^2/4). The upper end of a two-sided 95% interval is a one-sided 97.5% bound.

    Parameters
    ----------
    successes, trials : whole numbers of one shape, 0 <= successes <= trials
    confidence : between 0 and 1

    Returns
    -------
    Interval of that shape, within [0, 1]; no trials gives (0, 1), which says 'no data' and is not a rate of 0.

    Raises
    ------
    ValueError for counts out of range or not whole, or a confidence out of range.

    Notes
    -----
    Trials are taken as independent with one success rate. Under 20 of them the interval is so wide that it says
    little; under 5 show no rate at all.

    References
    ----------
    Wilson (1927), J Am Stat Assoc 22:209-212. Limits checked against the examples of Newcombe (1998), Stat Med
    17:857-872, Table I.
    """
    k, n = demands.counts_of(successes, trials)
    z = -float(special.ndtri((1 - demands.inside("confidence", confidence)) / 2))
    tried = np.maximum(n, 1)
    centre = (k + z * z / 2) / (tried + z * z)
    half = z / (tried + z * z) * np.sqrt(k * (tried - k) / tried + z * z / 4)
    return _interval(k, n, lower=centre - half, upper=centre + half)


@overload
def exact_interval(successes: float, trials: float, *, confidence: float = ...) -> Interval[float]: ...
@overload
def exact_interval(successes: Many, trials: Many | float, *, confidence: float = ...) -> Interval[Floats]: ...
def exact_interval(successes: ArrayLike, trials: ArrayLike, *, confidence: float = 0.95) -> Interval[Any]:
    """Clopper-Pearson interval: covers the true rate at least as often as its confidence says, whatever the rate.

    Beta quantiles B(a/2; k, n - k + 1) and B(1 - a/2; k + 1, n - k), a = 1 - confidence. Usually too wide: at
    n = 20 and a true rate of .8 it covers 97.8% instead of 95%. Parameters, answer and errors as `wilson_interval`.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26:404-413. Checked against R binom.test.
    """
    k, n = demands.counts_of(successes, trials)
    tail = (1 - demands.inside("confidence", confidence)) / 2
    # 1 stands in where a beta parameter would be 0; `_interval` sets those ends.
    lower = special.betaincinv(np.maximum(k, 1), n - k + 1, tail)
    upper = special.betainccinv(k + 1, np.maximum(n - k, 1), tail)
    return _interval(k, n, lower=lower, upper=upper)


@overload
def jeffreys_interval(successes: float, trials: float, *, confidence: float = ...) -> Interval[float]: ...
@overload
def jeffreys_interval(successes: Many, trials: Many | float, *, confidence: float = ...) -> Interval[Floats]: ...
def jeffreys_interval(successes: ArrayLike, trials: ArrayLike, *, confidence: float = 0.95) -> Interval[Any]:
    """Quantiles of Beta(k + 1/2, n - k + 1/2), with the lower end 0 at k = 0 and the upper end 1 at k = n.

    Some packages leave those two ends at the quantile (.000024 at 0 of 20). Parameters, answer and errors as
    `wilson_interval`.

    References
    ----------
    Brown, Cai and DasGupta (2001), Stat Sci 16:101-133 (the convention at the ends: from memory). Digits checked
    against R epitools and statsmodels away from the ends.
    """
    k, n = demands.counts_of(successes, trials)
    tail = (1 - demands.inside("confidence", confidence)) / 2
    lower = special.betaincinv(k + 0.5, n - k + 0.5, tail)
    upper = special.betainccinv(k + 0.5, n - k + 0.5, tail)
    return _interval(k, n, lower=lower, upper=upper)


def _interval(k: Floats, n: Floats, *, lower: ArrayLike, upper: ArrayLike) -> Interval[Any]:
    # Exactly 0 and 1 at the ends: rounding must not make 'none of 20' exclude a rate of nought.
    return Interval(
        plain(np.where(k == 0, 0.0, np.clip(lower, 0, 1))),
        plain(np.where(k == n, 1.0, np.clip(upper, 0, 1))),
    )
