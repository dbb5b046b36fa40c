"""Learning curves: the sequential test with its two lines and its verdict, and the weights of LC-CUSUM."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import log
from typing import Any, Generic, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from audits.statistics import demands
from audits.statistics.sequential.passage import TOLERANCE, exits
from audits.statistics.sequential.path import outcomes
from audits.statistics.sequential.weights import Weights
from audits.statistics.shapes import Floats, Many, T, plain


@dataclass(frozen=True)
class LearningLimits:
    """The line rises by 1 - step on a failure and falls by step on a success.

    At `accept` (below 0) or under, the failure rate is taken as acceptable; at `reject` (above 0) or over, as not.
    """

    step: float
    accept: float
    reject: float


class Decision(StrEnum):
    ACCEPTABLE = "acceptable"
    UNACCEPTABLE = "unacceptable"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class Verdict:
    """The decision, after how many insertions (None while undecided), and the whole line, which runs on past it."""

    decision: Decision
    decided_after: int | None
    values: Floats


@dataclass(frozen=True)
class LearningOutcomes(Generic[T]):
    """How a learning curve ends: probabilities of the three decisions, and the mean number of insertions used."""

    acceptable: T
    unacceptable: T
    undecided: T
    mean_attempts: T


def learning_limits(acceptable: float, unacceptable: float, *, alpha: float, beta: float) -> LearningLimits:
    """Step and lines of the sequential test of an acceptable against an unacceptable failure rate.

    With P = ln(p1/p0), Q = ln((1 - p0)/(1 - p1)), a = ln((1 - beta)/alpha), b = ln((1 - alpha)/beta): step Q/(P + Q),
    accept -b/(P + Q), reject +a/(P + Q).

    Parameters
    ----------
    acceptable, unacceptable : failure rates p0 < p1
    alpha : wanted chance of 'unacceptable' for a clinician at p0; beta : of 'acceptable' for one at p1

    Raises
    ------
    ValueError unless 0 < acceptable < unacceptable < 1, alpha and beta are above 0, and alpha + beta < 1.

    Notes
    -----
    Many records stay undecided (a fifth after 50 insertions at .20/.35/.1/.1). One verdict ends the test: used on as a
    monitor its errors no longer hold, and the credit that the falling line builds hides later decline.

    References
    ----------
    Wald (1945), Ann Math Stat 16:117-186. Kestin (1995), Br J Anaesth 75:805-809. Some teaching texts print both lines
    with a minus sign, or swap which rate is 'unacceptable'; here the words are of failure and the signs as drawn.
    """
    demands.ordered(acceptable, unacceptable)
    if not (alpha > 0 and beta > 0 and alpha + beta < 1):
        raise ValueError(f"alpha and beta must be above 0 with a sum below 1, got {alpha!r} and {beta!r}")
    fall = log((1 - acceptable) / (1 - unacceptable))
    spread = log(unacceptable / acceptable) + fall
    return LearningLimits(
        step=fall / spread, accept=-log((1 - alpha) / beta) / spread, reject=log((1 - beta) / alpha) / spread
    )


def learning_verdict(failures: Sequence[bool] | Sequence[int] | NDArray[Any], limits: LearningLimits) -> Verdict:
    """The learning curve of a series of insertions, and where it first meets a line (within 1e-9).

    Parameters
    ----------
    failures : 1 or True for each failure, 0 or False for each success, in order
    limits : from `learning_limits`

    Returns
    -------
    Verdict; no insertions, or a line met by none: undecided.

    Raises
    ------
    ValueError for anything but 0 and 1.
    """
    failed = outcomes(failures)
    values = np.cumsum(failed) - limits.step * np.arange(1, len(failed) + 1)
    low, high = values <= limits.accept + TOLERANCE, values >= limits.reject - TOLERANCE
    met = np.flatnonzero(low | high)
    if not met.size:
        return Verdict(Decision.UNDECIDED, None, values)
    first = int(met[0])
    return Verdict(Decision.ACCEPTABLE if low[first] else Decision.UNACCEPTABLE, first + 1, values)


@overload
def learning_outcomes(
    failure_rate: float, limits: LearningLimits, *, attempts: int | None = ...
) -> LearningOutcomes[float]: ...
@overload
def learning_outcomes(
    failure_rate: Many, limits: LearningLimits, *, attempts: int | None = ...
) -> LearningOutcomes[Floats]: ...
def learning_outcomes(
    failure_rate: ArrayLike, limits: LearningLimits, *, attempts: int | None = None
) -> LearningOutcomes[Any]:
    """What the learning curve decides at a true failure rate, exact, with the overshoot that Wald's formulas leave out.

    Parameters
    ----------
    failure_rate : true failure rate or rates, 0 to 1
    attempts : stop undecided after so many insertions; None goes on until the test decides

    Raises
    ------
    ValueError for rates outside [0, 1] or attempts below 0.
    """
    rate = demands.rates("failure_rate", failure_rate)
    found = exits(up=1 - limits.step, down=limits.step, lower=limits.accept, upper=limits.reject, start=0.0)
    mass = found.mass(rate)
    if attempts is not None:
        mass = np.where(found.steps <= demands.whole("attempts", attempts, least=0), mass, 0.0)
    low, high = mass[..., ~found.above].sum(-1), mass[..., found.above].sum(-1)
    open_still = np.zeros_like(low) if attempts is None else np.clip(1 - low - high, 0, 1)
    mean = (mass * found.steps).sum(-1) + open_still * (attempts or 0)
    return LearningOutcomes(plain(low), plain(high), plain(open_still), plain(mean))


def adequacy_weights(adequate: float, inadequate: float) -> Weights[float]:
    """Weights of LC-CUSUM, which starts from 'not yet adequate' and gathers evidence of adequate performance.

    A success adds ln((1 - adequate)/(1 - inadequate)) > 0, a failure ln(adequate/inadequate) < 0; floored at 0, so that
    a poor start is not held against the learner. Use with `cusum_path`, `run_length` and `signal_probability`.

    Parameters
    ----------
    adequate, inadequate : failure rates, 0 < adequate < inadequate < 1

    Raises
    ------
    ValueError for rates out of order.

    Notes
    -----
    A signal is advice beside observed practice, never a sign-off. False signals gather with exposure: at .20/.35 and a
    limit of 2.5, 16% of inadequate trainees have signalled within 50 insertions, 35% within 100.

    References
    ----------
    Biau and Porcher (2010), Stat Med, doi 10.1002/sim.3947; Biau and others (2008), Br J Surg 95:925-929. Their own
    limits and discovery rates were not available; exact ones come from `signal_probability`.
    """
    if not 0 < adequate < inadequate < 1:
        raise ValueError(
            f"failure rates must satisfy 0 < adequate < inadequate < 1, got adequate {adequate!r}, "
            f"inadequate {inadequate!r}"
        )
    return Weights(log(adequate / inadequate), log((1 - adequate) / (1 - inadequate)))
