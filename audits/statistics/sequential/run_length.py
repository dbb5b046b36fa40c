"""How long a CUSUM runs before it signals, and how likely it has signalled by then: exact for any weights."""

from bisect import bisect_left
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Generic, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from audits.statistics import demands
from audits.statistics.sequential.passage import TOLERANCE, Exits, exits
from audits.statistics.sequential.weights import Weights, score_weights
from audits.statistics.shapes import Floats, Many, T, plain

LIMITS_PER_UNIT = 1000


@dataclass(frozen=True)
class RunLength(Generic[T]):
    """Mean number of insertions up to and with the signal, and its standard deviation; infinite where none can come."""

    mean: T
    deviation: T


@overload
def run_length(
    failure_rate: float, *, weights: Weights[float], limit: float, start: float = ...
) -> RunLength[float]: ...
@overload
def run_length(
    failure_rate: Many, *, weights: Weights[float], limit: float, start: float = ...
) -> RunLength[Floats]: ...
def run_length(failure_rate: ArrayLike, *, weights: Weights[float], limit: float, start: float = 0.0) -> RunLength[Any]:
    """Mean and deviation of the number of insertions to a signal, exact.

    The line S = max(0, S + weight) is a row of independent rounds, each from 0 until it is back at 0 or signals. With
    N the length of a round and q its chance of a signal, the mean is E[N]/q; from a head start the first round differs.

    Parameters
    ----------
    failure_rate : true failure rate or rates, 0 to 1
    weights : of opposite signs, as for `cusum_path`
    limit : height of the signal, > 0
    start : height at which the first round starts (head start), 0 <= start < limit

    Raises
    ------
    ValueError for rates outside [0, 1], weights not of opposite signs, or limit and start out of order.

    Notes
    -----
    The deviation is close to the mean: run lengths are roughly geometric, and 63% of false alarms come before the
    'mean between false alarms'. Show `signal_probability` beside it. Insertions are taken as independent with one rate.

    References
    ----------
    Page (1954), Biometrika 41:100-115. Equal to the linear system of Brook and Evans (1972), Biometrika 59:539-549,
    on the states themselves. Checked against R surveillance arlCusum (binomial).
    """
    rate = demands.rates("failure_rate", failure_rate)
    rounds, first = _rounds(weights, limit, start)
    up_rate = rate if weights.failure > 0 else 1 - rate
    mean, variance = _moments(rounds, up_rate)
    if start > 0:
        mass = first.mass(up_rate)
        again = np.where(first.above, 0.0, 1.0)
        with np.errstate(invalid="ignore"):
            later = np.where(mass * again > 0, mean[..., np.newaxis], 0.0)
            head_mean = (mass * (first.steps + later)).sum(-1)
            spread = np.where(mass > 0, first.steps + later - head_mean[..., np.newaxis], 0.0)
            returns = (mass * again).sum(-1)
            variance = (mass * spread**2).sum(-1) + np.where(returns > 0, returns * variance, 0.0)
        mean = head_mean
    deviation = np.where(np.isfinite(mean), np.sqrt(variance), np.inf)
    return RunLength(plain(mean), plain(deviation))


@overload
def signal_probability(
    failure_rate: float, *, weights: Weights[float], limit: float, attempts: int, start: float = ...
) -> float: ...
@overload
def signal_probability(
    failure_rate: Many, *, weights: Weights[float], limit: float, attempts: int, start: float = ...
) -> Floats: ...
def signal_probability(
    failure_rate: ArrayLike, *, weights: Weights[float], limit: float, attempts: int, start: float = 0.0
) -> Any:
    """Probability that the line has signalled at least once within so many insertions, exact.

    For LC-CUSUM this is the 'true discovery' at the adequate rate and the 'false discovery' at the inadequate one
    (authors' words; the second is a false-signal probability). It grows with exposure: always show `attempts` with it.

    Parameters
    ----------
    attempts : insertions watched, >= 0; the others as for `run_length`

    Returns
    -------
    Probability for each rate.

    Raises
    ------
    ValueError as `run_length`, and for attempts not whole or below 0.

    References
    ----------
    The renewal equation of the rounds of `run_length`; Gombay, Hussein and Steiner (2011), Stat Med,
    doi 10.1002/sim.4305, on why the mean alone misleads.
    """
    rate = demands.rates("failure_rate", failure_rate)
    attempts = demands.whole("attempts", attempts, least=0)
    rounds, first = _rounds(weights, limit, start)
    up_rate = np.ravel(rate if weights.failure > 0 else 1 - rate)
    mass, first_mass = rounds.mass(up_rate), first.mass(up_rate)
    back = _by_step(~rounds.above, rounds, mass, attempts)
    by_then = np.cumsum(_by_step(rounds.above, rounds, mass, attempts), axis=0)
    # How likely the line comes back to 0 after each number of insertions, in whichever round.
    at_zero = _by_step(~first.above, first, first_mass, attempts)
    longest = int(rounds.steps.max())
    for step in range(1, attempts + 1):
        earliest = max(0, step - longest)
        at_zero[step] += (at_zero[earliest:step] * back[step - earliest : 0 : -1]).sum(axis=0)
    found = _by_step(first.above, first, first_mass, attempts).sum(axis=0) + (at_zero * by_then[::-1]).sum(axis=0)
    return plain(np.minimum(found, 1.0).reshape(rate.shape))


@lru_cache(maxsize=256)
def limit_for_run_length(acceptable: float, unacceptable: float, *, run_length: float) -> float:
    """The smallest limit, in thousandths, whose mean run length at the acceptable rate is at least the wanted one.

    Parameters
    ----------
    acceptable, unacceptable : failure rates, 0 < acceptable < unacceptable < 1
    run_length : wanted mean number of insertions between false alarms, > 1

    Raises
    ------
    ValueError for rates out of order, or a run length not above 1 or not finite.

    Notes
    -----
    The run length is a staircase in the limit (and rises with it: a higher limit is reached later on every path), so
    that the answer's own run length is somewhat above the wanted one; ask `run_length` for it.
    """
    weights = score_weights(acceptable, unacceptable)
    if not (np.isfinite(run_length) and run_length > 1):
        raise ValueError(f"run_length must be finite and above 1, got {run_length!r}")

    def mean(thousandths: int) -> float:
        rounds, _ = _rounds(weights, thousandths / LIMITS_PER_UNIT, 0.0)
        return float(_moments(rounds, np.asarray(acceptable))[0])

    top = LIMITS_PER_UNIT
    while mean(top) < run_length:
        top *= 2
    return bisect_left(range(top + 1), run_length, lo=1, key=mean) / LIMITS_PER_UNIT


def _rounds(weights: Weights[float], limit: float, start: float) -> tuple[Exits, Exits]:
    """Exits of a round from 0, and of the first round from `start`."""
    low, high = sorted((weights.failure, weights.success))
    if not (np.isfinite(low) and np.isfinite(high) and low < 0 < high):
        raise ValueError(
            f"weights must be of opposite signs, got failure {weights.failure!r}, success {weights.success!r}"
        )
    if not (np.isfinite(limit) and limit > TOLERANCE and 0 <= start < limit - TOLERANCE):
        raise ValueError(f"limit and start must satisfy 0 <= start < limit, got limit {limit!r}, start {start!r}")
    rounds = exits(up=high, down=-low, lower=0.0, upper=limit, start=0.0)
    return rounds, exits(up=high, down=-low, lower=0.0, upper=limit, start=start) if start else rounds


def _moments(rounds: Exits, up_rate: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of the run from 0. The variance is a sum of squares, so that no digits cancel."""
    mass = rounds.mass(up_rate)
    signal = mass[..., rounds.above].sum(-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (mass * rounds.steps).sum(-1) / signal
        spread = rounds.steps - np.where(rounds.above, mean[..., np.newaxis], 0.0)
        variance = (np.where(mass > 0, mass * spread**2, 0.0)).sum(-1) / signal
    return mean, variance


def _by_step(way: NDArray[np.bool_], found: Exits, mass: Floats, attempts: int) -> Floats:
    """Mass of the exits of one way at 0, 1, ... attempts (rows), for each rate (columns)."""
    seen = way & (found.steps <= attempts)
    table = np.zeros((attempts + 1, len(mass)))
    np.add.at(table, found.steps[seen], mass[:, seen].T)
    return table
