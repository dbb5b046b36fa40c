"""Rates of rare events: Poisson intervals, observed to expected, and the law of a sum of unequal chances.

For units only: one clinician's complications are far too few to judge.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from audits.statistics import demands
from audits.statistics.shapes import Floats, Interval, Many, plain


@dataclass(frozen=True)
class ObservedToExpected:
    """Events seen, events expected, their ratio with its interval, and P(at least so many) if the risks were true.

    Ratio and interval are None where nothing was expected: there is no figure then, not a figure of 0.
    """

    observed: int
    expected: float
    ratio: float | None
    interval: Interval[float] | None
    tail: float


@overload
def poisson_interval(events: float, exposure: float = ..., *, confidence: float = ...) -> Interval[float]: ...
@overload
def poisson_interval(events: Many, exposure: Many | float = ..., *, confidence: float = ...) -> Interval[Floats]: ...
def poisson_interval(events: ArrayLike, exposure: ArrayLike = 1.0, *, confidence: float = 0.95) -> Interval[Any]:
    """Garwood's exact interval for events in so much exposure.

    Chi-square quantiles chi2(a/2; 2x)/2 and chi2(1 - a/2; 2x + 2)/2, divided by the exposure; lower 0 at x = 0.

    Parameters
    ----------
    events : whole counts of any shape
    exposure : catheter-days, thousands of them, or an expected number; 0 or above

    Returns
    -------
    Interval for the rate in one unit of exposure; not-a-number where there was no exposure, which is no figure.

    Raises
    ------
    ValueError for counts not whole, a negative exposure, or a confidence not between 0 and 1.

    References
    ----------
    Garwood (1936), Biometrika 28:437-442; Ulm (1990), Am J Epidemiol 131:373-375. Checked against R epitools and
    scipy; a published output of R DescTools for 15 in 400.
    """
    x, share = np.broadcast_arrays(demands.counts("events", events), np.asarray(exposure, dtype=float))
    if not (np.isfinite(share) & (share >= 0)).all():
        raise ValueError(f"exposure must be finite and 0 or above, got {exposure!r}")
    tail = (1 - demands.inside("confidence", confidence)) / 2
    lower = np.where(x == 0, 0.0, special.gammaincinv(np.maximum(x, 1), tail))
    upper = special.gammainccinv(x + 1, tail)
    days = np.where(share > 0, share, np.nan)
    return Interval(plain(lower / days), plain(upper / days))


def poisson_binomial(chances: Sequence[float] | NDArray[Any]) -> Floats:
    """Probabilities of 0, 1, ..., n events out of n independent ones with chances of their own.

    Parameters
    ----------
    chances : one row, each from 0 to 1; none gives [1.]

    Raises
    ------
    ValueError for chances outside [0, 1], or not one row.

    Notes
    -----
    By convolution, one event at a time: only sums of positive terms, so that small tails keep their digits.
    (scipy.stats.poisson_binom gives the same, and takes a second for 5,000 events.)

    References
    ----------
    Checked against R PoissonBinomial 1.2.5 and scipy.
    """
    row = demands.rates("chances", chances)
    if row.ndim != 1:
        raise ValueError(f"chances must be one row, got an array of shape {row.shape}")
    mass = np.zeros(len(row) + 1)
    mass[0] = 1.0
    for size, chance in enumerate(row.tolist(), start=1):
        mass[1 : size + 1] = mass[1 : size + 1] * (1 - chance) + mass[:size] * chance
        mass[0] *= 1 - chance
    return mass


def observed_to_expected(
    observed: int, risks: Sequence[float] | NDArray[Any], *, confidence: float = 0.95
) -> ObservedToExpected:
    """Events seen against those expected from each case's own risk.

    Parameters
    ----------
    observed : events seen, from 0 to the number of cases
    risks : risk of each case, from a frozen, versioned model

    Returns
    -------
    ObservedToExpected, with Garwood's interval for the ratio and the exact Poisson-binomial tail P(X >= observed).

    Raises
    ------
    ValueError for risks outside [0, 1], or more events than cases.

    Notes
    -----
    For large risks the Poisson interval is conservative: it can hold 1 while the exact tail is below .05. Both are
    right; the tail is the test.

    References
    ----------
    Liddell (1984), J Epidemiol Community Health 38:85-88; Ulm (1990), Am J Epidemiol 131:373-375.
    """
    mass = poisson_binomial(risks)
    seen = demands.whole("observed", observed, least=0)
    if seen >= len(mass):
        raise ValueError(f"observed cannot exceed the cases, got {seen} of {len(mass) - 1}")
    expected = float(np.sum(risks))
    tail = float(min(1.0, mass[seen:].sum()))
    if expected == 0:
        return ObservedToExpected(seen, expected, None, None, tail)
    interval = poisson_interval(seen, expected, confidence=confidence)
    return ObservedToExpected(seen, expected, seen / expected, interval, tail)
