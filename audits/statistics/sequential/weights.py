"""What each failure and each success adds to a CUSUM."""

from dataclasses import dataclass
from math import log
from typing import Any, Generic, overload

import numpy as np
from numpy.typing import ArrayLike

from audits.statistics import demands
from audits.statistics.shapes import Floats, Many, T, plain

CLIPPED_RISK = (0.001, 0.999)


@dataclass(frozen=True)
class Weights(Generic[T]):
    """What a failure and what a success adds, one figure for all insertions or one for each.

    A monitor for failures has failure > 0 > success; a monitor for adequate performance failure < 0 < success.
    """

    failure: T
    success: T


def score_weights(acceptable: float, unacceptable: float) -> Weights[float]:
    """Log-likelihood ratio weights of a Bernoulli CUSUM: ln(p1/p0) for a failure, ln((1 - p1)/(1 - p0)) for a success.

    Parameters
    ----------
    acceptable, unacceptable : failure rates p0 and p1, 0 < p0 < p1 < 1. (Some texts call p0 'unacceptable' of
        success: the words here are of failure.)

    Raises
    ------
    ValueError unless 0 < acceptable < unacceptable < 1.

    Notes
    -----
    Never round the weights: at .20 and .35, four decimals put 13 failures and 23 successes onto a limit of 2.5 that
    they do not reach, and change the run length from 235.87 to 234.40. (Webster and Pettitt, 2007, Commun Stat Simul
    Comput 36:471-482, warn of erratic run lengths from rounding.)

    References
    ----------
    Page (1954), Biometrika 41:100-115. Reynolds and Stoumbos (1999), J Qual Technol 31:87-108,
    doi 10.1080/00224065.1999.11979900.
    """
    demands.ordered(acceptable, unacceptable)
    return Weights(log(unacceptable / acceptable), log((1 - unacceptable) / (1 - acceptable)))


@overload
def risk_adjusted_weights(expected_failure: float, *, odds_ratio: float) -> Weights[float]: ...
@overload
def risk_adjusted_weights(expected_failure: Many, *, odds_ratio: float) -> Weights[Floats]: ...
def risk_adjusted_weights(expected_failure: ArrayLike, *, odds_ratio: float) -> Weights[Any]:
    """Weights where each insertion has a failure risk of its own.

    With risk r and odds ratio R: failure ln(R/(1 - r + R r)), success ln(1/(1 - r + R r)).

    Parameters
    ----------
    expected_failure : failure risk of each insertion from a frozen, versioned risk model; clipped to [.001, .999]
    odds_ratio : R > 0 and not 1; above 1 watches for worse, below 1 for better than expected

    Raises
    ------
    ValueError for a risk outside [0, 1], or an odds ratio of 1, of 0 or less, or not finite.

    Notes
    -----
    A mix of risks changes the run length, and false alarms can nearly double (Wittenberg, 2022, Stat Methods Med Res
    31:779): a limit found for one failure rate does not carry over. Without a risk model, stratify instead.

    References
    ----------
    Steiner, Cook, Farewell and Treasure (2000), Biostatistics 1:441-452.
    """
    if not (np.isfinite(odds_ratio) and odds_ratio > 0 and odds_ratio != 1):
        raise ValueError(f"odds_ratio must be positive, finite and not 1, got {odds_ratio!r}")
    risk = np.clip(demands.rates("expected_failure", expected_failure), *CLIPPED_RISK)
    # log1p keeps the digits when R is near 1 or r is small.
    success = -np.log1p((odds_ratio - 1) * risk)
    return Weights(plain(log(odds_ratio) + success), plain(success))
